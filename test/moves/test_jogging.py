# Copyright 2026 The leg_kinematics authors
# SPDX-License-Identifier: Apache-2.0
"""By hand: what every key does, what the screen says, and that nothing moves without a key."""

from collections.abc import Callable, Iterator
from dataclasses import replace
from math import atan2, degrees, dist, radians
from pathlib import Path
from random import Random

import numpy as np
import pytest
from numpy.typing import NDArray
from scipy.optimize import least_squares
from scipy.spatial.transform import Rotation

from leg_kinematics.chain.calibrated_robot import CalibratedRobot
from leg_kinematics.chain.lockstep import LockStep, LockStepParameters
from leg_kinematics.chain.power import PowerState
from leg_kinematics.gait import GaitParameters
from leg_kinematics.moves.by_hand import ByHand
from leg_kinematics.moves.jogging import KEYS, Act, Angles, Jogging, Leave, Mode, Pressed
from leg_kinematics.moves.leg_view import JointView, LegView
from leg_kinematics.moves.moving import Moving, MovingParameters
from leg_kinematics.moves.places import Frame, LegFrames, Place
from leg_kinematics.moves.playing import PlayState
from leg_kinematics.moves.steps import FeetStep
from leg_kinematics.robot import Vector
from leg_kinematics.solver import LegSolver, leg_solvers

Floats = NDArray[np.float64]

CONFIG = Path(__file__).parents[2] / 'config'

#: A foot is where a key has brought it within this, m: pulses are sent in half microseconds, but
#: the joints as commanded are not rounded.
REACHED = 1e-6


def bracken() -> CalibratedRobot:
    """All six legs."""
    return CalibratedRobot.load(
        CONFIG / 'robots' / 'bracken.yaml', CONFIG / 'servo_maps' / 'bracken.yaml'
    )


def one_leg() -> CalibratedRobot:
    """Take one leg of bracken, on a bench."""
    whole = bracken()
    robot = whole.robot.part(['left_front'])
    maps = replace(
        whole.maps, maps=tuple(each for each in whole.maps.maps if each.joint in robot.joints)
    )
    legs = leg_solvers(robot, {each.joint: each.angle_range for each in maps.maps})
    return CalibratedRobot(robot, maps, legs)


def resting(calibrated: CalibratedRobot) -> Angles:
    """Joints of the resting posture, rad."""
    feet = calibrated.robot.resting.feet
    return tuple(leg.angles(foot) for leg, foot in zip(calibrated.legs, feet, strict=True))


class Bench:
    """A robot in lock step whose feet are moved by keys, as the command does it.

    Parameters
    ----------
    calibrated
        The robot.

    """

    def __init__(self, calibrated: CalibratedRobot) -> None:
        """Power it at rest."""
        self.calibrated = calibrated
        self.robot = calibrated.robot
        self.jogging = Jogging(calibrated)
        self.moving = Moving(calibrated, parameters=MovingParameters(preview=0.02))
        self.hand = ByHand(self.moving, self.jogging)
        self.life = LockStep(
            self.robot,
            calibrated.maps,
            LockStepParameters(gait=GaitParameters(min_margin=-1.0)),
        )
        self.moving.heed(self.life.driving.limits)
        self.life.driving.configure()
        self.life.run_until(lambda: self.life.driving.status.found)
        assert self.life.driving.activate().success
        self.fastest = 0.0
        self.pulses: dict[int, float] = {}
        self.tick_until(lambda: self.life.driving.state is PowerState.FOLLOWING)
        self.rest()
        # Enabled, servos begin with a pulse: a jump from none.
        self.fastest = 0.0

    @property
    def feet(self) -> tuple[Vector, ...]:
        """Where they are, m."""
        return self.moving.feet

    @property
    def place(self) -> Vector:
        """What the screen says, mm."""
        x, y, z = self.hand.view().place
        return (1e3 * x, 1e3 * y, 1e3 * z)

    def tick(self) -> None:
        """Go on by a tick, and note the fastest pulse."""
        life = self.life
        self.moving.hear(life.driving.report(), life.now)
        if life.driving.located:
            self.moving.locate(life.driving.positions, life.now)
        targets = self.moving.step(life.now, 0)
        if targets is not None:
            life.chain.pass_on(targets, life.now)
        life.step()
        pulses = life.pulses_us('main')
        if pulses.keys() == self.pulses.keys():
            rates = (abs(pulses[each] - was) / life.tick for each, was in self.pulses.items())
            self.fastest = max(self.fastest, max(rates, default=0.0))
        self.pulses = pulses

    def tick_until(self, happens: Callable[[], bool]) -> None:
        """Go on until something happens, within 30 s."""
        end = self.life.now + 30.0
        while not happens():
            assert self.life.now < end
            self.tick()

    def rest(self) -> None:
        """Go on until nothing moves."""
        self.tick()
        self.tick_until(lambda: not self.hand.moves(self.life.now))

    def begin(self, key: str) -> Pressed:
        """Press a key; what it moves begins to move."""
        return self.hand.press(key, self.life.now)

    def press(self, *keys: str) -> Pressed:
        """Press keys, each once what the one before has moved is there; gives the last answer."""
        pressed = Pressed()
        for key in keys:
            pressed = self.begin(key)
            if pressed.step is not None:
                self.rest()
                assert self.moving.playing is not None
                assert self.moving.playing.state is PlayState.FINISHED
        return pressed


