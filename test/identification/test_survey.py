# Copyright 2026 The leg_kinematics authors
# SPDX-License-Identifier: Apache-2.0
"""The survey of two legs from the first question to the last, with a person who is played.

The legs and their servos are simulated, with truths that only protractor and ruler show. The watch
judges every tick: no pulse beyond the maps, none without a word, no joint faster than it may be.
Where the true feet are comes of rotations one after another (`test/unknown_robot.py`), not of the
formulas of the package.
"""

from collections.abc import Mapping, Sequence
from dataclasses import replace
from datetime import date
from functools import cache
from math import inf, radians
from pathlib import Path
from random import Random
from tempfile import TemporaryDirectory
from typing import TYPE_CHECKING, cast

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.spatial.transform import Rotation

from leg_kinematics.board.simulated.true_servo import TrueServo
from leg_kinematics.calibration.bench import Answered
from leg_kinematics.calibration.foot_readings import (
    AT_TIP,
    BarMeasured,
    FootOnGround,
    FootRead,
    LegPosed,
    MarkersPlaced,
    PhotographTaken,
)
from leg_kinematics.calibration.joint_readings import AngleRead
from leg_kinematics.calibration.measured import Approach, Reading
from leg_kinematics.calibration.question import Finish
from leg_kinematics.calibration.readings_file import ReadingsFile
from leg_kinematics.chain.values import Answer
from leg_kinematics.commands.bench.calibration_session import joint_tasks
from leg_kinematics.commands.bench.mock_robot import TrueRobot
from leg_kinematics.identification.arrival import Arrival
from leg_kinematics.identification.leg_bench import LegBench
from leg_kinematics.identification.room import Room
from leg_kinematics.identification.stations import By, Round
from leg_kinematics.identification.survey import Stage, Survey, SurveyPlan, position_of
from leg_kinematics.identification.surveyed import Surveyed
from leg_kinematics.identification.working_out import Direct, Knowledge, MarkersSeen, readings_of
from leg_kinematics.robot import Robot

if TYPE_CHECKING:
    from test.stepped_bench import TICK
    from test.unknown_robot import Ground
    from test.watched_legs import LEGS, WatchedLegs
else:
    from stepped_bench import TICK
    from unknown_robot import Ground
    from watched_legs import LEGS, WatchedLegs

TODAY = date(2026, 11, 30)

#: Orders that the watch has to hear.
WORDS = ('power', 'follow', 'stop', 'release')

#: More answers than any session here takes.
MOST_ANSWERS = 400

#: Every key that means something somewhere, and some that mean nothing.
KEYS = ('enter', *'bcdkmnopqstuwxyz', 'unknown key')

#: A foot is held to touch while a slip of paper just sticks, m.
PAPER = 0.1e-3


#: The stations of every session of this kind: they are the same.
CHOSEN: dict[tuple[tuple[str, ...], By], tuple[Round, ...]] = {}


