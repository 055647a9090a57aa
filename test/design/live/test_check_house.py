# Copyright 2026 The leg_kinematics authors
# SPDX-License-Identifier: Apache-2.0
"""What pages are told while a description is edited, with a check that takes no time."""

import json
from collections.abc import Iterator
from dataclasses import replace
from functools import partial
from math import cos, hypot, sin
from pathlib import Path
from typing import TYPE_CHECKING, Any

import pytest

from leg_kinematics.commands.check import load_design
from leg_kinematics.design.finding import Bounds, Finding, Verdict
from leg_kinematics.design.live.checking import Doing, Failed, Found, News
from leg_kinematics.design.live.house import LOOK_EVERY, SHOW_EVERY, CheckHouse
from leg_kinematics.design.report import Report
from leg_kinematics.errors import CommandError
from leg_kinematics.view.messages import Arm

CONFIG = Path(__file__).parents[3] / 'config'
BRACKEN = CONFIG / 'robots' / 'bracken.yaml'
MAPS = CONFIG / 'servo_maps' / 'bracken.yaml'

if TYPE_CHECKING:
    from test.told_page import ToldPage
else:
    from told_page import ToldPage


class ToldChecker:
    """Checks nothing: a test says what is found, and when."""

    def __init__(self) -> None:
        """Check nothing yet."""
        self.did: list[str] = []
        self.news: list[News] = []

    def start(self) -> None:
        """Note it."""
        self.did.append('start')

    def cancel(self) -> None:
        """Note it, and say nothing more."""
        self.did.append('cancel')
        self.news.clear()

    def fetch(self) -> Iterator[News]:
        """Say what the test wants."""
        while self.news:
            yield self.news.pop(0)


class Bench:
    """A house with one page, whose clock and check are in the hands of a test."""

    def __init__(self, folder: Path, maps: Path | None = None) -> None:
        """Copy the example robot, and have a page come."""
        self.robot = folder / 'bracken.yaml'
        self.robot.write_bytes(BRACKEN.read_bytes())
        self.now = 0.0
        self.checker = ToldChecker()
        files = [self.robot] if maps is None else [self.robot, maps]
        self.house = CheckHouse(
            files, partial(load_design, self.robot, maps, None), self.checker, lambda: self.now
        )
        self.page = ToldPage(1)
        self.house.come(self.page)

    def pass_by(self, seconds: float = 1.1 * LOOK_EVERY) -> list[dict[str, Any]]:
        """Let time pass and the house step; give what was said, frames left out."""
        self.now += seconds
        self.house.step()
        return [each for each in self.page.told() if each['kind'] != 'frame']

    def kinds(self, seconds: float = 1.1 * LOOK_EVERY) -> list[str]:
        """Do the same, and give what it was about."""
        return [each['kind'] for each in self.pass_by(seconds)]

    def edit(self, old: str, new: str) -> None:
        """Replace some text in the description, and save it."""
        text = self.robot.read_text(encoding='utf-8')
        assert old in text
        self.robot.write_text(text.replace(old, new, 1), encoding='utf-8')

    def find(self, *findings: Finding, whole: bool = True) -> list[dict[str, Any]]:
        """End the check that runs, or its first part; give what was said."""
        self.checker.news.append(Found(Report(findings, (), ()), (), whole))
        return self.pass_by(0.0)


def reach(metres: float) -> Finding:
    """Make a line of a report."""
    return Finding('reach', 'margin standing', metres, 'm', Bounds(0.015, 0.003), '', 'bend it')


@pytest.fixture
def bench(tmp_path: Path) -> Bench:
    """Give a house whose page has heard of the example robot, which is being checked."""
    bench = Bench(tmp_path)
    assert bench.kinds() == ['control', 'robot', 'doubts', 'checking']
    return bench


def foot(length: float, angles: list[float]) -> tuple[float, float]:
    """Where a foot of bracken is: distance from its coxa axis, and height, m (by hand)."""
    _, femur, tibia = angles
    return (
        0.032 + length * cos(femur) + 0.104 * cos(femur + tibia),
        length * sin(femur) + 0.104 * sin(femur + tibia),
    )


