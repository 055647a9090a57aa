# Copyright 2026 The leg_kinematics authors
# SPDX-License-Identifier: Apache-2.0
"""The feet of a walk: each takes its turn, is lifted, aimed and set down, or carried.

Where the body goes meanwhile is decided elsewhere.
"""

from collections.abc import Callable, Collection, Sequence
from functools import partial
from math import dist, hypot, isfinite

import numpy as np

from leg_kinematics.gait.body import LEVEL, BodyState, Point, Pose, Twist
from leg_kinematics.gait.envelope import Envelopes, projected
from leg_kinematics.gait.foot import Carried, Foot, Seeking, Standing
from leg_kinematics.gait.pace import Stance
from leg_kinematics.gait.parameters import GaitParameters
from leg_kinematics.gait.phases import BOUNDARY_TOLERANCE, Clock, Cycle
from leg_kinematics.gait.swing import (
    DESCENDING,
    LANDING_FIXED,
    Swing,
    placing_effort,
    swing_effort,
)
from leg_kinematics.robot import Vector
from leg_kinematics.solver import PEAK_SPEED, LegSolver, State, static_margin

#: Of half the stride that is asked for: how far back the body may leave a foot before its first
#: step, which starts from the neutral point and not from half a stride in front of it.
FIRST_STEP = 0.9

#: A foot closer to its neutral point than this need not step when the robot stops, m.
SETTLED = 1e-3

#: A foot higher above the lowest one than this is taken to be in the air at the start, m.
AIRBORNE = 2e-3

#: Landing points closer than this are the same, m.
SAME_PLACE = 1e-9

#: The landing point of a swing follows the command every so many ticks.
AIMED_EVERY = 3

#: Parts of its way that are tried for a landing point whose whole way is too much for the servos.
PARTS_OF_WAY = (0.9, 0.75, 0.5, 0.25, 0.0)


