# Copyright 2026 The leg_kinematics authors
# SPDX-License-Identifier: Apache-2.0
"""The calibration of a leg from the first question to the last, with a person who is played.

The servos are simulated, with truths that only the protractor shows. `WatchedBench` judges every
tick: no pulse beyond what was allowed, never two servos, no jump.
"""

from collections.abc import Callable
from dataclasses import replace
from datetime import date
from math import degrees
from pathlib import Path
from random import Random
from typing import TYPE_CHECKING, cast

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from leg_kinematics.board import Output
from leg_kinematics.board.simulated.true_servo import TrueServo
from leg_kinematics.calibration.bench import Bench
from leg_kinematics.calibration.dialogue import Dialogue, Stage
from leg_kinematics.calibration.horn import horn_fitting
from leg_kinematics.calibration.joint_notes import JointTask
from leg_kinematics.calibration.joint_readings import AngleRead
from leg_kinematics.calibration.question import Finish
from leg_kinematics.calibration.readings_file import ReadingsFile
from leg_kinematics.robot import Robot, load_robot

if TYPE_CHECKING:
    from test.stepped_bench import TICK
    from test.watched_bench import OUTPUTS, A, B, WatchedBench
else:
    from stepped_bench import TICK
    from watched_bench import OUTPUTS, A, B, WatchedBench

CONFIG = Path(__file__).parents[2] / 'config'
TODAY = date(2026, 11, 30)

#: Orders that the watch has to hear.
WORDS = ('power', 'allow', 'look', 'free', 'release')

#: A person looks at a joint that has moved for so long, s.
LOOKED_AT = 0.2

#: No stop may be pressed farther than by one step, µs.
FARTHEST_PRESSED = 50.0

#: More answers than any session here takes.
MOST_ANSWERS = 600

#: Every key that means something somewhere, and some that mean nothing.
KEYS = ('enter', *'abcdeknopqstuwxyz', 'unknown key')


