# Copyright 2026 The leg_kinematics authors
# SPDX-License-Identifier: Apache-2.0
"""The report on a design: right values, the right line for what is wrong, the right exit code."""

import json
import tracemalloc
from math import cos, hypot, nan, radians, sqrt
from pathlib import Path

import numpy as np
import pytest
from click.testing import CliRunner

from leg_kinematics.calibration import ServoMaps, load_servo_maps
from leg_kinematics.commands.main import main
from leg_kinematics.design import advice
from leg_kinematics.design.finding import Bounds, Finding, Verdict
from leg_kinematics.design.pictures import draw
from leg_kinematics.design.reach import STEP
from leg_kinematics.design.report import Report, check_robot
from leg_kinematics.robot import Robot, load_robot
from leg_kinematics.solver import segment_distances

CONFIG = Path(__file__).parents[2] / 'config'
BRACKEN = CONFIG / 'robots' / 'bracken.yaml'
MAPS = CONFIG / 'servo_maps' / 'bracken.yaml'

#: What is replaced by what.
Changes = tuple[tuple[str, str], ...]


def changed(source: Path, folder: Path, changes: Changes) -> Path:
    """Copy a file with some text replaced, each at its first place."""
    text = source.read_text(encoding='utf-8')
    for old, new in changes:
        assert old in text
        text = text.replace(old, new, 1)
    copy = folder / source.parent.name / source.name
    copy.parent.mkdir(exist_ok=True)
    copy.write_text(text, encoding='utf-8')
    return copy


def questioned(robot: Path, maps: Path | None = None) -> Report:
    """Check a robot without a word."""
    described = load_robot(robot)
    loaded: ServoMaps | None = None if maps is None else load_servo_maps(maps, described)
    return check_robot(described, loaded, lambda _: None)


def line(report: Report, group: str, name: str) -> Finding:
    """Find one line of a report."""
    (found,) = (each for each in report.findings if (each.group, each.name) == (group, name))
    return found


def value(report: Report, group: str, name: str) -> float:
    """Read the value of one line of a report."""
    found = line(report, group, name).value
    assert found is not None
    return found


@pytest.fixture(autouse=True)
def no_trials(monkeypatch: pytest.MonkeyPatch) -> None:
    """Spare the search for advice, which has tests of its own."""
    monkeypatch.setattr(advice, 'WALKS', 0)


@pytest.fixture(scope='module')
def bracken() -> Robot:
    """Return the robot that ships with the package."""
    return load_robot(BRACKEN)


@pytest.fixture(scope='module')
def report() -> Report:
    """Return the report on it."""
    return questioned(BRACKEN, MAPS)


def test_bracken_passes_every_line(report: Report) -> None:
    """The example robot is fit to be built, down to each of its servos."""
    assert {each.name for each in report.findings if each.verdict is not Verdict.PASS} == set()
    assert len([each for each in report.findings if each.group == 'pulse range left']) == 18


@pytest.mark.parametrize(
    ('robot_changes', 'map_changes', 'group', 'name'),
    [
        pytest.param(
            (('length: 68 mm', 'length: 24 mm'),),
            (),
            'reach',
            'margin standing',
            id='femur too short',
        ),
        pytest.param(
            (('stall_torque: 15 kgf.cm', 'stall_torque: 8 kgf.cm'),),
            (),
            'stall torque used',
            'walking, at 0.50',
            id='servo too weak',
        ),
        pytest.param(
            (
                (
                    '[115 mm, 60 mm, 0 mm], rpy: [0 deg, 0 deg, 40',
                    '[60 mm, 75 mm, 0 mm], rpy: [0 deg, 0 deg, 75',
                ),
            ),
            (),
            'clearance',
            'two legs',
            id='legs that collide',
        ),
        pytest.param(
            (('height: 85 mm\n  reach: 125 mm', 'height: 85 mm\n  reach: 190 mm'),),
            (),
            'reach',
            'margin standing',
            id='posture out of reach',
        ),
        pytest.param(
            (),
            (('horn_offset: 18 deg', 'horn_offset: 110 deg'),),
            'pulse range left',
            'left_front_femur',
            id='servo map cannot express standing',
        ),
    ],
)
def test_a_bad_robot_fails_on_the_right_line(
    tmp_path: Path, robot_changes: Changes, map_changes: Changes, group: str, name: str
) -> None:
    """Each of five bad designs fails where it is bad."""
    report = questioned(
        changed(BRACKEN, tmp_path, robot_changes), changed(MAPS, tmp_path, map_changes)
    )
    assert report.verdict is Verdict.FAIL
    assert line(report, group, name).verdict is Verdict.FAIL


