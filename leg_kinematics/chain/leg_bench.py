# Copyright 2026 The leg_kinematics authors
# SPDX-License-Identifier: Apache-2.0
"""Legs on the bench, moved by joint angles: the robot stands on a block, its feet are measured.

Who has power is the state machine of `power.py`, in `Driving`. What is ordered becomes a plan
before anything moves, from rest to rest, and is followed whole, or until it is stopped. Whatever
takes power or a line away ends it, and then only a person's word (`power`) moves the legs again.
"""

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from itertools import pairwise

from leg_kinematics.board import Boards, BoardsStatus, Output
from leg_kinematics.calibration.foot_readings import LegStand
from leg_kinematics.chain.calibrated_robot import CalibratedRobot
from leg_kinematics.chain.driving import LATE, Driving, DrivingParameters
from leg_kinematics.chain.driving_words import (
    DrivingSituation,
    left_in_words,
    missing_boards,
    release_in_words,
)
from leg_kinematics.chain.outputs import output_of
from leg_kinematics.chain.power import PowerState
from leg_kinematics.chain.solving import check_names
from leg_kinematics.chain.values import Answer, Condition, JointTargets, Level
from leg_kinematics.errors import CommandError, LegKinematicsError
from leg_kinematics.solver import (
    PEAK_SPEED,
    State,
    Trajectory,
    minimum_jerk,
    peak_speeds,
    posture_angles,
)

#: How fast a joint is moved unless told otherwise, rad/s: some 30 degrees in a second.
SPEED = 0.5

#: Plans use this share of the speed: joints that a late board has kept waiting go a little faster
#: until they are in time again.
PLANNED_SHARE = 0.95

#: No move takes less time, s, so that short ones are gentle, too.
SHORTEST_MOVE = 0.4

#: From point to point of a plan, s.
POINT_EVERY = 0.05

#: A trajectory begins where the joints are within this, rad.
AT_START = 1e-6

#: Joints that have had the same pulses for so long are at rest, s.
AT_REST = 0.2

#: From which side a servo came is told once it has come so far from there, µs: slack and dead band
#: of cheap servos are less, some 20 µs together (common practice, no source).
SIDE_KNOWN_AFTER_US = 30.0


@dataclass
class _Course:
    """How the pulse of a servo has come where it is.

    Attributes
    ----------
    pulse_us
        Where it is.
    turned_us
        Where it last turned, or was first put out.

    """

    pulse_us: float
    turned_us: float

    def go_on(self, pulse_us: float) -> None:
        """Note the next pulse, µs."""
        if (pulse_us - self.pulse_us) * (self.pulse_us - self.turned_us) < 0.0:
            self.turned_us = self.pulse_us
        self.pulse_us = pulse_us

    @property
    def side(self) -> int:
        """1 where it rose to its value, -1 where it fell, 0 where that is not sure."""
        way = self.pulse_us - self.turned_us
        if abs(way) < SIDE_KNOWN_AFTER_US:
            return 0
        return 1 if way > 0.0 else -1