def at_keys(*keys: str, calibrated: CalibratedRobot | None = None) -> tuple[Jogging, Pressed]:
    """Press keys on a robot at rest that moves for none of them."""
    calibrated = calibrated or bracken()
    jogging = Jogging(calibrated)
    pressed = Pressed()
    for key in keys:
        pressed = jogging.press(key, resting(calibrated))
    return jogging, pressed


# ---- places, by hand


def test_the_foot_is_where_the_keys_have_brought_it() -> None:
    """Computed by hand, in every frame, with the pulse of the coxa.

    Twice 5 mm outwards, 5 mm up, 20 mm to the left and 1 mm back: (10, 19, 5) mm from where the
    foot rests, which is 125 mm from its mount at (115, 60, 0) mm, in the direction of 40 deg, and
    30 mm below.
    """
    bench = Bench(one_leg())
    bench.press('w', 'w', 'r', '+', 'a', '-', '-', 'd')
    assert bench.place == pytest.approx((10.0, 19.0, 5.0), abs=1e3 * REACHED)
    bench.press('c')
    assert bench.place == pytest.approx((135.0, 19.0, -25.0), abs=1e3 * REACHED)
    bench.press('c')
    # 115 + 135 cos 40° - 19 sin 40°, 60 + 135 sin 40° + 19 cos 40°
    assert bench.place == pytest.approx((206.2030, 161.3312, -25.0), abs=1e-3)
    coxa = bench.hand.view().joints[0]
    assert coxa.angle == pytest.approx(atan2(19.0, 135.0), abs=1e-6)
    # left_front_coxa: 1508 us at 0, 636.62 us/rad; 0.139823 rad.
    assert coxa.pulse_us == pytest.approx(1597.01, abs=0.01)
    assert bench.pulses[0] == pytest.approx(coxa.pulse_us, abs=0.26)


def test_a_joint_turns_by_degrees_and_the_others_stay() -> None:
    """5 degrees up, 15 down, 1 up: -9 degrees from where it stood."""
    bench = Bench(one_leg())
    before = bench.hand.angles[0]
    bench.press('m', 'a', '+', 'd', '-', '-', 'a')
    turned = [degrees(now - was) for now, was in zip(bench.hand.angles[0], before, strict=True)]
    assert turned == pytest.approx([0.0, -9.0, 0.0], abs=1e-4)


@pytest.mark.parametrize('key', [key for key in KEYS if key.act is Act.MOVE])
@pytest.mark.parametrize('mode', Mode)
def test_every_key_that_moves(key: object, mode: Mode) -> None:
    """One axis or one joint of the chosen leg changes, by one step, as the key says."""
    assert isinstance(key, type(KEYS[0]))
    calibrated = bracken()
    jogging = Jogging(calibrated, 'right_rear')
    jogging.mode = mode
    at = resting(calibrated)
    for name in key.names:
        step = jogging.press(name, at).step
        assert step is not None
        ((leg, place),) = step.places.items()
        assert leg == 'right_rear'
        assert place.x is not None
        assert place.y is not None
        assert place.z is not None
        goal = (place.x, place.y, place.z)
        wanted = [0.0, 0.0, 0.0]
        if mode is Mode.FOOT:
            wanted[key.axis] = key.sign * 0.005
            assert place.frame is Frame.RESTING
            assert goal == pytest.approx(wanted, abs=1e-12)
        else:
            wanted[key.axis] = key.sign * 5.0
            turned = calibrated.legs[5].angles(goal)
            change = [degrees(now - was) for now, was in zip(turned, at[5], strict=True)]
            assert change == pytest.approx(wanted, abs=1e-6)