def test_a_robot_stands_as_its_description_says_before_any_check(tmp_path: Path) -> None:
    """85 mm high and 125 mm from the coxa axes: what bracken.yaml has."""
    bench = Bench(tmp_path)
    bench.pass_by()
    frame = bench.page.frame
    assert foot(0.068, frame['angles'][:3]) == pytest.approx((0.125, -0.085), abs=1e-5)
    assert frame['base']['position'] == [0.0, 0.0, 0.085]
    assert frame['standing'] == [True] * 6
    assert len(frame['balance']['support']) == 6
    assert frame['pulses_us'] is None
    assert frame['foot_targets'] is None
    assert bench.house.verdict is None


def test_a_saved_change_is_a_robot_at_once_and_another_check(bench: Bench) -> None:
    """The femur grows; the feet stay where they stand."""
    bench.edit('length: 68 mm', 'length: 80 mm')
    assert bench.kinds() == ['robot', 'checking']
    assert foot(0.080, bench.page.frame['angles'][:3]) == pytest.approx((0.125, -0.085), abs=1e-5)
    assert bench.checker.did == ['start', 'start']


def test_content_that_is_the_same_says_nothing(bench: Bench) -> None:
    """A file that is saved as it was, or replaced by a copy, is no change."""
    bench.robot.write_bytes(bench.robot.read_bytes())
    assert bench.pass_by() == []
    copy = bench.robot.with_name('new')
    copy.write_bytes(bench.robot.read_bytes())
    copy.replace(bench.robot)
    assert bench.pass_by() == []
    assert bench.checker.did == ['start']


def test_a_look_is_taken_now_and_then(bench: Bench) -> None:
    """Not at each of thirty steps a second."""
    bench.edit('length: 68 mm', 'length: 80 mm')
    assert bench.pass_by(LOOK_EVERY / 2) == []
    assert bench.kinds(LOOK_EVERY / 2 + 1e-9) == ['robot', 'checking']


def test_what_a_check_finds_is_told_with_what_has_changed(bench: Bench) -> None:
    """Values as they are shown; a larger margin is better, whatever its verdict."""
    bench.checker.news.append(Doing('reach'))
    assert bench.pass_by(0.0) == [{'kind': 'checking', 'doing': 'reach'}]
    report, pictures = bench.find(reach(0.0141))
    assert (report['verdict'], report['findings'][0]['value']) == ('tight', '14.1 mm')
    assert report['findings'][0]['bounds'] == '≥ 15 (3)'
    assert report['findings'][0]['former'] is None
    assert pictures['pictures'] == []
    verdicts = [bench.house.verdict]

    bench.edit('length: 68 mm', 'length: 80 mm')
    bench.pass_by()
    report, _ = bench.find(reach(0.0459))
    former = {'value': '14.1 mm', 'verdict': 'tight', 'trend': 'better'}
    assert report['findings'][0]['former'] == former

    bench.edit('length: 80 mm', 'length: 81 mm')
    bench.pass_by()
    report, _ = bench.find(reach(0.0451))
    assert report['findings'][0]['former']['trend'] == 'worse'

    bench.edit('length: 81 mm', 'length: 82 mm')
    bench.pass_by()
    report, _ = bench.find(reach(0.04512))
    assert report['findings'][0]['former'] is None

    bench.edit('length: 82 mm', 'length: 83 mm')
    bench.pass_by()
    unreached = Finding('reach', 'margin standing', None, 'm', Bounds(0.015, 0.003), '', 'bend it')
    report, _ = bench.find(unreached)
    assert report['findings'][0]['former']['trend'] == 'worse'
    assert report['findings'][0]['value'] == '–'
    assert [*verdicts, bench.house.verdict] == [Verdict.TIGHT, Verdict.FAIL]