class Session:
    """A dialogue at a watched bench, and the person at it.

    Parameters
    ----------
    file
        Of readings; it may be there.
    truths
        Of the servos.
    joints
        Of the leg, so many.
    before
        The session after which one comes back; its boards are taken over.

    """

    def __init__(
        self,
        file: Path,
        truths: dict[Output, TrueServo] | None = None,
        joints: int = 1,
        before: 'Session | None' = None,
    ) -> None:
        """Open the boards."""
        self.path = file
        self.robot = load_robot(CONFIG / 'robots' / 'bench_leg.yaml')
        self.watched = WatchedBench(truths=truths)
        if before is not None:
            before.watched.bench.close()
            self.watched.follow_on(before.watched)
            for _ in range(round(1.0 / TICK)):
                self.watched.now += TICK
                for line in self.watched.lines.values():
                    line.advance(self.watched.now)
        self.file = ReadingsFile(file, self.robot, TODAY)
        self.dialogue = Dialogue(tasks_of(self.robot)[:joints], self.file, cast('Bench', self))
        self.pressed = 0.0
        self.enough: Callable[[float], bool] = lambda _: False
        self.read: Callable[[float], str] = lambda angle: f'{angle:.1f}'
        self._swing = (0.0, 0.0)
        self._way = 0.0
        self.watched.bench.open()
        self.watched.run(1.0)

    def __getattr__(self, name: str) -> object:
        """Be the bench of the dialogue, with the words of a person heard by the watch."""
        return getattr(self.watched if name in WORDS else self.watched.bench, name)

    @property
    def task(self) -> JointTask:
        """The joint that it is about."""
        task = self.dialogue.task
        assert task is not None
        return task

    def ended(self) -> bool:
        """Whether the dialogue has ended."""
        return self.dialogue.finish is not None

    @property
    def angle(self) -> float:
        """What the protractor shows at this joint, deg."""
        return self.watched.joints[self.task.output].angle

    @property
    def state(self) -> tuple[object, ...]:
        """All that an answer that means nothing must not change."""
        question = self.dialogue.question()
        return (question, self.file.entries, self.watched.pulses_us, self.dialogue.finish)

    # ---- time

    def settle(self) -> None:
        """Wait until the servo is where it was sent, and look at it."""
        dialogue, bench = self.dialogue, self.watched.bench
        if dialogue.task is None:
            return
        begun, self.pressed = self.watched.now, 0.0
        low = high = self.angle
        joint = self.watched.joints[self.task.output]
        arrived = None
        while arrived is None or self.watched.now - arrived < LOOKED_AT:
            assert self.watched.now - begun < 30.0, f'{bench.condition()}'
            if arrived is None and not self.on_its_way:
                arrived = self.watched.now
            self.tick()
            self.pressed = max(self.pressed, joint.pressed_us)
            low, high = min(low, joint.angle), max(high, joint.angle)
        assert self.pressed <= FARTHEST_PRESSED
        self._swing = (low, high)

    @property
    def on_its_way(self) -> bool:
        """Whether the servo is not where it was sent yet; it may be at the end of a look."""
        return self.dialogue.moving and not (
            self.dialogue.stage in {Stage.DIRECTION, Stage.LONGER, Stage.SHORTER}
            and self.watched.bench.obeys
            and not self.watched.bench.moving
        )

    def tick(self) -> None:
        """Have a tick go by."""
        self.dialogue.step()
        self.watched.step()

    def rest(self) -> None:
        """Wait until nothing is ordered any more."""
        begun = self.watched.now
        while self.dialogue.moving and self.watched.now - begun < 30.0:
            self.tick()
        self.watched.run(LOOKED_AT)

    # ---- the person

    def answer(self) -> None:
        """Give an honest answer to the question, and wait for what comes of it."""
        before, question = self.angle if self.dialogue.task else 0.0, self.dialogue.question()
        keys = {choice.key for choice in question.choices}
        if question.typed is not None:
            self.rest()
            self.dialogue.enter(self.read(self.angle))
        else:
            self.dialogue.choose(self.key(keys))
        self.settle()
        if self.dialogue.task is not None:
            low, high = self._swing
            self._way = (high - before) - (before - low)

    def key(self, keys: set[str]) -> str:
        """Choose a key."""
        if 'p' in keys:
            return self._which_way()
        if 't' in keys:
            return self._free()
        return next(key for key in ('m', 'y', 'a', 'enter', 'k', 'q') if key in keys)

    def _which_way(self) -> str:
        if self._swing[1] - self._swing[0] < 0.5:
            return 'o' if self.another_moved else 'z'
        return 'p' if self._way > 0.0 else 'n'

    def _free(self) -> str:
        if self.pressed:
            return 't'
        low, high = (degrees(limit) for limit in self.task.limits)
        beyond = not low - 2.0 < self.angle < high + 2.0
        return 'e' if beyond or self.enough(self.angle) else 'enter'

    @property
    def another_moved(self) -> bool:
        """Whether the servo at this output turns another joint."""
        return self.watched.joints[self.task.output].truth.joint != self.task.output[1]

    def to_the_end(self) -> None:
        """Answer honestly until it ends."""
        for _ in range(MOST_ANSWERS):
            if self.dialogue.finish is not None:
                return
            self.answer()
        pytest.fail(f'no end: {self.dialogue.question()}')

    def until(self, stage: Stage) -> None:
        """Answer honestly until a stage."""
        for _ in range(MOST_ANSWERS):
            if self.dialogue.stage is stage:
                return
            self.answer()
        pytest.fail(f'never {stage}: {self.dialogue.question()}')


def tasks_of(robot: Robot) -> tuple[JointTask, ...]:
    """Return the joints of the leg, at the outputs of the watched bench."""
    (leg,) = robot.legs
    return tuple(
        JointTask(
            joint,
            output,
            link.servo,
            (link.lower, link.upper),
            horn_fitting(link, (link.lower, link.upper)),
        )
        for joint, output, link in zip(leg.joints, OUTPUTS, leg.links, strict=True)
    )


def drawn(seed: int) -> dict[Output, TrueServo]:
    """Draw the servos of a leg, each with its horn a tooth or so beside where it belongs."""
    robot = load_robot(CONFIG / 'robots' / 'bench_leg.yaml')
    truths = {}
    for task in tasks_of(robot):
        truth = TrueServo.draw(task.output[1], Random(f'{seed} {task.joint}'))
        offset = degrees(task.fitting.angle) + 0.3 * truth.horn_offset
        truths[task.output] = replace(truth, horn_offset=offset)
    return truths


