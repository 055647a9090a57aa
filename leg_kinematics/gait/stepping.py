# Copyright 2026 The leg_kinematics authors
# SPDX-License-Identifier: Apache-2.0
"""The feet of a walk: how each is lifted, aimed, set down or carried, and seeks the ground.

Whose turn it is, and where the body goes meanwhile, is decided elsewhere.
"""

from collections.abc import Callable, Sequence
from functools import partial
from math import dist, isfinite

from leg_kinematics.gait.body_offset import LEVEL
from leg_kinematics.gait.body_state import BodyState
from leg_kinematics.gait.clock import Clock
from leg_kinematics.gait.effort import placing_effort, swing_effort
from leg_kinematics.gait.envelope import Envelopes
from leg_kinematics.gait.foot import Foot, Swing
from leg_kinematics.gait.parameters import GaitParameters
from leg_kinematics.gait.phases import BOUNDARY_TOLERANCE, Cycle
from leg_kinematics.gait.placing import next_to_place
from leg_kinematics.gait.planar import Point, Pose
from leg_kinematics.gait.support import projected
from leg_kinematics.robot import Vector
from leg_kinematics.solver import PEAK_SPEED, LegSolver, State

#: A foot closer to its neutral point than this need not step when the robot stops, m.
SETTLED = 1e-3

#: A foot higher above the lowest one than this is taken to be in the air at the start, m.
AIRBORNE = 2e-3

#: Landing points closer than this are the same, m.
SAME_PLACE = 1e-9

#: In which every so many ticks the landing point of a swing follows the command.
TURNS = 3