class Session:
    """A survey at watched legs, and the person at it.

    Parameters
    ----------
    folder
        Of the file of readings; it may be there.
    by
        How feet are measured.
    legs
        Which.
    stations
        So many of each round, fewer than it has by default.
    before
        The session after which one comes back; its boards are taken over.

    """

    def __init__(
        self,
        folder: Path,
        by: By = By.RULER,
        legs: tuple[str, ...] = LEGS[:1],
        stations: int | None = None,
        before: 'Session | None' = None,
    ) -> None:
        """Open the boards."""
        self.folder, self.by, self.legs, self.stations = folder, by, legs, stations
        self.truth = truth_of(folder)
        self.watched = WatchedLegs(truths=self.truth.servos)
        if before is not None:
            before.watched.bench.close()
            self.watched.joints.update(before.watched.joints)
            self.watched.follow_on(before.watched)
            for _ in range(round(1.0 / TICK)):
                self.watched.now += TICK
                for line in self.watched.lines.values():
                    line.advance(self.watched.now)
        calibrated = self.watched.calibrated
        self.robot = calibrated.robot
        self.path = folder / 'readings.jsonl'
        if not self.path.exists():
            self.path.write_bytes(angles_read())
        self.file = ReadingsFile(self.path, self.robot, TODAY)
        joints = self.robot.part(legs).joints
        self.knowledge = Knowledge(
            Room(self.robot, calibrated.legs, self.robot.standing.height),
            calibrated.maps,
            readings_of(self.file, joints),
            lambda _: MarkersSeen(),
            by,
        )
        if (legs, by) not in CHOSEN:
            CHOSEN[legs, by] = self.knowledge.rounds(legs)
        rounds = CHOSEN[legs, by]
        if stations is not None:
            rounds = tuple(replace(each, stations=each.stations[:stations]) for each in rounds)
        self.photographs: dict[str, Arrival] = dict(before.photographs) if before else {}
        self.survey = Survey(
            SurveyPlan(rounds, self.knowledge),
            self.file,
            cast('LegBench', self),
            Direct(self.knowledge.surveyed),
            lambda: dict(self.photographs),
        )
        self.chance = Random(str(by))
        self.ground = Ground(
            np.array([4e-3, -3e-3, 2e-3 - self.robot.standing.height]),
            Rotation.from_rotvec(np.radians([0.4, -0.3, 1.2])),
        )
        self.refuses = ''
        self.deepest = inf
        self.answers = 0
        self.poses: int = before.poses if before else 0
        self.watched.bench.open()
        self.watched.run(1.0)

    def __getattr__(self, name: str) -> object:
        """Be the bench of the survey, with the words of a person heard by the watch."""
        return getattr(self.watched if name in WORDS else self.watched.bench, name)

    def go(self, waypoints: Sequence[Mapping[str, float]]) -> Answered:
        """Order a way."""
        if self.refuses:
            return Answer(success=False, words=self.refuses)
        return self.watched.go(*waypoints)

    @property
    def state(self) -> tuple[object, ...]:
        """All that an answer that means nothing must not change."""
        survey = self.survey
        return (survey.question(), self.file.entries, self.watched.pulses_us, survey.finish)

    def at(self, stage: Stage) -> bool:
        """Tell whether the survey is there."""
        return self.survey.stage is stage

    # ---- what a person sees

    def foot(self, leg: str) -> np.ndarray:
        """Return where a foot truly is, in the frame of the sheet, m."""
        angles = [radians(self.watched.joints[f'{leg}_{each}'].angle) for each in SEGMENTS]
        true = self.truth.legs[leg]
        return self.ground.seen(placed(true.lengths, true.position, true.rpy, angles))

    def read(self, leg: str) -> str:
        """Read a foot off ruler and grid, to half a millimetre, within ± 0.5 mm (95 %)."""
        seen = [1e3 * each + self.chance.gauss(0.0, 0.25) for each in self.foot(leg)]
        return ' '.join(f'{round(2.0 * each) / 2.0:g}' for each in seen)

    # ---- time

    def tick(self) -> None:
        """Have a tick go by."""
        self.survey.step()
        self.watched.step()
        if self.by is By.GROUND and self.survey.stage is Stage.TOUCH:
            self.deepest = min(self.deepest, float(self.foot(self.leg)[2]))

    def rest(self) -> None:
        """Wait until nothing is ordered any more."""
        begun = self.watched.now
        while self.survey.moving:
            assert self.watched.now - begun < 60.0, f'{self.watched.bench.condition()}'
            self.tick()
        self.watched.run(0.3)

    # ---- the person

    def answer(self) -> None:
        """Give an honest answer to the question, and wait for what comes of it."""
        self.rest()
        self.answers += 1
        survey = self.survey
        keys = {choice.key for choice in survey.question().choices}
        match survey.stage:
            case Stage.TOUCH if 's' in keys:
                self.touch()
            case _ if survey.question().typed is None:
                survey.choose(self.key(keys))
            case Stage.BAR:
                survey.enter('150.4')
            case Stage.MARKERS:
                survey.choose('enter')
            case _:
                survey.enter(self.read(self.leg))
        self.rest()

    @property
    def leg(self) -> str:
        """The leg that it is about."""
        assert self.survey.round is not None
        return self.survey.round.legs[0]

    def key(self, keys: set[str]) -> str:
        """Choose a key."""
        if 'None is in the folder yet' in self.survey.question().text:
            self.poses += 1
            self.photographs |= dict.fromkeys(self.two_photographs(), Arrival.WHOLE)
        return next(key for key in ('y', 'enter', 'k', 'q') if key in keys)

    def two_photographs(self) -> list[str]:
        """Name photographs of this pose."""
        return [f'{self.poses}-{side}.jpg' for side in 'ab']

    def touch(self) -> None:
        """Lower the foot by what one sees, then by keys, until paper just sticks."""
        height = 1e3 * float(self.foot(self.leg)[2])
        if height > 2.5:
            # People see within a millimetre, and rather stay above.
            self.survey.enter(f'{round(height - 1.0 + self.chance.uniform(-0.5, 0.5))}')
        elif height > 1e3 * PAPER:
            self.survey.choose('s')
        else:
            self.survey.choose('enter' if height > -0.6 else 'w')

    def until(self, stage: Stage) -> None:
        """Answer honestly until a stage."""
        for _ in range(MOST_ANSWERS):
            if self.survey.stage is stage:
                return
            self.answer()
        pytest.fail(f'never {stage}: {self.survey.question()}')

    def to_the_end(self) -> None:
        """Answer honestly until it ends."""
        for _ in range(MOST_ANSWERS):
            if self.survey.ended:
                return
            self.answer()
        pytest.fail(f'no end: {self.survey.question()}')

    def found(self) -> Surveyed:
        """Return what was found out of these legs."""
        found = self.knowledge.surveyed(self.legs, self.file.feet)
        assert isinstance(found, Surveyed), found
        return found


