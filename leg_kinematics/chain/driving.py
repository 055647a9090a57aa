# Copyright 2026 The leg_kinematics authors
# SPDX-License-Identifier: Apache-2.0
"""The last stage: joint trajectories in, pulses out, and nobody moved by surprise."""

from collections import deque
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass

from leg_kinematics.board import Boards, BoardsStatus, Output
from leg_kinematics.calibration import ServoMap
from leg_kinematics.chain.power import LOSSES, Event, Power, PowerState
from leg_kinematics.chain.values import (
    NANOSECONDS,
    Answer,
    Condition,
    JointLimits,
    JointTargets,
    Level,
    RobotReport,
)
from leg_kinematics.errors import BoardError, CommandError, LegKinematicsError, MapRangeError
from leg_kinematics.robot import Robot, Vector
from leg_kinematics.solver import StreamClock, Tracker, position_ranges

#: How long a release waits for its boards before it is answered, s.
PATIENCE = 0.1

#: No hobby servo turns below this supply, V (common practice, no source).
GONE_BELOW = 2.0

#: The supply of the servos is gone when it has been below that for so long, s.
GONE_FOR = 0.5

#: While a board owes an answer to a pose for longer, the joints come to rest on their path: it may
#: be taking none of them, s.
LATE = 0.05

#: Joint targets that ended so long before they came are not followed, s.
STALE = 0.1

#: A joint farther from where its stream wants it is said to be behind, rad.
BEHIND = 0.05

#: Pulses that were sent are remembered for this many poses, to know one of them again.
REMEMBERED = 512

#: A pulse is that of a pose if it differs by no more, µs: the line rounds, and so do boards.
SAME_PULSE = 1.0

#: Who streams on through a loss of power, without a pause of this length, does not know of it, s.
UNAWARE = 0.25

ENDS_RELEASE = 'bridge/rearm'


@dataclass(frozen=True, slots=True)
class DrivingParameters:
    """How the joints are driven.

    Attributes
    ----------
    speed_share
        Share of its no-load speed that a servo is asked for at most.
    joint_acceleration
        Bound of every joint, rad/s^2.
    catch_up_speed
        Highest speed of a joint, seen from its stream, on the way back into it, rad/s.
    enable_interval
        Between the legs when they get their pulses, s.

    """

    speed_share: float = 0.9
    joint_acceleration: float = 300.0
    catch_up_speed: float = 1.0
    enable_interval: float = 0.3


def output_of(servo_map: ServoMap) -> Output:
    """Servo output that a joint is driven by."""
    return servo_map.board, servo_map.channel


def pulse_limits(maps: Iterable[ServoMap]) -> dict[Output, tuple[float, float]]:
    """Lowest and highest pulse of every output that the maps use, µs."""
    return {output_of(each): (each.lowest_us, each.highest_us) for each in maps}