class Stepping:
    """Moves the feet in the world.

    Parameters
    ----------
    legs
        Solvers.
    parameters
        How to walk.
    walking
        Of each leg, whether it walks; if not, it is carried.
    envelopes
        What the robot may do.
    feet
        Where the feet are now, x and y as in the world, z above the ground, m.

    Attributes
    ----------
    feet
        One a leg.

    """

    def __init__(
        self,
        legs: Sequence[LegSolver],
        parameters: GaitParameters,
        walking: Sequence[bool],
        envelopes: Envelopes,
        feet: Sequence[Vector],
    ) -> None:
        """Let feet that are in the air come down where they are."""
        self._legs = legs
        self._parameters = parameters
        self._envelopes = envelopes
        self._neutral = envelopes.neutral
        self._walking = [leg for leg, walks in enumerate(walking) if walks]
        self._ticks = 0
        self.feet = [
            Foot(walks, Standing((x, y), State(z)), ground=z)
            if z <= AIRBORNE
            else Foot(walks, Swing.from_rest((x, y, z), parameters.swing_time, lift=0.0, end=0.0))
            for walks, (x, y, z) in zip(walking, feet, strict=True)
        ]

    @property
    def seeking(self) -> bool:
        """Tell whether a foot seeks the ground."""
        return self._parameters.contacts and any(
            isinstance(foot.motion, Seeking) for foot in self.feet
        )

    @property
    def astray(self) -> bool:
        """Tell whether a foot sought the ground in vain and has not felt it since."""
        return self._parameters.contacts and any(foot.missed for foot in self.feet)

    @property
    def ground(self) -> float:
        """Mean elevation of where the feet stood last, but for those that found no ground, m."""
        if not self._parameters.contacts:
            return 0.0
        grounds = [foot.ground for foot in self.feet if foot.walks and not foot.missed]
        return sum(grounds) / len(grounds) if grounds else 0.0

    def in_place(self, leg: int, pose: Pose) -> bool:
        """Tell whether a foot stands at its neutral point, or is carried if it shall be."""
        foot = self.feet[leg]
        if not foot.walks:
            return isinstance(foot.motion, Carried)
        return foot.stands and dist(pose.locate(foot.footprint), self._neutral[leg]) < SETTLED

    def all_in_place(self, pose: Pose) -> bool:
        """Tell whether all feet are in place."""
        return all(self.in_place(leg, pose) for leg in range(len(self.feet)))

    def all_within(self, radii: Sequence[float], pose: Pose) -> bool:
        """Tell whether all feet that walk are, or land, within radii of their neutral points, m."""
        return all(
            dist(pose.locate(foot.footprint), neutral) <= max(SETTLED, radius)
            for foot, neutral, radius in zip(self.feet, self._neutral, radii, strict=True)
            if foot.walks
        )

    def stances(
        self, pose: Pose, clock: Clock, radii: Sequence[float], wanted: Twist
    ) -> list[Stance]:
        """Give the feet that bind the body: those that stand, and those that land where they must.

        Parameters
        ----------
        pose
            Of the body.
        clock
            Of the walk.
        radii
            How far each foot may stand from its neutral point, m.
        wanted
            Twist, on which depends how far the body may leave a foot before its first step.

        """
        cycle, phase = clock.cycle, clock.phase
        stances = []
        for leg in self._walking:
            foot, neutral, room = self.feet[leg], self._neutral[leg], radii[leg]
            if foot.settled:
                place = pose.locate(foot.footprint)
                if foot.first_step and wanted:
                    stride = hypot(*wanted.at(neutral)) * cycle.stance_time
                    room = min(room, FIRST_STEP * 0.5 * stride)
                time = cycle.until_liftoff(leg, phase)
                stances.append(Stance(neutral, place, time, max(room, dist(place, neutral))))
        return stances

    def step(self, dt: float, body: BodyState, clock: Clock, *, moving: bool) -> None:
        """Move the feet in their turns, or to their places when the robot has come to rest.

        Parameters
        ----------
        dt
            s.
        body
            At the end of the tick.
        clock
            Of the walk; it does not run while feet are put in their places.
        moving
            Whether the body moves, or shall.

        """
        self._ticks += 1
        if not moving and self.all_in_place(body.pose):
            clock.stop()
            return
        if not moving and self.astray:
            # Back to its place with it, while only feet on the ground carry.
            clock.stop()
        if moving and not clock.running:
            clock.start()
            for foot in self.feet:
                foot.begin_walk()
        elif not clock.running and all(foot.rests for foot in self.feet):
            self._put_in_place(body)
        self._move(dt, body, clock)
        # No leg takes its turn while a foot has no ground.
        if clock.running and not self.seeking and not self.astray:
            self._take_turns(dt, body, clock, moving=moving)

    def _move(self, dt: float, body: BodyState, clock: Clock) -> None:
        """Move the feet that are not at rest on by dt seconds."""
        for leg, foot in enumerate(self.feet):
            motion = foot.motion
            if isinstance(motion, Swing):
                if clock.running and not self.seeking:
                    motion.end_within(clock.cycle.until_touchdown(leg, clock.phase))
                if motion.progress == 0.0 or (self._ticks + leg) % AIMED_EVERY == 0:
                    self._aim(leg, motion, dt, body, clock.cycle)
                self._swing(foot, motion, dt, clock.cycle)
            elif isinstance(motion, Seeking):
                self._seek(foot, motion, dt)

    def _take_turns(self, dt: float, body: BodyState, clock: Clock, *, moving: bool) -> None:
        """Let the clock go on by dt seconds; land and lift feet whose turns end and begin."""
        earlier, phase = clock.cycle, clock.phase
        clock.advance(dt)
        swinging = [leg for leg in self._walking if clock.cycle.swinging(leg, clock.phase)]
        for leg in self._walking:
            if leg not in swinging:
                # While the duty factor changes, the turn may end a moment before its time.
                self._end_swing(self.feet[leg])
        if self.seeking:
            clock.take_back()
            return
        for leg in swinging:
            if (
                self.feet[leg].stands
                and not earlier.swinging(leg, phase)
                and (moving or not self.in_place(leg, body.pose))
            ):
                self._lift_off(leg, body, clock.cycle, clock.phase)

    def _lift_off(self, leg: int, body: BodyState, cycle: Cycle, phase: float) -> None:
        """Lift a foot at the instant within this tick at which its turn came."""
        foot = self.feet[leg]
        late = max(0.0, (cycle.since_touchdown(leg, phase) - cycle.duty_factor) * cycle.period)
        lift, end = self._lift(foot)
        swing = self._begin_swing(foot, cycle.swing_time, lift, end)
        foot.take_step(swing)
        self._aim(leg, swing, late, body, cycle)
        swing.advance(late, BOUNDARY_TOLERANCE * cycle.period)

    def _end_swing(self, foot: Foot) -> None:
        """Land a foot that still swings at once."""
        if isinstance(foot.motion, Swing):
            foot.motion.arrive()
            self._land(foot, foot.motion)

    def _put_in_place(self, body: BodyState) -> None:
        """Lift feet that are not in their places, as many as the others can spare."""
        places = [body.pose.locate(foot.footprint) for foot in self.feet]
        down = [leg for leg, foot in enumerate(self.feet) if foot.stands]
        standing = [leg for leg in down if not self.feet[leg].missed]
        misplaced = sorted(
            (leg for leg in down if not self.in_place(leg, body.pose)),
            key=lambda leg: (
                self.feet[leg].walks,
                leg in standing,
                -dist(places[leg], self._neutral[leg]),
            ),
        )
        centre = projected(self._envelopes.centre, LEVEL)
        least = self._parameters.min_margin
        # A robot at an edge would not come to rest on the foot that it puts down.
        patient = self.astray
        for leg in next_to_place(places, standing, misplaced, centre, least, patient=patient):
            foot = self.feet[leg]
            lift, end = self._lift(foot)
            if not foot.walks:
                lift, end = 0.0, self.ground + self._parameters.carry_height
            swing = self._begin_swing(foot, self._parameters.swing_time, lift, end)
            swing.aim(body.pose.place(self._neutral[leg]))
            effort = placing_effort(
                self._envelopes.legs.take(np.array([leg])),
                self._envelopes.swinging_speeds[leg],
                swing,
                body=body,
            )
            # A way that leads out of reach does so at any speed.
            if isfinite(effort):
                swing.slow_down(effort)
            foot.motion = swing

    def _begin_swing(self, foot: Foot, duration: float, lift: float, end: float) -> Swing:
        x, y = foot.footprint
        return Swing.from_rest((x, y, foot.ground), duration, lift=lift, end=end)

    def _lift(self, foot: Foot) -> tuple[float, float]:
        """How high to lift a foot, and where it will meet the ground: as high as here, m.

        It is lifted above the higher one of here and the mean of all feet.
        """
        if not self._parameters.contacts:
            return self._parameters.lift, 0.0
        return self._parameters.lift + max(0.0, self.ground - foot.ground), foot.ground

    def _aim(self, leg: int, swing: Swing, dt: float, body: BodyState, cycle: Cycle) -> None:
        """Let the landing point follow the command, as far as the servos can.

        The body is that of the end of the tick, the swing still that of dt seconds before.
        """
        if swing.progress >= LANDING_FIXED:
            return
        ahead = swing.remaining - dt + 0.5 * cycle.stance_time
        goal = body.after(ahead).pose.place(self._neutral[leg])
        if dist(goal, swing.goal) < SAME_PLACE:
            return
        effort = partial(
            swing_effort,
            self._legs[leg],
            self._envelopes.swinging_speeds[leg],
            swing,
            body=body.after(-dt),
        )
        if effort(goal) > 1.0:
            swing.aim(_nearest_within(swing.goal, goal, effort), held_back=True)
        else:
            swing.aim(goal)

    def _swing(self, foot: Foot, swing: Swing, dt: float, cycle: Cycle) -> None:
        feels = self._parameters.contacts and foot.walks
        if feels and foot.touching and swing.progress >= DESCENDING:
            foot.stand(swing.place, swing.z.position)
        elif swing.advance(dt, BOUNDARY_TOLERANCE * cycle.period):
            self._land(foot, swing)

    def _land(self, foot: Foot, swing: Swing) -> None:
        if not foot.walks:
            foot.motion = Carried(swing.goal)
        elif self._parameters.contacts and not foot.touching:
            depth = self._parameters.search_depth
            foot.motion = Seeking(swing.goal, swing.end, depth, self._search_time)
        else:
            foot.stand(swing.goal, swing.end)

    def _seek(self, foot: Foot, seeking: Seeking, dt: float) -> None:
        if foot.touching:
            foot.stand(seeking.place, seeking.z.position)
            return
        lower = seeking.after(dt)
        foot.motion = lower
        if lower.over:
            foot.stand(lower.place, lower.z.position, missed=True)

    @property
    def _search_time(self) -> float:
        """Time of a search, which goes no faster than a lift in the time of a swing, s."""
        parameters = self._parameters
        return PEAK_SPEED * parameters.search_depth * parameters.swing_time / parameters.lift