class DrivenLegs:
    """Moves legs slowly, by their joint angles, when a person asks for it.

    Parameters
    ----------
    calibrated
        The robot with its present maps.
    legs
        Those on the bench, by name; the others get no pulses.
    boards
        Of exactly the names that the maps of these legs use, with `pulse_limits` of these maps.
        Their reaction to silence is what becomes of powered servos if this program ends.
    speed
        How fast a joint is moved at most, rad/s.

    """

    def __init__(
        self,
        calibrated: CalibratedRobot,
        legs: Sequence[str],
        boards: Boards,
        *,
        speed: float = SPEED,
    ) -> None:
        """Open nothing yet."""
        self._robot = calibrated.robot.part(legs)
        self._maps = [calibrated.maps.by_joint[joint] for joint in self._robot.joints]
        solvers = tuple(each for each in calibrated.legs if each.name in self._robot.leg_names)
        self._boards = boards
        self._driving = Driving(
            self._robot,
            self._maps,
            posture_angles(self._robot, solvers, 'resting'),
            DrivingParameters(catch_up_speed=speed),
            boards,
            session=1,
        )
        self._paces = tuple(
            PLANNED_SHARE * min(speed, each) for each in self._driving.limits.speeds
        )
        self._closed = False
        self._now = 0.0
        self._goal: tuple[float, ...] | None = None
        self._courses: dict[Output, _Course] = {}
        self._changed_at = 0.0

    @property
    def _joints(self) -> tuple[str, ...]:
        return self._driving.limits.joints

    # ---- what is known

    @property
    def state(self) -> PowerState:
        """Who has power: `FOLLOWING` means that all legs have their pulses and obey."""
        return self._driving.state

    @property
    def status(self) -> BoardsStatus:
        """What the last step knew of the boards."""
        return self._driving.status

    @property
    def obeys(self) -> bool:
        """Whether all legs have their pulses and can be moved."""
        return not self._closed and self.state is PowerState.FOLLOWING

    @property
    def moving(self) -> bool:
        """Whether the joints are on their way, or coming to rest."""
        driving = self._driving
        under_way = self._goal is not None and driving.positions != self._goal
        return self.obeys and (under_way or any(driving.velocities))

    @property
    def busy(self) -> bool:
        """Whether what was ordered is still being done: powering, moving, or stopping."""
        powering = not self._closed and self.state is PowerState.ENABLING
        return powering or self.moving

    @property
    def angles(self) -> Mapping[str, float] | None:
        """Where the joints shall be now, rad by name; None while nobody knows where they are."""
        if not self._driving.located:
            return None
        return dict(zip(self._joints, self._driving.positions, strict=True))

    @property
    def speeds(self) -> Mapping[str, float]:
        """How fast a trajectory may be, rad/s by name of the joint."""
        return dict(zip(self._joints, self._paces, strict=True))

    @property
    def release_confirmed(self) -> bool:
        """Whether every board has confirmed the latest release."""
        links = self.status.links
        return bool(links) and all(link.release_confirmed for link in links.values())

    def stand(self, leg: str) -> LegStand | None:
        """Say at which pulses the servos of a leg rest, as their boards put them out.

        None while they move, and while it is not known that the boards put them out. That a board
        has restarted is known when it is asked next, which takes 0.2 s.
        """
        joints = self._robot.legs[self._robot.leg_names.index(leg)].joints
        courses = [
            self._courses.get(output_of(each)) for each in self._maps if each.joint in joints
        ]
        known = self.state in {PowerState.FOLLOWING, PowerState.HOLDING} and not self._owed
        still = self._now - self._changed_at >= AT_REST and not self.busy
        coxa, femur, tibia = courses
        if coxa is None or femur is None or tibia is None or not (known and still):
            return None
        return LegStand(
            leg,
            (coxa.pulse_us, femur.pulse_us, tibia.pulse_us),
            (coxa.side, femur.side, tibia.side),
        )

    @property
    def _owed(self) -> bool:
        """Whether a board is lost, or late with its answer to a pose."""
        return bool(self.status.lost) or any(
            (link.board.waiting or 0.0) > LATE for link in self.status.links.values()
        )

    def condition(self) -> Condition:
        """Say how the bench is."""
        situation = self._driving.situation()
        status = situation.status
        if situation.blocked:
            return Condition(Level.ERROR, 'blocked', situation.blocked)
        if situation.state is PowerState.RELEASED:
            return Condition(
                Level.WARN, 'released', f'{situation.reason}; {release_in_words(status)}'
            )
        if not situation.configured:
            return Condition(Level.OK, 'closed')
        if not situation.taken_over:
            return Condition(Level.WARN, 'waiting for boards', missing_boards(status))
        return _trouble(situation) or self._condition_of_legs(situation)

    def _condition_of_legs(self, situation: DrivingSituation) -> Condition:
        match situation.state:
            case PowerState.UNPOWERED:
                return Condition(Level.OK, 'no leg has pulses')
            case PowerState.ENABLING:
                return Condition(Level.OK, 'powering', f'{situation.begun} of {situation.legs}')
            case PowerState.HOLDING:
                why = f'{situation.reason}: ' if situation.reason else ''
                return Condition(Level.WARN, 'holding', f'{why}power the legs to go on, or release')
        return Condition(Level.OK, 'moving' if self.moving else 'at rest')

    # ---- orders

    def open(self) -> Answer:
        """Begin to look for the boards, and go on until they are found. Nothing gets pulses."""
        if self._closed:
            return Answer(success=False, words='this bench was closed, and is not opened again')
        return self._driving.configure()

    def close(self) -> Answer:
        """Let go of the boards as they are; says which legs keep their pulses, and for how long.

        The boards repeat nothing once they are closed: after a release that was not confirmed,
        step until `release_confirmed` and close then.
        """
        released = self.state is PowerState.RELEASED
        unheard = released and not self.release_confirmed
        words = release_in_words(self.status)
        on = self._legs_of(self._driving.shutdown())
        self._closed = True
        if unheard:
            return Answer(success=False, words=words)
        if not on:
            return Answer(success=True, words='no leg has pulses')
        return Answer(success=True, words=left_in_words(on, self._boards.silence))

    def _legs_of(self, outputs: Iterable[Output]) -> str:
        """Name the legs that outputs belong to."""
        on = frozenset(outputs)
        joints = {each.joint for each in self._maps if output_of(each) in on}
        return ', '.join(leg.name for leg in self._robot.legs if joints.intersection(leg.joints))

    def power(self) -> Answer:
        """Give the legs their pulses one after another, after every loss of power as well.

        A leg without pulses runs to its resting posture at full speed; one that has them stays
        where it is.
        """
        driving = self._driving
        if self.busy or self.obeys:
            return Answer(success=True, words='the legs get their pulses, or have them already')
        refusal = self._refusal_to_power()
        answer = Answer(success=not refusal, words=refusal)
        if answer.success:
            answer = driving.activate()
        if answer.success and self.state in {PowerState.RELEASED, PowerState.HOLDING}:
            answer = driving.rearm()
        if not answer.success:
            driving.deactivate()
            return Answer(
                success=False, words=f'not powered: {answer.words.removeprefix("not rearmed: ")}'
            )
        self._goal = None
        if self.state is PowerState.FOLLOWING:
            return Answer(success=True, words='the legs have their pulses, and stay where they are')
        return Answer(
            success=True,
            words='the legs get their pulses one after another, and run into the resting posture '
            'at full speed, from wherever they stand: keep hands away',
        )

    def _refusal_to_power(self) -> str:
        """Say why no leg gets pulses; empty where they may."""
        status = self.status
        if self._closed or not status.links:
            return 'no board is open'
        if not status.found:
            return missing_boards(status)
        if status.lost:
            return f'board {", ".join(status.lost)} cannot be reached'
        return ''

    def go(self, waypoints: Sequence[Mapping[str, float]]) -> Answer:
        """Move slowly from waypoint to waypoint, and rest at the last one.

        Parameters
        ----------
        waypoints
            Joint angles, rad by name of the joint. The joints rest at each of them for an instant,
            and those that one does not name stay where they were.

        """
        if refusal := self._refusal_to_move():
            return Answer(success=False, words=f'not moved: {refusal}')
        try:
            places = [self._driving.positions]
            for waypoint in waypoints:
                places.append(self._with(waypoint, places[-1]))
            return self._follow(self._joints, _rest_to_rest(places, self._paces))
        except LegKinematicsError as error:
            return Answer(success=False, words=f'not moved: {error}')

    def follow(self, joints: Sequence[str], trajectory: Trajectory) -> Answer:
        """Move along a trajectory that begins where the joints are, and rest at its end.

        Parameters
        ----------
        joints
            That it has columns for; the others stay where they are.
        trajectory
            From rest to rest, no faster than `speeds`.

        """
        if refusal := self._refusal_to_move():
            return Answer(success=False, words=f'not moved: {refusal}')
        try:
            self._check(joints, trajectory)
            return self._follow(joints, trajectory)
        except LegKinematicsError as error:
            return Answer(success=False, words=f'not moved: {error}')

    def _refusal_to_move(self) -> str:
        if not self.obeys:
            return str(self.condition())
        return 'the legs are still moving: wait, or stop them' if self.moving else ''

    def _check(self, joints: Sequence[str], trajectory: Trajectory) -> None:
        """Raise CommandError where a trajectory is none that a bench follows."""
        check_names('a trajectory', tuple(joints), self._joints)
        if len(trajectory.positions[0]) != len(joints):
            raise CommandError(
                f'a trajectory of {len(joints)} joints needs as many columns, got '
                f'{len(trajectory.positions[0])}'
            )
        now = dict(zip(self._joints, self._driving.positions, strict=True))
        for joint, first, peak in zip(
            joints, trajectory.positions[0], peak_speeds(trajectory), strict=True
        ):
            if abs(first - now[joint]) > AT_START:
                raise CommandError(
                    f'{joint} is at {now[joint]:.4f} rad, and the trajectory begins at '
                    f'{first:.4f} rad'
                )
            if peak > self.speeds[joint]:
                raise CommandError(
                    f'{joint} would move at {peak:.3f} rad/s, faster than the '
                    f'{self.speeds[joint]:.3f} rad/s of this bench: give it more time'
                )
        if any(trajectory.velocities[0]) or any(trajectory.velocities[-1]):
            raise CommandError('a trajectory on the bench begins and ends at rest')

    def _follow(self, joints: Sequence[str], trajectory: Trajectory) -> Answer:
        """Have a plan followed, whole; LegKinematicsError where it is refused."""
        last = dict(zip(joints, trajectory.positions[-1], strict=True))
        goal = self._with(last, self._driving.positions)
        self._driving.follow(JointTargets(0, trajectory, tuple(joints)), self._now, at_once=True)
        self._goal = goal
        if not trajectory.end:
            return Answer(success=True, words='the legs are there already')
        return Answer(success=True, words=f'the legs move for {trajectory.end:.1f} s')

    def _with(self, angles: Mapping[str, float], others: Sequence[float]) -> tuple[float, ...]:
        """Give angles by name of the joint a place among those of the others, rad."""
        check_names('a waypoint', tuple(angles), self._joints)
        pairs = zip(self._joints, others, strict=True)
        return tuple(angles.get(joint, other) for joint, other in pairs)

    def stop(self) -> Answer:
        """Come to rest at once, and stay there; what was planned is given up.

        While legs get their pulses, those that have none yet get none.
        """
        driving = self._driving
        self._goal = None
        obeyed = self.obeys
        driving.deactivate()
        if obeyed:
            # The word that powered the legs still holds: they follow what is ordered next.
            driving.activate()
        return Answer(success=True, words='the legs come to rest' if obeyed else 'nothing moves')

    def release(self) -> Answer:
        """Stop all pulses, in every state; tell how far that has come.

        It is repeated until every board has confirmed it, and while it has not, no leg gets pulses.
        """
        self._goal = None
        self._driving.active = False
        return self._driving.release()

    # ---- time

    def step(self, now: float) -> None:
        """Advance to an instant, s: see what became of the boards, and send the next pose.

        It is called all the time, while a person thinks as well: some 50 times a second, and no
        more seldom than a third of what the boards call silence.
        """
        self._now = now
        driving = self._driving
        driving.step(now)
        if driving.active and self.state not in {PowerState.ENABLING, PowerState.FOLLOWING}:
            # Power or a line was lost: what was ordered before that is over.
            driving.deactivate()
            self._goal = None
        self._note_pulses(now)

    def _note_pulses(self, now: float) -> None:
        """Note what the boards put out, and how it came to be that."""
        status = self.status
        for each, angle in zip(self._maps, self._driving.positions, strict=True):
            output = output_of(each)
            board, channel = output
            told = status.links[board].board.pose_us if board in status.links else {}
            pulse = told.get(channel, each.pulse_us(angle))
            course = self._courses.get(output)
            if output not in status.enabled:
                self._courses.pop(output, None)
            elif course is None:
                self._courses[output] = _Course(pulse, pulse)
                self._changed_at = now
            elif pulse != course.pulse_us:
                course.go_on(pulse)
                self._changed_at = now