SEGMENTS = ('coxa', 'femur', 'tibia')


def placed(
    lengths: tuple[float, ...],
    position: tuple[float, ...],
    rpy: tuple[float, ...],
    angles: list[float],
) -> np.ndarray:
    """Place a foot in `base_link` by rotations one after another, m."""
    at = np.array([lengths[2], 0.0, 0.0])
    at = np.array([lengths[1], 0.0, 0.0]) + Rotation.from_euler('y', -angles[2]).apply(at)
    at = np.array([lengths[0], 0.0, 0.0]) + Rotation.from_euler('y', -angles[1]).apply(at)
    at = Rotation.from_euler('z', angles[0]).apply(at)
    found: np.ndarray = Rotation.from_euler('xyz', rpy).apply(at) + np.array(position)
    return found


def truth_of(folder: Path) -> TrueRobot:
    """Return the truth about two legs of bracken, the same every time."""
    calibrated = WatchedLegs().calibrated
    maps = calibrated.maps
    tasks = joint_tasks(calibrated.robot, list(maps.maps))
    return TrueRobot.at(folder / 'truth.json', calibrated.robot, tasks, maps.by_joint)


@cache
def angles_read() -> bytes:
    """Return a file with the angles of all joints, read to whole degrees, at seven pulses."""
    calibrated = WatchedLegs().calibrated
    with TemporaryDirectory() as name:
        file = ReadingsFile(Path(name, 'readings'), calibrated.robot, TODAY)
        truth = truth_of(Path(name))
        for each in calibrated.maps.maps:
            low, high = each.lowest_us + 30.0, each.highest_us - 30.0
            for pulse in np.linspace(low, high, 7).tolist():
                for approached in APPROACHES:
                    servo = truth.servos[each.joint]
                    file.add(AngleRead(each.joint, seen(servo, pulse, approached)))
        return file.path.read_bytes()


APPROACHES: tuple[Approach, Approach] = ('up', 'down')


def seen(servo: TrueServo, pulse: float, approached: Approach) -> Reading:
    """Read an angle: short of where the servo would stand by half its slack and dead band."""
    behind = servo.slack / 2.0 + servo.dead_band_us / abs(servo.gain) / 2.0
    way = 1.0 if (approached == 'up') == (servo.gain > 0.0) else -1.0
    return Reading(pulse, radians(round(servo.angle(pulse) - way * behind)), approached)


def errors_mm(session: Session, robot: Robot) -> tuple[float, float]:
    """Return how far feet are from where the maps have them: before and after, median, mm.

    After the best motion of all feet as a whole (Kabsch, as scipy has it).
    """
    found, chance = session.found().identified, Random('compared')
    true, before, after = [], [], []
    for leg in session.legs:
        joints = [f'{leg}_{each}' for each in SEGMENTS]
        maps = [session.watched.calibrated.maps.by_joint[joint] for joint in joints]
        of = session.truth.legs[leg]
        for _ in range(40):
            pulses = [chance.uniform(each.lowest_us, each.highest_us) for each in maps]
            angles = [
                radians(session.truth.servos[joint].angle(pulse))
                for joint, pulse in zip(joints, pulses, strict=True)
            ]
            by_maps = [each.angle(pulse) for each, pulse in zip(maps, pulses, strict=True)]
            described = robot.legs[robot.leg_names.index(leg)]
            lengths = tuple(link.length for link in described.links)
            true.append(placed(of.lengths, of.position, of.rpy, angles))
            before.append(placed(lengths, described.mount.position, described.mount.rpy, by_maps))
            after.append(found.foot(leg, pulses))
    return off_mm(np.array(before), np.array(true)), off_mm(np.array(after), np.array(true))


