# Copyright 2026 The leg_kinematics authors
# SPDX-License-Identifier: Apache-2.0
"""Walking from a body velocity: every tick, where the feet shall be.

The feet live in the world. A standing foot has a place there; the body moves over it by the
exact SE(2) motion of its twist, and the foot's target in `base_link` is that place seen from the
body. A swinging foot goes to a footprint from which it will pass its neutral point at mid
stance, leaving and landing at rest in the world, which is the stance velocity seen from the body.
"""

from collections.abc import Sequence
from math import dist, hypot

from leg_kinematics.errors import CommandError
from leg_kinematics.gait.body import LEVEL, BodyState, Offset
from leg_kinematics.gait.envelope import Envelope, Envelopes, projected
from leg_kinematics.gait.foot import Carried
from leg_kinematics.gait.limits import Limited, Stance
from leg_kinematics.gait.pace import Pace
from leg_kinematics.gait.parameters import GaitParameters
from leg_kinematics.gait.phases import Clock, declared_phases, wave_phases
from leg_kinematics.gait.planar import Point, Pose, Twist, seen_from
from leg_kinematics.gait.posing import Posing
from leg_kinematics.gait.sample import GaitSample, GaitState
from leg_kinematics.gait.stepping import Stepping
from leg_kinematics.robot import Robot, Vector
from leg_kinematics.solver import LegSolver, posture_angles, static_margin

#: Of half the stride that is asked for: how far back the body may leave a foot before its first
#: step, which starts from the neutral point and not from half a stride in front of it.
FIRST_STEP = 0.9


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
        phases = (
            declared_phases(robot, parameters.phases) if parameters.phases else wave_phases(robot)
        )
        self._parameters = parameters
        self._heights = {
            GaitState.RESTING: robot.resting.height,
            GaitState.STANDING: robot.standing.height,
        }
        self._walking = [leg for leg, walks in enumerate(phases.walking) if walks]
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
        self._ticks = 0
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
        self._ticks += 1
        wanted = self._wanted(command)
        self._choose_duty_factor(wanted.twist)
        limited = self._next_twist(dt, wanted)
        self._twist = limited.twist
        self._pose = self._pose * self._twist.over(dt)
        self._offset_on(dt)
        if self._state is not GaitState.RESTING:
            self._move_feet(dt, moving=bool(wanted.twist) or bool(self._twist))
            self._move_body(dt)
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

    def _choose_duty_factor(self, wanted: Twist) -> None:
        now = self._clock.cycle.duty_factor
        self._clock.aim(self._pace.duty_factor(wanted, now, self._posing.way))

    def _next_twist(self, dt: float, wanted: Limited) -> Limited:
        factor = max(self._clock.cycle.duty_factor, self._clock.goal)
        target = self._pace.steady(wanted, self._envelope, factor)
        return self._pace.next_twist(self._twist, target, self._stances(target.twist), dt)

    def _stances(self, wanted: Twist) -> list[Stance]:
        """Give the feet that bind the body: those that stand, and those that land where they must.

        How far the body may leave a foot before its first step depends on the twist that is wanted.
        """
        cycle, phase, pose = self._clock.cycle, self._clock.phase, self._pose
        feet, neutrals, radii = self._stepping.feet, self.neutral, self._envelope.radii
        stances = []
        for leg in self._walking:
            foot, neutral, room = feet[leg], neutrals[leg], radii[leg]
            if foot.settled:
                place = pose.locate(foot.footprint)
                if foot.first_step and wanted:
                    stride = hypot(*wanted.at(neutral)) * cycle.stance_time
                    room = min(room, FIRST_STEP * 0.5 * stride)
                time = cycle.until_liftoff(leg, phase)
                stances.append(Stance(neutral, place, time, max(room, dist(place, neutral))))
        return stances

    def _offset_on(self, dt: float) -> None:
        """Go on towards the body offset that is due, once all feet are where it wants them."""
        posing = self._posing
        if self._state is not GaitState.STANDING and posing.goal != LEVEL:
            posing.level_out()
        if posing.waits and self._stepping.all_within(self._envelope.radii, self._pose):
            posing.set_out(self._envelope)
        posing.step(dt)

    def _move_feet(self, dt: float, *, moving: bool) -> None:
        """Move the feet in their turns, or to their places when the robot has come to rest."""
        clock, stepping = self._clock, self._stepping
        if not moving and stepping.all_in_place(self._pose):
            clock.stop()
            return
        body = BodyState(self._pose, self._twist, self._posing.height.position, self._posing.offset)
        if not moving and stepping.astray:
            # Back to its place with it, while only feet on the ground carry.
            clock.stop()
        if moving and not clock.running:
            clock.start()
            stepping.begin_walk()
        elif not clock.running and stepping.at_rest:
            stepping.put_in_place(body)
        stepping.step(dt, self._ticks, body, clock)
        # Nobody takes his turn while a foot has no ground.
        if clock.running and not stepping.seeking and not stepping.astray:
            self._take_turns(dt, body, moving=moving)

    def _take_turns(self, dt: float, body: BodyState, *, moving: bool) -> None:
        """Let the clock go on by dt seconds; land and lift feet whose turns end and begin."""
        clock, stepping = self._clock, self._stepping
        earlier, phase = clock.cycle, clock.phase
        clock.advance(dt)
        swinging = [leg for leg in self._walking if clock.cycle.swinging(leg, clock.phase)]
        for leg in self._walking:
            if leg not in swinging:
                # While the duty factor changes, the turn may end a moment before its time.
                stepping.end_swing(leg)
        if stepping.seeking:
            clock.take_back()
            return
        for leg in swinging:
            if (
                stepping.feet[leg].stands
                and not earlier.swinging(leg, phase)
                and (moving or not stepping.in_place(leg, self._pose))
            ):
                stepping.lift_off(leg, body, clock.cycle, clock.phase)

    def _move_body(self, dt: float) -> None:
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
