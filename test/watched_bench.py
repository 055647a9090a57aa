# Copyright 2026 The leg_kinematics authors
# SPDX-License-Identifier: Apache-2.0
"""Servos on a bench in lock step, watched: what must hold in every tick, whatever happens.

What is judged are the pulses of the simulated boards and the answers to orders, against what the
boards really did. The watch keeps its own account of the words that were given. The rules are those
that the project gives itself; there is no source outside it for them.
"""

from collections.abc import Callable, Mapping
from typing import TYPE_CHECKING

from leg_kinematics.board import BoardDriver, Boards, BoardSpec, Output, Reaction, SilenceAction
from leg_kinematics.board.simulated.line import SimulatedDriver, SimulatedLine
from leg_kinematics.board.simulated.servo import ServoDynamics
from leg_kinematics.board.simulated.true_servo import TrueJoint, TrueServo
from leg_kinematics.chain.power import PowerState
from leg_kinematics.chain.servo_bench import ServoBench
from leg_kinematics.chain.values import Answer

if TYPE_CHECKING:
    from test.stepped_bench import TICK, SteppedBench
else:
    from stepped_bench import TICK, SteppedBench

#: µs/s.
RAMP = 200.0

#: The range of every servo by the description, µs.
WIDEST = (500.0, 2500.0)

#: Pulses are sent in half microseconds, µs.
ROUNDING = 0.25 + 1e-9

#: No look may go farther beyond what is known to be free, µs, nor stay there for longer, s: the way
#: out and back at the ramp, and the time that it is held.
FARTHEST_LOOK = 50.0
LONGEST_LOOK = 2.0 + 2.0 * FARTHEST_LOOK / RAMP

#: What may be late: a tick until it is seen, one until it is done.
LATE = 3 * TICK

#: While a board cannot be reached it may hold what it has; noticing takes so long, s: 0.5 for a
#: silent line, 0.1 until the next look at it, and the silence of the board itself.
UNREACHED = 1.2

A: Output = ('left', 3)
B: Output = ('left', 4)
C: Output = ('right', 3)

#: All of them, with a servo on each.
OUTPUTS = (A, B, C)


#: A board that does not answer makes the servo wait after 50 ms; it is sent on for no longer, s.
GOES_ON = 0.05 + 2 * TICK

#: A servo that was to be powered and was not within this time stays off, s.
POWERED_WITHIN = 1.1


