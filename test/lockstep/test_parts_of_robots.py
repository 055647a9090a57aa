# Copyright 2026 The leg_kinematics authors
# SPDX-License-Identifier: Apache-2.0
"""A leg on the bench, and a robot of which a leg is not wired: they move, and nothing else does."""

from collections.abc import Callable
from pathlib import Path

import pytest
import yaml

from leg_kinematics.board import Record
from leg_kinematics.chain.calibrated_robot import CalibratedRobot
from leg_kinematics.chain.lockstep import LockStep, LockStepParameters
from leg_kinematics.chain.power import PowerState
from leg_kinematics.chain.values import FootTargets, Level
from leg_kinematics.errors import CommandError
from leg_kinematics.gait import GaitParameters, Twist

CONFIG = Path(__file__).parents[2] / 'config'


def bench_leg() -> CalibratedRobot:
    """Load the example of one leg."""
    folders = (CONFIG / 'robots', CONFIG / 'servo_maps')
    return CalibratedRobot.load(*(folder / 'bench_leg.yaml' for folder in folders))


def bracken_without(names: tuple[str, ...], folder: Path) -> CalibratedRobot:
    """Load bracken with maps that list some legs as not wired."""
    text = (CONFIG / 'servo_maps' / 'bracken.yaml').read_text(encoding='utf-8')
    content = yaml.safe_load(text)
    content['measured']['when'] = str(content['measured']['when'])
    content['not_wired'] = list(names)
    content['joints'] = {
        joint: entry
        for joint, entry in content['joints'].items()
        if joint.rpartition('_')[0] not in names
    }
    file = folder / 'maps.yaml'
    file.write_text(yaml.safe_dump(content), encoding='utf-8')
    return CalibratedRobot.load(CONFIG / 'robots' / 'bracken.yaml', file)


NOT_WIRED = ('left_middle', 'right_rear')

Load = Callable[[Path], CalibratedRobot]

PARTS = pytest.mark.parametrize(
    ('load', 'lacks'),
    [
        pytest.param(lambda _: bench_leg(), 'at least 3 legs to stand on', id='one leg'),
        pytest.param(
            lambda folder: bracken_without(NOT_WIRED[:1], folder),
            'left_middle is not wired',
            id='five of six',
        ),
        pytest.param(
            lambda folder: bracken_without(NOT_WIRED, folder),
            'left_middle, right_rear are not wired',
            id='four of six',
        ),
    ],
)


@PARTS
def test_its_feet_move_and_only_wired_channels_are_driven(
    tmp_path: Path, load: Load, lacks: str
) -> None:
    """From the first pulse to the end of a straight move, whatever is ordered of the gait.

    A channel is driven when the simulated board was told a pulse for it or puts one out.
    """
    part, told = load(tmp_path), list[Record]()
    robot = part.robot
    life = LockStep(robot, part.maps, record=lambda _, record: told.append(record))
    wired = {each.channel for each in part.maps.maps}
    assert len(wired) == 3 * len(robot.legs)

    def step() -> None:
        assert life.step().walked is None
        assert set(life.pulses_us('main')) <= wired

    def run(seconds: float) -> None:
        for _ in range(round(seconds / life.tick)):
            step()

    life.driving.configure()
    run(0.1)
    assert life.driving.activate().success
    run(0.3 * len(robot.legs) + 0.5)
    assert life.driving.state is PowerState.FOLLOWING
    assert set(life.pulses_us('main')) == wired

    # The gait stays away, and says why.
    life.command = Twist(0.05)
    for order in (life.walking.stand(life.now), life.walking.crouch()):
        assert not order.success
        assert order.words.startswith('the gait stays away from this robot: a walk needs')
        assert lacks in order.words
    with pytest.raises(CommandError, match=lacks):
        life.walking.set_duty_factor(0.6)
    condition = life.walking.condition(life.now)
    assert (condition.level, condition.state) == (Level.OK, 'stays away')
    assert lacks in condition.detail
    assert life.walking.odometry_at_rest(life.now, 0) is None

    # Kinematics and bridge work as ever.
    name = robot.leg_names[-1]
    x, y, z = robot.resting.feet[-1]
    goal = (x, y, z - 0.03)
    targets = FootTargets(0, (name,), (0.5,), [[goal]], None)
    before = life.chain.solving.locate(life.driving.positions)
    assert life.chain.pass_on(targets, life.now, at_once=True) is not None
    run(1.0)
    after = life.chain.solving.locate(life.driving.positions)
    assert after[-1] == pytest.approx(goal, abs=1e-6)
    for foot, stood in zip(after[:-1], before[:-1], strict=True):
        assert foot == pytest.approx(stood, abs=1e-9)
    assert {channel for record in told for channel in record.pulses_us} == wired


def test_legs_that_are_not_wired_are_no_legs_of_the_chain(tmp_path: Path) -> None:
    """Foot targets that name one are refused whole, by name."""
    part = bracken_without(NOT_WIRED, tmp_path)
    life = LockStep(part.robot, part.maps)
    assert not set(NOT_WIRED) & set(life.driving.limits.joints)
    assert len(life.driving.limits.joints) == 12
    names = (part.robot.leg_names[0], NOT_WIRED[0])
    targets = FootTargets(0, names, (0.5,), [[part.robot.resting.feet[0]] * 2], None)
    assert life.chain.pass_on(targets, life.now) is None
    assert 'unknown names: left_middle' in life.chain.solving.condition().detail


def test_the_part_is_the_robot_but_for_the_other_legs(tmp_path: Path) -> None:
    """Each wired leg has the foot that the whole robot has, and its own maps and solver."""
    part, whole = bracken_without(NOT_WIRED, tmp_path), bracken_without((), tmp_path)
    assert part.maps.not_wired == NOT_WIRED
    assert whole.maps.not_wired == ()
    assert whole.robot.part(whole.robot.leg_names) == whole.robot
    for posture in ('resting', 'standing'):
        feet = dict(zip(whole.robot.leg_names, getattr(whole.robot, posture).feet, strict=True))
        kept = getattr(part.robot, posture).feet
        assert dict(zip(part.robot.leg_names, kept, strict=True)) == {
            name: foot for name, foot in feet.items() if name not in NOT_WIRED
        }
    assert [leg.name for leg in part.legs] == list(part.robot.leg_names)
    with pytest.raises(KeyError, match='middle_left'):
        whole.robot.part(['middle_left'])


def test_parameters_that_contradict_each_other_are_refused_of_a_single_leg_too() -> None:
    """What the user wrote wrong is told at the start, whether the robot could walk or not."""
    part = bench_leg()
    wrong = GaitParameters(contacts=True, search_depth=0.05, lift=0.03)
    with pytest.raises(CommandError, match='search_depth'):
        LockStep(part.robot, part.maps, LockStepParameters(gait=wrong))
