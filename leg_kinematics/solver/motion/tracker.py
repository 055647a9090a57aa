# Copyright 2026 The leg_kinematics authors
# SPDX-License-Identifier: Apache-2.0
"""Following a stream of joint trajectories without ever jumping."""

from collections import deque
from collections.abc import Sequence
from math import copysign, inf, sqrt

from leg_kinematics.solver.motion.trajectory import Trajectory

#: A stream whose last point is this long ago has fallen silent, s.
SILENT_AFTER = 0.25

#: Offsets that differ by more mean that the sender's clock was set, s.
CLOCK_STEP = 1.0

#: Messages over which the fastest delivery is sought.
DELIVERIES_COMPARED = 100

#: When the fastest delivery changes by no more than this, the stream is played a little faster or
#: slower until it fits again, so that its time never jumps, s.
EVENED_OUT = 0.02

#: How much faster or slower.
EVENING_OUT_SHARE = 0.01

#: A gap of a stream no longer than this is bridged by the cubic between its ends, s. Over twice the
#: time a foot that lands or lifts meanwhile would be pressed or raised by millimetres. Ticks of the
#: slowest rate, 10 Hz, are no gap.
LONGEST_GAP = 0.105

#: Joints that are farther behind their stream than this are not in it any more, s.
FAR_BEHIND = 0.3

#: A stream that goes on elsewhere in full motion is chased only after this, so that a sender who
#: listens can come back to where the joints are, s.
CHASE_AFTER = 1.0

#: How much faster a stream is played that the joints are behind of.
CATCHING_UP_SHARE = 0.05

#: A stream comes to rest, and sets off again, within this time, s; longer where the joints need it.
SLOWING_TIME = 0.03

#: Of the acceleration of a joint, what slowing down along its path may ask for.
SLOWING_SHARE = 0.5