class Driving:
    """Drives the servos of a robot through its boards.

    Nobody knows where a hobby servo is: legs get their pulses one after another, at rest, and only
    when a person asks for it. Only then is a stream followed, from wherever the joints are and
    never faster than allowed.

    Parameters
    ----------
    robot
        The description.
    maps
        Of its joints, in the order of the robot.
    resting
        Joint angles of each leg at rest, rad.
    parameters
        How to drive.
    boards
        Of exactly the names that the maps use, with the limits of `pulse_limits`.
    session
        A number that tells this bridge from those before it.

    Attributes
    ----------
    active
        Whether the bridge may drive; by the life cycle of its node.
    refused
        Joint targets that were refused.
    limits
        How fast the joints are driven at most.

    """

    def __init__(
        self,
        robot: Robot,
        maps: Sequence[ServoMap],
        resting: Sequence[Vector],
        parameters: DrivingParameters,
        boards: Boards,
        *,
        session: int,
    ) -> None:
        """Open nothing yet."""
        self._joints = robot.joints
        self._maps = tuple(maps)
        self._outputs = tuple(output_of(each) for each in self._maps)
        self._ends = tuple(each.angle_range for each in self._maps)
        self._legs = [len(leg.joints) for leg in robot.legs]
        self._resting = tuple(angle for angles in resting for angle in angles)
        self._interval = parameters.enable_interval
        self.limits = JointLimits(
            robot.joints,
            tuple(
                parameters.speed_share * link.servo.speed
                for leg in robot.legs
                for link in leg.links
            ),
            parameters.joint_acceleration,
        )
        self._tracker = Tracker(
            self._resting,
            self.limits.speeds,
            parameters.catch_up_speed,
            self.limits.acceleration,
            self._ends,
        )
        self._boards = boards
        self._session = session
        self._power = Power()
        self.active = False
        self._configured = False
        # Whether the boards are kept open only until they have confirmed a release.
        self._retiring = False
        self._taken_over = False
        self._blocked = ''
        self._status = BoardsStatus({})
        self._let_go = 0
        self._gone_since: float | None = None
        self._enabled_legs = 0
        self._next_leg_at = 0.0
        self._clock = StreamClock()
        self._starts: deque[tuple[float, int]] = deque(maxlen=REMEMBERED)
        self._sent: deque[tuple[int | None, tuple[float, ...]]] = deque(maxlen=REMEMBERED)
        self._stamp: int | None = None
        self._heard_at = -float('inf')
        # Whether the stream that comes in has come since before power was lost.
        self._unaware = False
        self.refused = 0
        self._refusal = ''

    # ---- what is known

    @property
    def state(self) -> PowerState:
        """Who has power, and who may move."""
        return self._power.state

    @property
    def positions(self) -> tuple[float, ...]:
        """Where the joints shall be now, in the order of the robot, rad."""
        return self._tracker.positions

    @property
    def status(self) -> BoardsStatus:
        """What the last step knew of the boards."""
        return self._status

    @property
    def located(self) -> bool:
        """Tell whether it is known where the joints are: once legs get their pulses."""
        enabling = self.state is PowerState.ENABLING and self._enabled_legs > 0
        return enabling or self.state in {PowerState.FOLLOWING, PowerState.HOLDING}

    def report(self) -> RobotReport:
        """Tell what the robot does."""
        return RobotReport(
            self.state, self._session, self._power.losses, self._stamp, self._tracker.lag
        )

    # ---- orders

    def configure(self) -> Answer:
        """Begin to look for the boards, and go on until they are found."""
        if not self._configured:
            self._taken_over = False
        self._configured, self._retiring = True, False
        self._boards.open()
        return Answer(success=True, words='looking for the boards')

    def cleanup(self) -> Answer:
        """Stop all pulses, and let go of the boards once they have confirmed it."""
        self.active = self._configured = False
        self._happen(Event.CLEANUP, 'the bridge was cleaned up')
        self._retiring = self.state is PowerState.RELEASED
        if not self._retiring:
            self._boards.close()
            return Answer(success=True, words='no servo had pulses')
        self._boards.release(PATIENCE)
        self._status = self._boards.status()
        return Answer(success=True, words=self._condition_of_release())

    def shutdown(self) -> frozenset[Output]:
        """Let go of the boards at once; returns the outputs whose pulses go on.

        The boards then act by their setting for silence.
        """
        self.active = self._configured = self._retiring = False
        on = self._boards.status().enabled if self._status.links else frozenset()
        self._boards.close()
        self._status = BoardsStatus({})
        return on

    def activate(self) -> Answer:
        """Give the legs their pulses, one after another, if none was taken from them before."""
        if not self._configured:
            return Answer(success=False, words='the bridge is not configured')
        if self.state is PowerState.UNPOWERED and not self._taken_over:
            return Answer(success=False, words=self._missing_boards())
        if self._blocked:
            return Answer(success=False, words=self._blocked)
        self.active = True
        if self._happen(Event.ACTIVATE):
            self._begin_enabling()
        self._follow_if_all_on()
        return Answer(success=True, words=str(self.condition()))

    def deactivate(self) -> Answer:
        """Park where the robot is: come to rest, hold, pulses on."""
        self.active = False
        self._happen(Event.DEACTIVATE)
        return Answer(success=True, words=str(self.condition()))

    def release(self) -> Answer:
        """Stop all pulses, in every state, until `rearm`; tell how far that has come.

        Boards that are not open are opened for it. It is repeated until every board has
        confirmed it.
        """
        self._happen(Event.RELEASE, 'a release was ordered')
        if not self._configured:
            self._retiring = True
            self._boards.open()
        self._boards.release(PATIENCE)
        self._status = self._boards.status()
        self._blocked = ''
        confirmed = all(link.release_confirmed for link in self._status.links.values())
        return Answer(success=confirmed, words=self._condition_of_release())

    def rearm(self) -> Answer:
        """End a release, and give the legs their pulses again, one after another, at rest."""
        refusal = self._power.refusal(Event.REARM)
        if not refusal and not self._configured:
            refusal = 'no board is open: configure and activate the bridge first'
        elif not refusal and not self.active:
            refusal = 'the bridge is not active: activate it first'
        elif not refusal and not self._status.found:
            refusal = self._missing_boards()
        elif not refusal and (lost := self._status.lost):
            refusal = f'board {", ".join(lost)} cannot be reached yet; rearm when it can be'
        if refusal or self._blocked:
            return Answer(success=False, words=f'not rearmed: {refusal or self._blocked}')
        if self.state is PowerState.RELEASED:
            try:
                self._boards.rearm()
            except BoardError as error:
                return Answer(success=False, words=f'not rearmed: {error}')
        self._happen(Event.REARM)
        self._begin_enabling()
        return Answer(
            success=True,
            words='rearmed: the legs get their pulses one after another, at rest: keep hands away',
        )

    def follow(self, targets: JointTargets, received: float, *, at_once: bool = False) -> None:
        """Take joint targets, and follow them if the robot may.

        Parameters
        ----------
        targets
            Of all joints.
        received
            When they came, s.
        at_once
            Whether they start just then, since nothing lies between us and their sender;
            otherwise their stamps are placed on our clock.

        Raises
        ------
        MapRangeError
            A joint would go where its servo map has no pulse; nothing of it is followed.
        CommandError
            They are not of all joints, or go on from before a loss of power as if nothing were.

        """
        trajectory = targets.trajectory
        if len(trajectory.positions[0]) != len(self._maps):
            raise CommandError(
                f'joint targets need {len(self._maps)} joints, got {len(trajectory.positions[0])}'
            )
        # Between the points the cubics can go beyond them.
        for each, ends in zip(self._maps, position_ranges(trajectory), strict=True):
            lowest, highest = each.angle_range
            if not lowest <= ends[0] <= ends[1] <= highest:
                each.pulse_us(ends[0])
                each.pulse_us(ends[1])
        self._unaware = self._unaware and received - self._heard_at <= UNAWARE
        self._heard_at = received
        if self.state is not PowerState.FOLLOWING:
            self._refusal = ''
            return
        if self._unaware:
            raise CommandError(
                'the joint targets have come without a pause since before power was lost: they '
                f'are not followed before they pause for {UNAWARE:g} s'
            )
        self._refusal = ''
        start = received
        if not at_once:
            start = self._clock.start(targets.stamp / NANOSECONDS, received)
        if start + trajectory.end < received - STALE:
            # All of it is past: it was held up on its way, or the clock of its sender was set.
            return
        self._tracker.follow(trajectory, start)
        if targets.stamp:
            self._starts.append((start, targets.stamp))

    def refuse(self, error: LegKinematicsError) -> None:
        """Note that targets were refused, and why."""
        self.refused += 1
        self._refusal = str(error)

    # ---- time

    def step(self, now: float) -> None:
        """Advance to an instant, s: see what became of the boards, and send the next pose."""
        if not (self._configured or self._retiring):
            return
        self._status = self._boards.status()
        self._look(now)
        if self._retiring:
            if not self._configured and all(
                link.release_confirmed for link in self._status.links.values()
            ):
                self._retiring = False
                self._boards.close()
                self._status = BoardsStatus({})
            return
        self._tracker.wait(
            waits=any((link.waiting or 0.0) > LATE for link in self._status.links.values())
        )
        positions = self._tracker.step(now)
        self._note_stamp()
        if self.state is PowerState.RELEASED or not self._taken_over or self._blocked:
            return
        pulses = tuple(
            each.pulse_us(angle) for each, angle in zip(self._maps, positions, strict=True)
        )
        self._sent.append((self._stamp, pulses))
        self._boards.set_pulses(dict(zip(self._outputs, pulses, strict=True)), self._status)
        if self.state is PowerState.ENABLING:
            self._enable_next_leg(now)

    def _look(self, now: float) -> None:
        """See what has happened to the boards, and let it happen to the power."""
        status = self._status
        if not self._taken_over:
            if self._configured and status.found:
                self._take_over(status.found_again)
            return
        if status.let_go != self._let_go:
            self._let_go = status.let_go
            self._lose('pulses went off: a board restarted or released them', status)
        if self._supply_is_gone(now):
            self._lose('the supply of the servos is gone', BoardsStatus({}))
        if status.lost:
            self._happen(Event.LINE_LOST)
        elif self.state is PowerState.LOST:
            self._find_again(status.found_again)
            self._happen(Event.LINE_BACK)
        self._follow_if_all_on()

    def _follow_if_all_on(self) -> None:
        """Follow what is sent, once the bridge is active and every leg has its pulses."""
        legs = self._enabled_legs == len(self._legs) or self.state is PowerState.HOLDING
        on = self._status.enabled.issuperset(self._outputs)
        if self.active and not self._blocked and legs and on:
            self._happen(Event.ALL_ON)

    def _lose(self, reason: str, status: BoardsStatus) -> None:
        self._happen(Event.SOME_OFF if status.enabled else Event.ALL_OFF, reason)

    def _supply_is_gone(self, now: float) -> bool:
        supplies = [link.supply for link in self._status.links.values()]
        if not any(supply is not None and supply < GONE_BELOW for supply in supplies):
            self._gone_since = None
        elif self._gone_since is None:
            self._gone_since = now
        return self._gone_since is not None and now - self._gone_since >= GONE_FOR

    def _happen(self, event: Event, reason: str = '') -> bool:
        """Let something happen to the power, with all that follows from it."""
        before = self.state
        if not self._power.happen(event, reason):
            return False
        self._unaware = self._unaware or event in LOSSES
        if before is PowerState.FOLLOWING and self.state is not PowerState.FOLLOWING:
            self._tracker.hold()
        if self.state is PowerState.RELEASED:
            self._enabled_legs = 0
            self._stamp = None
            self._boards.release()
        return True

    # ---- taking over and enabling

    def _take_over(self, found: Mapping[Output, float]) -> None:
        """Begin with the boards as they are found: what is on stays where it is."""
        self._taken_over = True
        self._let_go = self._status.let_go
        self._place(found)
        if found:
            self._happen(Event.FOUND_ON)

    def _find_again(self, found: Mapping[Output, float]) -> None:
        """Go on from the pulses that a board still put out when it was found again.

        They lie behind ours: the last poses before a loss did not get through. All joints go back
        to the pose that the board has, so that the feet fit together.
        """
        if not found:
            return
        for stamp, pulses in reversed(self._sent):
            if all(
                abs(found[output] - pulse) <= SAME_PULSE
                for output, pulse in zip(self._outputs, pulses, strict=True)
                if output in found
            ):
                self._place(found)
                self._stamp = stamp
                return
        self._place(found)
        self._stamp = None
        self._happen(Event.MOVED, 'servos were found where this bridge had not sent them')

    def _place(self, found: Mapping[Output, float]) -> None:
        """Be where the boards say, and where they say nothing at rest or where we were."""
        on = self._status.enabled
        angles = []
        beyond = []
        for each, output, angle, resting, ends in zip(
            self._maps,
            self._outputs,
            self._tracker.positions,
            self._resting,
            self._ends,
            strict=True,
        ):
            if output not in found:
                angles.append(angle if output in on else resting)
                continue
            try:
                angles.append(_angle_within(each, found[output], ends))
            except MapRangeError:
                beyond.append(f'{each.joint} at {found[output]:g} us')
                angles.append(angle)
        self._blocked = ''
        if beyond:
            self._blocked = (
                f'servos have pulses that their maps do not: {", ".join(beyond)}. Nothing is sent; '
                f'call bridge/release, or take the maps that belong to this robot'
            )
        self._tracker.place(angles)

    def _begin_enabling(self) -> None:
        self._place({})
        self._stamp = None
        self._starts.clear()
        self._enabled_legs = 0
        self._next_leg_at = 0.0

    def _enable_next_leg(self, now: float) -> None:
        """Enable one leg more once the one before has its pulses and the interval is over."""
        if self._enabled_legs == len(self._legs) or now < self._next_leg_at:
            return
        enabled = self._status.enabled
        if not enabled.issuperset(self._outputs_of_legs(self._enabled_legs)):
            return
        outputs = self._outputs_of_legs(self._enabled_legs + 1)
        self._boards.enable(outputs)
        self._enabled_legs += 1
        if not enabled.issuperset(outputs):
            self._next_leg_at = now + self._interval

    def _outputs_of_legs(self, count: int) -> tuple[Output, ...]:
        """Servo outputs of the first legs, in the order of the joints."""
        return self._outputs[: sum(self._legs[:count])]

    def _note_stamp(self) -> None:
        """Note how far the joints have come in their stream, by the clock of its sender."""
        time = self._tracker.time
        if time is None or not self._tracker.following:
            return
        # A message replaces those that start later; the newest that has started is in force.
        for start, stamp in reversed(self._starts):
            if start <= time:
                self._stamp = stamp + round((time - start) * NANOSECONDS)
                return

    # ---- words

    def condition(self) -> Condition:
        """Say how the bridge is."""
        if self._blocked:
            return Condition(Level.ERROR, 'blocked', self._blocked)
        if self.state is PowerState.RELEASED:
            return Condition(
                Level.WARN,
                f'released until {ENDS_RELEASE}',
                f'{self._power.reason}; {self._condition_of_release()}',
            )
        if not self._configured:
            return Condition(Level.OK, 'unconfigured')
        if not self._taken_over:
            return Condition(Level.WARN, 'waiting for boards', self._missing_boards())
        return self._trouble() or self._condition_of_power()

    def _trouble(self) -> Condition | None:
        """Say what is wrong while the robot has power."""
        status = self._status
        if self.state is PowerState.LOST:
            lost = f'lost board {", ".join(status.lost)}'
            return Condition(Level.ERROR, lost, 'holding, trying to reopen')
        if self._refusal:
            return Condition(Level.ERROR, 'refused', self._refusal)
        if low := status.low_supplies:
            volts = ', '.join(f'{supply:.1f} V' for supply in low.values() if supply is not None)
            return Condition(Level.WARN, f'low supply voltage of board {", ".join(low)}', volts)
        return None

    def _condition_of_power(self) -> Condition:
        match self.state:
            case PowerState.UNPOWERED:
                condition = Condition(Level.OK, 'inactive', 'no servo has pulses')
            case PowerState.ENABLING:
                condition = Condition(
                    Level.OK, 'enabling legs', f'{self._enabled_legs} of {len(self._legs)}'
                )
            case PowerState.HOLDING if self.active:
                condition = Condition(
                    Level.WARN,
                    f'holding until {ENDS_RELEASE}',
                    self._power.reason or 'not every leg has its pulses',
                )
            case PowerState.HOLDING:
                condition = Condition(Level.OK, 'inactive', 'holding, pulses on')
            case _ if self._tracker.lag > BEHIND:
                condition = Condition(
                    Level.WARN,
                    'active, and behind its stream',
                    f'by {self._tracker.lag:.2f} rad, more than {BEHIND:g} rad',
                )
            case _ if self._tracker.cut_off:
                condition = Condition(
                    Level.WARN, 'joint_trajectory fell silent in motion', 'holding'
                )
            case _:
                condition = Condition(Level.OK, 'active')
        return condition

    def _condition_of_release(self) -> str:
        """Say of every board how far a release has come."""
        words = []
        for name, link in self._status.links.items():
            if link.release_confirmed:
                words.append(f'board {name} has confirmed that its pulses are off')
            elif link.release_sent:
                words.append(f'board {name} was told and has not confirmed it yet')
            else:
                words.append(
                    f'board {name} COULD NOT BE TOLD and may hold its servos '
                    f'({link.last_error or "being opened"}); it is tried again: use the switch'
                )
        return '; '.join(words) or 'no board is open'

    def _missing_boards(self) -> str:
        missing = [
            f'board {name}: {link.last_error or "being opened"}'
            for name, link in self._status.links.items()
            if link.identity is None
        ]
        return '; '.join(missing) or 'the boards are being opened'


def _angle_within(servo_map: ServoMap, pulse_us: float, ends: tuple[float, float]) -> float:
    """Joint angle at a pulse, rad; the end of the range for one that rounding put beyond it.

    Raises
    ------
    MapRangeError
        The pulse is farther beyond.

    """
    nearest = min(max(pulse_us, servo_map.lowest_us), servo_map.highest_us)
    span = servo_map.curve.pulse_span_us
    nearest = min(max(nearest, span[0]), span[1])
    if abs(nearest - pulse_us) > SAME_PULSE:
        raise MapRangeError(f'{servo_map.joint}: no angle at {pulse_us:g} us')
    return min(max(servo_map.angle(nearest), ends[0]), ends[1])