def short(session: Session) -> Session:
    """Have the person call it far enough soon."""
    start = degrees(session.task.fitting.angle)
    session.enough = lambda angle: abs(angle - start) > 22.0
    return session


# ---- as it should be


@pytest.mark.parametrize('seed', range(3))
def test_a_leg_is_measured(tmp_path: Path, seed: int) -> None:
    """Every map is right within a degree, and its ends are inside the true stops.

    The truth of each servo is outside what the dialogue can see but by the protractor. The reading
    is rounded to half a degree. An end is within 30 us of a stop: the last step, and the margin.
    """
    truths = drawn(seed)
    session = Session(tmp_path / 'readings.jsonl', truths, joints=3)
    session.read = lambda angle: f'{round(2.0 * angle) / 2.0}'
    session.to_the_end()
    assert session.dialogue.finish is Finish.WRITE
    assert session.watched.ons == 3
    results = session.dialogue.results
    assert set(results) == {'left_front_coxa', 'left_front_femur', 'left_front_tibia'}
    for result in results.values():
        truth, (low, high) = truths[result.task.output], result.ends_us
        lower, upper = (degrees(limit) for limit in result.task.limits)
        stop_low, stop_high = truth.stops_us
        for end, stop, inward in ((low, stop_low, 1.0), (high, stop_high, -1.0)):
            assert (end - stop) * inward > 0.0
            beyond = not lower <= truth.angle(end) <= upper
            assert beyond or (end - stop) * inward < 30.0
        first, last = result.fit.pulse_span_us
        for pulse in (first, (first + last) / 2.0, last):
            assert degrees(result.fit.curve.angle(pulse)) == pytest.approx(
                truth.angle(pulse), abs=1.0
            )
        assert result.fit.sign == (1 if truth.gain > 0.0 else -1)
        assert result.fit.good
    assert not session.watched.pulses_us


def test_the_horn_is_fitted_where_it_says(tmp_path: Path) -> None:
    """While the horn goes on, the servo holds the middle of its pulses: 500 to 2500 in the file."""
    session = Session(tmp_path / 'readings.jsonl', drawn(0))
    session.answer()
    assert session.dialogue.stage is Stage.HORN
    assert session.watched.pulses_us == {A: 1500.0}
    assert '1500 us' in session.dialogue.question().text
    session.watched.run(5.0)
    assert session.watched.pulses_us == {A: 1500.0}


# ---- wrong answers


def test_answers_that_mean_nothing_change_nothing(tmp_path: Path) -> None:
    """At every question: each key that it does not name, and an angle where none is asked for.

    Whoever comes back just there is asked for power, or told the result.
    """
    session = short(Session(tmp_path / 'readings.jsonl', drawn(1)))
    seen = set()
    while not session.ended():
        session.rest()
        before = session.state
        question = session.dialogue.question()
        for key in set(KEYS) - {choice.key for choice in question.choices}:
            session.dialogue.choose(key)
            assert session.dialogue.words == f'the key {key} means nothing here'
            assert session.state == before
        if question.typed is None:
            session.dialogue.enter('12')
            assert 'no angle is asked for' in session.dialogue.words
            assert session.state == before
        seen.add(session.dialogue.stage)
        back = Dialogue(
            tasks_of(session.robot)[:1],
            ReadingsFile(session.path, session.robot, TODAY),
            cast('Bench', session.watched.bench),
        )
        assert back.stage in {Stage.POWER, Stage.RESULT}
        session.answer()
    assert seen == set(Stage)


@pytest.mark.parametrize('typed', ['', 'x', '12 mm', '1e3', '180.1', '-181 deg', 'nan', '1:30'])
def test_what_is_no_angle_is_not_taken(tmp_path: Path, typed: str) -> None:
    """It is told what to type."""
    session = short(Session(tmp_path / 'readings.jsonl', drawn(1)))
    session.until(Stage.READ)
    session.rest()
    before = session.state
    session.dialogue.enter(typed)
    assert 'is no angle' in session.dialogue.words
    assert session.state == before


