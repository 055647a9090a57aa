# Copyright 2026 The leg_kinematics authors
# SPDX-License-Identifier: Apache-2.0
"""A robot in lock step that is watched: what must hold in every tick, whatever happens to it.

What is judged are the pulses of the simulated boards and the answers to orders, against what the
boards really did. The watch has a mind of its own: it knows which words were given, and no table.
"""

import enum
import io
import pickle
from collections.abc import Callable
from dataclasses import dataclass, replace
from pathlib import Path
from threading import Condition
from types import FunctionType
from typing import Any, Self, TypeVar

from leg_kinematics.board import Output
from leg_kinematics.calibration import ServoMap, ServoMaps, load_servo_maps
from leg_kinematics.chain.chain import ChainStep
from leg_kinematics.chain.driving import DrivingParameters
from leg_kinematics.chain.lockstep import LockStep, LockStepParameters
from leg_kinematics.chain.power import PowerState
from leg_kinematics.chain.values import Answer, FootTargets, JointTargets
from leg_kinematics.chain.walk import Tick
from leg_kinematics.chain.walking import Walking, WalkingParameters
from leg_kinematics.gait import GaitParameters, GaitSample, Twist
from leg_kinematics.gait.envelope import Envelope, Envelopes
from leg_kinematics.robot import Robot, Vector, load_robot
from leg_kinematics.solver import LegSolver, Trajectory, leg_solvers, posture_angles

T = TypeVar('T')

CONFIG = Path(__file__).parents[1] / 'config'

#: Pulses are sent in half microseconds.
ROUNDING_US = 0.51

#: While a robot comes to rest after it does not follow any more, s: a stream is left at a rate that
#: falls to zero in 30 ms, or longer where a joint needs it.
COMING_TO_REST = 0.2

#: A board that takes no pose makes the joints wait after 50 ms; what they still go on is no more
#: than they could in this time, s.
GOES_ON = 0.12

#: Within this time a release reaches a board that can be reached, s: a line is found silent after
#: 0.5 s at most, and looked for every 0.1 s.
RELEASED_WITHIN = 1.2


class Happening(enum.StrEnum):
    """All that may happen to a robot."""

    CONFIGURE = 'configure'
    ACTIVATE = 'activate'
    DEACTIVATE = 'deactivate'
    CLEANUP = 'cleanup'
    RELEASE = 'release'
    REARM = 'rearm'
    STOP_ON = 'emergency stop on'
    STOP_OFF = 'emergency stop off'
    STAND = 'stand'
    CROUCH = 'crouch'
    VELOCITY = 'velocity'
    BOARD_OFF = 'board off'
    BOARD_ON = 'board on'
    CABLE_CUT = 'cable cut'
    CABLE_MENDED = 'cable mended'
    UNPLUGGED = 'unplugged'
    PLUGGED = 'plugged'
    SUPPLY_GONE = 'supply gone'
    SUPPLY_BACK = 'supply back'
    RESTART = 'bridge restarts'
    FORWARD_CUT = 'forward cut'
    BACKWARD_CUT = 'backward cut'
    HEALED = 'links healed'


#: What a person orders; the rest is done to the robot.
ORDERS = (
    Happening.CONFIGURE,
    Happening.ACTIVATE,
    Happening.DEACTIVATE,
    Happening.CLEANUP,
    Happening.RELEASE,
    Happening.REARM,
    Happening.STOP_ON,
    Happening.STOP_OFF,
    Happening.STAND,
    Happening.CROUCH,
)


def bracken() -> tuple[Robot, ServoMaps]:
    """Load the example robot and its servo maps."""
    robot = load_robot(CONFIG / 'robots' / 'bracken.yaml')
    return robot, load_servo_maps(CONFIG / 'servo_maps' / 'bracken.yaml', robot)


