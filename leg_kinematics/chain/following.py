# Copyright 2026 The leg_kinematics authors
# SPDX-License-Identifier: Apache-2.0
"""The joints in a stream of joint targets: where they have come to in it, by its sender's clock."""

from collections import deque
from collections.abc import Sequence

from leg_kinematics.chain.values import NANOSECONDS, JointLimits, JointTargets
from leg_kinematics.errors import CommandError
from leg_kinematics.solver import StreamClock, Tracker, Trajectory

#: Joint targets that ended so long before they came are not followed, s.
STALE_AFTER = 0.1

#: A sender that streams on through a loss of power without a pause of this length does not know of
#: the loss, s.
PAUSE_AFTER_LOSS = 0.25

#: Messages whose stamps are remembered.
REMEMBERED_MESSAGES = 512


class Following:
    """Joints that follow a stream within their limits.

    Parameters
    ----------
    positions
        Where the joints are, rad.
    limits
        How fast they are driven at most.
    catch_up_speed
        Highest speed, seen from the stream, on the way back into it, rad/s.
    ranges
        Lowest and highest position of each joint, rad.

    Attributes
    ----------
    stamp
        Instant of the sender's clock in its stream that the joints have come to, ns; None where
        they are in no stream.

    """

    def __init__(
        self,
        positions: Sequence[float],
        limits: JointLimits,
        catch_up_speed: float,
        ranges: Sequence[tuple[float, float]],
    ) -> None:
        """Hold the positions."""
        self._joints = limits.joints
        self._tracker = Tracker(
            positions, limits.speeds, catch_up_speed, limits.acceleration, ranges
        )
        self._clock = StreamClock()
        self._starts: deque[tuple[float, int]] = deque(maxlen=REMEMBERED_MESSAGES)
        self._heard_at = -float('inf')
        self._unaware = False
        self.stamp: int | None = None

    @property
    def positions(self) -> tuple[float, ...]:
        """Where the joints shall be now, rad."""
        return self._tracker.positions

    @property
    def velocities(self) -> tuple[float, ...]:
        """How fast the joints shall move now, rad/s."""
        return self._tracker.velocities

    @property
    def lag(self) -> float:
        """How far the joint that is farthest behind is from where the stream wants it, rad."""
        return self._tracker.lag

    @property
    def cut_off(self) -> bool:
        """Tell whether the stream fell silent in motion."""
        return self._tracker.cut_off

    def hear(self, received: float) -> None:
        """Note that somebody sends targets, whether they are followed or not, at an instant, s."""
        self._unaware = self._unaware and received - self._heard_at <= PAUSE_AFTER_LOSS
        self._heard_at = received

    def take(self, targets: JointTargets, received: float, *, at_once: bool) -> None:
        """Follow targets, at once or by their stamps; joints that are not named come to rest.

        Raises
        ------
        CommandError
            Their sender does not know that power was lost meanwhile.

        """
        if self._unaware:
            raise CommandError(
                'the joint targets have come without a pause since before power was lost: they '
                f'are not followed before they pause for {PAUSE_AFTER_LOSS:g} s'
            )
        start = received
        if not at_once:
            start = self._clock.start(targets.stamp / NANOSECONDS, received)
        if start + targets.trajectory.end < received - STALE_AFTER:
            # All of it is past: it was held up on its way, or the clock of its sender was set.
            return
        self._tracker.follow(self._of_all_joints(targets, start), start)
        if targets.stamp:
            self._starts.append((start, targets.stamp))

    def _of_all_joints(self, targets: JointTargets, start: float) -> Trajectory:
        """Complete targets that start at an instant, s, by joints that rest where they are then."""
        trajectory, named = targets.trajectory, targets.joints
        if named is None:
            return trajectory
        order = [named.index(joint) if joint in named else None for joint in self._joints]
        resting = self._tracker.resting_places(start)

        def whole(row: Sequence[float], others: Sequence[float]) -> tuple[float, ...]:
            return tuple(
                other if index is None else row[index]
                for index, other in zip(order, others, strict=True)
            )

        still = (0.0,) * len(order)
        return Trajectory(
            trajectory.times,
            tuple(whole(row, resting) for row in trajectory.positions),
            tuple(whole(row, still) for row in trajectory.velocities),
        )

    def hold(self) -> None:
        """Come to rest, and follow nothing."""
        self._tracker.hold()

    def lose(self) -> None:
        """Follow no sender that does not know that power was lost."""
        self._unaware = True

    def place(self, positions: Sequence[float], stamp: int | None) -> None:
        """Take the joints to rest at positions, rad, at an instant of the stream, ns, or none."""
        self._tracker.place(positions)
        self.stamp = stamp
        if stamp is None:
            self._starts.clear()

    def step(self, now: float, *, waits: bool) -> tuple[float, ...]:
        """Go on to an instant, s, or, waiting, come to rest on the path; give positions, rad."""
        self._tracker.wait(waits=waits)
        positions = self._tracker.step(now)
        time = self._tracker.time
        if time is not None and self._tracker.on_path:
            # A message replaces those that start later; the newest that has started is in force.
            for start, stamp in reversed(self._starts):
                if start <= time:
                    self.stamp = stamp + round((time - start) * NANOSECONDS)
                    break
        return positions
