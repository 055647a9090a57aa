# Copyright 2026 The leg_kinematics authors
# SPDX-License-Identifier: Apache-2.0
"""Walking from a body velocity: every tick, where the feet shall be.

The feet live in the world. A standing foot has a place there; the body moves over it by the
exact SE(2) motion of its twist, and the foot's target in `base_link` is that place seen from the
body. A swinging foot goes to a footprint from which it will pass its neutral point at mid
stance, leaving and landing at rest in the world, which is the stance velocity seen from the body.
"""

from collections.abc import Sequence
from functools import partial
from math import dist, hypot, isfinite

from leg_kinematics.errors import CommandError, LegKinematicsError
from leg_kinematics.gait.body_offset import LEVEL, PEAK_SPEED, BodyOffset, Offset
from leg_kinematics.gait.clock import Clock
from leg_kinematics.gait.effort import placing_effort, swing_effort
from leg_kinematics.gait.envelope import Envelope, Envelopes
from leg_kinematics.gait.foot import Foot, Search, Swing
from leg_kinematics.gait.level import GroundLevel
from leg_kinematics.gait.limits import (
    Limited,
    demand,
    limit_servo_speed,
    limit_speed,
    limit_stride,
    ramp,
)
from leg_kinematics.gait.parameters import GaitParameters
from leg_kinematics.gait.phases import (
    BOUNDARY_TOLERANCE,
    check_duty_factor,
    declared_phases,
    wave_phases,
)
from leg_kinematics.gait.placing import next_to_place
from leg_kinematics.gait.planar import Point, Pose, Twist, seen
from leg_kinematics.gait.rise import Rise
from leg_kinematics.gait.sample import GaitSample, GaitState
from leg_kinematics.gait.stance import Stance, allowed, as_far_as_allowed
from leg_kinematics.gait.support import projected
from leg_kinematics.robot import Robot, Vector
from leg_kinematics.solver import LegSolver, State, posture_angles, static_margin

#: A foot closer to its neutral point than this need not step when the robot stops, m.
SETTLED = 1e-3

#: A foot that cannot go this far from its neutral point cannot walk, m.
SMALLEST_STRIDE = 5e-3

#: A foot higher above the lowest one than this is taken to be in the air at the start, m.
AIRBORNE = 2e-3

#: Landing points closer than this are the same, m.
SAME_PLACE = 1e-9

#: In which every so many ticks the landing point of a swing follows the command.
TURNS = 3

#: Of half the stride that is asked for: how far back the body may leave a foot before its first
#: step, which starts from the neutral point and not from half a stride in front of it.
FIRST_STEP = 0.9

#: The duty factor is chosen for so much more speed than is asked for.
HEADROOM = 1.1