def _trouble(bench: DrivingSituation) -> Condition | None:
    """Say what is wrong while legs have power."""
    status = bench.status
    if bench.state is PowerState.LOST:
        return Condition(
            Level.ERROR,
            f'lost board {", ".join(status.lost)}',
            'its servos may still have pulses: use the switch, or mend the line; trying to reopen',
        )
    if low := status.low_supplies:
        volts = [f'{supply:.1f} V' for supply in low.values() if supply is not None]
        return Condition(
            Level.WARN,
            f'low supply voltage of board {", ".join(low)}',
            '; '.join([*volts, 'release the legs, and charge the battery before going on']),
        )
    return None


def _rest_to_rest(places: Sequence[tuple[float, ...]], paces: Sequence[float]) -> Trajectory:
    """Plan the way from place to place, at rest in each of them for an instant.

    All joints leave together and arrive together, none faster than its pace.

    Parameters
    ----------
    places
        Joint angles, rad.
    paces
        Highest speed of each joint, rad/s.

    """
    still = (0.0,) * len(paces)
    times, positions, velocities = [0.0], [places[0]], [still]
    for start, goal in pairwise(places):
        if start == goal:
            continue
        ways = [abs(q - p) / pace for p, q, pace in zip(start, goal, paces, strict=True)]
        seconds = max(SHORTEST_MOVE, PEAK_SPEED * max(ways))
        count = max(2, round(seconds / POINT_EVERY))
        begun = times[-1]
        for number in range(1, count):
            time = seconds * number / count
            states = [
                minimum_jerk(State(p), q, seconds, time) for p, q in zip(start, goal, strict=True)
            ]
            times.append(begun + time)
            positions.append(tuple(each.position for each in states))
            velocities.append(tuple(each.velocity for each in states))
        times.append(begun + seconds)
        positions.append(goal)
        velocities.append(still)
    return Trajectory(tuple(times), tuple(positions), tuple(velocities))