def pair_of_legs() -> tuple[Robot, ServoMaps]:
    """Bracken's middle legs alone, each with a board of its own: the least that can walk."""
    robot, maps = bracken()
    robot = robot.part(name for name in robot.leg_names if name.endswith('middle'))
    boards = {each.joint: each.joint.split('_')[0] for each in maps.maps}
    return robot, replace(
        maps,
        maps=tuple(
            replace(each, board=boards[each.joint])
            for each in maps.maps
            if each.joint in robot.joints
        ),
    )


#: Quick, so that many lives can be lived; two legs have nothing to stand between.
QUICK = LockStepParameters(
    gait=GaitParameters(min_margin=-1.0, stand_time=0.8),
    walking=WalkingParameters(rate=50.0, preview=0.08),
    driving=DrivingParameters(enable_interval=0.06),
    linked=True,
)


@dataclass(frozen=True)
class Channel:
    """What is known of a servo output that does not change."""

    output: Output
    servo_map: ServoMap
    speed: float
    """rad/s"""
    resting_us: float


@dataclass(frozen=True)
class Known:
    """What an order may change at once."""

    state: PowerState
    losses: int
    outputs: dict[Output, float]


class WatchedRobot:
    """A robot in lock step, what was ordered of it, and what its pulses may therefore do.

    Attributes
    ----------
    life, parameters
        The robot, and how it is made.
    history
        What has happened to it, for whoever reads a failure.
    fastest
        The fastest that a joint was told to turn, as a share of its bound.

    """

    def __init__(
        self, robot: Robot, maps: ServoMaps, parameters: LockStepParameters = QUICK
    ) -> None:
        """Put it together, unconfigured."""
        self.life = LockStep(robot, maps, parameters)
        self.parameters = parameters
        self._timeout = parameters.silence.timeout
        legs = leg_solvers(robot, {each.joint: each.angle_range for each in maps.maps})
        resting = [angle for leg in posture_angles(robot, legs, 'resting') for angle in leg]
        links = [link for leg in robot.legs for link in leg.links]
        self.channels = {
            (each.board, each.channel): Channel(
                (each.board, each.channel),
                each,
                parameters.driving.speed_share * link.servo.speed,
                each.pulse_us(angle),
            )
            for each, link, angle in zip(maps.maps, links, resting, strict=True)
        }
        self.history: list[str] = []
        self.fastest = 0.0
        self._granted: set[Output] = set()
        self._stand_in_force = False
        self._may_move_until = 0.0
        self._latched = False
        self._unreleased_since: float | None = None
        self._stopped = False
        self._posed_at: dict[str, float] = {}
        self._outputs = self.outputs
        self._speeds: dict[Output, float] = {}
        self._went_on: dict[Output, tuple[int, int]] = {}
        self._report = self.life.driving.report()

    # ---- what is seen

    @property
    def outputs(self) -> dict[Output, float]:
        """All pulses that are on, µs."""
        return {
            (name, channel): pulse
            for name in self.life.lines
            for channel, pulse in self.life.pulses_us(name).items()
        }

    @property
    def state(self) -> PowerState:
        """Who has power, as the bridge has it."""
        return self.life.driving.state

    @property
    def reachable(self) -> bool:
        """Whether every board is on and can be heard."""
        return all(
            line.board is not None and line.plugged and not line.cut
            for line in self.life.lines.values()
        )

    def _see(self, *, condition: bool, what: str) -> None:
        assert condition, (
            f'{what}\nat {self.life.now:.2f} s, bridge {self.life.driving.condition()}, gait '
            f'{self.life.walking.condition(self.life.now)}\nafter ' + '; '.join(self.history)
        )

    # ---- what happens

    def happen(self, happening: Happening) -> None:
        """Let something happen, and judge the answer if there is one."""
        self.history.append(f'{self.life.now:.2f} {happening}')
        if happening in ORDERS:
            self.order(happening)
        elif happening is Happening.VELOCITY:
            self.life.command = Twist(x=-0.05 if self.life.command.x > 0.0 else 0.05)
        elif happening is Happening.RESTART:
            self.life.restart_bridge()
            self._report = self.life.driving.report()
            self._granted.clear()
            self._stand_in_force = self._latched = self._stopped = False
        elif happening in {Happening.SUPPLY_GONE, Happening.SUPPLY_BACK}:
            for line in self.life.lines.values():
                line.set_supply(0 if happening is Happening.SUPPLY_GONE else 7400)
        else:
            self._break_or_mend(happening)

    def _break_or_mend(self, happening: Happening) -> None:
        """Do something to the way to the first board, or between the stages."""
        line = next(iter(self.life.lines.values()))
        match happening:
            case Happening.BOARD_OFF:
                line.switch_off()
            case Happening.BOARD_ON:
                if line.board is None:
                    line.switch_on()
            case Happening.CABLE_CUT | Happening.CABLE_MENDED:
                line.cut = happening is Happening.CABLE_CUT
            case Happening.UNPLUGGED | Happening.PLUGGED:
                line.plugged = happening is Happening.PLUGGED
            case Happening.HEALED:
                self.life.forward_cut = self.life.backward_cut = False
            case _:
                self.life.forward_cut |= happening is Happening.FORWARD_CUT
                self.life.backward_cut |= happening is Happening.BACKWARD_CUT

    def order(self, order: Happening) -> Answer:
        """Give an order, and judge its answer by what the boards did."""
        driving = self.life.driving
        obey: dict[Happening, Callable[[], Answer]] = {
            Happening.CONFIGURE: driving.configure,
            Happening.ACTIVATE: driving.activate,
            Happening.DEACTIVATE: driving.deactivate,
            Happening.CLEANUP: driving.cleanup,
            Happening.RELEASE: driving.release,
            Happening.REARM: driving.rearm,
            Happening.STOP_ON: lambda: driving.set_emergency_stop(on=True),
            Happening.STOP_OFF: lambda: driving.set_emergency_stop(on=False),
            Happening.STAND: lambda: self.life.walking.stand(self.life.now),
            Happening.CROUCH: self.life.walking.crouch,
        }
        before = self._known()
        answer = obey[order]()
        # What an order takes away is told at once; the next step has news of its own.
        self._report = driving.report()
        self.history.append(f'"{answer.words}"')
        after = self._known()
        self._outputs = after.outputs
        releases = {Happening.RELEASE, Happening.STOP_ON}
        if order not in {*releases, Happening.CLEANUP}:
            self._see(condition=after.outputs == before.outputs, what=f'{order} moved pulses')
        if not answer.success and order not in releases:
            self._see(condition=after == before, what=f'{order} was refused and changed something')
        self._see_confirmations(answer.words)
        judge = {
            Happening.DEACTIVATE: self._judge_deactivate,
            Happening.ACTIVATE: self._judge_activate,
            Happening.CLEANUP: self._judge_cleanup,
            Happening.RELEASE: self._judge_release,
            Happening.REARM: self._judge_rearm,
            Happening.STOP_ON: self._judge_stop_on,
            Happening.STOP_OFF: self._judge_stop_off,
            Happening.STAND: self._judge_stand,
        }.get(order)
        if judge is not None:
            judge(answer, before, after)
        return answer

    def _known(self) -> Known:
        return Known(self.state, self.life.driving.report().losses, self.outputs)

    def _judge_release(self, answer: Answer, before: Known, after: Known) -> None:
        self._take_power()
        self._see(condition=after.state is PowerState.RELEASED, what='not released')
        self._see(condition=after.losses == before.losses + 1, what='a release was not counted')
        if answer.success:
            self._see(condition=not after.outputs, what='confirmed, and pulses are on')
        elif self.reachable and self.life.driving.status.found:
            ready = not self.life.driving.status.lost
            self._see(condition=not ready, what='boards heard a release without effect')

    def _judge_stop_on(self, answer: Answer, before: Known, after: Known) -> None:
        if self._stopped:
            self._see(condition=after == before, what='an emergency stop that was on did something')
            return
        self._stopped = True
        self._judge_release(answer, before, after)

    def _judge_stop_off(self, answer: Answer, before: Known, after: Known) -> None:
        self._stopped = False
        self._see(condition=answer.success and after == before, what='a stop that is off did more')

    def _judge_cleanup(self, _: Answer, before: Known, after: Known) -> None:
        if before.state in {PowerState.UNPOWERED, PowerState.RELEASED}:
            return
        self._take_power()
        self._see(condition=after.state is PowerState.RELEASED, what='clean, and not released')
        self._see(condition=after.losses == before.losses + 1, what='a cleanup was not counted')

    def _judge_rearm(self, answer: Answer, before: Known, _: Known) -> None:
        if not answer.success:
            self._see(condition=answer.words.startswith('not rearmed'), what='odd words')
            return
        self._see(
            condition=before.state in {PowerState.RELEASED, PowerState.HOLDING},
            what='something was rearmed that was not released',
        )
        self._see(condition=not self._stopped, what='rearmed with the emergency stop on')
        self._latched = False
        self._granted = set(self.channels)
        self._see_legs_get_pulses()

    def _judge_activate(self, answer: Answer, before: Known, after: Known) -> None:
        if not answer.success:
            return
        if before.state is PowerState.UNPOWERED:
            self._granted = set(self.channels)
            self._see_legs_get_pulses()
        if answer.words.startswith('holding until'):
            self._see_does_not_follow()
        claims = answer.words.startswith('active')
        self._see(
            condition=after.state is PowerState.FOLLOWING or not claims,
            what='active, and not following',
        )

    def _judge_deactivate(self, _: Answer, __: Known, after: Known) -> None:
        following = after.state is PowerState.FOLLOWING
        self._see(condition=not following, what='inactive, and following')

    def _judge_stand(self, answer: Answer, _: Known, __: Known) -> None:
        if answer.success:
            self._stand_in_force = True
            walk = self.life.walking.sample
            self._see(condition=walk is not None, what='stands up without a walk')

    def _take_power(self) -> None:
        self._granted.clear()
        self._stand_in_force = False
        self._latched = True

    def _see_confirmations(self, words: str) -> None:
        """Whatever is said to be off is off."""
        for name in self.life.lines:
            if f'board {name} has confirmed that its pulses are off' in words:
                self._see(condition=not self.life.pulses_us(name), what=f'{name} is not off')

    def _see_legs_get_pulses(self) -> None:
        """After 'rearmed', legs get pulses, or it is told that they did not."""
        future = self.copy()
        report = future.life.driving.report()
        before = set(future.outputs)
        whole = before == set(future.channels)
        for _ in range(100):
            future.life.step()
            told = future.life.driving.report()
            gains = set(future.outputs) - before
            if gains or whole or told.losses > report.losses or told.state is PowerState.LOST:
                return
        self._see(condition=not future.reachable, what='legs were to get pulses, and got none')

    def _see_does_not_follow(self) -> None:
        """After 'holding until ...' nothing is followed without that."""
        future = self.copy()
        for _ in range(5):
            future.life.step()
            self._see(
                condition=future.state is not PowerState.FOLLOWING,
                what='activate said that it holds, and it follows',
            )

    # ---- time

    def run(self, seconds: float) -> None:
        """Let time pass."""
        for _ in range(round(seconds / self.life.tick)):
            self.step()

    def run_until(self, condition: Callable[[], bool], patience: float = 10.0) -> None:
        """Let time pass until something is true."""
        for _ in range(round(patience / self.life.tick)):
            if condition():
                return
            self.step()
        self._see(condition=condition(), what=f'waited {patience} s in vain')

    def step(self) -> ChainStep:
        """Let a tick pass, and judge it."""
        lag = self.life.driving.report().lag
        outcome = self.life.step()
        report = self.life.driving.report()
        mark = (report.session, report.losses)
        if mark != (self._report.session, self._report.losses):
            # Whatever took power away: a word given before that is of no use.
            self._granted.clear()
            self._stand_in_force = False
        if report.state is PowerState.FOLLOWING and self._stand_in_force:
            self._may_move_until = self.life.now + COMING_TO_REST
        if self._latched:
            self._see(condition=report.state is PowerState.RELEASED, what='the release is lost')
        self._see_confirmations(self.life.driving.condition().detail)
        outputs = self.outputs
        if outputs == self._outputs:
            self._speeds = {}
        else:
            self._see_pulses(outputs, closing_in=lag > 0.0 and _at_rest(outcome))
        self._see_release(outputs)
        for name, line in self.life.lines.items():
            silent_at = None if line.board is None else line.board.silent_at
            if silent_at is not None:
                self._posed_at[name] = silent_at - self._timeout
        self._outputs = outputs
        self._report = report
        return outcome

    def _see_pulses(self, outputs: dict[Output, float], *, closing_in: bool) -> None:
        before = self._outputs
        tick = self.life.tick
        speeds: dict[Output, float] = {}
        for output in before.keys() - outputs.keys():
            self._granted.discard(output)
        for output, pulse in outputs.items():
            channel = self.channels[output]
            if output not in before:
                self._see(condition=output in self._granted, what=f'{output} went on by itself')
                self._see(
                    condition=abs(pulse - channel.resting_us) <= ROUNDING_US,
                    what=f'{output} went on at {pulse:g} us and not at rest',
                )
                report = self.life.driving.report()
                mark = (report.session, report.losses)
                self._see(
                    condition=self._went_on.get(output) != mark,
                    what=f'{output} went off and on, and no loss was counted',
                )
                self._went_on[output] = mark
                continue
            change_us = abs(pulse - before[output])
            if change_us == 0.0:
                continue
            self._see(
                condition=self.life.now <= self._may_move_until,
                what=f'{output} moved by {change_us:g} us without a word',
            )
            servo_map = channel.servo_map
            way = abs(servo_map.angle(pulse) - servo_map.angle(before[output]))
            per_us = way / change_us
            posed_at = self._posed_at.get(output[0], self.life.now - tick)
            time = min(GOES_ON, self.life.now - posed_at)
            most = channel.speed * time + 2.0 * ROUNDING_US * per_us
            self.fastest = max(self.fastest, way / most)
            self._see(
                condition=way <= most, what=f'{output} jumped by {way:.4f} rad in {time:.3f} s'
            )
            if closing_in:
                # A joint in motion may come to rest first, which it does at its acceleration.
                speed = max(self.parameters.driving.catch_up_speed, self._speeds.get(output, 0.0))
                most = speed * time + 2.0 * ROUNDING_US * per_us
                self._see(condition=way <= most, what=f'{output} caught up by {way:.4f} rad')
            speeds[output] = way / time
        self._speeds = speeds

    def _see_release(self, outputs: dict[Output, float]) -> None:
        """See that what is released and can be reached is off soon."""
        if not (self._latched and self.reachable and outputs):
            self._unreleased_since = None
        elif self._unreleased_since is None:
            self._unreleased_since = self.life.now
        else:
            since = self.life.now - self._unreleased_since
            self._see(condition=since <= RELEASED_WITHIN, what='released, and pulses stay on')

    # ---- lives

    def copy(self) -> Self:
        """Make another one of the same past."""
        return _copied(self)

    def bring_up(self) -> None:
        """Configure and activate it, and wait until it follows."""
        self.order(Happening.CONFIGURE)
        self.run_until(lambda: self.life.driving.status.found)
        self.run(0.06)
        self.order(Happening.ACTIVATE)
        self.run_until(lambda: self.state is PowerState.FOLLOWING)
        self.run(0.1)

    def stand_up(self) -> None:
        """Have it stand, and wait until it does."""
        assert self.order(Happening.STAND).success
        life = self.life
        self.run_until(lambda: life.walking.condition(life.now).state == 'standing')

    def walk(self, twist: Twist = Twist(x=0.05), seconds: float = 1.1) -> None:  # noqa: B008
        """Have it walk for a while."""
        self.life.command = twist
        self.run(seconds)

    def recover(self) -> None:
        """Do what a person would: mend everything, and bring the robot to its feet again."""
        for happening in (
            Happening.BOARD_ON,
            Happening.CABLE_MENDED,
            Happening.PLUGGED,
            Happening.SUPPLY_BACK,
            Happening.HEALED,
            Happening.STOP_OFF,
        ):
            self.happen(happening)
        self.life.command = Twist()
        self.order(Happening.CONFIGURE)
        self.run(1.2)
        activated = self.order(Happening.ACTIVATE)
        self._see(condition=activated.success, what='a mended robot cannot be activated')
        self.run(0.3)
        if self.state in {PowerState.RELEASED, PowerState.HOLDING}:
            rearmed = self.order(Happening.REARM)
            self._see(condition=rearmed.success, what='a mended robot cannot be rearmed')
        self.run_until(lambda: self.state is PowerState.FOLLOWING, 3.0)
        self.run(0.4)
        stands = self.order(Happening.STAND)
        self._see(condition=stands.success, what='a mended robot cannot stand up')
        life = self.life
        self.run_until(lambda: life.walking.condition(life.now).state == 'standing', 6.0)