# ---- what is chosen


def test_legs_frames_and_steps_are_chosen_in_turn() -> None:
    """Round and round; a step that is not there is told."""
    assert at_keys('n')[0].leg == 'left_middle'
    assert at_keys('tab', 'n', 'p')[0].leg == 'left_middle'
    assert at_keys('p')[0].leg == 'right_rear'
    assert at_keys('shift tab')[0].leg == 'right_rear'
    assert at_keys('c', 'c', 'c')[0].frame is Frame.RESTING
    assert at_keys('-')[0].size == 0.001
    assert at_keys('=')[0].size == 0.020
    jogging, pressed = at_keys('+', '+')
    assert (jogging.size, pressed.words) == (0.020, 'no larger step than this')
    jogging, pressed = at_keys('m', '-', '-')
    assert (jogging.size, pressed.words) == (radians(1.0), 'no smaller step than this')
    jogging.press('m', resting(bracken()))
    assert jogging.size == 0.005, 'either mode has a step of its own'


def test_a_single_leg_has_no_next_one() -> None:
    """And the screen says so."""
    assert at_keys('n', calibrated=one_leg())[1].words == 'there is no other leg'


def test_no_name_is_given_to_two_keys() -> None:
    """A key that is none is told, and does nothing."""
    names = [name for key in KEYS for name in key.names]
    assert len(names) == len(set(names))
    assert at_keys('z')[1] == Pressed("'z' is no key here")


# ---- refusals


def test_a_joint_stops_at_its_limit() -> None:
    """Coxa from 0 to 60 degrees is four times 15; the fifth is refused, and nothing moves."""
    bench = Bench(one_leg())
    bench.press('m', '+')
    assert degrees(bench.hand.view().joints[0].room.up) == pytest.approx(60.0)
    bench.press('w', 'w', 'w')
    before = bench.hand.angles
    pressed = bench.press('w', '-', 'w')
    # The foot that would be 60.0 deg to the side is at the limit, to the last bit or not.
    assert bench.hand.angles != before
    assert pressed.step is None
    assert 'left_front_coxa would stand at 65.00 deg, 5 deg beyond its limits' in pressed.words


def test_a_limit_is_the_reason_also_where_the_knee_would_be_down() -> None:
    """The tibia from -8 deg by 15 deg up: beyond its limit of -5 deg, which is told."""
    jogging = Jogging(one_leg())
    jogging.mode = Mode.JOINT
    at = ((0.0, 0.3, radians(-8.0)),)
    jogging.press('+', at)
    assert 'left_front_tibia would stand at 7.00 deg, 12 deg beyond' in jogging.press('r', at).words


def test_a_posture_with_the_knee_down_is_refused_with_its_reason() -> None:
    """Where the limits would allow it, the foot would be reached with the knee up instead."""
    calibrated = one_leg()
    leg = calibrated.legs[0]
    loose: LegSolver = replace(
        leg, limits=(leg.limits[0], leg.limits[1], (-2.6, 2.6)), expressible=((-3.0, 3.0),) * 3
    )
    jogging = Jogging(replace(calibrated, legs=(loose,)))
    jogging.mode = Mode.JOINT
    pressed = jogging.press('r', ((0.0, 0.3, radians(-2.0)),))
    assert pressed.step is None
    assert 'left_front_tibia at 3.00 deg' in pressed.words
    assert 'knee down' in pressed.words


def test_a_foot_that_cannot_go_there_is_refused_whole() -> None:
    """With the nearest place that it can take; the pulses stay."""
    bench = Bench(one_leg())
    bench.press('+', 'w', 'w', 'w')
    room = bench.hand.view().rooms[0].up
    assert room < 0.020
    pulses = bench.pulses
    refused = bench.press('w')
    assert refused.words.startswith('left_front: ')
    assert 'the nearest place that it can take is x' in refused.words
    assert bench.pulses == pulses


