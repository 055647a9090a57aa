# Copyright 2026 The leg_kinematics authors
# SPDX-License-Identifier: Apache-2.0
"""The last stage: joint trajectories in, pulses out, and nobody moved by surprise."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

from leg_kinematics.board import Boards, BoardsStatus, Output
from leg_kinematics.calibration import ServoMap
from leg_kinematics.chain.driving_words import (
    DrivingSituation,
    condition_of,
    missing_boards,
    pulses_beyond_maps,
    refusal_to_rearm,
    release_in_words,
)
from leg_kinematics.chain.enabling import Enabling
from leg_kinematics.chain.following import Following
from leg_kinematics.chain.outputs import ServoOutputs
from leg_kinematics.chain.power import LOSSES, Event, Power, PowerState
from leg_kinematics.chain.solving import check_names
from leg_kinematics.chain.supply import Supply
from leg_kinematics.chain.values import Answer, Condition, JointLimits, JointTargets, RobotReport
from leg_kinematics.errors import BoardError, CommandError, LegKinematicsError
from leg_kinematics.parameters import number
from leg_kinematics.robot import Robot, Vector
from leg_kinematics.solver import position_ranges

EMERGENCY_STOP_IS_ON = (
    'the emergency stop is on; everybody who switched it on sends false on emergency_stop when the '
    'robot lies or hangs safely'
)

#: How long a release waits for its boards before it is answered, s.
PATIENCE = 0.1

#: While a board owes an answer to a pose for longer, the joints come to rest on their path: it may
#: be taking none of them, s.
LATE = 0.05


@dataclass(frozen=True, slots=True)
class DrivingParameters:
    """How the joints are driven."""

    speed_share: float = number(
        0.9, '', 0.05, 1.0, 'Share of the no-load servo speed that a joint may use'
    )
    joint_acceleration: float = number(
        300.0, 'rad/s^2', 1.0, 10000.0, 'Highest acceleration of a joint'
    )
    catch_up_speed: float = number(
        1.0, 'rad/s', 0.05, 10.0, 'Joint speed, relative to the stream, at which a pause is made up'
    )
    enable_interval: float = number(0.3, 's', 0.0, 10.0, 'Time from leg to leg at start-up')


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
    emergency_stop
        Whether one is on; changed by `set_emergency_stop` alone.
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
        self._outputs = ServoOutputs(maps)
        self._resting = tuple(angle for angles in resting for angle in angles)
        self.limits = JointLimits(
            robot.joints,
            tuple(
                parameters.speed_share * link.servo.speed
                for leg in robot.legs
                for link in leg.links
            ),
            parameters.joint_acceleration,
        )
        self._following = Following(
            self._resting, self.limits, parameters.catch_up_speed, self._outputs.ranges
        )
        names = iter(self._outputs.names)
        legs = [[next(names) for _ in leg.joints] for leg in robot.legs]
        self._enabling = Enabling(legs, parameters.enable_interval)
        self._boards = boards
        self._session = session
        self._power = Power()
        self.emergency_stop = False
        self.active = False
        self._configured = False
        # Whether the boards are kept open only until they have confirmed a release.
        self._retiring = False
        self._taken_over = False
        self._blocked = ''
        self._status = BoardsStatus({})
        self._let_go = 0
        self._supply = Supply()
        self._supply_gone = False
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
        return self._following.positions

    @property
    def velocities(self) -> tuple[float, ...]:
        """How fast the joints shall move now, in the order of the robot, rad/s."""
        return self._following.velocities

    @property
    def status(self) -> BoardsStatus:
        """What the last step knew of the boards."""
        return self._status

    @property
    def located(self) -> bool:
        """Tell whether it is known where the joints are: once legs get their pulses."""
        enabling = self.state is PowerState.ENABLING and self._enabling.begun > 0
        return enabling or self.state in {PowerState.FOLLOWING, PowerState.HOLDING}

    def report(self) -> RobotReport:
        """Tell what the robot does."""
        return RobotReport(
            self.state,
            self._session,
            self._power.losses,
            self._following.stamp,
            self._following.lag,
        )

    def condition(self) -> Condition:
        """Say how the bridge is."""
        return condition_of(self.situation())

    def situation(self) -> DrivingSituation:
        """Tell all that can be put into words."""
        return DrivingSituation(
            state=self.state,
            reason=self._power.reason,
            status=self._status,
            configured=self._configured,
            active=self.active,
            taken_over=self._taken_over,
            blocked=self._blocked,
            refusal=self._refusal,
            supply_gone=self._supply_gone,
            begun=self._enabling.begun,
            legs=self._enabling.count,
            lag=self._following.lag,
            cut_off=self._following.cut_off,
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
        return Answer(success=True, words=release_in_words(self._status))

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
            return Answer(success=False, words=missing_boards(self._status))
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
        return self._release('a release was ordered')

    def set_emergency_stop(self, *, on: bool) -> Answer:
        """Release as soon as an emergency stop is on, and refuse to rearm until it is off.

        That it is off gives no power to anything. What is told again changes nothing.
        """
        if on == self.emergency_stop:
            return Answer(
                success=True, words=f'the emergency stop is {"on" if on else "off"} already'
            )
        self.emergency_stop = on
        if not on:
            return Answer(
                success=True,
                words='the emergency stop is off; the pulses stay off until bridge/rearm',
            )
        answer = self._release('the emergency stop was switched on')
        return Answer(answer.success, f'the emergency stop is on: {answer.words}')

    def _release(self, reason: str) -> Answer:
        self._happen(Event.RELEASE, reason)
        if not self._configured:
            self._retiring = True
            self._boards.open()
        self._boards.release(PATIENCE)
        self._status = self._boards.status()
        self._blocked = ''
        confirmed = all(link.release_confirmed for link in self._status.links.values())
        return Answer(success=confirmed, words=release_in_words(self._status))

    def rearm(self) -> Answer:
        """End a release, and give the legs their pulses again, one after another, at rest."""
        refusal = (
            (EMERGENCY_STOP_IS_ON if self.emergency_stop else '')
            or self._power.refusal(Event.REARM)
            or refusal_to_rearm(self.situation())
        )
        if refusal:
            return Answer(success=False, words=f'not rearmed: {refusal}')
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

        Joints that are not named come to rest where they are, and stay there.

        Parameters
        ----------
        targets
            Of all joints, or of some.
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
            They are not of the joints that they name, name unknown ones or one twice, or go on
            from before a loss of power as if nothing were.

        """
        trajectory, named = targets.trajectory, targets.joints
        if named is not None:
            check_names('joint targets', named, self.limits.joints)
        joints = self.limits.joints if named is None else named
        if len(trajectory.positions[0]) != len(joints):
            raise CommandError(
                f'joint targets need {len(joints)} joints, got {len(trajectory.positions[0])}'
            )
        # Between the points the cubics can go beyond them.
        self._outputs.check(joints, position_ranges(trajectory))
        self._following.hear(received)
        if self.state is PowerState.FOLLOWING:
            self._following.take(targets, received, at_once=at_once)
        self._refusal = ''

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
        waits = any((link.board.waiting or 0.0) > LATE for link in self._status.links.values())
        positions = self._following.step(now, waits=waits)
        if self.state is PowerState.RELEASED or not self._taken_over or self._blocked:
            return
        pulses = self._outputs.pulses(positions, self._following.stamp)
        self._boards.set_pulses(pulses, self._status)
        if self.state is PowerState.ENABLING:
            self._boards.enable(self._enabling.next_leg(now, self._status.enabled))

    def _look(self, now: float) -> None:
        """See what has happened to the boards, and apply it to the power state."""
        status = self._status
        if not self._taken_over:
            if self._configured and status.found:
                self._take_over(status.found_again)
            return
        if status.let_go != self._let_go:
            self._let_go = status.let_go
            self._lose('pulses went off: a board restarted or released them', status)
        self._supply_gone = self._supply.gone(status, now)
        if self._supply_gone:
            self._lose('the supply of the servos is gone', BoardsStatus({}))
        if status.lost:
            self._happen(Event.LINE_LOST)
        elif self.state is PowerState.LOST:
            self._find_again(status.found_again)
            self._happen(Event.LINE_BACK)
        self._follow_if_all_on()

    def _follow_if_all_on(self) -> None:
        """Follow what is sent, once the bridge is active and every leg has its pulses."""
        if self.state is PowerState.FOLLOWING:
            return
        enabling = self._enabling
        legs = enabling.begun == enabling.count or self.state is PowerState.HOLDING
        on = self._status.enabled.issuperset(self._outputs.names)
        if self.active and not self._blocked and legs and on:
            self._happen(Event.ALL_ON)

    def _lose(self, reason: str, status: BoardsStatus) -> None:
        self._happen(Event.SOME_OFF if status.enabled else Event.ALL_OFF, reason)

    def _happen(self, event: Event, reason: str = '') -> bool:
        """Apply an event to the power state, with all that follows from it."""
        before = self.state
        if not self._power.happen(event, reason):
            return False
        if event in LOSSES:
            self._following.lose()
        if before is PowerState.FOLLOWING and self.state is not PowerState.FOLLOWING:
            self._following.hold()
        if self.state is PowerState.RELEASED:
            self._enabling.restart()
            self._following.stamp = None
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
        ours, stamp = self._outputs.sent_as(found)
        self._place(found, stamp)
        if not ours:
            self._happen(Event.MOVED, 'servos were found where this bridge had not sent them')

    def _place(self, found: Mapping[Output, float], stamp: int | None = None) -> None:
        """Take the joints to be where the boards say, and otherwise at rest or where we were."""
        on = self._status.enabled
        otherwise = [
            angle if output in on else resting
            for output, angle, resting in zip(
                self._outputs.names, self.positions, self._resting, strict=True
            )
        ]
        angles, beyond = self._outputs.angles(found, otherwise)
        self._blocked = pulses_beyond_maps(beyond) if beyond else ''
        self._following.place(angles, stamp)

    def _begin_enabling(self) -> None:
        self._place({})
        self._enabling.restart()
