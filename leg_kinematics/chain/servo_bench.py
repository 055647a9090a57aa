# Copyright 2026 The leg_kinematics authors
# SPDX-License-Identifier: Apache-2.0
"""One servo at a time, by its pulse: the bench on which servos are tried and measured.

Who has power is the state machine of `power.py`, as for a robot, with one servo in the place of
all legs. The first pulse of a servo cannot be ramped, since nobody knows where it stands: it runs
there at full speed. From then on it moves no faster than the ramp, only by an order, and only where
its joint is known to be free (`free_range.py`).
"""

from collections.abc import Callable, Mapping
from dataclasses import dataclass

from leg_kinematics.board import Boards, BoardsStatus, Output
from leg_kinematics.calibration import ServoMap
from leg_kinematics.chain.driving_words import left_in_words, missing_boards, release_in_words
from leg_kinematics.chain.free_range import FreeRange
from leg_kinematics.chain.outputs import SAME_PULSE_US, output_of
from leg_kinematics.chain.power import Event, Power, PowerState
from leg_kinematics.chain.supply import Supply
from leg_kinematics.chain.values import Answer, Condition, Level
from leg_kinematics.errors import BoardError, CommandError
from leg_kinematics.robot import Robot

#: How fast a servo is moved unless told otherwise, µs/s: some 20 degrees in a second.
RAMP_US_PER_S = 200.0

#: How long a servo stays a step beyond its free range before it goes back by itself, s: one that
#: presses against a stop draws its stall current.
LOOK_HELD = 2.0

#: A board that has not switched the pulses on for so long is told not to any more, s.
POWER_WITHIN = 1.0

#: How long a release waits for its boards before it is answered, s.
PATIENCE = 0.1

#: While a board owes an answer to a pose for longer, the servo stays where it was sent, s.
LATE = 0.05

#: A step that comes later moves the servo no farther than one that comes after so long, s.
LONGEST_TICK = 0.05


def servo_ranges(robot: Robot, maps: Mapping[str, ServoMap]) -> dict[Output, tuple[float, float]]:
    """Lowest and highest pulse of every output by the servo models of the description, µs.

    Parameters
    ----------
    robot
        The description.
    maps
        Of its joints, by name; of these, board and channel count.

    """
    return {
        output_of(maps[joint]): link.servo.pulse_us
        for leg in robot.legs
        for joint, link in zip(leg.joints, leg.links, strict=True)
        if joint in maps
    }


def name_of(output: Output) -> str:
    """Name a servo output for a person."""
    board, channel = output
    return f'channel {channel} of board {board}'


@dataclass
class _Powered:
    """The servo that has pulses, or is to get them.

    Attributes
    ----------
    output
        Where it is connected.
    pulse_us, target_us
        What it is sent now, and where it is going.
    asked
        Whether the board was asked to switch its pulses on, and since when it is to, s.
    looked_at
        Since when it has been at the end of a look, s; None while it is not.

    """

    output: Output
    pulse_us: float
    target_us: float
    asked: bool = False
    asked_at: float | None = None
    looked_at: float | None = None