def _nearest_within(start: Point, goal: Point, effort: Callable[[Point], float]) -> Point:
    """Point on the way to a goal that the servos can make, or else the easiest for them."""
    nearer = [
        (start[0] + part * (goal[0] - start[0]), start[1] + part * (goal[1] - start[1]))
        for part in PARTS_OF_WAY
    ]
    asked = [effort(point) for point in nearer]
    within = (place for place, share in enumerate(asked) if share <= 1.0)
    return nearer[next(within, asked.index(min(asked)))]


def next_to_place(
    feet: Sequence[Point],
    standing: Collection[int],
    misplaced: Sequence[int],
    centre: Point,
    least: float,
    *,
    patient: bool = False,
) -> list[int]:
    """Choose legs to lift together.

    Parameters
    ----------
    feet
        Of all legs, m.
    standing
        Legs whose feet are on the ground.
    misplaced
        Legs whose feet have to be put elsewhere, the most urgent one first: one or more, and not
        only such as stand.
    centre
        Projection of the centre of mass, m.
    least
        Static margin that the other feet have to keep, m.
    patient
        Whether to wait where no leg may be lifted.

    Returns
    -------
    list of int
        As many as may be lifted, but no more than half of the legs that stand. Where not even one
        may, none if that can wait; else the one whose absence leaves the largest margin: a robot
        that tips comes to rest on the foot that it puts down.

    """

    def margin_without(lifted: Collection[int]) -> float:
        return static_margin([feet[leg] for leg in standing if leg not in lifted], centre)

    chosen: list[int] = []
    for leg in misplaced:
        if len(chosen) < len(standing) // 2 and margin_without([*chosen, leg]) >= least:
            chosen.append(leg)
    if chosen or patient:
        return chosen
    return [max(misplaced, key=lambda leg: margin_without([leg]))]