class WatchedBench(SteppedBench[ServoBench]):
    """A bench with two boards and three servos.

    Parameters
    ----------
    reaction
        Of the boards to silence.
    truths
        Of the servos; ordinary ones unless given.
    new_driver
        For the line to a board.

    Attributes
    ----------
    bench, boards, lines, joints
        What is stepped.
    now
        s.
    allowed
        Between which pulses each servo may go by the words that were given, µs.
    ons
        Times that a board switched a servo on.

    """

    def __init__(
        self,
        reaction: Reaction = Reaction.RELEASE,
        truths: Mapping[Output, TrueServo] | None = None,
        new_driver: Callable[[SimulatedLine], BoardDriver] = SimulatedDriver,
    ) -> None:
        """Do nothing yet."""
        known = truths or {}
        self.joints = {out: TrueJoint(known.get(out) or TrueServo(out[1])) for out in OUTPUTS}
        self.lines = {
            name: SimulatedLine(
                ServoDynamics(4000.0, 4.0),
                servos={out[1]: joint for out, joint in self.joints.items() if out[0] == name},
            )
            for name in ('left', 'right')
        }
        ranges = dict.fromkeys(OUTPUTS, WIDEST)
        self.boards = Boards(
            [BoardSpec(name, 'simulated', name) for name in self.lines],
            ranges,
            SilenceAction(reaction, 0.5),
            new_driver=lambda port: new_driver(self.lines[port]),
            threads=False,
        )
        self.bench = ServoBench(self.boards, ranges, ramp_us_per_s=RAMP)
        self.now = 100.0
        self.allowed: dict[Output, tuple[float, float]] = {}
        self.ons = 0
        self._word: tuple[Output, float] | None = None
        self._looked: tuple[Output, float] | None = None
        self._beyond_since: float | None = None
        self._unreached_at = -1e9
        self._before = self.pulses_us

    def follow_on(self, other: 'WatchedBench') -> None:
        """Sit at the boards that another bench has left, as they are."""
        self.now = other.now
        self.lines.update(other.lines)
        self.joints.update(other.joints)
        self._before = self.pulses_us

    # ---- words of a person

    def power(self, output: Output, pulse_us: float | None = None) -> Answer:
        """Order a servo to be powered; only a success is a word."""
        on, known = self.pulses_us, output in self.allowed
        answer = self.bench.power(output, pulse_us)
        if answer.success:
            assert not on.keys() - {output}, f'{output} is powered beside {on}'
            self._word = None if output in on else (output, self.now)
            if not known:
                first = self.bench.pulse_us
                assert first is not None
                self.allowed[output] = (first, first)
        return answer

    def allow(self, output: Output, lowest: float, highest: float) -> Answer:
        """Say that a joint is free between two pulses."""
        answer = self.bench.allow(output, lowest, highest)
        if answer.success:
            assert WIDEST[0] <= lowest <= highest <= WIDEST[1]
            self.allowed[output] = (lowest, highest)
        return answer

    def look(self, output: Output, step_us: float) -> Answer:
        """Order a look beyond the free range."""
        answer = self.bench.look(output, step_us)
        if answer.success:
            assert abs(step_us) <= FARTHEST_LOOK
            self._looked = output, self.allowed[output][step_us > 0.0] + step_us
        return answer

    def free(self, output: Output) -> Answer:
        """Say that the last look turned freely."""
        answer = self.bench.free(output)
        if answer.success:
            assert self._looked is not None
            assert self._looked[0] == output
            (low, high), looked = self.allowed[output], self._looked[1]
            self.allowed[output] = min(low, looked), max(high, looked)
            self._beyond_since = None
        return answer

    def release(self) -> Answer:
        """Order a release, and see whether the answer is true."""
        answer = self.bench.release()
        self._word = None
        if answer.success:
            assert not self.pulses_us, f'{answer.words}, but there is {self.pulses_us}'
            assert self.reached
        elif self.bench.status.links and self.reached and self.bench.status.found:
            # What can be reached and was found is told at once, unless it was lost meanwhile.
            assert self.bench.status.lost, answer.words
        return answer

    # ---- time

    def arrive(self) -> None:
        """Advance until the servo is where it was sent."""
        self.until(lambda: not self.bench.moving)

    def bring_up(self, output: Output = A, pulse_us: float = 1500.0) -> None:
        """Open the boards and power a servo."""
        assert self.bench.open().success
        self.run(0.1)
        answer = self.power(output, pulse_us)
        assert answer.success, answer.words
        self.until(lambda: self.bench.state is PowerState.FOLLOWING)

    def judge(self) -> None:
        """Judge what the tick has led to."""
        pulses, before = self.pulses_us, self._before
        self._before = pulses
        if not self.reached:
            self._unreached_at = self.now
        assert len(pulses) <= 1, f'several servos have pulses: {pulses}'
        for output, pulse in pulses.items():
            if output not in before:
                self.ons += 1
                asked, at = self._word or (None, 0.0)
                assert asked == output, f'nobody asked for pulses on {output}'
                assert self.now - at < POWERED_WITHIN
                self._word = None
            else:
                way = abs(pulse - before[output])
                longest = GOES_ON if self.now - self._unreached_at < UNREACHED else TICK
                assert way <= RAMP * longest + 2.0 * ROUNDING, f'jumped by {way} us'
            self._judge_place(output, pulse)
        if not pulses:
            self._beyond_since = None

    def _judge_place(self, output: Output, pulse: float) -> None:
        if output not in self.allowed:
            return  # it was found so, and is judged by not having moved
        low, high = self.allowed[output]
        if low - ROUNDING <= pulse <= high + ROUNDING:
            self._beyond_since = None
            return
        assert self._looked is not None
        looked, place = self._looked
        assert looked == output
        ends = min(low, place) - ROUNDING, max(high, place) + ROUNDING
        assert ends[0] <= pulse <= ends[1], f'{pulse} us is beyond {ends}'
        if self._beyond_since is None:
            self._beyond_since = self.now
        longest = LONGEST_LOOK + LATE
        if self.now - self._unreached_at < UNREACHED + LONGEST_LOOK:
            longest += UNREACHED
        if self.reached:
            assert self.now - self._beyond_since <= longest, f'{pulse} us was held too long'


#: A person looks for so long before the verdict, s.
LOOKED_AT = 0.5


def seek_stop(watched: WatchedBench, output: Output, *, upward: bool) -> list[tuple[float, float]]:
    """Look for a stop as an honest person does; give each step and how far it pressed, µs."""
    joint, bench = watched.joints[output], watched.bench
    pressed: list[tuple[float, float]] = []
    while step := bench.longest_step(output, upward=upward):
        assert len(pressed) < 100, 'the stop is never found'
        begun = watched.now
        assert watched.look(output, step if upward else -step).success
        worst = 0.0
        while bench.moving or watched.now - begun < LOOKED_AT:
            watched.step()
            worst = max(worst, joint.pressed_us)
        pressed.append((step, worst))
        answer = watched.free(output) if worst == 0.0 else bench.touched(output)
        assert answer.success, answer.words
        watched.settle()
    return pressed
