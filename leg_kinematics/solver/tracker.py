# Copyright 2026 The leg_kinematics authors
# SPDX-License-Identifier: Apache-2.0
"""Following a stream of joint trajectories without ever jumping."""

from collections import deque
from collections.abc import Sequence
from math import copysign, inf, sqrt

from leg_kinematics.solver.trajectory import Trajectory

#: A stream whose last point is this long ago has fallen silent, s.
SILENT_AFTER = 0.25

#: Offsets that differ by more mean that the sender's clock was set, s.
CLOCK_STEP = 1.0

#: Messages over which the fastest delivery is sought.
WINDOW = 100

#: When the fastest delivery changes by no more than this, the stream is played a little faster or
#: slower until it fits again, so that its time never jumps, s.
EVEN = 0.02

#: How much faster or slower.
SLEW = 0.01


class StreamClock:
    """Places the stamps of a sender on our own clock.

    The offset of the two clocks and the delay of the fastest recent message are one number, the
    smallest difference of receipt and stamp in a window. By it a stream plays as evenly as it
    was stamped, whatever the jitter of its delivery and wherever the sender's clock stands.
    """

    def __init__(self) -> None:
        """Know nothing yet."""
        self._offsets: deque[float] = deque(maxlen=WINDOW)
        self._offset = 0.0
        self._received = 0.0

    def start(self, stamp: float, received: float) -> float:
        """When on our clock a message starts, s; a stamp of zero means now."""
        if stamp == 0.0:
            return received
        offset = received - stamp
        if self._offsets and abs(offset - min(self._offsets)) > CLOCK_STEP:
            self._offsets.clear()
        known = bool(self._offsets)
        self._offsets.append(offset)
        change = min(self._offsets) - self._offset
        if known and abs(change) <= EVEN:
            most = SLEW * (received - self._received)
            change = max(-most, min(most, change))
        self._offset += change
        self._received = received
        return stamp + self._offset


