# Copyright 2026 The leg_kinematics authors
# SPDX-License-Identifier: Apache-2.0
"""Walking from a body velocity: every tick, where the feet shall be.

The feet live in the world. A standing foot has a place there; the body moves over it by the
exact SE(2) motion of its twist, and the foot's target in `base_link` is that place seen from the
body. A swinging foot goes to a footprint from which it will pass its neutral point at mid
stance, leaving and landing at rest in the world, which is the stance velocity seen from the body.
"""

from collections.abc import Sequence
from dataclasses import dataclass
from enum import StrEnum
from math import hypot

from leg_kinematics.errors import CommandError
from leg_kinematics.gait.body_offset import LEVEL, BodyOffset, Offset
from leg_kinematics.gait.foot import Foot, Swing
from leg_kinematics.gait.limits import (
    Limited,
    limit_speed,
    limit_stride,
    ramp,
    swing_overshoot,
)
from leg_kinematics.gait.phases import BOUNDARY_TOLERANCE, Cycle, touchdown_phases
from leg_kinematics.gait.planar import Point, Pose, Twist
from leg_kinematics.gait.workspace import stride_radii
from leg_kinematics.robot import Robot, Vector
from leg_kinematics.solver import LegSolver, State, minimum_jerk, posture_angles

#: A foot closer to its neutral point than this need not step when the robot stops, m.
SETTLED = 1e-3

#: A foot that cannot go this far from its neutral point cannot walk, m.
SMALLEST_STRIDE = 5e-3

#: A foot higher above the lowest one than this is taken to be in the air at the start, m.
AIRBORNE = 2e-3

#: The clock starts just before the first liftoff.
START_PHASE = -1e-6

#: Share of the disc that a walk may use; the rest is for what happens between two ticks.
USABLE_SHARE = 0.95

HALVINGS = 12


class GaitState(StrEnum):
    """What the gait is doing."""

    RESTING = 'resting'
    STANDING_UP = 'standing_up'
    STANDING = 'standing'
    WALKING = 'walking'
    CROUCHING = 'crouching'


@dataclass(frozen=True)
class GaitParameters:
    """How to walk.

    Attributes
    ----------
    period
        Of one cycle, s.
    duty_factor
        Share of the cycle in which a leg stands: 1/2 tripod, 2/3 tetrapod, 5/6 wave.
    lift
        Height of a swing, m.
    max_speed, max_yaw_rate
        Bounds of the body velocity, m/s and rad/s.
    acceleration, yaw_acceleration
        Bounds of its change, m/s^2 and rad/s^2.
    rise_time
        Of standing up and of crouching, s.
    body_speed, body_rate
        Peak speed of the body over its feet, m/s and rad/s, on the way to another body pose.

    """

    period: float = 1.0
    duty_factor: float = 0.5
    lift: float = 0.030
    max_speed: float = 0.12
    max_yaw_rate: float = 0.6
    acceleration: float = 0.15
    yaw_acceleration: float = 0.8
    rise_time: float = 2.0
    body_speed: float = 0.05
    body_rate: float = 0.4


@dataclass(frozen=True, slots=True)
class GaitSample:
    """The outcome of one tick.

    Attributes
    ----------
    feet
        Targets in `base_link`, m, one a leg.
    velocities
        Of the targets in `base_link`, m/s.
    standing
        Whether each foot is on the ground.
    pose
        Of the body in `odom`.
    twist
        The limited body velocity of this tick.
    height, height_rate
        Of the level body above the ground, m, and its change, m/s.
    state
        What the gait is doing.
    limit
        The limit that bound the velocity, with its value; empty when none did.
    offset, offset_rate
        Pose of `base_link` in the level body that `pose` and `height` tell of, and its change.

    """

    feet: tuple[Vector, ...]
    velocities: tuple[Vector, ...]
    standing: tuple[bool, ...]
    pose: Pose
    twist: Twist
    height: float
    state: GaitState
    limit: str
    height_rate: float = 0.0
    offset: Offset = LEVEL
    offset_rate: Offset = LEVEL