def test_an_unreachable_posture_names_its_place_in_the_file(tmp_path: Path) -> None:
    """The failing line of a posture leads to the line of the file, and nothing is walked."""
    file = changed(BRACKEN, tmp_path, (('height: 85 mm', 'height: 160 mm'),))
    report = questioned(file)
    text = file.read_text(encoding='utf-8')
    number = text.count('\n', 0, text.index('\nstanding:') + 1) + 1
    assert f'{file}:{number}: standing:' in line(report, 'reach', 'margin standing').detail
    assert line(report, 'reach', 'margin resting').verdict is Verdict.PASS
    assert report.walks == ()
    # By hand: from the femur axis the foot is 93 mm across and 160 mm down; the leg spans there
    # what the cosine rule gives for a tibia angle of -5 deg.
    span = sqrt(68.0**2 + 104.0**2 + 2.0 * 68.0 * 104.0 * cos(radians(5.0))) * 1e-3
    assert value(report, 'reach', 'margin standing') == pytest.approx(span - hypot(0.093, 0.160))


def test_only_the_servo_with_the_wrong_map_fails(tmp_path: Path) -> None:
    """A wrong horn angle is told of its joint alone, with the angles of both."""
    report = questioned(
        BRACKEN, changed(MAPS, tmp_path, (('horn_offset: 18 deg', 'horn_offset: 110 deg'),))
    )
    pulses = [each for each in report.findings if each.group == 'pulse range left']
    assert [each.name for each in pulses if each.verdict is Verdict.FAIL] == ['left_front_femur']
    assert 'left_front_femur: angle' in line(report, 'pulse range left', 'left_front_femur').detail


def test_the_body_rises_until_the_tibia_meets_its_limit(report: Report, bracken: Robot) -> None:
    """By hand: cosine rule for the leg at a tibia angle of -5 deg, the foot 93 mm across."""
    leg = bracken.legs[0]
    f, t = leg.femur.length, leg.tibia.length
    span = sqrt(f * f + t * t + 2.0 * f * t * cos(radians(5.0)))
    top = sqrt(span**2 - (0.125 - leg.coxa.length) ** 2) - bracken.standing.height
    assert top - STEP <= value(report, 'body over its feet', 'up or down') <= top


def test_the_body_twists_until_a_coxa_meets_its_limit(report: Report, bracken: Robot) -> None:
    """By hand: the foot of a leg at (115, 60) mm turns about the body, its coxa by 60 deg."""
    twist = value(report, 'body over its feet', 'twist')
    (x, y, _), foot = bracken.legs[0].mount.position, bracken.standing.feet[0]
    turned = (
        foot[0] * cos(twist) + foot[1] * sqrt(1.0 - cos(twist) ** 2) - x,
        foot[1] * cos(twist) - foot[0] * sqrt(1.0 - cos(twist) ** 2) - y,
    )
    direction = np.arctan2(turned[1], turned[0]) - radians(40.0)
    assert radians(59.0) < abs(direction) <= radians(60.0)


@pytest.mark.parametrize(('limits', 'way'), [('[-20 deg, 60', 'left'), ('[-60 deg, 20', 'right')])
def test_the_narrower_way_to_twist_is_told(tmp_path: Path, limits: str, way: str) -> None:
    """A body that turns left turns its coxae right, towards their lower limits."""
    twist = line(
        questioned(changed(BRACKEN, tmp_path, (('[-60 deg, 60', limits),))),
        'body over its feet',
        'twist',
    )
    assert twist.detail.startswith(f'{way}: ')
    assert twist.detail.endswith('joint limit')


def test_thicker_coxae_come_closer_by_their_radii(tmp_path: Path, report: Report) -> None:
    """Where two coxae are the closest links, 6 mm more of each take 12 mm away."""
    assert line(report, 'clearance', 'two legs').detail.count('coxa') == 2
    thick = questioned(changed(BRACKEN, tmp_path, (('radius: 16 mm', 'radius: 22 mm'),)))
    assert value(thick, 'clearance', 'two legs') == pytest.approx(
        value(report, 'clearance', 'two legs') - 0.012
    )


def test_the_hardest_of_the_postures_is_told(tmp_path: Path, report: Report) -> None:
    """Feet farther away, be it only in standing or only in resting, cost torque."""
    name = ('stall torque used', 'up to standing')
    for old, new in (
        ('reach: 125 mm\nstanding', 'reach: 150 mm\nstanding'),
        ('height: 85 mm\n  reach: 125 mm', 'height: 85 mm\n  reach: 150 mm'),
    ):
        wide = questioned(changed(BRACKEN, tmp_path, ((old, new),)))
        assert value(wide, *name) > 1.1 * value(report, *name)


