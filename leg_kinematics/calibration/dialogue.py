# Copyright 2026 The leg_kinematics authors
# SPDX-License-Identifier: Apache-2.0
"""The way through a calibration: what a person is asked, and what becomes of every answer.

It knows neither terminal nor clock. Whoever shows it asks for the `question`, hands answers on, and
calls `step` all the time. A servo moves only by an answer, and by the rules of the bench.

A joint goes through the stages of `Stage`, in their order. What is found out is in the file of
readings at once, and whoever comes back later goes on where that ends. Undoing takes the last step
back, in the file as well.
"""

import enum
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, replace
from math import degrees, radians

from leg_kinematics.calibration import dialogue_words as say
from leg_kinematics.calibration.bench import Answered, Bench
from leg_kinematics.calibration.joint_notes import (
    JointNotes,
    JointResult,
    JointTask,
    Target,
    fit_of,
    notes_of,
    results_of,
)
from leg_kinematics.calibration.joint_readings import (
    AngleRead,
    EndFound,
    HornFitted,
    JointEntry,
    OutputFound,
    SignSeen,
)
from leg_kinematics.calibration.measured import Reading, ServoFit
from leg_kinematics.calibration.question import Finish, Question
from leg_kinematics.calibration.readings_file import ReadingsFile
from leg_kinematics.calibration.trail import Trail
from leg_kinematics.robot import parse_quantity
from leg_kinematics.robot.units import split_quantity

#: A pulse is come to from so far away, µs: more than slack and dead band take.
RUN_UP_US = 60.0

#: The end of the pulses is so far from where a stop was touched, µs.
MARGIN_US = 10.0

#: Fine steps, µs.
FINE_US = (5.0, 20.0)

#: No protractor shows more, rad.
MOST_ANGLE = radians(180.0)


class Stage(enum.Enum):
    """Where a joint is on its way; from `HORN` to `READ` its servo has pulses."""

    POWER = enum.auto()
    """Nothing has pulses: shall this servo?"""
    HORN = enum.auto()
    """It holds the pulse at which its horn is fitted."""
    DIRECTION = enum.auto()
    """It makes a small move: what moves, and which way?"""
    LONGER = enum.auto()
    """Step by step to longer pulses: is it free?"""
    SHORTER = enum.auto()
    """The same to shorter pulses."""
    READ = enum.auto()
    """It stands at a pulse: what is the angle?"""
    RESULT = enum.auto()
    """What was read, and what it is worth."""
    SUMMARY = enum.auto()
    """All joints: shall it be written?"""


POWERED = frozenset({Stage.HORN, Stage.DIRECTION, Stage.LONGER, Stage.SHORTER, Stage.READ})


@dataclass(frozen=True)
class _Place:
    """Where the dialogue is; what was measured is in the file.

    Attributes
    ----------
    index
        Of the joint; the number of joints in the summary.
    stage
        Of this joint.
    pulse_us
        Where the servo shall stand, µs; None before its first pulse.
    free
        Between which pulses it may, µs; None before its first pulse.
    looked
        Whether a look waits for its verdict.
    touched
        Whether a stop was touched on the way to this end.
    plan
        Where angles are still to be read; the first one is where the servo stands.

    """

    index: int
    stage: Stage
    pulse_us: float | None = None
    free: tuple[float, float] | None = None
    looked: bool = False
    touched: bool = False
    plan: tuple[Target, ...] = ()