#: Parts of its way that a landing point is tried at, where the servos cannot make all of it.
PARTS_OF_WAY = (0.9, 0.75, 0.5, 0.25, 0.0)


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
        self._names = robot.leg_names
        self._legs = tuple(legs)
        self._heights = {
            GaitState.RESTING: robot.resting.height,
            GaitState.STANDING: robot.standing.height,
        }
        self._neutral: tuple[Point, ...] = tuple((x, y) for x, y, _ in robot.standing.feet)
        self._walking = [leg for leg, walks in enumerate(phases.walking) if walks]
        self._carried = [leg for leg, walks in enumerate(phases.walking) if not walks]
        self._fastest_duty_factor = parameters.duty_factor
        self._slowest_duty_factor = parameters.slowest
        self._clock = Clock(phases, parameters.swing_time, parameters.slowest)
        self._family = phases.depends_on_duty_factor
        self._envelopes = Envelopes(robot, legs, parameters, phases)
        self._offsets: tuple[Offset, ...] = (LEVEL,)
        self._envelope = self._envelope_of(self._offsets)
        self._check_carried()
        self._pose = Pose()
        self._twist = Twist()
        ground = min(z for _, _, z in feet)
        self._rise = Rise(-ground, self._envelopes.rise_time())
        self._level = GroundLevel(parameters.body_speed)
        self._feet = [Foot(State(x), State(y), State(z - ground)) for x, y, z in feet]
        for foot in self._feet:
            if foot.z.position > AIRBORNE:
                foot.lift_off(parameters.swing_time, 0.0, 0.0)
            else:
                foot.ground = foot.z.position
        self._touching = [False] * len(legs)
        self._raised: set[int] = set()
        self._first = set(self._walking)
        self._offset = BodyOffset(parameters.body_speed, parameters.body_rate)
        self._offset_goal = LEVEL
        self._ticks = 0
        self._state = GaitState.RESTING

    @property
    def neutral(self) -> tuple[Point, ...]:
        """Where each foot passes at mid stance, in `base_link`, m."""
        return self._neutral

    @property
    def radii(self) -> tuple[float, ...]:
        """How far each foot may stand from its neutral point, m."""
        return self._envelope.radii

    @property
    def state(self) -> GaitState:
        """What the gait is doing."""
        if self._state is GaitState.STANDING and (self._clock.running or self._twist):
            return GaitState.WALKING
        return self._state

    def _check_carried(self) -> None:
        for leg in self._carried:
            for height in self._heights.values():
                place = (*self._neutral[leg], self._parameters.carry_height - height)
                try:
                    self._legs[leg].angles(place)
                except LegKinematicsError as error:
                    raise CommandError(
                        f'{self._names[leg]} cannot be carried {self._parameters.carry_height:g} '
                        f'm above the ground ({error}); change carry_height'
                    ) from error

    def set_duty_factor(self, duty_factor: float) -> None:
        """Walk with another duty factor, at every speed; on the way the feet keep their turns.

        Raises
        ------
        CommandError
            It is outside [1/2, 1), the phases are declared for another one, or the walk would not
            keep its least margin; nothing has changed then.

        """
        if not isfinite(duty_factor):
            raise CommandError(f'duty_factor must be finite, got {duty_factor!r}')
        check_duty_factor(duty_factor)
        if duty_factor == self._fastest_duty_factor == self._slowest_duty_factor:
            return
        if not self._family:
            raise CommandError(
                f'the phases are declared for the duty factor {self._clock.goal:g}; '
                f'{duty_factor:g} is only for the family of the wave gait'
            )
        now = self._clock.cycle.duty_factor
        margin = self._envelopes.at(self._offsets, now, duty_factor).margin
        self._check_margin(f'duty_factor cannot be {duty_factor:g}', margin)
        self._fastest_duty_factor = self._slowest_duty_factor = duty_factor

    def touch(self, leg: int, touching: bool) -> None:  # noqa: FBT001
        """Tell whether a foot touches the ground; of use only with the parameter `contacts`.

        A foot that touches while it comes down stands there. One that is where the ground should
        be and does not touch seeks it straight down, while the robot comes to a stop.

        Raises
        ------
        CommandError
            There is no such leg.

        """
        if not 0 <= leg < len(self._feet):
            raise CommandError(f'there is no leg {leg}; they are 0 to {len(self._feet) - 1}')
        self._touching[leg] = touching

    def pose_body(self, offset: Offset) -> None:
        """Go to another pose of the body over its feet; obeyed only while standing or walking.

        The robot slows down, and first puts its feet where the pose lets them walk.

        Raises
        ------
        CommandError
            The pose is not finite, a foot could not walk in it, the walk would not keep its least
            margin, or the robot does not stand; nothing has changed then.

        """
        if not offset.finite:
            raise CommandError(f'a body pose must be finite, got {offset}')
        if self._state is not GaitState.STANDING:
            raise CommandError(f'the body can be posed while standing, not while {self._state}')
        if offset == self._offset_goal:
            return
        there = self._envelope_of((offset,))
        self._check_margin('the body cannot be posed so', there.margin)
        if min(there.radii) < SMALLEST_STRIDE:
            leg = self._names[there.radii.index(min(there.radii))]
            raise CommandError(f'the body cannot be posed so: {leg} could not take a step')
        offsets = self._between(offset)
        envelope = self._envelope_of(offsets)
        if not isfinite(max(self._envelopes.posing_times(self._offset.now, offset, envelope))):
            raise CommandError('the body cannot be posed so: a foot is out of reach on the way')
        self._offset_goal, self._offsets, self._envelope = offset, offsets, envelope

    def _check_margin(self, refused: str, margin: float) -> None:
        least = self._parameters.min_margin + SMALLEST_STRIDE
        if margin < least:
            raise CommandError(
                f'{refused}: the feet would keep a margin of {margin * 1e3:.3g} mm, a walk needs '
                f'{least * 1e3:.3g} mm (min_margin and the smallest stride)'
            )

    def _between(self, goal: Offset) -> tuple[Offset, ...]:
        """Poses on the way to a goal that stand for all of it."""
        now = self._offset.now
        # It may have to wait on the way to its last goal.
        return (now, self._offset.goal, now.towards(goal, 0.5), goal)

    def _envelope_of(self, offsets: Sequence[Offset]) -> Envelope:
        return self._envelopes.at(offsets, self._clock.cycle.duty_factor, self._clock.goal)

    def _limit_walk(self, twist: Twist, envelope: Envelope) -> Limited:
        """Limit to what a steady walk may ask of the legs."""
        factor = max(self._clock.cycle.duty_factor, self._clock.goal)
        stance_time = factor * self._parameters.swing_time / (1.0 - factor)
        slow = limit_servo_speed(twist, self._neutral, envelope.fastest, self._names)
        near = limit_stride(slow.twist, self._neutral, envelope.radii, envelope.labels, stance_time)
        return Limited(near.twist, near.reason or slow.reason)

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
        wanted, reason = self._wanted(command)
        self._choose_duty_factor(wanted)
        self._envelope = self._envelope_of(self._offsets)
        limited = self._next_twist(dt, wanted, reason)
        self._twist = limited.twist
        self._pose = self._pose * self._twist.over(dt)
        self._move_offset(dt)
        if self._state is not GaitState.RESTING:
            self._move_feet(dt, bool(wanted))
            self._move_body(dt)
        return self._sample(limited.reason)

    def _wanted(self, command: Twist) -> tuple[Twist, str]:
        """Return the command that is obeyed, within the bounds of speed, and what bound it."""
        if self._state is not GaitState.STANDING or not command:
            return Twist(), ''
        if self._seeking:
            return Twist(), 'a foot seeks the ground'
        radii = self._envelope.radii
        if min(radii) < SMALLEST_STRIDE:
            label = self._envelope.labels[radii.index(min(radii))]
            return Twist(), f'stride radius {min(radii) * 1e3:.3g} mm of {label}'
        limited = limit_speed(command, self._parameters.max_speed, self._parameters.max_yaw_rate)
        return limited.twist, limited.reason

    def _choose_duty_factor(self, wanted: Twist) -> None:
        """Walk with the steadiest duty factor that leaves time for what is asked.

        At the longest stride the speed is proportional to (1 - beta)/beta, since the swing takes
        its time; what the servos allow falls more slowly. The last steps keep what they have.
        """
        clock = self._clock
        fastest, slowest = self._fastest_duty_factor, self._slowest_duty_factor
        clock.goal = slowest
        if slowest > fastest:
            envelope = self._envelopes.at(self._offsets, fastest, fastest)
            stance = fastest * self._parameters.swing_time / (1.0 - fastest)
            share = demand(wanted, self._neutral, envelope.radii, envelope.fastest, stance)
            steadiest = 1.0 / (1.0 + HEADROOM * share * (1.0 - fastest) / fastest)
            clock.goal = (
                max(fastest, min(slowest, steadiest)) if wanted else clock.cycle.duty_factor
            )
        if not clock.running:
            clock.stop()

    def _next_twist(self, dt: float, wanted: Twist, reason: str) -> Limited:
        parameters = self._parameters
        slow = self._limit_walk(wanted, self._envelope)
        fraction = ramp(
            self._twist, slow.twist, parameters.acceleration, parameters.yaw_acceleration, dt
        )
        reason = slow.reason or reason
        stances = self._stances(slow.twist)
        reached = self._twist.towards(slow.twist, fraction)
        if allowed(reached, stances):
            return Limited(reached, reason)
        if not allowed(self._twist, stances):
            brake = ramp(
                self._twist, Twist(), parameters.acceleration, parameters.yaw_acceleration, dt
            )
            return Limited(self._twist.towards(Twist(), brake), 'reach of a standing foot: braking')
        reached = as_far_as_allowed(self._twist, slow.twist, fraction, stances)
        return Limited(reached, reason or 'reach of a standing foot')

    def _stances(self, wanted: Twist) -> list[Stance]:
        """Give the feet that bind the body: those that stand, and those that land where they must.

        How far the body may leave a foot before its first step depends on the twist that is wanted.
        """
        cycle, phase = self._clock.cycle, self._clock.phase
        stances = []
        for leg in self._walking:
            foot, neutral, room = self._feet[leg], self._neutral[leg], self._envelope.radii[leg]
            if foot.swing is None or foot.swing.goal_is_fixed or foot.swing.held_back:
                place = self._pose.locate(foot.footprint)
                if leg in self._first and wanted:
                    stride = hypot(*wanted.at(neutral)) * cycle.stance_time
                    room = min(room, FIRST_STEP * 0.5 * stride)
                time = cycle.until_liftoff(leg, phase)
                stances.append(Stance(neutral, place, time, max(room, dist(place, neutral))))
        return stances

    def _move_offset(self, dt: float) -> None:
        """Go on towards the pose that is due, once all feet are where it wants them."""
        if self._state is not GaitState.STANDING and self._offset_goal != LEVEL:
            self._offset_goal, self._offsets = LEVEL, self._between(LEVEL)
            self._envelope = self._envelope_of(self._offsets)
        if self._offset_goal != self._offset.goal and self._all_in_reach():
            times = self._envelopes.posing_times(
                self._offset.now, self._offset_goal, self._envelope
            )
            # No foot stands where it would be out of reach.
            self._offset.aim(self._offset_goal, max(filter(isfinite, times), default=0.0))
        self._offset.step(dt)
        if not self._offset.moving and self._offset.goal == self._offset_goal:
            self._offsets = (self._offset.goal,)

    def _all_in_reach(self) -> bool:
        return all(
            dist(self._pose.locate(self._feet[leg].footprint), self._neutral[leg])
            <= max(SETTLED, self._envelope.radii[leg])
            for leg in self._walking
        )

    def _in_place(self, leg: int) -> bool:
        foot = self._feet[leg]
        if leg in self._carried:
            return leg in self._raised
        return foot.stands and dist(self._pose.locate(foot.footprint), self._neutral[leg]) < SETTLED

    def _move_feet(self, dt: float, asked: bool) -> None:  # noqa: FBT001
        moving = asked or bool(self._twist)
        clock = self._clock
        if not moving and all(map(self._in_place, range(len(self._feet)))):
            clock.stop()
            return
        if moving and not clock.running:
            clock.start()
            self._first = set(self._walking)
        elif not clock.running and all(foot.stands for foot in self._feet):
            self._put_in_place()
        for leg, foot in enumerate(self._feet):
            if foot.swing is not None:
                if clock.running and not self._seeking:
                    until = clock.cycle.until_touchdown(leg, clock.phase)
                    foot.swing.remaining = min(foot.swing.remaining, until)
                self._swing(leg, foot, foot.swing, dt)
            elif foot.search is not None:
                self._seek(leg, foot, foot.search, dt)
        # Nobody takes his turn while a foot seeks the ground.
        if clock.running and not self._seeking:
            self._take_turns(dt, moving)

    @property
    def _seeking(self) -> bool:
        """Tell whether a foot seeks the ground."""
        return any(foot.search is not None for foot in self._feet)

    def _take_turns(self, dt: float, moving: bool) -> None:  # noqa: FBT001
        """Let the clock go on by dt seconds; land and lift feet whose turns end and begin."""
        clock = self._clock
        before = [clock.cycle.swinging(leg, clock.phase) for leg in self._walking]
        clock.advance(dt)
        now = [clock.cycle.swinging(leg, clock.phase) for leg in self._walking]
        for leg, swings in zip(self._walking, now, strict=True):
            foot = self._feet[leg]
            if foot.swing is not None and not swings:
                # While the duty factor changes, the turn may end a moment before its time.
                foot.arrive(foot.swing)
                self._land(leg, foot)
        if self._seeking:
            clock.take_back()
            return
        for leg, swung, swings in zip(self._walking, before, now, strict=True):
            foot = self._feet[leg]
            if foot.stands and swings and not swung and (moving or not self._in_place(leg)):
                self._lift_off(leg, foot)

    def _swing(self, leg: int, foot: Foot, swing: Swing, dt: float) -> None:
        feels = self._parameters.contacts and leg in self._walking
        if feels and self._touching[leg] and swing.descending:
            foot.stand()
            return
        self._aim(leg, foot, swing, dt)
        if foot.advance(swing, dt, BOUNDARY_TOLERANCE * self._clock.cycle.period):
            self._land(leg, foot)

    def _land(self, leg: int, foot: Foot) -> None:
        if leg in self._carried:
            foot.swing = None
            self._raised.add(leg)
        elif self._parameters.contacts and not self._touching[leg]:
            foot.seek(self._parameters.search_depth, self._search_time)
        else:
            foot.stand()

    def _seek(self, leg: int, foot: Foot, search: Search, dt: float) -> None:
        if self._touching[leg]:
            foot.stand()
        elif foot.descend(search, dt):
            foot.stand(missed=True)

    @property
    def _search_time(self) -> float:
        """Time of a search, which goes no faster than a lift in the time of a swing, s."""
        parameters = self._parameters
        return PEAK_SPEED * parameters.search_depth * parameters.swing_time / parameters.lift

    @property
    def _ground(self) -> float:
        """Mean elevation of where the feet stood last, m."""
        if not self._parameters.contacts:
            return 0.0
        return sum(self._feet[leg].ground for leg in self._walking) / len(self._walking)

    @property
    def _height(self) -> float:
        """Of the level body above z = 0, m."""
        return self._level.state.position + self._rise.state.position

    def _aim(self, leg: int, foot: Foot, swing: Swing, dt: float) -> None:
        """Let the landing point follow the command, as far as the servos can.

        The pose is that of the end of the tick, the swing still that of dt seconds before.
        """
        if swing.goal_is_fixed or (swing.progress > 0.0 and (self._ticks + leg) % TURNS):
            return
        ahead = swing.remaining - dt + 0.5 * self._clock.cycle.stance_time
        goal = (self._pose * self._twist.over(ahead)).place(self._neutral[leg])
        if dist(goal, swing.goal) < SAME_PLACE:
            return
        where = (self._pose * self._twist.over(-dt), self._twist, self._height, self._offset.now)
        effort = partial(
            swing_effort,
            self._legs[leg],
            self._envelopes.swinging_speeds[leg],
            foot,
            swing,
            where=where,
        )
        swing.held_back = effort(goal=goal) > 1.0
        if swing.held_back:
            start = swing.goal
            nearer = [
                (start[0] + part * (goal[0] - start[0]), start[1] + part * (goal[1] - start[1]))
                for part in PARTS_OF_WAY
            ]
            asked = [effort(goal=point) for point in nearer]
            within = (place for place, share in enumerate(asked) if share <= 1.0)
            goal = nearer[next(within, asked.index(min(asked)))]
        swing.goal = goal

    def _lift_off(self, leg: int, foot: Foot) -> None:
        """Lift the foot at the instant within this tick at which its turn came."""
        cycle, phase = self._clock.cycle, self._clock.phase
        self._first.discard(leg)
        late = max(0.0, (cycle.since_touchdown(leg, phase) - cycle.duty_factor) * cycle.period)
        swing = foot.lift_off(cycle.swing_time, *self._lift(foot))
        self._aim(leg, foot, swing, late)
        foot.advance(swing, late, BOUNDARY_TOLERANCE * cycle.period)

    def _lift(self, foot: Foot) -> tuple[float, float]:
        """How high to lift a foot, and where it will meet the ground: as high as here, m.

        It is lifted above the higher one of here and the mean of all feet.
        """
        if not self._parameters.contacts:
            return self._parameters.lift, 0.0
        return self._parameters.lift + max(0.0, self._ground - foot.ground), foot.ground

    def _put_in_place(self) -> None:
        """Lift feet that are not in their places, as many as the others can spare."""
        places = [self._pose.locate(foot.footprint) for foot in self._feet]
        standing = [leg for leg in range(len(self._feet)) if leg not in self._raised]
        misplaced = sorted(
            (leg for leg in standing if not self._in_place(leg)),
            key=lambda leg: (leg in self._walking, -dist(places[leg], self._neutral[leg])),
        )
        centre = projected(self._envelopes.centre, LEVEL)
        for leg in next_to_place(places, standing, misplaced, centre, self._parameters.min_margin):
            foot = self._feet[leg]
            lift, end = self._lift(foot)
            if leg in self._carried:
                lift, end = 0.0, self._ground + self._parameters.carry_height
            swing = foot.lift_off(self._parameters.swing_time, lift, end)
            swing.goal = self._pose.place(self._neutral[leg])
            effort = placing_effort(
                self._legs[leg],
                self._envelopes.swinging_speeds[leg],
                places[leg],
                swing,
                goal=self._neutral[leg],
                height=self._height,
            )
            # A way that leads out of reach does so at any speed.
            if isfinite(effort):
                swing.remaining *= max(1.0, effort)

    def _move_body(self, dt: float) -> None:
        """Follow the ground; raise or lower the body once the feet are in their places."""
        self._level.step(self._ground, dt)
        if self._state not in {GaitState.STANDING_UP, GaitState.CROUCHING}:
            return
        if (
            self._twist
            or self._clock.running
            or not self._offset.level
            or self._offset_goal != LEVEL
            or not all(map(self._in_place, range(len(self._feet))))
        ):
            return
        end = GaitState.STANDING if self._state is GaitState.STANDING_UP else GaitState.RESTING
        if self._rise.step(self._heights[end], dt):
            self._state = end

    def _sample(self, limit: str) -> GaitSample:
        feet, velocities, standing = [], [], []
        support: list[Point] = []
        height, rate = self._height, self._level.state.velocity + self._rise.state.velocity
        for leg, foot in enumerate(self._feet):
            if leg in self._raised:
                # Carried along by the body, at rest in it.
                x, y = self._neutral[leg]
                u = v = 0.0
                z = self._parameters.carry_height - self._rise.state.position
                w = -self._rise.state.velocity
            else:
                (x, y), (u, v) = seen(
                    self._pose,
                    self._twist,
                    (foot.x.position, foot.y.position),
                    (foot.x.velocity, foot.y.velocity),
                )
                z, w = foot.z.position - height, foot.z.velocity - rate
            place, velocity = self._offset.see((x, y, z), (u, v, w))
            stands = foot.stands and leg not in self._raised
            if stands:
                support.append((x, y))
            feet.append(place)
            velocities.append(velocity)
            standing.append(stands)
        offset = self._offset.now
        return GaitSample(
            tuple(feet),
            tuple(velocities),
            tuple(standing),
            self._pose,
            self._twist,
            height,
            self.state,
            limit,
            rate,
            offset,
            self._offset.rate,
            static_margin(support, projected(self._envelopes.centre, offset)),
            self._clock.phase % 1.0 if self._clock.running else None,
            self._clock.cycle.duty_factor,
            tuple(foot.missed for foot in self._feet),
        )
