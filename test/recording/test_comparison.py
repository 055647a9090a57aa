# Copyright 2026 The leg_kinematics authors
# SPDX-License-Identifier: Apache-2.0
"""A run of one day beside the code of another: the same to the last bit, or told where not."""

import json
from collections.abc import Sequence
from dataclasses import replace
from pathlib import Path
from typing import TYPE_CHECKING, Any

import pytest
from click.testing import CliRunner
from sensor_msgs.msg import JointState

from leg_kinematics.chain.solving import Solving
from leg_kinematics.chain.values import FootTargets, JointTargets
from leg_kinematics.commands.main import main
from leg_kinematics.errors import BagError
from leg_kinematics.gait import GaitParameters, GaitSample, GaitState, Twist, Walker
from leg_kinematics.recording.comparison import compare
from leg_kinematics.recording.comparison_picture import draw_comparison
from leg_kinematics.recording.differences import Comparison
from leg_kinematics.recording.run import Run
from leg_kinematics.solver import Tracker

if TYPE_CHECKING:
    from test.recorded_run import RecordedRobot, all_messages, attachments_of, walk, write_run
else:
    from recorded_run import RecordedRobot, all_messages, attachments_of, walk, write_run


@pytest.fixture(scope='module')
def arc() -> Run:
    """Return a walk in one process."""
    return walk()


def stages(found: list[Comparison]) -> dict[str, Comparison]:
    """Give the comparisons by the name of their stage."""
    return {each.stage: each for each in found}


@pytest.mark.parametrize('linked', [False, True])
def test_the_same_code_gives_the_same(arc: Run, *, linked: bool) -> None:
    """Every foot of every tick, and every joint, to the last bits."""
    found = stages(compare(walk(linked=linked) if linked else arc, 1e-12, 1e-12))
    for each in found.values():
        assert each.same, each
        assert each.left_out == 0
        assert len(each.sizes) > (250 if each.stage == 'bridge' else 500)


def test_a_comparison_is_bit_identical(arc: Run) -> None:
    """Three times here, and 20 times in the long campaign."""
    first = compare(arc, 0.0, 0.0)
    for _ in range(2):
        again = compare(arc, 0.0, 0.0)
        for one, other in zip(first, again, strict=True):
            assert one.sizes.tobytes() == other.sizes.tobytes()
            assert one.instants.tobytes() == other.instants.tobytes()
            assert (one.first, one.worst, one.refused) == (other.first, other.worst, other.refused)


@pytest.mark.soak
def test_20_comparisons_are_bit_identical(arc: Run) -> None:
    """All of them."""
    results = {
        tuple((each.sizes.tobytes(), each.first, each.worst) for each in compare(arc, 0.0, 0.0))
        for _ in range(20)
    }
    assert len(results) == 1


def test_a_change_of_the_gait_is_named_at_its_tick(monkeypatch: pytest.MonkeyPatch) -> None:
    """A leg that errs by 2 mm while the gait walks: that leg, in the first tick of the walk."""
    recorded = RecordedRobot(GaitParameters())
    recorded.order('gait/stand')
    recorded.run(2.6)
    recorded.life.command = Twist(0.06, 0.02, 0.2)
    told = 0
    sample = recorded.life.walking.sample
    while sample is not None and sample.state is not GaitState.WALKING:
        told = sum(each.topic == '/foot_targets' for each in recorded.messages)
        recorded.run(0.01)
        sample = recorded.life.walking.sample
    recorded.run(1.0)
    step = Walker.step

    def changed(walker: Walker, tick: float, command: Twist) -> GaitSample:
        sample = step(walker, tick, command)
        if sample.state is not GaitState.WALKING:
            return sample
        x, y, z = sample.feet[2]
        return replace(sample, feet=(*sample.feet[:2], (x, y, z + 0.002), *sample.feet[3:]))

    monkeypatch.setattr(Walker, 'step', changed)
    found = stages(compare(recorded.as_run(), 1e-5, 1e-5))
    first = found['gait'].first
    assert first is not None
    assert (first.tick, first.what) == (told, recorded.robot.leg_names[2])
    assert first.size == pytest.approx(0.002, abs=1e-9)
    assert found['gait'].worst is not None
    assert found['gait'].worst.size == pytest.approx(0.002, abs=1e-9)
    # What the kinematics makes of the recorded targets is as it was, and what the bridge does.
    assert found['kinematics'].same
    assert found['bridge'].same


def test_a_change_of_the_bridge_is_named_at_its_tick(
    arc: Run, monkeypatch: pytest.MonkeyPatch
) -> None:
    """A tracker that is slower: in the first tick in which a joint was faster then."""
    told = [
        (max(map(abs, message.velocity)), run_at)
        for run_at, message in arc.read('joint_states', JointState)
    ]
    slower = 2.0
    first = next(number for number, (speed, _) in enumerate(told) if speed > slower)
    init = Tracker.__init__

    def changed(
        tracker: Tracker,
        positions: Sequence[float],
        speeds: Sequence[float],
        *rest: Any,  # noqa: ANN401
    ) -> None:
        init(tracker, positions, [min(slower, each) for each in speeds], *rest)

    monkeypatch.setattr(Tracker, '__init__', changed)
    found = stages(compare(arc, 1e-9, 1e-9))
    assert found['bridge'].first is not None
    # A tick that was not told of lies between two that were.
    assert found['bridge'].first.tick in {first, first + 1}
    assert found['gait'].same
    assert found['kinematics'].same