class Tracker:
    """Joint positions that follow trajectories within limits of speed and acceleration.

    What comes out is a motion that no joint makes faster than its speed, whose speed changes no
    faster than the acceleration, and from which every joint can still brake within its range,
    whatever the stream does and whenever `step` is called. Into a stream that keeps these limits
    the joints fall in exactly, and reproduce it without lag.

    After a silence, of the stream or of whoever calls, the joints close in on the stream at the
    catch-up speed, together and, towards a goal at rest, on a straight line of joint space; they
    stop there without going beyond. Once in the stream they follow at full speed again.

    A stream that ends is at rest at its last point: joints that are moving then brake, and come
    back to that point, because it is the last pose in which all feet fit together.

    Parameters
    ----------
    positions
        Where the joints are, at rest, rad.
    speeds
        Highest speed of each joint, rad/s.
    catch_up_speed
        Highest speed, seen from the stream, on the way back into it, rad/s.
    acceleration
        Highest acceleration of every joint, rad/s^2.
    ranges
        Lowest and highest position of each joint, rad, shape (joints, 2).

    """

    def __init__(
        self,
        positions: Sequence[float],
        speeds: Sequence[float],
        catch_up_speed: float,
        acceleration: float,
        ranges: Sequence[tuple[float, float]],
    ) -> None:
        """Hold the positions."""
        self._speeds = tuple(speeds)
        self._catch_up_speed = catch_up_speed
        self._acceleration = acceleration
        self._ranges = tuple(ranges)
        self._positions = tuple(positions)
        self._velocities = (0.0,) * len(self._positions)
        self._trajectory: Trajectory | None = None
        self._start = 0.0
        self._coming: deque[tuple[Trajectory, float]] = deque()
        self._now = 0.0
        self._following = False
        self._cut_off = False

    @property
    def positions(self) -> tuple[float, ...]:
        """Where the joints shall be now, rad."""
        return self._positions

    @property
    def following(self) -> bool:
        """Tell whether the joints are in a stream, neither silent nor on the way back."""
        return self._following

    @property
    def cut_off(self) -> bool:
        """Tell whether the stream followed last fell silent in motion, so that one is wanted."""
        return self._cut_off

    def follow(self, trajectory: Trajectory, start: float) -> None:
        """Replace what is followed, from a time of our clock on, s, when the trajectory starts.

        Until then what was followed goes on. It replaces as well all that would start later.
        """
        while self._coming and self._coming[-1][1] >= start:
            self._coming.pop()
        self._coming.append((trajectory, start))
        self._cut_off = False

    def hold(self) -> None:
        """Follow nothing and brake; what comes next is reached at the catch-up speed."""
        self._trajectory = None
        self._coming.clear()
        self._following = False

    def place(self, positions: Sequence[float]) -> None:
        """Say where the joints are, at rest, rad, and hold there."""
        self._positions = tuple(positions)
        self._velocities = (0.0,) * len(self._positions)
        self._cut_off = False
        self.hold()

    def step(self, now: float) -> tuple[float, ...]:
        """Advance to a time of our clock, s; returns the positions, rad."""
        dt = now - self._now
        self._now = now
        while self._coming and (self._trajectory is None or self._coming[0][1] <= now):
            self._trajectory, self._start = self._coming.popleft()
        if self._trajectory is not None and now > self._start + self._trajectory.end + SILENT_AFTER:
            self._cut_off = any(self._trajectory.velocities[-1])
            self.hold()
        if dt > SILENT_AFTER:
            # We were away ourselves, and the joints have come to rest where we left them. The
            # time that passed is no reason to hurry.
            self._velocities = (0.0,) * len(self._positions)
            self._following = False
        else:
            self._advance(now, dt)
        return self._positions

    def _advance(self, now: float, dt: float) -> None:
        if self._trajectory is None:
            self._brake(dt)
            return
        goal, rates = self._trajectory.state(now - self._start)
        if self._can_be_at(goal, rates, dt):
            self._positions, self._velocities = goal, rates
            self._following = True
        else:
            self._move(self._approach(goal, rates, dt), dt)

    def _can_be_at(self, goal: Sequence[float], rates: Sequence[float], dt: float) -> bool:
        """Whether every joint can be at its goal, at its rate there, and go on from it."""
        most = self._acceleration * dt
        for p, v, q, w, speed, (lowest, highest) in zip(
            self._positions, self._velocities, goal, rates, self._speeds, self._ranges, strict=True
        ):
            # What lies between the two ways from v to w that change speed late and early.
            spare = (most * most - (w - v) ** 2) / (4.0 * self._acceleration)
            braking = w * w / (2.0 * self._acceleration)
            if (
                abs(w) > speed
                or abs(q - p) > speed * dt
                or abs(q - p - 0.5 * (v + w) * dt) > spare
                or braking > (highest - q if w > 0.0 else q - lowest)
            ):
                return False
        return True

    def _approach(self, goal: Sequence[float], rates: Sequence[float], dt: float) -> list[float]:
        """Velocities that lead the joints to their goals, to be there together.

        In a stream they lead straight to the goals, which stays close to a path that the joints
        are late on. On the way back into a stream they do so as seen from the goals, which move
        at their rates: otherwise the joints would never get into a walk. How fast a joint may
        close in is bounded by its speed, on the way back by the catch-up speed, by its
        acceleration, and by its way to brake to the rate of its goal.
        """
        frames = [0.0] * len(rates) if self._following else rates
        ways, bounds = [], []
        for p, v, q, w, frame, speed in zip(
            self._positions, self._velocities, goal, rates, frames, self._speeds, strict=True
        ):
            way = q - frame * dt - p
            toward = copysign(1.0, way)
            ahead = toward * (w - frame)
            stopping = _still_stops(abs(way) - ahead * dt, toward * (v - w), self._acceleration, dt)
            ways.append(way)
            bounds.append(
                min(
                    speed - toward * frame,
                    speed if self._following else self._catch_up_speed,
                    toward * (v - frame) + self._acceleration * dt,
                    ahead + stopping,
                )
            )
        # A joint that has to turn first does not keep the others waiting.
        time = max(
            (abs(way) / bound for way, bound in zip(ways, bounds, strict=True) if bound > 0.0),
            default=0.0,
        )
        wanted = []
        for way, bound, frame, speed in zip(ways, bounds, frames, self._speeds, strict=True):
            pace = min(abs(way) / time if time else 0.0, bound)
            wanted.append(max(-speed, min(speed, frame + copysign(1.0, way) * pace)))
        return wanted

    def _brake(self, dt: float) -> None:
        """Bring every joint to rest as fast as allowed."""
        positions, velocities = [], []
        for p, v in zip(self._positions, self._velocities, strict=True):
            time = min(dt, abs(v) / self._acceleration)
            after = v - copysign(self._acceleration * time, v)
            positions.append(p + 0.5 * (v + after) * time)
            velocities.append(after)
        self._positions, self._velocities = tuple(positions), tuple(velocities)

    def _move(self, wanted: Sequence[float], dt: float) -> None:
        """Change the velocities towards those wanted as far as allowed, and move by them."""
        most = self._acceleration * dt
        positions, velocities = [], []
        for p, v, u, (lowest, highest) in zip(
            self._positions, self._velocities, wanted, self._ranges, strict=True
        ):
            up = _still_stops(highest - p, v, self._acceleration, dt)
            down = _still_stops(p - lowest, -v, self._acceleration, dt)
            after = max(v - most, min(v + most, max(-down, min(up, u))))
            velocities.append(after)
            # The bounds are kept but for rounding, and a position beyond them has no pulse.
            positions.append(max(lowest, min(highest, p + 0.5 * (v + after) * dt)))
        self._positions, self._velocities = tuple(positions), tuple(velocities)


def _still_stops(way: float, velocity: float, acceleration: float, dt: float) -> float:
    """Highest velocity after a time from which a joint can still brake within its way.

    The velocity changes evenly during the time. Whoever keeps to it stops exactly at the end of
    the way, however uneven the times are: what is left is always a way to brake.

    Parameters
    ----------
    way
        To the point not to be passed, rad.
    velocity
        Towards it at the beginning, rad/s.
    acceleration
        Bound, rad/s^2.
    dt
        The time, s.

    Returns
    -------
    float
        In rad/s; infinitely far back when no velocity will do.

    """
    most = acceleration * dt
    square = most * most + 4.0 * acceleration * (2.0 * way - velocity * dt)
    return 0.5 * (sqrt(square) - most) if square >= 0.0 else -inf