#: Parts of its way that a landing point is tried at, where the servos cannot make all of it.
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
    raised
        Legs that are carried and off the ground: their feet move with the body.
    touching
        Of each leg, whether its foot feels the ground.

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
        self._walking = walking
        self._envelopes = envelopes
        self._neutral = envelopes.neutral
        self.feet = [Foot(State(x), State(y), State(z)) for x, y, z in feet]
        for foot in self.feet:
            if foot.z.position > AIRBORNE:
                foot.lift_off(parameters.swing_time, 0.0, 0.0)
            else:
                foot.ground = foot.z.position
        self.raised: set[int] = set()
        self.touching = [False] * len(legs)

    @property
    def seeking(self) -> bool:
        """Tell whether a foot seeks the ground."""
        return any(foot.search is not None for foot in self.feet)

    @property
    def astray(self) -> bool:
        """Tell whether a foot sought the ground in vain and has not felt it since."""
        return any(foot.missed for foot in self.feet)

    @property
    def ground(self) -> float:
        """Mean elevation of where the feet stood last, but for those that found no ground, m."""
        if not self._parameters.contacts:
            return 0.0
        grounds = [
            foot.ground
            for foot, walks in zip(self.feet, self._walking, strict=True)
            if walks and not foot.missed
        ]
        return sum(grounds) / len(grounds) if grounds else 0.0

    def feel(self, leg: int, touching: bool) -> None:  # noqa: FBT001
        """Take in whether a foot touches the ground."""
        self.touching[leg] = touching
        if touching and self.feet[leg].stands:
            self.feet[leg].missed = False

    def in_place(self, leg: int, pose: Pose) -> bool:
        """Tell whether a foot stands at its neutral point, or is carried if it shall be."""
        if not self._walking[leg]:
            return leg in self.raised
        foot = self.feet[leg]
        return foot.stands and dist(pose.locate(foot.footprint), self._neutral[leg]) < SETTLED

    def all_in_place(self, pose: Pose) -> bool:
        """Tell whether all are."""
        return all(self.in_place(leg, pose) for leg in range(len(self.feet)))

    def all_within(self, radii: Sequence[float], pose: Pose) -> bool:
        """Tell whether all feet that walk are, or will land, so near to their neutral points, m."""
        return all(
            dist(pose.locate(foot.footprint), neutral) <= max(SETTLED, radius)
            for foot, neutral, radius, walks in zip(
                self.feet, self._neutral, radii, self._walking, strict=True
            )
            if walks
        )

    def step(self, dt: float, tick: int, body: BodyState, clock: Clock) -> None:
        """Move the feet that are not on the ground on by dt seconds.

        Parameters
        ----------
        dt
            s.
        tick
            Number of the tick.
        body
            At its end.
        clock
            Which does not run while feet are put in their places.

        """
        for leg, foot in enumerate(self.feet):
            if foot.swing is not None:
                if clock.running and not self.seeking:
                    until = clock.cycle.until_touchdown(leg, clock.phase)
                    foot.swing.remaining = min(foot.swing.remaining, until)
                if foot.swing.progress == 0.0 or (tick + leg) % TURNS == 0:
                    self._aim(leg, foot.swing, dt, body, clock.cycle)
                self._swing(leg, foot.swing, dt, clock.cycle)
            elif foot.search is not None:
                if self.touching[leg]:
                    foot.stand()
                elif foot.descend(foot.search, dt):
                    foot.stand(missed=True)

    def lift_off(self, leg: int, body: BodyState, cycle: Cycle, phase: float) -> None:
        """Lift a foot at the instant within this tick at which its turn came."""
        foot = self.feet[leg]
        late = max(0.0, (cycle.since_touchdown(leg, phase) - cycle.duty_factor) * cycle.period)
        swing = foot.lift_off(cycle.swing_time, *self._lift(foot))
        self._aim(leg, swing, late, body, cycle)
        foot.advance(swing, late, BOUNDARY_TOLERANCE * cycle.period)

    def end_swing(self, leg: int, swing: Swing) -> None:
        """Land a foot that still swings at once."""
        self.feet[leg].arrive(swing)
        self._land(leg)

    def put_in_place(self, body: BodyState) -> None:
        """Lift feet that are not in their places, as many as the others can spare."""
        places = [body.pose.locate(foot.footprint) for foot in self.feet]
        down = [leg for leg in range(len(self.feet)) if leg not in self.raised]
        standing = [leg for leg in down if not self.feet[leg].missed]
        misplaced = sorted(
            (leg for leg in down if not self.in_place(leg, body.pose)),
            key=lambda leg: (
                self._walking[leg],
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
            if not self._walking[leg]:
                lift, end = 0.0, self.ground + self._parameters.carry_height
            swing = foot.lift_off(self._parameters.swing_time, lift, end)
            swing.goal = body.pose.place(self._neutral[leg])
            effort = placing_effort(
                self._legs[leg],
                self._envelopes.swinging_speeds[leg],
                places[leg],
                swing,
                goal=self._neutral[leg],
                height=body.height,
            )
            # A way that leads out of reach does so at any speed.
            if isfinite(effort):
                swing.remaining *= max(1.0, effort)

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
        if swing.goal_is_fixed:
            return
        ahead = swing.remaining - dt + 0.5 * cycle.stance_time
        goal = body.after(ahead).pose.place(self._neutral[leg])
        if dist(goal, swing.goal) < SAME_PLACE:
            return
        effort = partial(
            swing_effort,
            self._legs[leg],
            self._envelopes.swinging_speeds[leg],
            self.feet[leg],
            swing,
            body=body.after(-dt),
        )
        swing.held_back = effort(goal) > 1.0
        swing.goal = _nearest_within(swing.goal, goal, effort) if swing.held_back else goal

    def _swing(self, leg: int, swing: Swing, dt: float, cycle: Cycle) -> None:
        foot = self.feet[leg]
        feels = self._parameters.contacts and self._walking[leg]
        if feels and self.touching[leg] and swing.descending:
            foot.stand()
        elif foot.advance(swing, dt, BOUNDARY_TOLERANCE * cycle.period):
            self._land(leg)

    def _land(self, leg: int) -> None:
        foot = self.feet[leg]
        if not self._walking[leg]:
            foot.swing = None
            self.raised.add(leg)
        elif self._parameters.contacts and not self.touching[leg]:
            foot.seek(self._parameters.search_depth, self._search_time)
        else:
            foot.stand()

    @property
    def _search_time(self) -> float:
        """Time of a search, which goes no faster than a lift in the time of a swing, s."""
        parameters = self._parameters
        return PEAK_SPEED * parameters.search_depth * parameters.swing_time / parameters.lift


def _nearest_within(start: Point, goal: Point, effort: Callable[[Point], float]) -> Point:
    """Part of the way to a goal that the servos can make; where they can make none, the easiest."""
    nearer = [
        (start[0] + part * (goal[0] - start[0]), start[1] + part * (goal[1] - start[1]))
        for part in PARTS_OF_WAY
    ]
    asked = [effort(point) for point in nearer]
    within = (place for place, share in enumerate(asked) if share <= 1.0)
    return nearer[next(within, asked.index(min(asked)))]
