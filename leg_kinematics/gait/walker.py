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

from leg_kinematics.errors import CommandError
from leg_kinematics.gait.body import LEVEL, BodyState, Offset, Point, Pose, Twist, seen_from
from leg_kinematics.gait.envelope import Envelope, Envelopes, projected
from leg_kinematics.gait.foot import Carried
from leg_kinematics.gait.pace import Limited, Pace
from leg_kinematics.gait.parameters import GaitParameters
from leg_kinematics.gait.phases import Clock, walking_phases
from leg_kinematics.gait.posing import Posing
from leg_kinematics.gait.stepping import Stepping
from leg_kinematics.robot import Robot, Vector
from leg_kinematics.solver import LegSolver, posture_angles, static_margin


class GaitState(StrEnum):
    """What the gait is doing."""

    RESTING = 'resting'
    STANDING_UP = 'standing_up'
    STANDING = 'standing'
    WALKING = 'walking'
    CROUCHING = 'crouching'


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
        Of the level body above z = 0 of `odom`, m, and its change, m/s.
    state
        What the gait is doing.
    limit
        The limit that bound the velocity, with its value; empty when none did.
    offset, offset_rate
        Pose of `base_link` in the level body that `pose` and `height` tell of, and its change.
    margin
        Static margin of the feet that stand on ground: how far the projection of the centre of
        mass, as the standing posture has it, is inside their polygon, m; negative outside.
    phase
        Share of the cycle that has passed, in [0, 1); None when no leg takes its turn.
    duty_factor
        Share of the cycle in which a leg stands.
    missed
        Whether each foot looked for the ground in vain and has not felt it since.

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
    margin: float = 0.0
    phase: float | None = None
    duty_factor: float = 1.0
    missed: tuple[bool, ...] = ()