def test_a_robot_that_would_tip_over_moves_with_a_caution() -> None:
    """One foot pushed 20 mm down lifts the others: right on a stand, wrong on the ground."""
    bench = Bench(bracken())
    pressed = bench.press('+', 'f')
    assert pressed.step is not None
    assert pressed.words.startswith('caution: bracken would tip over unless it hangs on a stand')


@pytest.mark.parametrize('key', ['w', 'k'])
def test_a_key_does_nothing_while_something_is_in_its_way(key: str) -> None:
    """It says what; other keys still choose."""
    calibrated = bracken()
    jogging = Jogging(calibrated)
    pressed = jogging.press(key, resting(calibrated), 'the foot is still on its way')
    assert pressed == Pressed(f'{key} does nothing now: the foot is still on its way')
    assert not jogging.kept
    jogging.press('n', resting(calibrated), 'the foot is still on its way')
    assert jogging.leg == 'left_middle'


# ---- keeping


def test_keep_writes_the_place_and_undo_takes_it_back() -> None:
    """All feet that moved since the step before are in a step, in round numbers."""
    bench = Bench(bracken())
    bench.press('w', 'k')
    first = FeetStep({'left_front': Place(Frame.RESTING, 0.005, 0.0, 0.0)})
    assert list(bench.jogging.kept) == [first]
    bench.press('r', 'n', 'a', 'n', 'k')
    second = FeetStep(
        {
            'left_front': Place(Frame.RESTING, 0.005, 0.0, 0.005),
            'left_middle': Place(Frame.RESTING, 0.0, 0.005, 0.0),
            'left_rear': Place(Frame.RESTING, 0.0, 0.0, 0.0),
        }
    )
    assert list(bench.jogging.kept) == [first, second]
    assert bench.press('u').words == 'taken back: step 2; nothing moves'
    assert list(bench.jogging.kept) == [first]
    assert bench.press('k').words == 'kept as step 2: left_front, left_middle, left_rear'
    bench.press('u', 'u')
    assert bench.press('u').words == 'nothing was kept that could be taken back'


def test_what_was_kept_is_played_to_the_same_place() -> None:
    """From rest, the kept steps bring every foot to where it was when the last one was kept."""
    bench = Bench(bracken())
    bench.press('w', 'r', 'k', 'c', 'n', '+', 'a', 'm', 'a', 'k', 'c', 'm', 'f', 'p', 's', 'k')
    plan = bench.moving.plan(bench.jogging.kept, bench.robot.resting.feet)
    worst = max(dist(*each) for each in zip(plan.end, bench.feet, strict=True))
    # Half a hundredth of a millimetre along each axis.
    assert worst < 1e-5


def test_a_place_at_a_limit_is_kept_so_that_it_can_be_taken() -> None:
    """Rounding must not put it beyond."""
    calibrated = one_leg()
    leg = calibrated.legs[0]
    for share in range(1, 40):
        coxa = leg.limits[0][1]
        at: Angles = ((coxa, radians(10.0 + share), radians(-60.0 - share)),)
        jogging = Jogging(calibrated, frame=Frame.LEG)
        jogging.press('k', at)
        Moving(calibrated).plan(jogging.kept, calibrated.robot.resting.feet)


# ---- leaving


def test_leaving_holds_or_releases_as_asked() -> None:
    """The key for pulses off has to be pressed twice in a row."""
    calibrated = bracken()
    at = resting(calibrated)
    assert Jogging(calibrated).press('q', at) == Pressed(leave=Leave.HOLD)
    assert Jogging(calibrated, leave=Leave.RELEASE).press('q', at) == Pressed(leave=Leave.RELEASE)
    assert 'press it once more' in at_keys('o')[1].words
    assert at_keys('o', 'n', 'o')[1].leave is None
    assert at_keys('o', 'o')[1] == Pressed(leave=Leave.RELEASE)


# ---- what is left, against an outside solver