class ServoBench:
    """Moves one servo at a time, by its pulse, when a person asks for it.

    Parameters
    ----------
    boards
        That the servos are connected to, with `ranges` as their limits. Their reaction to silence
        is what becomes of a powered servo if this program ends.
    ranges
        Lowest and highest pulse of every servo by the description, µs: `servo_ranges`.
    ramp_us_per_s
        How fast a servo is moved, µs/s.

    """

    def __init__(
        self,
        boards: Boards,
        ranges: Mapping[Output, tuple[float, float]],
        *,
        ramp_us_per_s: float = RAMP_US_PER_S,
    ) -> None:
        """Open nothing yet."""
        self._boards = boards
        self._ranges = dict(ranges)
        self._ramp = ramp_us_per_s
        self._free: dict[Output, FreeRange] = {}
        self._power = Power()
        self._supply = Supply()
        self._supply_gone = False
        self._opened = self._taken_over = False
        self._status = BoardsStatus({})
        self._let_go = 0
        self._now: float | None = None
        self._powered: _Powered | None = None

    # ---- what is known

    @property
    def state(self) -> PowerState:
        """Who has power: `FOLLOWING` means that the servo has its pulses and obeys."""
        return self._power.state

    @property
    def status(self) -> BoardsStatus:
        """What the last step knew of the boards."""
        return self._status

    @property
    def output(self) -> Output | None:
        """The servo that has pulses or is to get them; None where none is known to."""
        return self._powered.output if self._powered is not None else None

    @property
    def pulse_us(self) -> float | None:
        """The pulse that this servo is sent now, µs; None where there is no such servo."""
        return self._powered.pulse_us if self._powered is not None else None

    @property
    def obeys(self) -> bool:
        """Whether this servo has its pulses and can be moved."""
        return self.state is PowerState.FOLLOWING

    @property
    def moving(self) -> bool:
        """Whether the servo is on its way to where it was sent."""
        powered = self._powered
        return (
            powered is not None
            and self.state is PowerState.FOLLOWING
            and powered.pulse_us != powered.target_us
        )

    @property
    def busy(self) -> bool:
        """Whether what was ordered is still being done: powering, moving, or looking."""
        powered = self._powered
        if powered is None or self.state is not PowerState.FOLLOWING:
            return self.state is PowerState.ENABLING
        beyond = powered.pulse_us != self._free[powered.output].nearest(powered.pulse_us)
        return self.moving or beyond

    @property
    def release_confirmed(self) -> bool:
        """Whether every board has confirmed the latest release."""
        links = self._status.links
        return bool(links) and all(link.release_confirmed for link in links.values())

    def free_range(self, output: Output) -> tuple[float, float] | None:
        """Lowest and highest pulse at which a joint is known to be free, µs; None before any."""
        free = self._free.get(output)
        return None if free is None else (free.lowest, free.highest)

    def longest_step(self, output: Output, *, upward: bool) -> float:
        """Longest step of the next look beyond an end, µs; 0 where the stop or the end is found."""
        free = self._free.get(output)
        return 0.0 if free is None else free.longest_step(upward=upward)

    def condition(self) -> Condition:
        """Say how the bench is."""
        status, powered = self._status, self._powered
        if self.state is PowerState.RELEASED:
            return Condition(
                Level.WARN, 'released', f'{self._power.reason}; {release_in_words(status)}'
            )
        if not self._opened:
            return Condition(Level.OK, 'closed')
        if not self._taken_over:
            return Condition(Level.WARN, 'waiting for boards', missing_boards(status))
        if self.state is PowerState.LOST and powered is not None:
            return Condition(
                Level.ERROR,
                f'lost board {powered.output[0]}',
                f'{name_of(powered.output)} may still have pulses of about {powered.pulse_us:.0f} '
                'us: use the switch, or mend the line; trying to reopen',
            )
        if low := status.low_supplies:
            volts = [f'{supply:.1f} V' for supply in low.values() if supply is not None]
            return Condition(
                Level.WARN,
                f'low supply voltage of board {", ".join(low)}',
                '; '.join([*volts, 'release the servo, and charge the battery before going on']),
            )
        return self._condition_of_servo()

    def _condition_of_servo(self) -> Condition:
        powered = self._powered
        if self.state is PowerState.UNPOWERED:
            return Condition(Level.OK, 'no servo has pulses')
        if powered is None:
            return Condition(
                Level.WARN, 'servos were found with pulses', f'{self._on_in_words()}: release them'
            )
        name = name_of(powered.output)
        where = f'{name} at {powered.pulse_us:.0f} us'
        match self.state:
            case PowerState.ENABLING:
                return Condition(Level.OK, 'powering', where)
            case PowerState.HOLDING:
                return Condition(Level.WARN, 'holding', f'{where}: power it to go on, or release')
        if self.busy:
            return Condition(Level.OK, 'moving', f'{where}, to {powered.target_us:.0f} us')
        return Condition(Level.OK, 'at rest', where)

    def _on_in_words(self) -> str:
        return ', '.join(map(name_of, sorted(self._status.enabled)))

    # ---- orders

    def open(self) -> Answer:
        """Begin to look for the boards, and go on until they are found. Nothing gets pulses."""
        if not self._opened:
            self._opened, self._taken_over = True, False
            self._boards.open()
            self._status = self._boards.status()
        return Answer(success=True, words='looking for the boards')

    def close(self) -> Answer:
        """Let go of the boards as they are; says which servo keeps its pulses, and for how long.

        A servo beyond its free range is released first, since it may be pressing against its stop.
        The boards repeat nothing once they are closed: after a release that was not confirmed,
        step until `release_confirmed` and close then.
        """
        powered = self._powered
        if powered is not None and self.state is PowerState.FOLLOWING:
            nearest = self._free[powered.output].nearest(powered.pulse_us)
            if powered.pulse_us != nearest:
                self._release('the bench was closed while a servo was looking', PATIENCE)
        on = self._on_in_words() if self._opened else ''
        unheard = release_in_words(self._status) if self._status.released else ''
        confirmed = self.release_confirmed
        self._boards.close()
        self._opened = False
        self._powered = None
        self._status = BoardsStatus({})
        if self.state is not PowerState.RELEASED:
            self._power = Power()
        if unheard and not confirmed:
            return Answer(success=False, words=unheard)
        if not on:
            return Answer(success=True, words='no servo has pulses')
        return Answer(success=True, words=left_in_words(on, self._boards.silence))

    def power(self, output: Output, pulse_us: float | None = None) -> Answer:
        """Give one servo its pulses, if no other servo has any.

        The first pulse cannot be ramped: the servo runs to it at full speed from wherever it
        stands. A servo that was found with pulses keeps them, and goes on from there at the ramp.

        Parameters
        ----------
        output
            The servo.
        pulse_us
            The first pulse, µs; the middle of what is known to be free unless given, or, where
            nothing is, of the range of the description.

        """
        refusal = self._refusal_to_power(output)
        if refusal:
            return Answer(success=False, words=f'not powered: {refusal}')
        found = self._powered if output in self._status.enabled else None
        try:
            powered = self._first_pulse(output, pulse_us) if found is None else found
            if found is not None and pulse_us is not None:
                self._free[output].check(pulse_us)
                found.target_us = pulse_us
            if self._status.released:
                self._boards.rearm()
        except (CommandError, BoardError) as error:
            return Answer(success=False, words=f'not powered: {error}')
        self._powered = powered
        unpowered = self.state is PowerState.UNPOWERED
        self._power.happen(Event.ACTIVATE if unpowered else Event.REARM)
        name = name_of(output)
        if found is not None:
            return Answer(success=True, words=f'{name} goes on from {found.pulse_us:.0f} us')
        return Answer(
            success=True,
            words=f'{name} gets pulses of {powered.pulse_us:g} us: it runs there at full speed, '
            'from wherever it stands: keep hands away',
        )

    def _refusal_to_power(self, output: Output) -> str:
        """Say why a servo gets no pulses; empty where it may."""
        status = self._status
        if not self._opened:
            return 'no board is open'
        if not self._taken_over:
            return missing_boards(status)
        if status.lost:
            return f'board {", ".join(status.lost)} cannot be reached'
        if self._supply_gone:
            return 'the supply of the servos is gone: switch it on first'
        return self._refusal_beside_others(output)

    def _refusal_beside_others(self, output: Output) -> str:
        """Say which servo, known or powered already, keeps another from its pulses."""
        powered = self._powered
        if output not in self._ranges:
            return f'{name_of(output)} is not in the servo maps'
        if powered is not None and self.state in {PowerState.ENABLING, PowerState.FOLLOWING}:
            if powered.output == output:
                return f'{name_of(output)} has its pulses already'
            return f'one servo at a time: {name_of(powered.output)} has pulses; release it first'
        if self._status.enabled - ({output} if powered is not None else frozenset()):
            return f'{self._on_in_words()} has pulses already: release first'
        return ''

    def _first_pulse(self, output: Output, pulse_us: float | None) -> _Powered:
        low, high = self._ranges[output]
        free = self._free.get(output)
        ends = (low, high) if free is None else (free.lowest, free.highest)
        pulse = sum(ends) / 2.0 if pulse_us is None else pulse_us
        if free is None:
            if not low <= pulse <= high:
                raise CommandError(
                    f'{pulse:g} us is not within {low:g} to {high:g} us, the pulses of this servo '
                    'by the description'
                )
            self._free[output] = FreeRange((low, high), pulse, pulse)
        else:
            free.check(pulse)
            free.looked = None
        return _Powered(output, pulse, pulse)

    def allow(self, output: Output, lowest: float, highest: float) -> Answer:
        """Take a person's word that a joint is free between two pulses, µs, and only there.

        Refused beyond the range of the description, and while the servo stands elsewhere.
        """
        powered = self._powered
        if output not in self._ranges:
            return Answer(success=False, words=f'{name_of(output)} is not in the servo maps')
        if (
            powered is not None
            and powered.output == output
            and not all(lowest <= each <= highest for each in (powered.pulse_us, powered.target_us))
        ):
            return Answer(
                success=False,
                words=f'not allowed: {name_of(output)} is at {powered.pulse_us:.0f} us, which is '
                f'not within {lowest:g} to {highest:g} us: release it, or go there first',
            )

        def widen() -> str:
            widest = self._ranges[output]
            free = self._free.get(output) or FreeRange(widest, *widest)
            free.allow(lowest, highest)
            self._free[output] = free
            return f'{name_of(output)} may turn from {lowest:g} to {highest:g} us'

        return _obeyed('not allowed', widen)

    def go(self, output: Output, pulse_us: float) -> Answer:
        """Move the powered servo to a pulse, µs, at the ramp, within its free range."""

        def move(powered: _Powered, free: FreeRange) -> str:
            free.check(pulse_us)
            free.looked = None
            self._head_for(powered, pulse_us)
            seconds = abs(pulse_us - powered.pulse_us) / self._ramp
            return f'{name_of(output)} goes to {pulse_us:g} us, in {seconds:.1f} s'

        return self._order('not moved', output, move)

    def nudge(self, output: Output, step_us: float) -> Answer:
        """Move the powered servo on from where it is going, by so many µs, as `go` does."""
        powered = self._powered
        start = powered.target_us if powered is not None else 0.0
        return self.go(output, start + step_us)

    def halt(self) -> Answer:
        """Stop the powered servo where it is; one beyond its free range goes back into it."""
        if self._powered is None:
            return Answer(success=True, words='no servo has pulses')

        def stop(powered: _Powered, free: FreeRange) -> str:
            free.looked = None
            self._head_for(powered, free.nearest(powered.pulse_us))
            return f'{name_of(powered.output)} stops at {powered.target_us:.0f} us'

        return self._order('not stopped', self._powered.output, stop)

    def look(self, output: Output, step_us: float) -> Answer:
        """Move one step beyond the free range, upwards or downwards, and soon back to its end.

        Afterwards, or while the servo is there, the person says `free` or `touched`.

        Parameters
        ----------
        output
            The powered servo.
        step_us
            Beyond the highest pulse for more than 0, else beyond the lowest, µs; no longer than
            `longest_step`.

        """

        def move(powered: _Powered, free: FreeRange) -> str:
            if any(each != free.nearest(each) for each in (powered.pulse_us, powered.target_us)):
                raise CommandError('the last look has not ended: judge it, or halt')
            pulse = free.look(step_us)
            self._head_for(powered, pulse)
            return (
                f'{name_of(output)} goes to {pulse:g} us, and after {LOOK_HELD:g} s there back: '
                'watch whether the joint turns all the way, and listen'
            )

        return self._order('not moved', output, move)

    def free(self, output: Output) -> Answer:
        """Take a person's word that the last look turned freely: the free range grows by it."""

        def grow(powered: _Powered, free: FreeRange) -> str:
            self._check_look_ended(powered, free)
            free.say_free()
            self._head_for(powered, free.nearest(powered.pulse_us))
            return f'{name_of(output)} is free from {free.lowest:g} to {free.highest:g} us'

        return self._order('not taken', output, grow)

    def touched(self, output: Output) -> Answer:
        """Take a person's word that the last look met something: back, and shorter steps from now.

        It is obeyed while the servo is still on its way, too.
        """

        def turn_back(powered: _Powered, free: FreeRange) -> str:
            upward = (free.looked or 0.0) > free.highest
            free.say_touched()
            self._head_for(powered, free.nearest(powered.pulse_us))
            longest = free.longest_step(upward=upward)
            found = 'the stop is found' if longest == 0.0 else f'the next step: {longest:g} us'
            return f'{name_of(output)} goes back to {powered.target_us:g} us; {found}'

        return self._order('not taken', output, turn_back)

    def release(self) -> Answer:
        """Stop all pulses, in every state; tell how far that has come.

        It is repeated until every board has confirmed it, and while it has not, no servo gets
        pulses.
        """
        self._release('a release was ordered', PATIENCE)
        return Answer(success=self.release_confirmed, words=release_in_words(self._status))

    def _order(self, no: str, output: Output, do: Callable[[_Powered, FreeRange], str]) -> Answer:
        """Carry out an order for the powered servo, or say why not."""
        powered = self._powered
        if powered is None or powered.output != output:
            return Answer(
                success=False, words=f'{no}: {name_of(output)} was not powered: {self.condition()}'
            )
        if self.state is not PowerState.FOLLOWING:
            return Answer(success=False, words=f'{no}: {self.condition()}')
        return _obeyed(no, lambda: do(powered, self._free[output]))

    def _check_look_ended(self, powered: _Powered, free: FreeRange) -> None:
        if free.looked is not None and powered.target_us == free.looked != powered.pulse_us:
            raise CommandError('the servo is still on its way: wait until it is there')

    @staticmethod
    def _head_for(powered: _Powered, pulse_us: float) -> None:
        powered.target_us = pulse_us
        powered.looked_at = None

    # ---- time

    def step(self, now: float) -> None:
        """Advance to an instant, s: see what became of the boards, and send the next pulse.

        It is called all the time, while a person thinks as well: some 50 times a second, and no
        more seldom than a third of what the boards call silence.
        """
        seconds = 0.0 if self._now is None else min(now - self._now, LONGEST_TICK)
        self._now = now
        if not self._opened:
            return
        self._status = self._boards.status()
        self._see(now)
        powered = self._powered
        if powered is None or self.state is PowerState.LOST:
            return
        if self.state is PowerState.FOLLOWING:
            self._advance(powered, now, seconds)
        self._boards.set_pulses({powered.output: powered.pulse_us}, self._status)
        if self.state is PowerState.ENABLING and not powered.asked:
            powered.asked, powered.asked_at = True, now
            self._boards.enable([powered.output])

    def _advance(self, powered: _Powered, now: float, seconds: float) -> None:
        """Move on at the ramp, and come back from a look that has lasted long enough."""
        waiting = self._status.links[powered.output[0]].board.waiting
        if waiting is not None and waiting > LATE:
            return
        way = powered.target_us - powered.pulse_us
        longest = self._ramp * seconds
        if abs(way) > longest:
            powered.pulse_us += longest if way > 0.0 else -longest
            return
        powered.pulse_us = powered.target_us
        nearest = self._free[powered.output].nearest(powered.pulse_us)
        if powered.pulse_us == nearest:
            return
        if powered.looked_at is None:
            powered.looked_at = now
        elif now - powered.looked_at >= LOOK_HELD:
            self._head_for(powered, nearest)

    def _see(self, now: float) -> None:
        """See what has happened to the boards, and apply it to the power."""
        status = self._status
        if not self._taken_over:
            if status.found:
                self._taken_over = True
                self._let_go = status.let_go
                if status.found_again and self._power.happen(Event.FOUND_ON):
                    self._adopt(status.found_again)
            return
        if status.let_go != self._let_go:
            self._let_go = status.let_go
            self._lose('the pulses went off: a board restarted or released them')
        self._supply_gone = self._supply.gone(status, now)
        if self._supply_gone and self.state is not PowerState.RELEASED:
            self._lose('the supply of the servos is gone')
        powered = self._powered
        if powered is not None:
            self._see_servo(powered, now)

    def _see_servo(self, powered: _Powered, now: float) -> None:
        """See what has happened to the servo that has pulses, or is to get them."""
        status, state = self._status, self.state
        on = powered.output in status.enabled
        if powered.output[0] in status.lost:
            self._power.happen(Event.LINE_LOST)
        elif state is PowerState.LOST or powered.output in status.found_again:
            self._find_again()
        elif state is PowerState.ENABLING and on:
            self._power.happen(Event.ALL_ON)
        elif (
            state is PowerState.ENABLING
            and powered.asked_at is not None
            and now - powered.asked_at > POWER_WITHIN
        ):
            error = status.links[powered.output[0]].last_error or 'it does not say why'
            self._release(f'the board did not switch the pulses on ({error})')
        if status.enabled - {powered.output} and self.state is not PowerState.RELEASED:
            self._release(f'more than one servo has pulses: {self._on_in_words()}')

    def _find_again(self) -> None:
        """Go on from the pulse that the board still puts out, and wait there for a word."""
        powered = self._powered
        self._power.happen(Event.LINE_LOST)
        if powered is None or powered.output not in self._status.enabled:
            self._lose('the board was found again without pulses')
            return
        output = powered.output
        self._free[output].looked = None
        pulse = self._status.found_again.get(output, powered.pulse_us)
        nearest = self._free[output].nearest(pulse)
        if abs(nearest - pulse) > SAME_PULSE_US:
            self._release(
                f'{name_of(output)} was found again at {pulse:g} us, beyond where its joint is '
                'known to be free'
            )
            return
        self._powered = _Powered(output, nearest, nearest)
        self._power.happen(Event.LINE_BACK)

    def _adopt(self, found: Mapping[Output, float]) -> None:
        """Keep the one servo that had pulses when the boards were found where it is."""
        if len(found) != 1:
            return
        ((output, pulse),) = found.items()
        if output in self._ranges:
            low, high = self._ranges[output]
            pulse = min(max(pulse, low), high)
            free = self._free.setdefault(output, FreeRange((low, high), pulse, pulse))
            if abs(free.nearest(pulse) - pulse) <= SAME_PULSE_US:
                pulse = free.nearest(pulse)
                self._powered = _Powered(output, pulse, pulse)

    def _lose(self, reason: str) -> None:
        """Note that pulses went off without an order, and switch off what is left."""
        if self.state is not PowerState.RELEASED and self._power.happen(Event.ALL_OFF, reason):
            self._stop_all(0.0)

    def _release(self, reason: str, patience: float = 0.0) -> None:
        self._power.happen(Event.RELEASE, reason)
        self._stop_all(patience)

    def _stop_all(self, patience: float) -> None:
        if self._powered is not None:
            free = self._free[self._powered.output]
            free.looked = None
        self._powered = None
        self._boards.release(patience)
        self._status = self._boards.status()


def _obeyed(no: str, do: Callable[[], str]) -> Answer:
    try:
        return Answer(success=True, words=do())
    except CommandError as error:
        return Answer(success=False, words=f'{no}: {error}')