def test_slow_servos_walk_slowly_or_not_at_all(tmp_path: Path) -> None:
    """With two thirds of the speed the robot walks too slowly, with a fifth it lifts no foot."""
    slow = questioned(changed(BRACKEN, tmp_path, (('0.16 s/60deg', '0.24 s/60deg'),)))
    found = line(slow, 'fastest walk', 'forward, at 0.50')
    assert found.verdict is Verdict.TIGHT
    assert 'limited by servo speed' in found.detail
    slower = questioned(changed(BRACKEN, tmp_path, (('0.16 s/60deg', '0.80 s/60deg'),)))
    found = line(slower, 'fastest walk', 'any')
    assert found.verdict is Verdict.FAIL
    assert 'the gait does not walk: stride radius 0 mm' in found.detail


def test_the_share_of_stall_is_inverse_to_stall(tmp_path: Path, report: Report) -> None:
    """Twice the torque halves the share, standing and walking."""
    strong = questioned(changed(BRACKEN, tmp_path, (('15 kgf.cm', '30 kgf.cm'),)))
    for name in ('up to standing', 'walking, at 0.50'):
        share = value(report, 'stall torque used', name)
        assert value(strong, 'stall torque used', name) == pytest.approx(0.5 * share)


def test_a_heavy_nose_costs_support(tmp_path: Path, report: Report) -> None:
    """50 mm forward takes support away; 240 mm, and the gait hardly walks to keep its margin."""
    name = 'duty factor 0.50'
    forward = questioned(
        changed(BRACKEN, tmp_path, (('centre_of_mass: [0 mm', 'centre_of_mass: [50 mm'),))
    )
    far = questioned(
        changed(BRACKEN, tmp_path, (('centre_of_mass: [0 mm', 'centre_of_mass: [240 mm'),))
    )
    level = value(report, 'support margin', name)
    assert value(forward, 'support margin', name) < level
    walk = line(far, 'fastest walk', 'forward, at 0.50')
    assert walk.verdict is Verdict.FAIL
    assert 'to keep a margin of 10 mm (of' in walk.detail
    # GaitParameters.min_margin, but for what happens between two instants.
    assert value(far, 'support margin', name) > 0.0099


def test_distances_of_segments_by_hand() -> None:
    """Crossing at a height, end to end, parallel side by side, and a corner over a middle."""
    starts = np.array([[-1.0, 0, 0], [0, 0, 0], [0, 0, 0], [0, 0, 2]])
    ends = np.array([[1.0, 0, 0], [1, 0, 0], [1, 0, 0], [0, 0, 5]])
    other_starts = np.array([[0.0, -1, 3], [4, 4, 0], [0.5, 2, 0], [-1, 0, 0]])
    other_ends = np.array([[0.0, 1, 3], [8, 8, 0], [3, 2, 0], [1, 0, 0]])
    distances = segment_distances(starts, ends, other_starts, other_ends)
    assert distances == pytest.approx([3.0, 5.0, 2.0, 2.0])


def test_distances_of_segments_against_a_search() -> None:
    """No pair of points of two segments is nearer, and one on a fine grid is nearly as near."""
    random = np.random.default_rng(3)
    p, q, r, s = random.normal(size=(4, 300, 3))
    grid = np.linspace(0.0, 1.0, 101)[:, np.newaxis, np.newaxis]
    one, other = p + grid * (q - p), r + grid * (s - r)
    searched = np.linalg.norm(one[:, np.newaxis] - other[np.newaxis], axis=-1).min(axis=(0, 1))
    distances = segment_distances(p, q, r, s)
    assert np.all(distances <= searched + 1e-12)
    assert np.all(searched - distances < 0.05)


@pytest.mark.parametrize(
    ('found', 'bounds', 'verdict'),
    [
        (0.020, Bounds(good=0.02, bound=0.01), Verdict.PASS),
        (0.010, Bounds(good=0.02, bound=0.01), Verdict.TIGHT),
        (0.009, Bounds(good=0.02, bound=0.01), Verdict.FAIL),
        (0.50, Bounds(good=0.5, bound=0.7), Verdict.PASS),
        (0.70, Bounds(good=0.5, bound=0.7), Verdict.TIGHT),
        (0.71, Bounds(good=0.5, bound=0.7), Verdict.FAIL),
        (nan, Bounds(good=0.5, bound=0.7), Verdict.FAIL),
        (None, Bounds(good=0.5, bound=0.7), Verdict.FAIL),
    ],
)
def test_verdicts(found: float | None, bounds: Bounds, verdict: Verdict) -> None:
    """At a bound a line still has the better verdict; what is no number fails."""
    assert Finding('', '', found, 'm', bounds, '', '').verdict is verdict