def off_mm(points: np.ndarray, onto: np.ndarray) -> float:
    """Return the median distance after the best motion as a whole, mm."""
    centre, goal = points.mean(axis=0), onto.mean(axis=0)
    turn, _ = Rotation.align_vectors(onto - goal, points - centre)
    moved = turn.apply(points - centre) + goal
    return float(np.median(1e3 * np.linalg.norm(moved - onto, axis=1)))


# ---- as it should be


def test_two_legs_by_ruler(tmp_path: Path) -> None:
    """Feet are where the new maps have them: 17 mm off before, less than a millimetre after.

    The bounds are our own. A point is one answer; besides there are the word for power, a result a
    leg, and the summary.
    """
    session = Session(tmp_path, legs=LEGS)
    session.to_the_end()
    assert session.survey.finish is Finish.WRITE
    feet = [each for each in session.file.feet if isinstance(each, FootRead)]
    assert len(feet) == 20
    assert all(side for each in feet for side in each.stand.sides)
    before, after = errors_mm(session, session.robot)
    assert before > 10.0
    assert after < 1.0
    assert session.answers == 1 + 20 + 2 + 1
    assert session.watched.ons == 6


def test_two_legs_by_ground(tmp_path: Path) -> None:
    """Every touch is within what paper tells; no foot is pressed by more than a step and dead band.

    Two feet on one plane tell little (DEVELOPERS.md): what is asked for is that it gets better.
    """
    session = Session(tmp_path, By.GROUND, legs=LEGS, stations=6)
    session.until(Stage.TOUCH)
    # Before they got their pulses the legs hung anywhere.
    session.deepest = inf
    session.to_the_end()
    assert session.survey.finish is Finish.WRITE
    assert sum(isinstance(each, FootOnGround) for each in session.file.feet) == 12
    assert session.deepest > -1.5e-3
    before, after = errors_mm(session, session.robot)
    assert after < 0.7 * before
    assert session.answers < 1 + 8 * 12 + 2 + 1


def test_poses_for_photographs(tmp_path: Path) -> None:
    """All legs stand for every pose, and its photographs are those that came meanwhile."""
    session = Session(tmp_path, By.PHOTOGRAPHS, legs=LEGS, stations=4)
    assert session.at(Stage.BAR)
    session.photographs['before.jpg'] = Arrival.WHOLE
    session.until(Stage.RESULT)
    feet = session.file.feet
    assert feet[:2] == (BarMeasured(0.1504), MarkersPlaced(AT_TIP))
    taken = [(each.pose, each.file) for each in feet if isinstance(each, PhotographTaken)]
    assert taken == [(pose, f'{pose}-{side}.jpg') for pose in range(1, 5) for side in 'ab']
    posed = [(each.pose, each.stand.leg) for each in feet if isinstance(each, LegPosed)]
    assert posed == [(pose, leg) for pose in range(1, 5) for leg in LEGS]
    # The bar, the markers, power, and one answer a pose.
    assert session.answers == 3 + 4


def test_a_photograph_that_is_still_coming(tmp_path: Path) -> None:
    """It is waited for, so that it counts for no other pose; what is from before is told."""
    session = Session(tmp_path, By.PHOTOGRAPHS, legs=LEGS, stations=4)
    session.photographs['before.jpg'] = Arrival.WHOLE
    session.until(Stage.POSE)
    session.rest()
    assert '1 from before belong to no pose' in session.survey.question().text
    session.photographs |= dict.fromkeys(['a.jpg', 'b.jpg'], Arrival.WHOLE)
    session.photographs['c.jpg'] = Arrival.COMING
    assert 'a.jpg, b.jpg, c.jpg (still coming)' in session.survey.question().text
    session.survey.choose('enter')
    assert session.survey.words == 'c.jpg is still being copied: wait until it is whole'
    assert not any(isinstance(each, LegPosed) for each in session.file.feet)
    session.photographs['c.jpg'] = Arrival.WHOLE
    session.survey.choose('enter')
    assert taken(session) == ['a.jpg', 'b.jpg', 'c.jpg']


def taken(session: Session) -> list[str]:
    """Name the photographs that were noted."""
    return [each.file for each in session.file.feet if isinstance(each, PhotographTaken)]