def test_a_file_that_is_half_written_is_not_called_wrong(bench: Bench) -> None:
    """An editor may write in two steps: the second comes before the next look but one."""
    whole = bench.robot.read_text(encoding='utf-8').replace('length: 68 mm', 'length: 70 mm')
    bench.robot.write_text(whole[: len(whole) // 2], encoding='utf-8')
    assert bench.pass_by() == []
    bench.robot.write_text(whole, encoding='utf-8')
    assert bench.kinds() == ['robot', 'checking']


def test_a_file_that_is_gone_for_a_moment_is_not_called_wrong(bench: Bench) -> None:
    """Some editors move the former file away first."""
    moved = bench.robot.rename(bench.robot.with_name('bracken.yaml~'))
    assert bench.pass_by() == []
    moved.rename(bench.robot)
    assert bench.pass_by() == []
    assert bench.checker.did == ['start']


def test_a_wrong_file_is_told_by_its_own_words_until_it_is_cured(bench: Bench) -> None:
    """With line and place; the report is kept, and is of the files again without another check."""
    first, _ = bench.find(reach(0.03))
    line = bench.robot.read_text(encoding='utf-8').splitlines().index('    length: 68 mm') + 1
    bench.edit('length: 68 mm', 'length: 68 kg')
    assert bench.pass_by() == []
    (wrong,) = bench.pass_by()
    assert wrong['kind'] == 'wrong'
    assert f'bracken.yaml:{line}: links.femur.length' in wrong['words']
    verdicts = [bench.house.verdict]
    assert bench.pass_by() == []

    late = ToldPage(2)
    bench.house.come(late)
    kinds = [each['kind'] for each in late.told()]
    assert kinds == ['control', 'robot', 'doubts', 'report', 'pictures', 'wrong', 'frame']

    bench.edit('length: 68 kg', 'length: 68 mm')
    told = bench.pass_by()
    assert [each['kind'] for each in told] == ['report', 'pictures']
    assert told[0] == first
    assert [*verdicts, bench.house.verdict] == [None, Verdict.PASS]
    assert bench.checker.did.count('start') == 1


def test_a_comment_changes_neither_robot_nor_report(bench: Bench) -> None:
    """Nothing is said at all."""
    bench.find(reach(0.03))
    bench.edit('name: bracken', '# Mine.\nname: bracken')
    assert bench.pass_by() == []
    assert bench.checker.did.count('start') == 1


def test_a_comment_does_not_begin_a_check_anew(bench: Bench) -> None:
    """The one that runs is about the same design."""
    bench.edit('name: bracken', '# Mine.\nname: bracken')
    assert bench.pass_by() == []
    assert bench.checker.did == ['start']
    assert [each['kind'] for each in bench.find(reach(0.03))] == ['report', 'pictures']


def test_a_check_that_was_cut_short_is_not_compared_with(bench: Bench) -> None:
    """Only what was told counts."""
    bench.find(reach(0.030))
    bench.edit('length: 68 mm', 'length: 80 mm')
    bench.pass_by()
    bench.edit('length: 80 mm', 'length: 90 mm')
    bench.pass_by()
    report, _ = bench.find(reach(0.035))
    assert report['findings'][0]['former']['value'] == '30 mm'
    assert bench.checker.did == ['start'] * 3


def test_advice_comes_later_and_is_compared_with_the_same_report(bench: Bench) -> None:
    """What is found is told at once; to try what would help takes several times as long."""
    bench.find(reach(0.030))
    bench.edit('length: 68 mm', 'length: 80 mm')
    bench.pass_by()
    early, _ = bench.find(reach(0.002), whole=False)
    assert (early['whole'], early['verdict']) == (False, 'fail')
    bench.checker.news.append(Doing('what would help'))
    assert bench.pass_by() == []
    bench.edit('name: bracken', '# Mine.\nname: bracken')
    assert bench.pass_by() == []
    (late,) = bench.find(replace(reach(0.002), advice=('femur 3 mm longer',)))
    assert late['whole']
    assert late['findings'][0]['advice'] == ['femur 3 mm longer']
    assert late['findings'][0]['former'] == early['findings'][0]['former']
    assert late['findings'][0]['former']['value'] == '30 mm'
    assert bench.checker.did == ['start', 'start']


def test_advice_that_was_cut_short_is_tried_anew(bench: Bench) -> None:
    """After a wrong file, or another design in between."""
    bench.find(reach(0.030))
    for other in ('length: 68 kg', 'length: 80 mm'):
        starts = bench.checker.did.count('start')
        bench.edit('length: 68 mm', 'length: 69 mm')
        bench.pass_by()
        bench.find(reach(0.002), whole=False)
        bench.edit('length: 69 mm', other)
        bench.pass_by()
        bench.pass_by()
        bench.edit(other, 'length: 69 mm')
        assert bench.kinds()[-1] == 'checking'
        bench.edit('length: 69 mm', 'length: 68 mm')
        bench.pass_by()
        bench.find(reach(0.030))
        assert bench.checker.did.count('start') - starts >= 3


def test_a_check_that_fails_says_so(bench: Bench) -> None:
    """Its words are shown, and the next save checks again."""
    bench.checker.news.append(Failed('the check has ended without a report'))
    (wrong,) = bench.pass_by(0.0)
    assert wrong == {'kind': 'wrong', 'words': 'the check has ended without a report'}
    bench.edit('name: bracken', '# Once more.\nname: bracken')
    assert bench.kinds() == ['checking']
    assert bench.checker.did.count('start') == 2


def test_pictures_that_are_gone_are_told(bench: Bench) -> None:
    """Somebody cleared their folder; the next save checks again."""
    gone = bench.robot.with_name('reach.png')
    bench.checker.news.append(Found(Report((reach(0.03),), (), ()), (gone,), whole=True))
    (wrong,) = bench.pass_by(0.0)
    assert wrong['kind'] == 'wrong'
    assert 'reach.png: the picture cannot be read' in wrong['words']
    bench.edit('name: bracken', '# Once more.\nname: bracken')
    assert bench.kinds() == ['checking']


def test_a_file_that_is_wrong_from_the_start_is_told_and_cured(tmp_path: Path) -> None:
    """There is no robot yet; frames go on all the same, or the page would give up."""
    bench = Bench(tmp_path)
    bench.edit('name: bracken', 'nam: bracken')
    bench.pass_by()
    assert bench.kinds() == ['wrong']
    bench.pass_by(SHOW_EVERY)
    assert bench.page.frame['angles'] is None
    bench.edit('nam: bracken', 'name: bracken')
    assert bench.kinds() == ['robot', 'doubts', 'checking']


def test_legs_in_doubt_and_legs_that_cannot_stand_stand_out(bench: Bench) -> None:
    """A mount on the wrong side, told before any check; feet that are too far away."""
    bench.edit('position: [115 mm, 60 mm, 0 mm]', 'position: [115 mm, -60 mm, 0 mm]')
    doubts = next(each for each in bench.pass_by() if each['kind'] == 'doubts')
    assert 'left_front' in doubts['legs']
    assert 'legs.left_front.mount' in doubts['doubts'][0]['seen']
    assert doubts['out_of_reach'] == []

    bench.edit('height: 85 mm\n  reach: 125 mm', 'height: 190 mm\n  reach: 125 mm')
    doubts = next(each for each in bench.pass_by() if each['kind'] == 'doubts')
    assert len(doubts['out_of_reach']) == 6
    # Straight, but for the tibia, whose upper limit is -5 degrees.
    assert bench.page.frame['angles'][:3] == pytest.approx([0.0, 0.0, -0.08727], abs=1e-5)
    assert bench.page.frame['standing'] is None


def test_servo_maps_are_watched_and_tell_pulses(tmp_path: Path) -> None:
    """All files that were named are."""
    maps = tmp_path / 'maps.yaml'
    maps.write_bytes(MAPS.read_bytes())
    bench = Bench(tmp_path, maps)
    bench.pass_by()
    assert all(500.0 < pulse < 2500.0 for pulse in bench.page.frame['pulses_us'])
    maps.write_text('robot: nobody', encoding='utf-8')
    bench.pass_by()
    (wrong,) = bench.pass_by()
    assert 'maps.yaml' in wrong['words']


def test_a_single_leg_stands_too(tmp_path: Path) -> None:
    """On its bench, where something else carries the body: no foot counts as standing."""
    bench = Bench(tmp_path)
    bench.robot.write_bytes((CONFIG / 'robots' / 'bench_leg.yaml').read_bytes())
    assert bench.kinds() == ['control', 'robot', 'doubts', 'checking']
    (place,) = bench.page.frame['feet']
    assert hypot(*place) > 0.05
    assert bench.page.frame['standing'] is None
    assert bench.page.frame['balance'] is None


def test_frames_go_on_and_nothing_is_taken(bench: Bench) -> None:
    """A page that hears nothing for three seconds tries another connection."""
    before = bench.page.frame['at']
    bench.pass_by(SHOW_EVERY)
    assert bench.page.frame['at'] > before
    with pytest.raises(CommandError, match='arm'):
        bench.house.take(bench.page, Arm())
    bench.house.leave(bench.page)
    bench.edit('length: 68 mm', 'length: 80 mm')
    assert bench.pass_by() == []


def test_what_is_told_is_json(bench: Bench) -> None:
    """Nothing in it is infinite or no number."""
    assert json.dumps(bench.page.frame, allow_nan=False)