def test_command_passes_and_draws(tmp_path: Path) -> None:
    """Exit code 0, a report for machines, five pictures."""
    arguments = ['check', str(BRACKEN), '--servo-maps', str(MAPS), '--json']
    result = CliRunner().invoke(main, [*arguments, '--output', str(tmp_path / 'pictures')])
    assert result.exit_code == 0
    told = json.loads(result.stdout)
    assert (told['robot'], told['verdict']) == ('bracken', 'pass')
    assert {each['verdict'] for each in told['findings']} == {'pass'}
    for name in ('robot', 'reach', 'ground', 'torque', 'lines'):
        # The signature of a PNG file (PNG specification, section 5.2).
        drawn = (tmp_path / 'pictures' / f'{name}.png').read_bytes()
        assert drawn.startswith(b'\x89PNG\r\n\x1a\n')


def test_command_fails_a_bad_robot_with_what_would_help(tmp_path: Path) -> None:
    """Exit code 1, the failing line and its remedy in words, the pictures all the same."""
    robot = changed(BRACKEN, tmp_path, (('reach: 125 mm\nstanding', 'reach: 230 mm\nstanding'),))
    pictures = tmp_path / 'pictures'
    result = CliRunner().invoke(main, ['check', str(robot), '--output', str(pictures)])
    assert result.exit_code == 1
    assert 'fail reach: margin resting' in result.stdout
    assert 'What would help: change height or reach of the posture' in result.stdout
    assert sorted(each.name for each in pictures.iterdir()) == [
        'ground.png',
        'reach.png',
        'robot.png',
    ]


def test_command_tells_of_a_walk_that_tips_over(tmp_path: Path) -> None:
    """A gait that may leave the support fails as a line and has no picture of torques."""
    nose = ('centre_of_mass: [0 mm', 'centre_of_mass: [240 mm')
    pictures = tmp_path / 'pictures'
    params = tmp_path / 'params.yaml'
    params.write_text('/**/gait: {ros__parameters: {min_margin: -0.2}}')
    arguments = ['check', str(changed(BRACKEN, tmp_path, (nose,))), '--output', str(pictures)]
    arguments += ['--params-file', str(params)]
    result = CliRunner().invoke(main, arguments)
    assert result.exit_code == 1
    assert 'fail stall torque used: ' in result.stdout
    assert sorted(each.name for each in pictures.iterdir()) == [
        'ground.png',
        'reach.png',
        'robot.png',
    ]


@pytest.mark.parametrize(
    'change',
    [
        pytest.param(('mass: 0.88 kg', 'mass: heavy'), id='no quantity'),
        pytest.param(('length: 68 mm', 'length: 68'), id='forgotten unit'),
        pytest.param(('stall_torque: 15', 'stall_torque: 3'), id='cannot even stand'),
    ],
)
def test_command_refuses_a_wrong_file(tmp_path: Path, change: tuple[str, str]) -> None:
    """Exit code 2 and the place in the file, no traceback."""
    robot = changed(BRACKEN, tmp_path, (change,))
    result = CliRunner().invoke(main, ['check', str(robot), '--output', str(tmp_path)])
    assert result.exit_code == 2
    assert f'{robot}:' in result.stderr
    assert 'Traceback' not in result.stderr
    assert isinstance(result.exception, SystemExit)


def test_command_refuses_an_output_folder_that_cannot_be_made(tmp_path: Path) -> None:
    """Exit code 2 with folder and option, no traceback, and before the design is questioned."""
    (tmp_path / 'file').write_text('')
    folder = tmp_path / 'file' / 'pictures'
    result = CliRunner().invoke(main, ['check', str(BRACKEN), '--output', str(folder)])
    assert result.exit_code == 2
    assert '--output' in result.stderr
    assert f'folder {folder} cannot be made: Not a directory' in result.stderr
    assert result.stdout == ''


@pytest.mark.soak
def test_pictures_of_the_largest_robot_take_no_more_room(tmp_path: Path) -> None:
    """Links of 1 m, the longest there may be: the grids have as many cells as those of bracken."""
    sizes = {
        'length: 32 mm': 'length: 1 m',
        'length: 68 mm': 'length: 1 m',
        'length: 104 mm': 'length: 1 m',
        'radius: 16 mm': 'radius: 30 mm',
        'radius: 14 mm': 'radius: 30 mm',
        'radius: 8 mm': 'radius: 30 mm',
        'height: 85 mm\n  reach: 125 mm': 'height: 0.9 m\n  reach: 2 m',
        'height: 30 mm': 'height: 0.5 m',
        'reach: 125 mm': 'reach: 2 m',
        '15 kgf.cm': '100 N.m',
        '0.16 s/60deg': '0.3 rad/s',
    }
    large = changed(BRACKEN, tmp_path, tuple(sizes.items()))
    peaks = []
    for file in (BRACKEN, large):
        robot = load_robot(file)
        drawn = questioned(file)
        assert drawn.walks
        tracemalloc.start()
        assert len(draw(robot, drawn, tmp_path)) == 4
        peaks.append(tracemalloc.get_traced_memory()[1])
        tracemalloc.stop()
    assert peaks[1] < 1.5 * peaks[0]