def test_a_photograph_that_cannot_be_read(tmp_path: Path) -> None:
    """It is told at once, with what to do, and does not count as one of the two that are wanted."""
    session = Session(tmp_path, By.PHOTOGRAPHS, legs=LEGS, stations=4)
    session.until(Stage.POSE)
    session.rest()
    session.photographs |= {'a.jpg': Arrival.WHOLE, 'b.heic': Arrival.UNREADABLE}
    text = session.survey.question().text
    assert 'a.jpg, b.heic (CANNOT BE READ). Photographs can be read as JPEG and PNG' in text
    assert "'most compatible'" in text
    session.survey.choose('enter')
    assert session.survey.words.startswith('1 new photographs are in the folder: 2 or more are')
    session.photographs['b.jpg'] = Arrival.WHOLE
    session.survey.choose('enter')
    assert taken(session) == ['a.jpg', 'b.jpg']


def test_photographs_of_a_pose_that_was_broken_off(tmp_path: Path) -> None:
    """Who comes back can have them counted, once they were looked at; so they are not lost.

    They are those that came after the ones noted last. Once something was moved, or where nothing
    was noted yet, it is not known of any photograph where the robot stood.
    """
    session = Session(tmp_path, By.PHOTOGRAPHS, legs=LEGS, stations=4)
    session.photographs['before.jpg'] = Arrival.WHOLE
    session.until(Stage.POSE)
    session.answer()
    session.rest()
    assert taken(session) == ['1-a.jpg', '1-b.jpg']
    session.poses += 1
    session.photographs |= dict.fromkeys(session.two_photographs(), Arrival.WHOLE)
    session.survey.choose('q')
    session = Session(tmp_path, By.PHOTOGRAPHS, legs=LEGS, stations=4, before=session)
    session.until(Stage.POSE)
    session.rest()
    question = session.survey.question()
    assert '2-a.jpg, 2-b.jpg came after the last pose that was noted' in question.text
    session.survey.choose('o')
    assert session.survey.words == 'taken: pose 2, 2 photographs'
    assert taken(session)[2:] == ['2-a.jpg', '2-b.jpg']
    session.rest()
    assert 'o' not in {choice.key for choice in session.survey.question().choices}
    session.survey.choose('u')
    session.rest()
    assert taken(session) == ['1-a.jpg', '1-b.jpg']
    assert 'o' in {choice.key for choice in session.survey.question().choices}
    session.survey.choose('p')
    assert 'o' not in {choice.key for choice in session.survey.question().choices}
    assert '3 from before belong to no pose' in session.survey.question().text


# ---- wrong answers


@pytest.mark.parametrize('by', list(By))
def test_answers_that_mean_nothing_change_nothing(tmp_path: Path, by: By) -> None:
    """At every question: each key that it does not name, and a position where none is asked for.

    Whoever comes back just there is asked for power, or told the result.
    """
    session = Session(tmp_path, by, stations=3)
    seen = set()
    while not session.survey.ended:
        session.rest()
        before, question = session.state, session.survey.question()
        for key in set(KEYS) - {choice.key for choice in question.choices}:
            session.survey.choose(key)
            assert session.survey.words == f'the key {key} means nothing here'
            assert session.state == before
        if question.typed is None:
            session.survey.enter('1 2 3')
            assert 'nothing is to be typed here' in session.survey.words
            assert session.state == before
        stage = session.survey.stage
        seen.add(stage)
        if stage is Stage.RESULT and by is By.PHOTOGRAPHS:
            break
        session.answer()
    at_work = {By.RULER: Stage.READ, By.GROUND: Stage.TOUCH, By.PHOTOGRAPHS: Stage.POSE}[by]
    assert seen >= {Stage.POWER, at_work, Stage.RESULT}


@pytest.mark.parametrize(
    ('typed', 'told'),
    [
        ('', '0 of three numbers: expected x y z in mm'),
        ('12 40', 'has 2 of three numbers: expected x y z in mm'),
        ('1 2 3 4', 'has 4 of three numbers'),
        ('1 2 x', 'no position'),
        ('1 2 1-3', 'no position'),
        ('12,5,-40,0', 'has 4 of three numbers'),
        ('1 2 nan', 'no position'),
        ('1 2 2500', 'farther away than any foot'),
        ('1 2 3 mm', 'no position'),
    ],
)
def test_what_is_no_position(typed: str, told: str) -> None:
    """It is told what to type."""
    words = position_of(typed)
    assert isinstance(words, str)
    assert told in words
    assert '212.5 -80 14' in words