class Walker:
    """Walks a robot, tick by tick.

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
    CannotWalkError
        The robot lacks what a walk needs.
    CommandError
        Not one foot a leg, or parameters that contradict each other or do not suit the robot.

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
            raise CommandError(f'a walk of {robot.name} needs {len(legs)} feet, got {len(feet)}')
        for posture in ('resting', 'standing'):
            posture_angles(robot, tuple(legs), posture)
        parameters.check()
        phases = walking_phases(robot, parameters.phases, parameters.min_margin)
        self._parameters = parameters
        self._heights = {
            GaitState.RESTING: robot.resting.height,
            GaitState.STANDING: robot.standing.height,
        }
        self._clock = Clock(phases, parameters.swing_time, parameters.largest_duty_factor)
        self._envelopes = Envelopes(robot, legs, parameters, phases)
        self._envelopes.check_carried()
        self._pace = Pace(robot.leg_names, parameters, phases, self._envelopes)
        ground = min(z for _, _, z in feet)
        self._posing = Posing(robot.leg_names, parameters, self._envelopes, -ground)
        above = [(x, y, z - ground) for x, y, z in feet]
        self._stepping = Stepping(tuple(legs), parameters, phases.walking, self._envelopes, above)
        self._pose = Pose()
        self._twist = Twist()
        self._state = GaitState.RESTING

    @property
    def neutral(self) -> tuple[Point, ...]:
        """Where each foot passes at mid stance, in `base_link`, m."""
        return self._envelopes.neutral

    @property
    def radii(self) -> tuple[float, ...]:
        """How far each foot may stand from its neutral point, m."""
        return self._envelope.radii

    @property
    def hindrance(self) -> str:
        """Why no foot can step in the present pose, whatever velocity is asked for; else empty."""
        return self._pace.within_bounds(Twist(), self._envelope).reason

    @property
    def state(self) -> GaitState:
        """What the gait is doing."""
        if self._state is GaitState.STANDING and (self._clock.running or self._twist):
            return GaitState.WALKING
        return self._state

    def set_duty_factor(self, duty_factor: float) -> None:
        """Walk with another duty factor, at every speed; on the way the feet keep their turns.

        Raises
        ------
        CommandError
            It is outside [1/2, 1), the phases are declared for another one, or the walk would not
            keep its least margin; nothing has changed then.

        """
        self._pace.keep_duty_factor(duty_factor, self._clock, self._posing.way)

    def touch(self, leg: int, touching: bool) -> None:  # noqa: FBT001
        """Tell whether a foot touches the ground; of use only with the parameter `contacts`.

        A foot that touches while it comes down stands there. One that is where the ground should
        be and does not touch seeks it straight down, while the robot comes to a stop. Where it
        finds none, no weight is put on it: it goes back to its place, and the robot walks on only
        when it feels the ground.

        Raises
        ------
        CommandError
            There is no such leg.

        """
        if not 0 <= leg < len(self._stepping.feet):
            raise CommandError(
                f'there is no leg {leg}; they are 0 to {len(self._stepping.feet) - 1}'
            )
        self._stepping.feet[leg].feel(touching=touching)

    def offset_body(self, offset: Offset) -> None:
        """Go to another pose of the body over its feet; obeyed only while standing or walking.

        The robot slows down, and first puts its feet where the pose lets them walk.

        Raises
        ------
        CommandError
            The pose is not finite, a foot could not walk in it or is out of reach on the way, the
            walk would not keep its least margin, or the robot does not stand; nothing has changed
            then.

        """
        if not offset.finite:
            raise CommandError(f'a body offset must be finite, got {offset}')
        if self._state is not GaitState.STANDING:
            raise CommandError(f'the body can be posed while standing, not while {self._state}')
        if offset != self._posing.goal:
            self._posing.order(offset, self._clock)

    def stand(self) -> None:
        """Stand up from wherever the robot is: feet to their places first, then the body."""
        if self._state is not GaitState.STANDING:
            self._state = GaitState.STANDING_UP

    def crouch(self) -> None:
        """Stop, put the feet in their places, then lower the body to the resting height.

        Just started, the robot may be resting on its feet at any height: it crouches then as well.
        """
        self._state = GaitState.CROUCHING

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
            raise CommandError(f'a body velocity must be finite, got {command}')
        wanted = self._wanted(command)
        limited = self._next_twist(dt, wanted)
        self._twist = limited.twist
        self._pose = self._pose * self._twist.over(dt)
        self._go_on_posing(dt)
        if self._state is not GaitState.RESTING:
            height, offset = self._posing.height.position, self._posing.offset
            body = BodyState(self._pose, self._twist, height, offset)
            moving = bool(wanted.twist or self._twist)
            self._stepping.step(dt, body, self._clock, moving=moving)
            self._raise_or_lower(dt)
        return self._sample(limited.reason)

    @property
    def _envelope(self) -> Envelope:
        """What the walk may ask of the legs now."""
        return self._posing.envelope(self._clock)

    def _wanted(self, command: Twist) -> Limited:
        """Return the command that is obeyed, within the bounds of speed, and what bound it."""
        if self._state is not GaitState.STANDING or not command:
            return Limited(Twist())
        if self._stepping.seeking:
            return Limited(Twist(), 'a foot seeks the ground')
        if self._stepping.astray:
            return Limited(Twist(), 'a foot found no ground: put some under it, or move the robot')
        return self._pace.within_bounds(command, self._envelope)

    def _next_twist(self, dt: float, wanted: Limited) -> Limited:
        """Choose the duty factor for what is wanted, and the twist on the way there."""
        clock, pace = self._clock, self._pace
        clock.aim(pace.duty_factor(wanted.twist, clock, self._posing.way))
        envelope = self._envelope
        target = pace.steady(wanted, envelope, max(clock.cycle.duty_factor, clock.goal))
        stances = self._stepping.stances(self._pose, clock, envelope.radii, target.twist)
        return pace.next_twist(self._twist, target, stances, dt)

    def _go_on_posing(self, dt: float) -> None:
        """Go on towards the body offset that is due, once all feet are where it wants them."""
        posing = self._posing
        if self._state is not GaitState.STANDING and posing.goal != LEVEL:
            posing.level_out()
        if posing.waits and self._stepping.all_within(self._envelope.radii, self._pose):
            posing.set_out(self._envelope)
        posing.step(dt)

    def _raise_or_lower(self, dt: float) -> None:
        """Follow the ground; raise or lower the body once the feet are in their places."""
        self._posing.follow(self._stepping.ground, dt)
        if self._state not in {GaitState.STANDING_UP, GaitState.CROUCHING}:
            return
        if (
            self._twist
            or self._clock.running
            or not self._posing.level
            or not self._stepping.all_in_place(self._pose)
        ):
            return
        end = GaitState.STANDING if self._state is GaitState.STANDING_UP else GaitState.RESTING
        if self._posing.go_to_height(self._heights[end], dt):
            self._state = end

    def _sample(self, limit: str) -> GaitSample:
        posing, clock, stepping = self._posing, self._clock, self._stepping
        height, off_level = posing.height, posing.off_level
        seen = seen_from(self._pose, self._twist)
        feet, velocities = [], []
        support: list[Point] = []
        for leg, foot in enumerate(stepping.feet):
            motion = foot.motion
            if isinstance(motion, Carried):
                # At rest in the body.
                (x, y), (u, v) = self.neutral[leg], (0.0, 0.0)
                z = self._parameters.carry_height - posing.rise.position
                w = -posing.rise.velocity
            else:
                (x, y), (u, v) = seen(motion.place, motion.velocity)
                z, w = motion.z.position - height.position, motion.z.velocity - height.velocity
            if foot.stands and not foot.missed:
                support.append((x, y))
            place, velocity = (x, y, z), (u, v, w)
            if off_level:
                place, velocity = posing.see(place, velocity)
            feet.append(place)
            velocities.append(velocity)
        return GaitSample(
            feet=tuple(feet),
            velocities=tuple(velocities),
            standing=tuple(foot.stands for foot in stepping.feet),
            pose=self._pose,
            twist=self._twist,
            height=height.position,
            state=self.state,
            limit=limit,
            height_rate=height.velocity,
            offset=posing.offset,
            offset_rate=posing.rate,
            margin=static_margin(support, projected(self._envelopes.centre, posing.offset)),
            phase=clock.phase % 1.0 if clock.running else None,
            duty_factor=clock.cycle.duty_factor,
            missed=tuple(foot.missed for foot in stepping.feet),
        )