@pytest.mark.parametrize(
    ('typed', 'angle'),
    [('-12.5', -12.5), ('12,5', 12.5), ('+7', 7.0), ('3 deg', 3.0), ('4°', 4.0), ('1 rad', 57.296)],
)
def test_angles_as_people_type_them(tmp_path: Path, typed: str, angle: float) -> None:
    """In degrees, unless they say otherwise."""
    session = short(Session(tmp_path / 'readings.jsonl', drawn(1)))
    session.until(Stage.READ)
    session.rest()
    session.dialogue.enter(typed)
    entry = session.file.entries[-1]
    assert isinstance(entry, AngleRead)
    assert degrees(entry.reading.angle) == pytest.approx(angle, abs=1e-3)


def test_an_angle_on_the_way_is_not_taken(tmp_path: Path) -> None:
    """It would be of another pulse."""
    session = short(Session(tmp_path / 'readings.jsonl', drawn(1)))
    session.until(Stage.READ)
    session.rest()
    session.dialogue.enter('5')
    assert session.dialogue.moving
    entries = session.file.entries
    session.dialogue.enter('6')
    assert 'is on its way' in session.dialogue.words
    assert session.file.entries == entries


def test_a_mistyped_angle_is_found_and_read_again(tmp_path: Path) -> None:
    """A sign forgotten: the result names it, and after one more reading the map is good."""
    session = Session(tmp_path / 'readings.jsonl', drawn(2))
    session.until(Stage.READ)
    session.rest()
    session.answer()
    honest = session.read
    session.read = lambda angle: honest(-angle)
    session.answer()
    session.read = honest
    session.until(Stage.RESULT)
    assert 'probably mistyped' in session.dialogue.question().text
    assert 'm' in {choice.key for choice in session.dialogue.question().choices}
    session.to_the_end()
    (result,) = session.dialogue.results.values()
    assert result.fit.good
    assert len(result.fit.suspects) == 1


def test_one_more_reading_on_another_day(tmp_path: Path) -> None:
    """What was found doubtful can be read once more after coming back, by a word for power."""
    first = Session(tmp_path / 'readings.jsonl', drawn(2))
    first.until(Stage.READ)
    first.answer()
    honest = first.read
    first.read = lambda angle: honest(-angle)
    first.answer()
    first.read = honest
    first.until(Stage.RESULT)
    first.dialogue.choose('q')
    session = Session(first.path, drawn(2), before=first)
    assert session.dialogue.stage is Stage.RESULT
    session.dialogue.choose('m')
    assert 'This servo does not obey' in session.dialogue.question().text
    session.watched.run(1.0)
    assert not session.watched.pulses_us
    session.to_the_end()
    assert session.dialogue.results['left_front_coxa'].fit.good


def test_a_sign_that_contradicts_the_angles_is_told(tmp_path: Path) -> None:
    """As when the angles were read off the other scale."""
    session = short(Session(tmp_path / 'readings.jsonl', drawn(2)))
    session.read = lambda angle: f'{-angle:.1f}'
    session.until(Stage.RESULT)
    assert 'THE SIGN IS IN DOUBT' in session.dialogue.question().text


# ---- undone, left, and gone on with


def test_every_step_is_undone_by_one_key(tmp_path: Path) -> None:
    """After every answer: what it wrote is gone, the question is the one before, and on again."""
    session = short(Session(tmp_path / 'readings.jsonl', drawn(1)))
    undone = set()
    while not session.ended():
        session.rest()
        before = session.dialogue.stage, session.file.entries
        session.answer()
        session.rest()
        after = session.dialogue.stage, len(session.file.entries)
        if not session.ended() and after != (before[0], len(before[1])):
            session.dialogue.choose('u')
            session.rest()
            assert (session.dialogue.stage, session.file.entries) == before
            undone.add(before[0])
            while (session.dialogue.stage, len(session.file.entries)) != after:
                session.answer()
    assert undone >= set(Stage) - {Stage.SUMMARY}
    again = ReadingsFile(session.path, session.robot, TODAY)
    assert again.entries == session.file.entries