@pytest.mark.parametrize(
    'typed',
    ['212.5 -80 14', '212,5 -80 14', ' 212.5, -80, 14', '212.5,-80,14', '212,5; -80; 14',
     '212,5, -80, 14', '+212.50 -80.0 14.'],
)  # fmt: skip
def test_positions_as_people_type_them(typed: str) -> None:
    """With spaces or commas between, decimal points or commas."""
    assert position_of(typed) == pytest.approx((0.2125, -0.080, 0.014))


def test_mistakes_of_form_are_told_and_change_nothing(tmp_path: Path) -> None:
    """The question stays, and nothing is noted."""
    session = Session(tmp_path, stations=3)
    session.until(Stage.READ)
    before = session.state
    session.survey.enter('12 40')
    assert 'has 2 of three numbers' in session.survey.words
    assert session.state == before


@pytest.mark.parametrize('typed', ['0', '-3', '41', 'x', '1 2'])
def test_a_foot_is_not_lowered_by_just_anything(tmp_path: Path, typed: str) -> None:
    """Not below nothing, and no more than 40 mm at once."""
    session = Session(tmp_path, By.GROUND, stations=3)
    session.until(Stage.TOUCH)
    before = session.state
    session.survey.enter(typed)
    assert 'is no way down: expected mm above 0, 40 at most' in session.survey.words
    assert session.state == before


@pytest.mark.parametrize(
    ('typed', 'told'),
    [('-20 12', 'has 2 of three numbers'), ('-20 0 151', 'no place on a foot: 150 mm from it')],
)
def test_what_is_no_place_of_a_marker(tmp_path: Path, typed: str, told: str) -> None:
    """It is told, and the question stays; after it the place is noted, and one key undoes that."""
    session = Session(tmp_path, By.PHOTOGRAPHS, stations=2)
    session.until(Stage.MARKERS)
    noted = session.file.feet
    session.survey.enter(typed)
    assert told in session.survey.words
    assert (session.survey.stage, session.file.feet) == (Stage.MARKERS, noted)
    session.survey.enter('-20 0 12,5')
    assert session.at(Stage.POWER)
    assert session.file.feet[-1] == MarkersPlaced((-0.020, 0.0, 0.0125))
    session.survey.choose('u')
    assert (session.survey.stage, session.file.feet) == (Stage.MARKERS, noted)


@pytest.mark.parametrize('typed', ['', '19', '1504', '150.4 mm x', '15O'])
def test_what_is_no_bar(tmp_path: Path, typed: str) -> None:
    """The bar is on a sheet of A4 paper, which is 297 mm long (ISO 216, from memory)."""
    session = Session(tmp_path, By.PHOTOGRAPHS, stations=2)
    session.survey.enter(typed)
    assert 'is no length of the bar: expected 20 to 300 mm' in session.survey.words
    assert session.file.feet == ()


def test_a_position_on_the_way_is_not_taken(tmp_path: Path) -> None:
    """It would be of another place."""
    session = Session(tmp_path, stations=4)
    session.until(Stage.READ)
    session.survey.enter(session.read(session.leg))
    assert session.survey.moving
    noted = session.file.feet
    session.survey.enter('1 2 3')
    assert 'is on its way' in session.survey.words
    assert session.file.feet == noted


def test_a_number_mistyped_grossly_is_asked_about_at_once(tmp_path: Path) -> None:
    """A sign forgotten at the first point, when only the present maps say what to expect."""
    session = Session(tmp_path, stations=4)
    session.until(Stage.READ)
    x, y, z = session.read(session.leg).split()
    session.survey.enter(f'{x} {-float(y):g} {z}')
    assert session.at(Stage.DOUBT)
    assert 'By the present maps the foot is about at' in session.survey.question().text
    assert session.file.feet == ()
    session.survey.enter(f'{x} {y} {z}')
    assert session.at(Stage.READ)
    assert len(session.file.feet) == 1