@dataclass(frozen=True)
class Placed:
    """Where a robot is in its walk: between two ticks, at a share of the way."""

    before: GaitSample
    after: GaitSample
    share: float
    feet: tuple[Vector, ...]


def placed(walking: Walking, stamp: int | None) -> Placed:
    """Where in its walk a robot is that tells of a stamp; without one, where it was last."""
    walk = walking.walk
    assert walk is not None
    path = walk.path
    position = None if stamp is None else path._position(stamp)  # noqa: SLF001
    if position is None:
        position = path.reached
    before, after, share = path.around(position)
    feet, _ = walk.between(position)
    return Placed(before.sample, after.sample, share, feet)


def _at_rest(outcome: ChainStep) -> bool:
    """Whether the feet were led to a place to stay."""
    targets = outcome.walked.targets if outcome.walked is not None else None
    if targets is None or targets.velocities is None:
        return False
    return not any(v for row in targets.velocities for foot in row for v in foot)


#: Values that never change may be shared by all copies.
SHARED = (
    FunctionType,
    Robot,
    ServoMaps,
    ServoMap,
    LegSolver,
    Tick,
    Trajectory,
    FootTargets,
    JointTargets,
    Channel,
    LockStepParameters,
    Envelope,
    Envelopes,  # remembers, and forgets nothing that matters
)

_shared: dict[int, Any] = {}


def _kept(number: int) -> Any:  # noqa: ANN401
    return _shared[number]


class _Copier(pickle.Pickler):
    """Copies what changes and shares what does not; many times faster than `copy.deepcopy`."""

    def reducer_override(self, obj: Any) -> Any:  # noqa: ANN401
        if isinstance(obj, Condition):
            return Condition, ()
        if isinstance(obj, SHARED) and obj is not _kept:
            _shared[id(obj)] = obj
            return _kept, (id(obj),)
        return NotImplemented


def _copied(original: T) -> T:
    stream = io.BytesIO()
    _Copier(stream, protocol=pickle.HIGHEST_PROTOCOL).dump(original)
    copy: T = pickle.loads(stream.getvalue())  # noqa: S301
    _shared.clear()
    return copy