def test_come_back_after_every_answer(tmp_path: Path) -> None:
    """Whenever one leaves, what was measured is there, and leads to the same map."""
    whole = short(Session(tmp_path / 'whole.jsonl', drawn(1)))
    whole.to_the_end()
    (expected,) = whole.dialogue.results.values()
    count = 0
    session = short(Session(tmp_path / 'cut.jsonl', drawn(1)))
    while not session.ended():
        entries = session.file.entries
        for _ in range(3):
            if not session.ended() and session.file.entries == entries:
                session.answer()
        if session.ended():
            break
        # Left: the boards release by themselves, since they hear nothing any more.
        left = session
        session = Session(tmp_path / 'cut.jsonl', drawn(1), before=left)
        if session.dialogue.task is not None:
            short(session)
        assert session.file.entries == left.file.entries
        assert not session.watched.pulses_us
        count += 1
        while not session.ended() and session.file.entries == left.file.entries:
            session.answer()
    (result,) = session.dialogue.results.values()
    assert count > 5
    assert len(result.fit.readings) == len(expected.fit.readings)
    for pulse in expected.fit.pulse_span_us:
        assert degrees(result.fit.line.angle(pulse)) == pytest.approx(
            degrees(expected.fit.line.angle(pulse)), abs=1.0
        )


def test_undoing_goes_on_into_the_session_before(tmp_path: Path) -> None:
    """Entry by entry, down to an empty file; nothing is powered by it."""
    first = short(Session(tmp_path / 'readings.jsonl', drawn(1)))
    first.until(Stage.RESULT)
    first.dialogue.choose('q')
    assert first.dialogue.finish is Finish.LEFT
    session = Session(first.path, drawn(1), before=first)
    assert session.dialogue.stage is Stage.RESULT
    left = len(session.file.entries)
    while left:
        session.dialogue.choose('u')
        assert session.dialogue.words.startswith('taken back: ')
        left -= 1
        assert len(session.file.entries) == left
    session.dialogue.choose('u')
    assert session.dialogue.words == 'there is nothing here that could be taken back'
    session.watched.run(1.0)
    assert not session.watched.pulses_us


def test_a_horn_fitted_anew_begins_anew(tmp_path: Path) -> None:
    """What was read with the old one counts no more, until that is undone."""
    session = short(Session(tmp_path / 'readings.jsonl', drawn(1)))
    session.until(Stage.RESULT)
    readings = session.file.readings('left_front_coxa')
    assert len(readings) == 14
    for key in ('b', 'b', 'enter'):
        session.dialogue.choose(key)
        session.settle()
    assert session.dialogue.stage is Stage.DIRECTION
    assert session.file.readings('left_front_coxa') == ()
    session.rest()
    session.dialogue.choose('u')
    assert session.file.readings('left_front_coxa') == readings


# ---- servos that are not as they should be


def test_a_dead_servo(tmp_path: Path) -> None:
    """Nothing moves: pulses off, what to look for, and the next joint can be measured."""
    truths = drawn(0)
    truths[A] = replace(truths[A], dead=True)
    session = Session(tmp_path / 'readings.jsonl', truths, joints=2)
    session.until(Stage.DIRECTION)
    session.answer()
    assert 'Nothing moved by channel 3 of board left' in session.dialogue.words
    assert session.dialogue.stage is Stage.POWER
    assert not session.watched.pulses_us
    session.dialogue.choose('k')
    session.to_the_end()
    assert set(session.dialogue.results) == {'left_front_femur'}


def test_two_plugs_exchanged(tmp_path: Path) -> None:
    """The other joint moves: told, and right once the plugs are."""
    truths = drawn(0)
    truths[A], truths[B] = truths[B], truths[A]
    session = Session(tmp_path / 'readings.jsonl', truths)
    session.until(Stage.DIRECTION)
    session.dialogue.choose('o')
    assert 'drives another servo than left_front_coxa' in session.dialogue.words
    assert session.dialogue.stage is Stage.POWER
    session.watched.run(0.2)
    assert not session.watched.pulses_us
    put_right = Session(session.path, drawn(0), before=None)
    put_right.to_the_end()
    assert set(put_right.dialogue.results) == {'left_front_coxa'}