def test_a_number_that_the_others_contradict_is_asked_about_at_once(tmp_path: Path) -> None:
    """Two digits exchanged, 18 mm: it can be kept, undone, or typed again."""
    session = Session(tmp_path)
    session.until(Stage.READ)
    for _ in range(8):
        session.answer()
    noted = session.file.feet
    x, y, z = session.read(session.leg).split()
    wrong = f'{x} {float(y) + 18.0:g} {z}'
    session.survey.enter(wrong)
    assert session.at(Stage.DOUBT)
    text = session.survey.question().text
    assert 'Its y is 1' in text
    assert 'that the other points say' in text
    session.survey.choose('u')
    assert (session.survey.stage, session.file.feet) == (Stage.READ, noted)
    session.survey.enter(wrong)
    session.survey.choose('enter')
    assert session.at(Stage.READ)
    assert len(session.file.feet) == len(noted) + 1
    session.until(Stage.RESULT)
    # It was kept, is left out, and can be measured once more.
    (suspect,) = session.found().identified.suspects
    assert suspect.coordinate == 'y'
    assert 'm' in {choice.key for choice in session.survey.question().choices}
    session.survey.choose('m')
    session.until(Stage.RESULT)
    assert session.found().doubtful(touches=False) == ()


# ---- undone, left, and gone on with


@pytest.mark.parametrize('by', list(By))
def test_every_step_is_undone_by_one_key(tmp_path: Path, by: By) -> None:
    """After every answer: what it wrote is gone, the question is the one before, and on again."""
    session = Session(tmp_path, by, stations=3)
    undone = set()
    while session.survey.stage not in {Stage.RESULT, Stage.SUMMARY}:
        session.rest()
        before = session.survey.stage, session.file.feet
        session.answer()
        after = session.survey.stage, session.file.feet
        if after == before:
            continue
        session.survey.choose('u')
        session.rest()
        assert (session.survey.stage, session.file.feet) == before
        undone.add(before[0])
        while (session.survey.stage, len(session.file.feet)) != (after[0], len(after[1])):
            session.answer()
    assert len(undone) >= 2
    assert ReadingsFile(session.path, session.robot, TODAY).entries == session.file.entries


def test_come_back_after_every_answer(tmp_path: Path) -> None:
    """Whenever one leaves, what was measured is there, and the rest is measured then."""
    session = Session(tmp_path, stations=5)
    for count in range(5):
        session.until(Stage.READ)
        session.answer()
        assert len(session.file.feet) == count + 1
        session.survey.choose('q')
        assert session.survey.finish is Finish.LEFT
        # The boards release by themselves, since they hear nothing any more.
        session = Session(tmp_path, stations=5, before=session)
        assert not session.watched.pulses_us
        assert len(session.file.feet) == count + 1
    assert session.at(Stage.RESULT)
    stands = {each.stand.pulses_us for each in session.file.feet if isinstance(each, FootRead)}
    assert len(stands) == 5


def test_photographs_before_the_legs_lost_their_power(tmp_path: Path) -> None:
    """They may show another pose than the legs take anew: they count by a word only."""
    session = Session(tmp_path, By.PHOTOGRAPHS, legs=LEGS, stations=4)
    session.until(Stage.POSE)
    session.answer()
    session.rest()
    session.poses += 1
    session.photographs |= dict.fromkeys(session.two_photographs(), Arrival.WHOLE)
    assert 'New in the folder: 2-a.jpg, 2-b.jpg' in session.survey.question().text
    session.survey.choose('x')
    session.watched.run(1.0)
    session.survey.choose('enter')
    session.rest()
    question = session.survey.question()
    assert 'None is in the folder yet' in question.text
    assert '2-a.jpg, 2-b.jpg came after the last pose' in question.text
    session.survey.choose('enter')
    assert session.survey.words.startswith('0 new photographs are in the folder')
    session.survey.choose('o')
    assert taken(session)[2:] == ['2-a.jpg', '2-b.jpg']


def test_a_new_placement_after_something_was_moved(tmp_path: Path) -> None:
    """Coming back, one is asked whether all is where it was; in between one can say so, too."""
    session = Session(tmp_path, stations=4)
    session.until(Stage.READ)
    session.answer()
    session.survey.choose('p')
    session.answer()
    session.survey.choose('q')
    session = Session(tmp_path, stations=4, before=session)
    assert 'Do robot and sheets still stand' in session.survey.question().text
    session.survey.choose('b')
    session.answer()
    placements = [each.placement for each in session.file.feet if isinstance(each, FootRead)]
    assert placements == [1, 2, 3]


def test_undoing_goes_on_into_the_session_before(tmp_path: Path) -> None:
    """Entry by entry, down to the angles, which are not touched; nothing is powered by it."""
    first = Session(tmp_path, stations=3)
    first.until(Stage.RESULT)
    first.survey.choose('q')
    session = Session(tmp_path, stations=3, before=first)
    for left in (2, 1, 0):
        session.survey.choose('u')
        assert session.survey.words.startswith('taken back: the foot of left_middle is at ')
        assert len(session.file.feet) == left
    entries = session.file.entries
    session.survey.choose('u')
    assert 'nothing about feet here' in session.survey.words
    assert session.file.entries == entries
    session.watched.run(1.0)
    assert not session.watched.pulses_us