class Walker:
    """The gait of one robot, advanced tick by tick.

    Parameters
    ----------
    robot
        The description.
    legs
        Its solvers, with the ranges of the servo maps if those shall bind.
    parameters
        How to walk.
    feet
        Where the feet are now, in `base_link`, m. The lowest of them stand on the ground.

    Raises
    ------
    DescriptionError
        The standing or the resting posture cannot be taken.
    CommandError
        Not one foot a leg, or a duty factor out of range.

    """

    def __init__(
        self,
        robot: Robot,
        legs: Sequence[LegSolver],
        parameters: GaitParameters,
        feet: Sequence[Vector],
    ) -> None:
        """Take over from the feet as they are."""
        if len(feet) != len(legs):
            message = f'a walk of {robot.name} needs {len(legs)} feet, got {len(feet)}'
            raise CommandError(message)
        for posture in ('resting', 'standing'):
            posture_angles(robot, tuple(legs), posture)
        self._parameters = parameters
        self._names = robot.leg_names
        self._heights = {
            GaitState.RESTING: robot.resting.height,
            GaitState.STANDING: robot.standing.height,
        }
        self._neutral: tuple[Point, ...] = tuple((x, y) for x, y, _ in robot.standing.feet)
        self._cycle = Cycle(
            parameters.period,
            parameters.duty_factor,
            touchdown_phases(robot, parameters.duty_factor),
        )
        self._legs = tuple(legs)
        self._standing = robot.standing.feet
        self._radii = self._radii_at(LEVEL)
        self._pose = Pose()
        self._twist = Twist()
        ground = min(z for _, _, z in feet)
        self._height = State(-ground)
        self._rise_remaining = parameters.rise_time
        self._feet = [Foot(State(x), State(y)) for x, y, _ in feet]
        for foot, (_, _, z) in zip(self._feet, feet, strict=True):
            foot.z = State(z - ground)
            if z - ground > AIRBORNE:
                foot.lift_off(self._cycle.swing_time, 0.0)
        self._offset = BodyOffset(parameters.body_speed, parameters.body_rate)
        self._phase: float | None = None
        self._state = GaitState.RESTING

    @property
    def neutral(self) -> tuple[Point, ...]:
        """Where each foot passes at mid stance, in `base_link`, m."""
        return self._neutral

    @property
    def radii(self) -> tuple[float, ...]:
        """How far each foot may stand from its neutral point, m."""
        return self._radii

    @property
    def state(self) -> GaitState:
        """What the gait is doing."""
        if self._state is GaitState.STANDING and (self._phase is not None or self._twist):
            return GaitState.WALKING
        return self._state

    def pose_body(self, offset: Offset) -> None:
        """Go to another pose of the body over its feet; obeyed only while standing or walking.

        Raises
        ------
        CommandError
            The pose is not finite, a foot could not walk in it, or the robot does not stand;
            nothing has changed then.

        """
        if not offset.finite:
            raise CommandError(f'a body pose must be finite, got {offset}')
        if self._state is not GaitState.STANDING:
            raise CommandError(f'the body can be posed while standing, not while {self._state}')
        if offset == self._offset.goal:
            return
        radii = self._radii_at(offset)
        if min(radii) < SMALLEST_STRIDE:
            leg = self._names[radii.index(min(radii))]
            raise CommandError(f'the body cannot be posed so: {leg} could not take a step')
        if self._limit_stride(self._twist, radii).reason:
            raise CommandError('the body cannot be posed so at this speed; slow down first')
        self._radii = radii
        self._offset.aim(offset)

    def _radii_at(self, offset: Offset) -> tuple[float, ...]:
        """How far each foot may stand from its neutral point with the body so posed, m."""
        discs = stride_radii(self._legs, self._standing, self._parameters.lift, offset)
        share = USABLE_SHARE / swing_overshoot(self._parameters.duty_factor)
        return tuple(share * radius for radius in discs)

    def _limit_stride(self, twist: Twist, radii: Sequence[float]) -> Limited:
        return limit_stride(twist, self._neutral, radii, self._names, self._cycle.stance_time)

    def stand(self) -> None:
        """Stand up from wherever the robot is: feet to their places first, then the body."""
        if self._state is not GaitState.STANDING:
            self._start_rise(GaitState.STANDING_UP)

    def crouch(self) -> None:
        """Stop, put the feet in their places, then lower the body to the resting height.

        Just started, the robot may be resting on its feet at any height: it crouches then as well.
        """
        self._start_rise(GaitState.CROUCHING)

    def _start_rise(self, state: GaitState) -> None:
        if self._state is not state:
            self._rise_remaining = self._parameters.rise_time
        self._state = state

    def step(self, dt: float, command: Twist) -> GaitSample:
        """Advance by one tick.

        Parameters
        ----------
        dt
            Length of the tick, s.
        command
            Body velocity asked for; obeyed only while standing or walking.

        Returns
        -------
        GaitSample
            Where the feet shall be at the end of the tick.

        Raises
        ------
        CommandError
            The command is not finite; nothing has changed then.

        """
        if not command.finite:
            message = f'a body velocity must be finite, got {command}'
            raise CommandError(message)
        limited = self._next_twist(dt, command)
        self._twist = limited.twist
        self._pose = self._pose * self._twist.over(dt)
        if self._state is not GaitState.STANDING and self._offset.goal != LEVEL:
            self._offset.aim(LEVEL)
            self._radii = self._radii_at(LEVEL)
        self._offset.step(dt)
        if self._state is not GaitState.RESTING:
            self._move_feet(dt, bool(command) and self._state is GaitState.STANDING)
            self._move_body(dt)
        return self._sample(limited.reason)

    def _next_twist(self, dt: float, command: Twist) -> Limited:
        parameters = self._parameters
        wanted = command if self._state is GaitState.STANDING else Twist()
        fast = limit_speed(wanted, parameters.max_speed, parameters.max_yaw_rate)
        slow = self._limit_stride(fast.twist, self._radii)
        fraction = ramp(
            self._twist, slow.twist, parameters.acceleration, parameters.yaw_acceleration, dt
        )
        reason = slow.reason or fast.reason
        ahead = self._footprints_ahead()
        reached = self._twist.towards(slow.twist, fraction)
        if self._keeps_in_reach(reached, ahead):
            return Limited(reached, reason)
        if not self._keeps_in_reach(self._twist, ahead):
            brake = ramp(
                self._twist, Twist(), parameters.acceleration, parameters.yaw_acceleration, dt
            )
            return Limited(self._twist.towards(Twist(), brake), 'reach of a standing foot: braking')
        low, high = 0.0, fraction
        for _ in range(HALVINGS):
            middle = 0.5 * (low + high)
            if self._keeps_in_reach(self._twist.towards(slow.twist, middle), ahead):
                low = middle
            else:
                high = middle
        return Limited(self._twist.towards(slow.twist, low), reason or 'reach of a standing foot')

    def _footprints_ahead(self) -> list[tuple[int, Point, float]]:
        """Leg, footprint in the body's frame and time until it is left, where that is settled."""
        phase = START_PHASE if self._phase is None else self._phase
        return [
            (leg, self._pose.locate(foot.footprint), self._cycle.until_liftoff(leg, phase))
            for leg, foot in enumerate(self._feet)
            if foot.swing is None or foot.swing.goal_is_fixed
        ]

    def _keeps_in_reach(self, twist: Twist, ahead: Sequence[tuple[int, Point, float]]) -> bool:
        for leg, place, time in ahead:
            neutral = self._neutral[leg]
            now = hypot(place[0] - neutral[0], place[1] - neutral[1])
            then = twist.over(time).locate(place)
            distance = hypot(then[0] - neutral[0], then[1] - neutral[1])
            if distance > max(now, self._radii[leg]):
                return False
        return True

    def _settled(self, leg: int) -> bool:
        foot, neutral = self._feet[leg], self._neutral[leg]
        place = self._pose.locate(foot.footprint)
        distance = hypot(place[0] - neutral[0], place[1] - neutral[1])
        return foot.swing is None and distance < SETTLED

    def _move_feet(self, dt: float, asked: bool) -> None:  # noqa: FBT001
        moving = asked or bool(self._twist)
        airborne = any(foot.swing is not None for foot in self._feet)
        if not moving and all(self._settled(leg) for leg in range(len(self._feet))):
            self._phase = None
            return
        before = self._phase
        if before is None and (moving or not airborne):
            before = START_PHASE
        if before is not None:
            self._phase = before + dt / self._cycle.period
        for leg, foot in enumerate(self._feet):
            if foot.swing is not None:
                self._aim(leg, foot.swing, dt)
                foot.advance(foot.swing, dt, BOUNDARY_TOLERANCE * self._cycle.period)
            if foot.swing is None and before is not None and (moving or not self._settled(leg)):
                self._lift_when_due(leg, foot, before, before + dt / self._cycle.period)
        if self._phase is not None:
            self._phase %= 1.0

    def _aim(self, leg: int, swing: Swing, dt: float) -> None:
        """Let the landing point follow the command, as long as it may.

        The pose is that of the end of the tick, the swing still that of dt seconds before.
        """
        if swing.goal_is_fixed:
            return
        ahead = swing.remaining - dt + 0.5 * self._cycle.stance_time
        swing.goal = (self._pose * self._twist.over(ahead)).place(self._neutral[leg])

    def _lift_when_due(self, leg: int, foot: Foot, before: float, after: float) -> None:
        """Lift the foot when its turn to swing came within this tick, at the instant it came."""
        cycle = self._cycle
        if cycle.swinging(leg, before) or not cycle.swinging(leg, after):
            return
        late = max(0.0, (cycle.since_touchdown(leg, after) - cycle.duty_factor) * cycle.period)
        swing = foot.lift_off(cycle.swing_time, self._parameters.lift)
        self._aim(leg, swing, late)
        foot.advance(swing, late, BOUNDARY_TOLERANCE * cycle.period)

    def _move_body(self, dt: float) -> None:
        """Raise or lower the body once the feet are in their places."""
        if self._state not in {GaitState.STANDING_UP, GaitState.CROUCHING}:
            return
        if (
            self._twist
            or self._phase is not None
            or not self._offset.level
            or any(foot.swing for foot in self._feet)
        ):
            return
        end = GaitState.STANDING if self._state is GaitState.STANDING_UP else GaitState.RESTING
        self._height = minimum_jerk(self._height, self._heights[end], self._rise_remaining, dt)
        self._rise_remaining -= dt
        if self._rise_remaining <= 0.0:
            self._state = end

    def _sample(self, limit: str) -> GaitSample:
        feet, velocities = [], []
        twist = self._twist
        for foot in self._feet:
            x, y = self._pose.locate((foot.x.position, foot.y.position))
            u, v = self._pose.turn_back((foot.x.velocity, foot.y.velocity))
            body_u, body_v = twist.at((x, y))
            place, velocity = self._offset.see(
                (x, y, foot.z.position - self._height.position),
                (u - body_u, v - body_v, foot.z.velocity - self._height.velocity),
            )
            feet.append(place)
            velocities.append(velocity)
        return GaitSample(
            tuple(feet),
            tuple(velocities),
            tuple(foot.swing is None for foot in self._feet),
            self._pose,
            twist,
            self._height.position,
            self.state,
            limit,
            self._height.velocity,
            self._offset.now,
            self._offset.rate,
        )