def test_a_bridge_is_compared_from_the_middle_of_a_walk(arc: Run) -> None:
    """A recording that begins in motion: after a second the joints have fallen in."""
    later = [each for each in all_messages(arc) if arc.instant(each.received) > 4.8]
    kept = [each for each in all_messages(arc) if each.topic == '/bridge/limits']
    found = stages(compare(Run([*kept, *later], attachments_of(arc)), 1e-9, 1e-9))
    assert found['bridge'].same
    assert found['bridge'].left_out == 50
    assert len(found['bridge'].sizes) > 50


def test_other_parameters_are_those_of_the_run() -> None:
    """A robot that lifted its feet higher then is compared with a gait that does so."""
    assert all(each.same for each in compare(walk(gait=GaitParameters(lift=0.04)), 1e-12, 1e-12))


def test_what_came_before_the_recording_is_left_out(arc: Run) -> None:
    """A gait whose beginning is not known cannot be compared, and that is told."""
    kept = [each for each in all_messages(arc) if each.topic != '/orders']
    run = Run(kept, attachments_of(arc))
    found = stages(compare(run, 1e-12, 1e-12))
    assert len(found['gait'].sizes) == 0
    assert found['gait'].left_out == len(arc.of('foot_targets'))
    assert found['kinematics'].same


def test_a_recording_without_its_robot_says_so(arc: Run) -> None:
    """With what helps."""
    with pytest.raises(BagError, match=r'does not have robot\.yaml and servo_maps\.yaml of its'):
        compare(Run(all_messages(arc), {}), 1e-12, 1e-12)


def test_the_picture_is_drawn(arc: Run, tmp_path: Path) -> None:
    """Also where nothing differs."""
    draw_comparison(compare(arc, 1e-12, 1e-12), tmp_path / 'comparison.png')
    assert (tmp_path / 'comparison.png').stat().st_size > 1000


@pytest.fixture(scope='module')
def bag(arc: Run, tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Return the walk as a recording on the disk."""
    folder = tmp_path_factory.mktemp('bags') / 'arc'
    write_run(arc, folder)
    return folder


def test_the_command_tells_that_all_is_the_same(bag: Path, tmp_path: Path) -> None:
    """Exit code 0, and the picture is there."""
    done = CliRunner().invoke(
        main, ['replay', str(bag), '--compare', '--json', '--output', str(tmp_path)]
    )
    assert done.exit_code == 0, done.stderr
    told = json.loads(done.stdout)
    assert {name: each['same'] for name, each in told['stages'].items()} == {
        'gait': True,
        'kinematics': True,
        'bridge': True,
    }
    assert told['stages']['gait']['largest'] == 0.0
    assert Path(told['picture']).is_file()


def test_the_command_tells_what_differs(
    bag: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Exit code 1, with the first difference in words."""
    foot = Solving.solve

    def changed(stage: Solving, targets: FootTargets) -> JointTargets:
        return foot(
            stage, replace(targets, feet=[[(x, y, z - 1e-3) for x, y, z in targets.feet[0]]])
        )

    monkeypatch.setattr(Solving, 'solve', changed)
    done = CliRunner().invoke(main, ['replay', str(bag), '--compare', '--output', str(tmp_path)])
    assert done.exit_code == 1
    assert 'gait: the same' in done.stdout
    assert 'kinematics: DIFFERENT' in done.stdout
    assert 'message 0, left_front_' in done.stdout


def test_the_run_is_inspected(bag: Path, tmp_path: Path) -> None:
    """By the command: orders in their order, and the pictures."""
    done = CliRunner().invoke(main, ['inspect', str(bag), '--json', '--output', str(tmp_path)])
    assert done.exit_code == 0, done.stderr
    told = json.loads(done.stdout)
    who = [each['who'] for each in told['timeline']]
    assert who == ['power', 'power', 'gait/stand', 'gait/crouch']
    assert told['stops'] == []
    assert told['topics']['foot_targets']['count'] > 500
    assert len(told['pictures']) == 2
    for_people = CliRunner().invoke(main, ['inspect', str(bag), '--output', str(tmp_path)])
    assert 'The robot did not stop in this run.' in for_people.stdout


def test_a_recording_that_was_not_closed_is_no_run(bag: Path, tmp_path: Path) -> None:
    """Exit code 2, and what mends it."""
    cut = tmp_path / 'cut.mcap'
    cut.write_bytes((bag / 'arc_0.mcap').read_bytes()[:-100])
    for command in (['inspect'], ['replay', '--compare']):
        done = CliRunner().invoke(main, [*command, str(cut), '--output', str(tmp_path)])
        assert done.exit_code == 2
        assert 'leg-kinematics recover' in done.stderr


@pytest.mark.parametrize(
    ('arguments', 'words'),
    [
        (['--compare', '--speed', '2'], '--speed has no meaning with --compare'),
        (['--compare', 'cmd_vel'], 'TOPIC has no meaning with --compare'),
        (['--foot-tolerance', '1'], '--foot-tolerance needs --compare'),
        (['--from', '5', '--to', '3'], 'nothing is between 5 and 3 s: the recording takes 7.8 s'),
        (['--speed', 'nan'], 'nan is no number'),
        (['--speed', '11'], '0.1<=x<=10'),
        (['weeds'], 'the recording has no weeds; it has bridge/limits'),
        (['emergency_stop'], 'presses no emergency stop'),
    ],
)
def test_a_wrong_command_line_is_refused(bag: Path, arguments: list[str], words: str) -> None:
    """With the reason, and exit code 2; nothing is looked for."""
    done = CliRunner().invoke(main, ['replay', str(bag), *arguments])
    assert done.exit_code == 2
    assert words in ' '.join(done.stderr.split())