# ---- trouble


@pytest.mark.parametrize('by', list(By))
def test_pulses_that_went_off_come_back_by_a_word_only(tmp_path: Path, by: By) -> None:
    """The board restarts: nothing moves until somebody says so, and then it goes on there."""
    session = Session(tmp_path, by, stations=2)
    stage = {By.RULER: Stage.READ, By.GROUND: Stage.TOUCH, By.PHOTOGRAPHS: Stage.POSE}[by]
    session.until(stage)
    line = session.watched.lines['left']
    line.switch_off()
    session.watched.run(1.0)
    session.survey.step()
    assert 'do not obey any more' in session.survey.words
    line.switch_on()
    for _ in range(round(3.0 / TICK)):
        session.tick()
    assert session.survey.stage is stage
    assert 'The legs do not obey' in session.survey.question().title
    assert not any(board == 'left' for board, _ in session.watched.pulses_us)
    session.until(Stage.RESULT)
    assert session.watched.ons > 3


def test_a_line_that_comes_back_by_itself(tmp_path: Path) -> None:
    """The leg stays where it was left until somebody says so, and is then where it should be."""
    session = Session(tmp_path, stations=4)
    session.until(Stage.READ)
    session.survey.enter(session.read(session.leg))
    session.watched.run(0.2)
    line = session.watched.lines['left']
    line.plugged = False
    for _ in range(round(0.8 / TICK)):
        session.tick()
    line.plugged = True
    for _ in range(round(3.0 / TICK)):
        session.tick()
    assert 'The legs do not obey' in session.survey.question().title
    session.to_the_end()
    feet = [each for each in session.file.feet if isinstance(each, FootRead)]
    assert len(feet) == 4
    assert len({each.stand.pulses_us for each in feet}) == 4


def test_pulses_off_at_once(tmp_path: Path) -> None:
    """One key, also on the way; then it goes on by a word."""
    session = Session(tmp_path, stations=3)
    session.until(Stage.READ)
    session.survey.enter(session.read(session.leg))
    assert session.survey.moving
    session.survey.choose('x')
    session.watched.run(0.1)
    assert not session.watched.pulses_us
    assert 'pulses are off' in session.survey.words
    session.to_the_end()
    assert len(session.file.feet) == 3


def test_a_leg_that_touches_something_goes_back(tmp_path: Path) -> None:
    """One key, also on the way: the leg goes home, and on to the next point."""
    session = Session(tmp_path, stations=3)
    session.until(Stage.READ)
    session.survey.enter(session.read(session.leg))
    for _ in range(20):
        session.tick()
    session.survey.choose('t')
    assert 'the leg goes back' in session.survey.words
    session.rest()
    assert session.at(Stage.READ)
    session.answer()
    assert session.at(Stage.RESULT)
    assert len(session.file.feet) == 2


def test_a_point_without_a_way_is_left_out(tmp_path: Path) -> None:
    """As when a leg was left where nothing is clear: it is told, and the next point is gone to."""
    session = Session(tmp_path, stations=3)
    session.refuses = 'no way there'
    session.survey.choose('enter')
    session.rest()
    assert session.at(Stage.RESULT)
    assert session.survey.words == 'this point is left out: no way there'


@settings(max_examples=settings().max_examples // 10)
@given(
    keys=st.lists(st.one_of(st.sampled_from(KEYS), st.sampled_from(['honest', '1 2 3', '7'])),
                  max_size=20),
    by=st.sampled_from(list(By)),
)  # fmt: skip
def test_whatever_is_pressed(
    tmp_path_factory: pytest.TempPathFactory, keys: list[str], by: By
) -> None:
    """The watch finds nothing, and the file can always be read."""
    session = Session(tmp_path_factory.mktemp('any'), by, stations=3)
    for key in keys:
        if session.survey.ended:
            break
        if key == 'honest':
            session.answer()
        elif key[0].isdigit():
            session.survey.enter(key)
        else:
            session.survey.choose(key)
        for _ in range(10):
            session.tick()
    again = ReadingsFile(session.path, session.robot, TODAY)
    assert again.entries == session.file.entries