class Dialogue:
    """Leads through the calibration of joints.

    Parameters
    ----------
    tasks
        The joints, in the order in which they are measured, one or more.
    file
        Of readings.
    bench
        That moves the servos.

    Attributes
    ----------
    finish
        How it ended; None while it goes on.
    words
        What the last answer has led to, or what has happened since; empty where the question says
        it all.

    """

    def __init__(self, tasks: Sequence[JointTask], file: ReadingsFile, bench: Bench) -> None:
        """Begin with the first joint of which something is not measured yet."""
        self._tasks = tuple(tasks)
        self._file = file
        self._bench = bench
        self._trail: Trail[_Place] = Trail(file)
        self._orders: list[Callable[[], Answered]] = []
        self._fine = FINE_US[0]
        self._obeyed = False
        self.finish: Finish | None = None
        self.words = ''
        self._place = self._first_open(0)
        if len(self._tasks) == 1 and self.stage is Stage.SUMMARY:
            self._place = _Place(0, Stage.RESULT)

    # ---- what is known

    @property
    def stage(self) -> Stage:
        """Where it is."""
        return self._place.stage

    @property
    def task(self) -> JointTask | None:
        """The joint that it is about; None in the summary."""
        return self._tasks[self._place.index] if self._place.index < len(self._tasks) else None

    @property
    def results(self) -> Mapping[str, JointResult]:
        """What can be written, by joint."""
        return results_of(self._tasks, self._file)

    @property
    def ended(self) -> bool:
        """Whether nothing is asked any more."""
        return self.finish is not None

    @property
    def moving(self) -> bool:
        """Whether the servo is on its way, or is to be."""
        return bool(self._orders) or self._bench.busy

    def question(self) -> Question:
        """Say what a person is asked now."""
        task = self.task
        if task is None:
            return say.summary(self._tasks, self.results)
        if self._lacks_power:
            return say.power_again(task, self._power_pulse(task))
        if self.stage is Stage.RESULT:
            return say.result(task, self._notes(task), self._fit(task))
        return self._question_at_bench(task)

    def _question_at_bench(self, task: JointTask) -> Question:
        place = self._place
        match place.stage:
            case Stage.POWER:
                return say.power(task, self._notes(task))
            case Stage.HORN:
                return say.horn(task)
            case Stage.DIRECTION:
                return say.direction(task, looked=place.looked)
            case Stage.READ:
                return say.read(task, place.plan, self._notes(task), self._fine)
        longer = place.stage is Stage.LONGER
        step = self._bench.longest_step(task.output, upward=longer)
        return say.look(task, self._free, step, longer=longer, looked=place.looked)

    # ---- answers

    def choose(self, key: str) -> None:
        """Take a key; one that the question does not name changes nothing.

        Raises
        ------
        DescriptionError
            The file of readings cannot be written; the question stays the same.

        """
        self.words = ''
        task = self.task
        if key not in {choice.key for choice in self.question().choices}:
            self.words = f'the key {key} means nothing here'
        elif key == 'q':
            self.finish = Finish.LEFT
        elif key == 'u':
            self._undo()
        elif key == 'x':
            self._pulses_off()
        elif task is None:
            self.finish = Finish.WRITE
        elif key == 'k':
            self._end_joint()
        elif self._lacks_power:
            self._power_again(task)
        else:
            self._choose_in_stage(task, key)

    def _choose_in_stage(self, task: JointTask, key: str) -> None:
        match self.stage:
            case Stage.POWER:
                self._power(task, anew=key == 'b')
            case Stage.HORN:
                self._horn_fitted(task)
            case Stage.DIRECTION:
                self._direction(task, key)
            case Stage.LONGER | Stage.SHORTER:
                self._explore(task, key, longer=self.stage is Stage.LONGER)
            case Stage.READ:
                self._adjust(task, key)
            case _:
                self._judge(task, key)

    def enter(self, text: str) -> None:
        """Take an angle that was read off, as it was typed: in degrees where it has no unit.

        Raises
        ------
        DescriptionError
            The file of readings cannot be written; the question stays the same.

        """
        self.words = ''
        task, place = self.task, self._place
        if task is None or self.question().typed is None:
            self.words = f'no angle is asked for here: {text} was not taken'
        elif self.moving:
            self.words = f'the servo is on its way: {text} was not taken; read it at rest'
        elif (angle := _angle_of(text)) is None:
            self.words = f'{text!r} is no angle: type degrees from -180 to 180, such as -12.5'
        else:
            target = place.plan[0]
            reading = Reading(target.pulse_us, angle, target.approached)
            self._read_next(task, AngleRead(task.joint, reading))
            self.words = f'taken: {degrees(angle):.4g} deg at {target.pulse_us:g} us'

    # ---- time

    def step(self) -> None:
        """Go on with what was ordered, and see whether the servo still obeys."""
        obeys = self._obeys
        if self._obeyed and not obeys and self.stage in POWERED:
            self._orders.clear()
            self._place = replace(self._place, looked=False)
            self.words = f'the servo does not obey any more: {self._bench.condition()}'
        self._obeyed = obeys
        if self._orders and obeys and not self._bench.busy:
            answer = self._orders.pop(0)()
            if not answer.success:
                self._orders.clear()
                self.words = answer.words

    # ---- stages

    def _power(self, task: JointTask, *, anew: bool) -> None:
        """Give the servo its first pulse: for a new horn, or to go on with what is known."""
        notes = JointNotes() if anew else self._notes(task)
        pulse = task.fitting.pulse_us
        low = min(pulse, pulse if notes.lowest_us is None else notes.lowest_us)
        high = max(pulse, pulse if notes.highest_us is None else notes.highest_us)
        place = replace(self._place, pulse_us=pulse, free=(low, high))
        if self._first_pulse(task, (low, high), pulse):
            if notes.horn_fitted:
                self._go_on(task, place, notes)
            else:
                self._take(replace(place, stage=Stage.HORN))

    def _first_pulse(self, task: JointTask, free: tuple[float, float], pulse_us: float) -> bool:
        """Order the first pulse, and where the servo may go from there; tell whether it comes."""
        return self._order(self._bench.allow(task.output, *free)) and self._order(
            self._bench.power(task.output, pulse_us)
        )

    def _power_again(self, task: JointTask) -> None:
        """Give a servo its pulses again, and have it go where it was to stand."""
        if self._first_pulse(task, self._free, self._power_pulse(task)):
            self._orders = self._way_to(task, self._place)

    def _horn_fitted(self, task: JointTask) -> None:
        """Note it, and make the small move."""
        fitted = HornFitted(task.joint, task.fitting.pulse_us, task.fitting.angle)
        self._take(replace(self._place, stage=Stage.DIRECTION), fitted)
        self._look(task, upward=True)

    def _direction(self, task: JointTask, key: str) -> None:
        """Take what was seen to move."""
        match key:
            case 'a':
                self._look(task, upward=True)
            case 't':
                if self._order(self._bench.touched(task.output)):
                    self._place = replace(self._place, looked=False)
            case 'z' | 'o':
                self._pulses_off()
                self._take(_Place(self._place.index, Stage.POWER))
                self.words = say.nothing_moved(task) if key == 'z' else say.other_moved(task)
            case _:
                if self._order(self._bench.free(task.output)):
                    sign = SignSeen(task.joint, 1 if key == 'p' else -1)
                    found = OutputFound(task.joint, *task.output)
                    notes = replace(self._notes(task), sign=sign.sign)
                    self._go_on(task, self._after_look(task), notes, found, sign)

    def _explore(self, task: JointTask, key: str, *, longer: bool) -> None:
        """Take a verdict about a look, and make the next one; or end here."""
        looked, bench = self._place.looked, self._bench
        if key == 't':
            if not self._order(bench.touched(task.output)):
                return
            place = replace(self._after_look(task), touched=True)
        elif looked:
            if not self._order(bench.free(task.output)):
                return
            place = self._after_look(task)
        else:
            place = self._place
        if key == 'e' or bench.longest_step(task.output, upward=longer) == 0.0:
            self._end_found(task, place, longer=longer)
            return
        if looked:
            self._take(place)
        if key == 'enter':
            self._look(task, upward=longer)

    def _end_found(self, task: JointTask, place: _Place, *, longer: bool) -> None:
        low, high = place.free or self._free
        margin = min(MARGIN_US, (high - low) / 4.0) if place.touched else 0.0
        notes = self._notes(task)
        if longer:
            end = EndFound(task.joint, 'highest', high - margin)
            notes = replace(notes, highest_us=end.pulse_us)
        else:
            end = EndFound(task.joint, 'lowest', low + margin)
            notes = replace(notes, lowest_us=end.pulse_us)
        self._go_on(task, replace(place, touched=False), notes, end)

    def _adjust(self, task: JointTask, key: str) -> None:
        """Go on, or a little aside, where an angle is to be read."""
        place = self._place
        if key == 'c':
            self._fine = FINE_US[1 - FINE_US.index(self._fine)]
        elif key == 'd':
            self._orders.clear()
            self._take(replace(place, stage=Stage.RESULT, plan=()))
        elif key == 'n':
            self._read_next(task)
        else:
            target, *rest = place.plan
            pulse = target.pulse_us + (self._fine if key == 'w' else -self._fine)
            low, high = self._free
            if not low <= pulse <= high:
                self.words = f'{pulse:g} us is beyond the {low:g} to {high:g} us that are free'
                return
            self._read_at(task, place, (Target(pulse, target.approached), *rest))

    def _read_next(self, task: JointTask, *entries: JointEntry) -> None:
        self._read_at(task, self._place, self._place.plan[1:], *entries)

    def _read_at(
        self, task: JointTask, place: _Place, plan: Sequence[Target], *entries: JointEntry
    ) -> None:
        """Have the servo go where the next angle is to be read, or tell the result."""
        before, rests = self._place, not self.moving
        stage = Stage.READ if plan else Stage.RESULT
        self._take(replace(place, stage=stage, plan=tuple(plan)), *entries)
        if plan:
            self._orders = self._way_to(task, self._place, before if rests else None)
            self._place = replace(self._place, pulse_us=plan[0].pulse_us)

    def _judge(self, task: JointTask, key: str) -> None:
        """Take or refuse a result."""
        fit = self._fit(task)
        if key == 'b':
            self._pulses_off()
            self._take(_Place(self._place.index, Stage.POWER))
        elif key == 'enter':
            self._end_joint()
        elif isinstance(fit, ServoFit) and fit.next_reading is not None:
            target = Target(fit.next_reading.pulse_us, fit.next_reading.approached)
            free = self._place.free or self._notes(task).ends
            self._read_at(task, replace(self._place, free=free), (target,))

    def _go_on(
        self, task: JointTask, place: _Place, notes: JointNotes, *entries: JointEntry
    ) -> None:
        """Go to the first stage of which something is not known yet."""
        if notes.sign is None:
            self._take(replace(place, stage=Stage.DIRECTION), *entries)
        elif notes.highest_us is None:
            self._take(replace(place, stage=Stage.LONGER), *entries)
        elif notes.lowest_us is None:
            self._take(replace(place, stage=Stage.SHORTER), *entries)
        else:
            self._read_at(task, place, notes.plan, *entries)

    def _end_joint(self) -> None:
        """Switch the servo off, and go to the next joint."""
        if self._bench.output is not None:
            self._pulses_off()
        self._take(self._first_open(self._place.index + 1))

    # ---- steps

    def _take(self, place: _Place, *entries: JointEntry) -> None:
        """Go on to a place, and write what was found out on the way."""
        self._trail.step(self._place, *entries)
        self._place = place

    def _undo(self) -> None:
        """Take the last step back: of this session, and then of those before."""
        before = self._trail.back()
        if before is not None:
            self._return_to(replace(before, looked=False))
            self.words = self.words or 'taken back'
            return
        last = self._file.entries[-1] if self._file.entries else None
        of = [task.joint for task in self._tasks]
        if not isinstance(last, JointEntry) or last.joint not in of:
            self.words = 'there is nothing here that could be taken back'
            return
        self._file.take_back()
        self._return_to(_Place(of.index(last.joint), Stage.POWER))
        self.words = f'taken back: {say.entry_in_words(last)}'

    def _return_to(self, place: _Place) -> None:
        """Have the servo stand where it did, if it has pulses; it gets none by this."""
        same = place.index == self._place.index
        self._orders.clear()
        self._place = place
        task = self.task
        if task is None or not same or place.stage is Stage.POWER:
            if self._bench.output is not None:
                self._pulses_off()
        elif self._obeys and place.free is not None and place.pulse_us is not None:
            now = self._bench.free_range(task.output) or place.free
            inside = min(max(place.pulse_us, now[0]), now[1])
            free = place.free
            self._orders = [
                lambda: self._bench.go(task.output, inside),
                lambda: self._bench.allow(task.output, *free),
                *self._way_to(task, place),
            ]

    def _first_open(self, index: int) -> _Place:
        """Give the first joint from here on of which something is not measured yet."""
        for each in range(index, len(self._tasks)):
            if not self._notes(self._tasks[each]).complete:
                return _Place(each, Stage.POWER)
        return _Place(len(self._tasks), Stage.SUMMARY)

    # ---- the bench

    @property
    def _obeys(self) -> bool:
        """Whether the servo of this joint has its pulses and can be moved."""
        task = self.task
        return task is not None and self._bench.obeys and self._bench.output == task.output

    @property
    def _lacks_power(self) -> bool:
        return self.stage in POWERED and not self._obeys and not self._bench.busy

    @property
    def _free(self) -> tuple[float, float]:
        """Where the servo may be in this stage, which has one."""
        free = self._place.free
        if free is None:
            raise AssertionError(f'{self.stage} without a range')
        return free

    def _power_pulse(self, task: JointTask) -> float:
        """Where a servo gets its pulses again: where it shall stand."""
        low, high = self._free
        pulse = self._place.pulse_us
        return min(max(task.fitting.pulse_us if pulse is None else pulse, low), high)

    def _look(self, task: JointTask, *, upward: bool) -> None:
        step = self._bench.longest_step(task.output, upward=upward)
        if step == 0.0:
            self.words = 'there is no room this way: undo, and fit the horn so that there is'
        elif self._order(self._bench.look(task.output, step if upward else -step)):
            self._place = replace(self._place, looked=True)

    def _after_look(self, task: JointTask) -> _Place:
        """Where one is after a verdict: the servo stands at the end to which it looked."""
        free = self._bench.free_range(task.output) or self._free
        upward = self.stage is not Stage.SHORTER
        return replace(
            self._place, free=free, looked=False, pulse_us=free[1] if upward else free[0]
        )

    def _way_to(
        self, task: JointTask, place: _Place, before: _Place | None = None
    ) -> list[Callable[[], Answered]]:
        """Orders that lead to where an angle is read, from its side; or where the servo stood."""
        bench, output = self._bench, task.output
        if not place.plan:
            stood = place.pulse_us
            return [] if stood is None else [lambda: bench.go(output, stood)]
        target, (low, high) = place.plan[0], place.free or self._free
        up = target.approached == 'up'
        start = target.pulse_us - RUN_UP_US if up else target.pulse_us + RUN_UP_US
        start = min(max(start, low), high)
        goes_on = (
            before is not None
            and before.pulse_us is not None
            and before.stage is Stage.READ
            and bool(before.plan)
            and before.plan[0].approached == target.approached
            and (before.pulse_us <= target.pulse_us) is up
        )
        way = [lambda: bench.go(output, target.pulse_us)]
        return way if goes_on else [lambda: bench.go(output, start), *way]

    def _pulses_off(self) -> None:
        self._orders.clear()
        self._place = replace(self._place, looked=False)
        self._obeyed = False
        self._order(self._bench.release())

    def _order(self, answer: Answered) -> bool:
        """Take what became of an order; its words are those for the person."""
        self.words = answer.words
        if not answer.success:
            self._orders.clear()
        return answer.success

    # ---- the file

    def _notes(self, task: JointTask) -> JointNotes:
        return notes_of(self._file, task)

    def _fit(self, task: JointTask) -> ServoFit | str:
        return fit_of(task, self._notes(task))


def _angle_of(text: str) -> float | None:
    """Read an angle as people type it, rad; None where it is none."""
    typed = text.strip().replace(',', '.').removesuffix('°').strip()
    try:
        number, unit = split_quantity(typed, 'angle')
        angle = parse_quantity(f'{number} {unit or "deg"}', 'angle')
    except ValueError:
        return None
    return angle if abs(angle) <= MOST_ANGLE else None