def farthest(leg: LegSolver, mount: Vector, yaw: float, target: Vector) -> float:
    """Distance (m) that scipy leaves between a target and the foot, within limits and maps.

    With the foot in front of the coxa axis, as all feet are moved.

    The forward kinematics are those of DEVELOPERS.md, written anew with scipy's rotations.
    """
    lower = np.array([max(a[0], b[0]) for a, b in zip(leg.limits, leg.expressible, strict=True)])
    upper = np.array([min(a[1], b[1]) for a, b in zip(leg.limits, leg.expressible, strict=True)])
    c, f, t = leg.geometry.coxa, leg.geometry.femur, leg.geometry.tibia

    def miss(q: Floats) -> Floats:
        turned = Rotation.from_euler('z', yaw) * Rotation.from_euler('z', q[0])
        femur = turned * Rotation.from_euler('y', -q[1])
        tibia = femur * Rotation.from_euler('y', -q[2])
        along = np.array([1.0, 0.0, 0.0])
        foot = np.array(mount) + turned.apply(c * along)
        foot += femur.apply(f * along) + tibia.apply(t * along)
        behind = min(0.0, c + f * np.cos(q[1]) + t * np.cos(q[1] + q[2]))
        return 1e3 * np.array([*(foot - np.array(target)), behind])

    starts = [lower + share * (upper - lower) for share in (0.3, 0.7)]
    return min(
        1e-3
        * float(
            np.linalg.norm(
                least_squares(miss, start, bounds=(lower, upper), xtol=1e-14, ftol=1e-14).fun
            )
        )
        for start in starts
    )


@pytest.mark.parametrize('posture', [(0.0, 35.0, -95.0), (25.0, 50.0, -120.0), (-40.0, 0.0, -60.0)])
def test_what_is_left_to_a_foot_is_what_scipy_finds(posture: Vector) -> None:
    """Just before the end scipy reaches the foot, just behind it does not."""
    calibrated = one_leg()
    leg = calibrated.legs[0]
    mount = calibrated.robot.legs[0].mount
    q1, q2, q3 = (radians(each) for each in posture)
    foot = leg.foot((q1, q2, q3))
    frames = LegFrames(calibrated.robot)
    rooms = LegView.of(leg, frames, Frame.BODY, (q1, q2, q3), (1500.0,) * 3).rooms
    for axis, room in enumerate(rooms):
        for sign, way in ((-1.0, room.down), (1.0, room.up)):
            ends = []
            for change in (-5e-5, 5e-5):
                target = list(foot)
                target[axis] += sign * (way + change)
                x, y, z = target
                ends.append(farthest(leg, mount.position, mount.rpy[2], (x, y, z)))
            inside, outside = ends
            assert inside < 1e-6, (axis, sign, way)
            assert outside > 1e-6, (axis, sign, way)


def test_what_is_left_to_a_joint_is_the_nearer_of_limit_and_map() -> None:
    """Computed by hand for bracken: 600 to 2400 us at 636.62 us/rad, and the limits in the file.

    The map of left_front_femur ends at 18 deg + (600 - 1494) us / 636.62 us/rad = -62.46 deg, its
    limit is -60 deg. With a lowest pulse of 700 us the map ends at -53.46 deg, before the limit.
    """
    calibrated = one_leg()
    frames, leg = LegFrames(calibrated.robot), calibrated.legs[0]
    at = (0.0, 0.0, radians(-90.0))

    def femur(lowest_us: float) -> JointView:
        maps = [replace(each, lowest_us=lowest_us).angle_range for each in calibrated.maps.maps]
        limited = replace(leg, expressible=(maps[0], maps[1], maps[2]))
        return LegView.of(limited, frames, Frame.LEG, at, (1500.0,) * 3).joints[1]

    wide = femur(600.0)
    assert degrees(wide.room.down) == pytest.approx(60.0)
    assert wide.down_by_map is False
    tight = femur(700.0)
    assert degrees(tight.room.down) == pytest.approx(53.4596, abs=1e-3)
    assert tight.down_by_map is True
    assert tight.up_by_map is False


# ---- interrupted in the middle of a move


def set_off() -> Bench:
    """Set a foot off on a way of 20 mm, to about its middle."""
    bench = Bench(one_leg())
    bench.press('+')
    bench.begin('w')
    while bench.place[0] < 10.0:
        bench.tick()
    return bench