class StreamClock:
    """Places the stamps of a sender on our own clock.

    The offset of the two clocks and the delay of the fastest recent message are one number, the
    smallest difference of receipt and stamp in a window. By it a stream plays as evenly as it
    was stamped, whatever the jitter of its delivery and wherever the sender's clock stands. Stamps
    that go back tell that it was set back, since messages of one sender keep their order.
    """

    def __init__(self) -> None:
        """Know nothing yet."""
        self._offsets: deque[float] = deque(maxlen=DELIVERIES_COMPARED)
        self._offset = 0.0
        self._received = 0.0
        self._stamp = 0.0

    def start(self, stamp: float, received: float) -> float:
        """When on our clock a message starts, s; a stamp of zero means now."""
        if stamp == 0.0:
            return received
        offset = received - stamp
        if self._offsets and (stamp < self._stamp or abs(offset - min(self._offsets)) > CLOCK_STEP):
            self._offsets.clear()
        self._stamp = stamp
        known = bool(self._offsets)
        self._offsets.append(offset)
        change = min(self._offsets) - self._offset
        if known and abs(change) <= EVENED_OUT:
            most = EVENING_OUT_SHARE * (received - self._received)
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

    A stream that breaks off in motion is played more slowly towards its end, so that the joints
    come to rest in its last point without leaving its path: all feet fit together there, and all
    the way to it. When it goes on they do so along the path. A single point has no path: joints
    that are moving then brake, and come back to it. A stream that goes on somewhere else begins
    at rest, or is chased after a while; then the joints close in on it as after a silence. What
    ends at rest is played to its end, even if the joints had to wait on their way.

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
        self._time: float | None = None
        self._rate = 0.0
        self._path_speed = 0.0
        self._left_at = -inf
        self._lag = 0.0
        self._following = False
        self._holding = False
        self._waits = False
        self._cut_off = False

    @property
    def positions(self) -> tuple[float, ...]:
        """Where the joints shall be now, rad."""
        return self._positions

    @property
    def velocities(self) -> tuple[float, ...]:
        """How fast the joints shall move now, rad/s."""
        return self._velocities

    @property
    def time(self) -> float | None:
        """Instant of the stream, on our clock, that the joints have come to, s.

        It stays where the stream was left; None while no stream has been followed since `place`.
        """
        return self._time

    @property
    def lag(self) -> float:
        """How far the joint that is farthest behind is from where the stream wants it, rad."""
        return self._lag

    @property
    def following(self) -> bool:
        """Tell whether the joints are in a stream, neither silent nor on the way back."""
        return self._following

    @property
    def on_path(self) -> bool:
        """Tell whether the joints are on the path of their stream: in it, or coming to rest."""
        return self._following or (self._holding and self._trajectory is not None)

    @property
    def cut_off(self) -> bool:
        """Tell whether the stream followed last fell silent in motion, so that one is wanted."""
        return self._cut_off

    def follow(self, trajectory: Trajectory, start: float) -> None:
        """Replace what is followed, from a time of our clock on, s, when the trajectory starts.

        Until then what was followed goes on, but for a stream that was held and is to stand now.
        It replaces as well all that would start later.
        """
        if self._holding and not any(trajectory.velocities[0]):
            self._trajectory = None
        while self._coming and self._coming[-1][1] >= start:
            self._coming.pop()
        self._bridge_gap(trajectory, start + trajectory.times[0])
        self._coming.append((trajectory, start))
        self._holding = False
        self._cut_off = False

    def resting_places(self, start: float) -> tuple[float, ...]:
        """Where each joint comes to rest if it brakes from an instant of our clock on, s; in rad.

        Of what starts later than now, that is on the path that is followed until then.
        """
        positions, velocities = self._positions, self._velocities
        before = [(each, begun) for each, begun in self._coming if begun < start]
        if self._trajectory is not None and self._following:
            before.insert(0, (self._trajectory, self._start))
        if start > self._now and before:
            trajectory, begun = before[-1]
            positions, velocities = trajectory.state(start - begun)
        return tuple(
            max(lowest, min(highest, p + 0.5 * v * abs(v) / self._acceleration))
            for p, v, (lowest, highest) in zip(positions, velocities, self._ranges, strict=True)
        )

    def hold(self) -> None:
        """Come to rest, on the path of the stream if the joints are on it, and follow nothing.

        What comes next is reached at the catch-up speed.
        """
        self._coming.clear()
        if not self._following or self._lag > 0.0:
            self._trajectory = None
        self._holding = True
        self._following = False

    def wait(self, *, waits: bool) -> None:
        """Come to rest on the path of the stream, and stay in it, until told otherwise."""
        self._waits = waits

    def place(self, positions: Sequence[float]) -> None:
        """Say where the joints are, at rest, rad, and hold there."""
        self._positions = tuple(positions)
        self._velocities = (0.0,) * len(self._positions)
        self._cut_off = False
        self._time = None
        self._following = False
        self.hold()

    def step(self, now: float) -> tuple[float, ...]:
        """Advance to a time of our clock, s; returns the positions, rad."""
        dt = now - self._now
        self._now = now
        if dt > SILENT_AFTER:
            # We were away ourselves, and the joints have come to rest where we left them. The
            # time that passed is no reason to hurry.
            self._velocities = (0.0,) * len(self._positions)
            self._following = False
            self._rate = 0.0
            if self._holding:
                self._trajectory = None
        else:
            self._advance(now, dt)
        return self._positions

    def _advance(self, now: float, dt: float) -> None:
        if self._holding:
            self._slow_down(dt)
            return
        before = self._time
        self._choose(now, dt)
        if self._trajectory is None or self._time is None:
            self._brake(dt)
            return
        end = self._start + self._trajectory.end
        in_motion = any(self._trajectory.velocities[-1])
        late = not in_motion and before is not None and before < end
        if now > end + SILENT_AFTER and not self._coming and not late:
            self._cut_off = in_motion
            self._trajectory = None
            self._following = False
            self._brake(dt)
            return
        self._follow_to(*self._state(), now, dt)

    def _state(self) -> tuple[tuple[float, ...], tuple[float, ...]]:
        """Positions and rates that the stream asks for at its present instant."""
        if self._trajectory is None or self._time is None:
            raise RuntimeError('no stream is followed')
        goal, rates = self._trajectory.state(self._time - self._start)
        self._path_speed = max(map(abs, rates))
        if self._rate != 1.0:
            rates = tuple(self._rate * rate for rate in rates)
        return goal, rates

    def _follow_to(
        self, goal: tuple[float, ...], rates: tuple[float, ...], now: float, dt: float
    ) -> None:
        if self._can_be_at(goal, rates, dt):
            self._positions, self._velocities = goal, rates
            self._following = True
            self._left_at = now
        else:
            self._move(self._approach(goal, rates, dt), dt)
        self._lag = max(abs(q - p) for p, q in zip(self._positions, goal, strict=True))

    def _choose(self, now: float, dt: float) -> None:
        """Advance the time of the stream, and take up what starts by then."""
        if self._time is None:
            if not self._coming:
                return
            self._join(now)
        elif self._meets(now):
            last = self._coming[-1] if self._coming else (self._trajectory, self._start)
            self._time = self._next_time(self._time, now, dt, *last)
        elif self._may_join(now):
            self._join(now)
        else:
            self._time = self._next_time(self._time, now, dt, self._trajectory, self._start)
            return
        time = now if self._time is None else self._time
        while self._coming and (self._trajectory is None or self._coming[0][1] <= time):
            self._trajectory, self._start = self._coming.popleft()

    def _meets(self, now: float) -> bool:
        """Tell whether what comes next goes on where the joints are, or will be."""
        if not self._coming or self._time is None:
            return True
        end = self._time if self._trajectory is None else self._start + self._trajectory.end
        trajectory, start = self._coming[0]
        first = start + trajectory.times[0]
        return now - self._time <= FAR_BEHIND and first <= max(end, self._time) + LONGEST_GAP

    def _may_join(self, now: float) -> bool:
        """Tell whether a stream that goes on elsewhere is joined there.

        What begins at rest is, at once; what is in motion, when nobody has come back to where the
        joints are.
        """
        # The latest that has started counts.
        while len(self._coming) > 1 and self._coming[1][1] <= now:
            self._coming.popleft()
        trajectory, start = self._coming[0]
        at_rest = not any(trajectory.velocities[0])
        return start <= now and (at_rest or now - self._left_at > CHASE_AFTER)

    def _join(self, now: float) -> None:
        """Go into the stream where it is now, from wherever the joints are."""
        self._time, self._rate = now, 1.0
        self._trajectory = None
        self._following = False

    def _next_time(
        self, time: float, now: float, dt: float, known: Trajectory | None, start: float
    ) -> float:
        """Instant of the stream after dt more seconds, on the way to now.

        It goes no farther than what is known, and slows down before the end of that if the joints
        are in motion there.
        """
        if known is None:
            return time
        behind = now - dt - time
        quickness = self._quickness()
        wanted = 1.0 if behind <= 0.0 else 1.0 + CATCHING_UP_SHARE
        if self._waits:
            wanted = max(0.0, self._rate - quickness * dt)
        rate = min(wanted, self._rate + quickness * dt)
        if any(known.velocities[-1]) and len(known.times) > 1:
            left = max(0.0, start + known.end - time)
            rate = min(rate, max(0.0, _still_stops(left, self._rate, quickness, dt)))
        steady = self._rate >= 1.0 and rate >= 1.0
        advanced = time + (rate if steady else 0.5 * (self._rate + rate)) * dt
        if steady and (behind <= 0.0 or advanced >= now):
            self._rate = 1.0
            return now
        self._rate = rate
        return min(advanced, now)

    def _quickness(self) -> float:
        """How fast the rate of the stream may change, 1/s."""
        share = SLOWING_SHARE * self._acceleration
        return share / max(self._path_speed, share * SLOWING_TIME)

    def _bridge_gap(self, trajectory: Trajectory, start: float) -> None:
        """Join what is known of the stream to what comes after a short gap."""
        before, begun = self._coming[-1] if self._coming else (self._trajectory, self._start)
        if before is None or self._time is None or not any(before.velocities[-1]):
            return
        end = begun + before.end
        if end < start <= end + LONGEST_GAP:
            way = Trajectory(
                (0.0, start - end),
                (before.positions[-1], trajectory.positions[0]),
                (before.velocities[-1], trajectory.velocities[0]),
            )
            self._coming.append((way, end))

    def _slow_down(self, dt: float) -> None:
        """Come to rest, along the path if there is one."""
        if self._trajectory is not None and self._time is not None and self._rate > 0.0:
            rate = max(0.0, self._rate - self._quickness() * dt)
            time = self._time + 0.5 * (self._rate + rate) * dt
            goal, rates = self._trajectory.state(time - self._start)
            rates = tuple(rate * each for each in rates)
            if self._can_be_at(goal, rates, dt):
                self._time, self._rate = time, rate
                self._positions, self._velocities = goal, rates
                return
        self._trajectory = None
        self._brake(dt)

    def _can_be_at(self, goal: Sequence[float], rates: Sequence[float], dt: float) -> bool:
        """Whether every joint can be at its goal, at its rate there, and go on from it."""
        most = self._acceleration * dt
        closing = inf if self._following or self._holding else self._catch_up_speed * dt
        for p, v, q, w, speed, (lowest, highest) in zip(
            self._positions, self._velocities, goal, rates, self._speeds, self._ranges, strict=True
        ):
            # What lies between the two ways from v to w that change speed late and early.
            spare = (most * most - (w - v) ** 2) / (4.0 * self._acceleration)
            braking = w * w / (2.0 * self._acceleration)
            if (
                abs(w) > speed
                or abs(q - p) > speed * dt
                or not min(0.0, w * dt) - closing <= q - p <= max(0.0, w * dt) + closing
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