def test_a_joint_that_hardly_moves_is_told(tmp_path: Path) -> None:
    """Free over less than 200 us: no map, and what to do."""
    truths = drawn(0)
    truths[A] = replace(truths[A], stops_us=(1470.0, 1590.0))
    session = Session(tmp_path / 'readings.jsonl', truths)
    session.until(Stage.RESULT)
    assert 'something binds' in session.dialogue.question().text
    assert not session.dialogue.results


def test_a_servo_that_does_not_get_to_the_limits_is_told(tmp_path: Path) -> None:
    """By hand: 90 degrees of travel at 10 us a degree, where the coxa needs 120."""
    truths = {A: TrueServo(3, gain=10.0, stops_us=(1050.0, 1950.0))}
    session = Session(tmp_path / 'readings.jsonl', truths)
    session.until(Stage.RESULT)
    text = session.dialogue.question().text
    assert 'The description has -60 deg to 60 deg: where it needs more than' in text


# ---- trouble


@pytest.mark.parametrize('stage', [Stage.HORN, Stage.LONGER, Stage.READ])
def test_pulses_that_went_off_come_back_by_a_word_only(tmp_path: Path, stage: Stage) -> None:
    """The board restarts: nothing moves until somebody says so, and then it goes on there."""
    session = short(Session(tmp_path / 'readings.jsonl', drawn(1)))
    session.until(stage)
    session.rest()
    line = session.watched.lines['left']
    line.switch_off()
    session.watched.run(1.0)
    session.dialogue.step()
    line.switch_on()
    for _ in range(round(3.0 / TICK)):
        session.tick()
    assert not session.watched.pulses_us
    assert 'This servo does not obey' in session.dialogue.question().text
    assert session.dialogue.stage is stage
    session.to_the_end()
    assert set(session.dialogue.results) == {'left_front_coxa'}


def test_pulses_off_at_once(tmp_path: Path) -> None:
    """One key, also on the way; then it goes on by a word."""
    session = short(Session(tmp_path / 'readings.jsonl', drawn(1)))
    session.until(Stage.READ)
    session.rest()
    session.dialogue.enter('1')
    assert session.dialogue.moving
    session.dialogue.choose('x')
    session.watched.run(0.1)
    assert not session.watched.pulses_us
    assert 'has confirmed that its pulses are off' in session.dialogue.words
    session.to_the_end()
    assert set(session.dialogue.results) == {'left_front_coxa'}


def test_fine_steps_keep_the_side(tmp_path: Path) -> None:
    """Shorter by 5 us, and the joint has still been come to from below: slack does not matter."""
    session = Session(tmp_path / 'readings.jsonl', {A: TrueServo(3, slack=1.0, dead_band_us=0.0)})
    session.until(Stage.READ)
    session.answer()
    session.rest()
    session.watched.run(0.5)
    (pulse,) = session.watched.pulses_us.values()
    before = session.angle
    session.dialogue.choose('s')
    session.rest()
    session.watched.run(0.5)
    assert list(session.watched.pulses_us.values()) == [pulse - 5.0]
    # By hand: 5 us at 11 us a degree, and not a degree of slack more.
    assert session.angle == pytest.approx(before - 5.0 / 11.0, abs=0.05)
    for _ in range(3):
        session.dialogue.choose('c')
        session.dialogue.choose('w')
    session.rest()
    assert list(session.watched.pulses_us.values()) == [pulse + 40.0]


@settings(max_examples=settings().max_examples // 4)
@given(
    keys=st.lists(st.one_of(st.sampled_from(KEYS), st.just('honest'), st.just('1')), max_size=40),
    seed=st.integers(0, 3),
)
def test_whatever_is_pressed(
    tmp_path_factory: pytest.TempPathFactory, keys: list[str], seed: int
) -> None:
    """The watch finds nothing, and the file can always be read."""
    session = Session(tmp_path_factory.mktemp('any') / 'readings.jsonl', drawn(seed), joints=2)
    for key in keys:
        if session.ended():
            break
        if key == 'honest':
            for _ in range(4):
                if not session.ended():
                    session.answer()
        elif key == '1':
            session.dialogue.enter('1')
        else:
            session.dialogue.choose(key)
        for _ in range(10):
            session.tick()
    again = ReadingsFile(session.path, session.robot, TODAY)
    assert again.entries == session.file.entries