def see_it_rest_and_go_on(bench: Bench) -> None:
    """Nothing moves without a key, and the next one moves the foot on from where it is."""
    pulses, (x, y, z) = bench.pulses, bench.place
    for _ in range(100):
        bench.tick()
    assert bench.pulses == pulses
    assert 10.0 < x < 19.0
    bench.press('-', 'w')
    assert bench.place == pytest.approx((x + 5.0, y, z), abs=1e3 * REACHED)


def test_keys_do_not_pile_up() -> None:
    """Those that come while a foot is on its way do nothing, then or later."""
    bench = set_off()
    for _ in range(10):
        assert bench.begin('w').words == 'w does nothing now: the foot is still on its way'
    bench.rest()
    for _ in range(100):
        bench.tick()
    assert bench.place[0] == pytest.approx(20.0, abs=1e3 * REACHED)


def test_stopped_on_its_way_it_comes_to_rest_and_goes_on_with_the_next_key() -> None:
    """Ctrl-C stops what is played; whoever comes back finds the foot where it came to rest."""
    bench = set_off()
    assert bench.moving.playing is not None
    bench.moving.playing.stop('left')
    bench.rest()
    see_it_rest_and_go_on(bench)


def test_a_board_that_is_lost_and_found_again_moves_nothing_by_itself() -> None:
    """No key moves anything meanwhile; it says why."""
    bench = set_off()
    line = bench.life.lines['main']
    line.cut = True
    bench.tick_until(lambda: bench.life.driving.state is PowerState.LOST)
    bench.tick()
    assert bench.begin('w').words == 'w does nothing now: the robot does not follow: it is lost'
    line.cut = False
    bench.tick_until(lambda: bench.life.driving.state is PowerState.FOLLOWING)
    bench.rest()
    see_it_rest_and_go_on(bench)


def test_a_release_ends_the_move_for_good() -> None:
    """Rearmed, the legs are enabled at rest, and the keys begin there."""
    bench = set_off()
    bench.life.driving.release()
    for _ in range(20):
        bench.tick()
    assert bench.begin('w').words == 'w does nothing now: the robot does not follow: it is released'
    bench.life.driving.rearm()
    bench.tick_until(lambda: bench.life.driving.state is PowerState.FOLLOWING)
    bench.rest()
    assert bench.place == pytest.approx((0.0, 0.0, 0.0), abs=1e3 * REACHED)
    bench.press('w')
    assert bench.place == pytest.approx((20.0, 0.0, 0.0), abs=1e3 * REACHED)


def test_a_bridge_that_is_not_heard_of_moves_nothing() -> None:
    """As long as it is not known where the feet are, no key moves them."""
    bench = set_off()
    bench.rest()
    refused = bench.hand.press('w', bench.life.now + 1.1)
    assert refused.words.startswith('w does nothing now: nothing is heard from the bridge')


# ---- many keys, in lock step


def random_keys(seed: int, number: int) -> Iterator[str]:
    """Keys as a child would press them, but for those that leave."""
    random = Random(seed)
    keys = [key for key in KEYS if key.act not in {Act.LEAVE, Act.RELEASE}]
    for _ in range(number):
        yield random.choice(random.choice(keys).names)


@pytest.mark.parametrize('make', [one_leg, bracken])
def test_two_hundred_keys(make: object) -> None:
    """Each brings its foot where it says or is refused whole, and nothing moves without one."""
    assert callable(make)
    bench = Bench(make())
    moved = refused = 0
    for key in random_keys(7, 200):
        before, pulses = bench.feet, bench.pulses
        pressed = bench.press(key)
        if pressed.step is None:
            refused += bool(pressed.words)
            assert bench.pulses == pulses
            continue
        moved += 1
        goal = bench.moving.plan([pressed.step], before).end
        assert max(dist(*each) for each in zip(bench.feet, goal, strict=True)) < REACHED
        still = [
            each.channel
            for each in bench.calibrated.maps.maps
            if not each.joint.startswith(bench.jogging.leg)
        ]
        assert all(bench.pulses[channel] == pulses[channel] for channel in still)
        pulses = bench.pulses
        for _ in range(5):
            bench.tick()
        assert bench.pulses == pulses
    assert moved > 40
    # Half the speed of the servos, 60 deg in 0.16 s, and the rounding of a pulse, by hand.
    assert bench.fastest < 0.5 * radians(60.0) / 0.16 * 636.62 + 0.5 / 0.01
    assert refused > 0
