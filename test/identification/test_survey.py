# Copyright 2026 The leg_kinematics authors
# SPDX-License-Identifier: Apache-2.0
"""The survey of two legs from the first question to the last, with a person who is played.

The legs and their servos are simulated, with truths that only protractor and ruler show. The watch
judges every tick: no pulse beyond the maps, none without a word, no joint faster than it may be.
Where the true feet are comes of rotations one after another (`test/unknown_robot.py`), not of the
formulas of the package.
"""

from collections.abc import Callable, Mapping, Sequence
from dataclasses import replace
from datetime import date
from math import radians
from pathlib import Path
from random import Random
from typing import TYPE_CHECKING, cast

import numpy as np
import pytest
from scipy.spatial.transform import Rotation

from leg_kinematics.board.simulated.true_servo import TrueServo
from leg_kinematics.calibration.bench import Answered
from leg_kinematics.calibration.foot_readings import FootRead
from leg_kinematics.calibration.joint_readings import AngleRead
from leg_kinematics.calibration.measured import Approach, Reading
from leg_kinematics.calibration.question import Finish
from leg_kinematics.calibration.readings_file import ReadingsFile
from leg_kinematics.commands.calibration_session import joint_tasks
from leg_kinematics.commands.mock_robot import TrueRobot
from leg_kinematics.identification.leg_bench import LegBench
from leg_kinematics.identification.room import Room
from leg_kinematics.identification.stations import By
from leg_kinematics.identification.survey import Stage, Survey, SurveyPlan
from leg_kinematics.identification.surveyed import Surveyed
from leg_kinematics.identification.working_out import Direct, Knowledge, readings_of
from leg_kinematics.robot import Robot

if TYPE_CHECKING:
    from test.unknown_robot import Ground
    from test.watched_legs import LEGS, TICK, WatchedLegs
else:
    from unknown_robot import Ground
    from watched_legs import LEGS, TICK, WatchedLegs

TODAY = date(2026, 11, 30)

#: Orders that the watch has to hear.
WORDS = ('power', 'follow', 'stop', 'release')

#: More answers than any session here takes.
MOST_ANSWERS = 400

#: Every key that means something somewhere, and some that mean nothing.
KEYS = ('enter', *'bcdkmnpqstuwxyz', 'unknown key')

#: A foot is held to touch while a slip of paper just sticks, m.
PAPER = 0.1e-3


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
        self.file = ReadingsFile(self.path, self.robot, TODAY)
        if not self.file.entries:
            read_angles(self.file, self.truth)
        joints = self.robot.part(legs).joints
        self.knowledge = Knowledge(
            Room(self.robot, calibrated.legs, self.robot.standing.height),
            calibrated.maps,
            readings_of(self.file, joints),
            lambda _: (),
        )
        rounds = self.knowledge.rounds(legs, by)
        if stations is not None:
            rounds = tuple(replace(each, stations=each.stations[:stations]) for each in rounds)
        self.photographs: list[str] = []
        self.survey = Survey(
            SurveyPlan(by, rounds, self.knowledge.room, self.knowledge.foot),
            self.file,
            cast('LegBench', self),
            Direct(self.knowledge.surveyed),
            lambda: tuple(self.photographs),
        )
        self.chance = Random(str(by))
        self.ground = Ground(
            np.array([4e-3, -3e-3, 2e-3 - self.robot.standing.height]),
            Rotation.from_rotvec(np.radians([0.4, -0.3, 1.2])),
        )
        self.type_position: Callable[[str], str] = lambda typed: typed
        self.answers = 0
        self.watched.bench.open()
        self.watched.run(1.0)

    def __getattr__(self, name: str) -> object:
        """Be the bench of the survey, with the words of a person heard by the watch."""
        return getattr(self.watched if name in WORDS else self.watched.bench, name)

    def go(self, waypoints: Sequence[Mapping[str, float]]) -> Answered:
        """Order a way."""
        return self.watched.go(*waypoints)

    @property
    def state(self) -> tuple[object, ...]:
        """All that an answer that means nothing must not change."""
        survey = self.survey
        return (survey.question(), self.file.entries, self.watched.pulses_us, survey.finish)

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
            case _:
                survey.enter(self.type_position(self.read(self.leg)))
        self.rest()

    @property
    def leg(self) -> str:
        """The leg that it is about."""
        assert self.survey.round is not None
        return self.survey.round.legs[0]

    def key(self, keys: set[str]) -> str:
        """Choose a key."""
        if self.survey.stage is Stage.POSE:
            self.photographs += [f'{len(self.photographs)}-{side}.jpg' for side in 'ab']
        return next(key for key in ('y', 'enter', 'k', 'q') if key in keys)

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


def read_angles(file: ReadingsFile, truth: TrueRobot) -> None:
    """Read the angles of all joints off a protractor, to whole degrees, at seven pulses."""
    maps = WatchedLegs().calibrated.maps
    for each in maps.maps:
        servo = truth.servos[each.joint]
        for pulse in np.linspace(each.lowest_us + 30.0, each.highest_us - 30.0, 7).tolist():
            for approached in ('up', 'down'):
                file.add(AngleRead(each.joint, seen(servo, pulse, approached)))


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
    """All goes its way, and feet are where the new maps have them, as the legs stand alone."""
    session = Session(tmp_path, legs=LEGS)
    session.to_the_end()
    assert session.survey.finish is Finish.WRITE
    feet = [each for each in session.file.feet if isinstance(each, FootRead)]
    assert len(feet) == 28
    before, after = errors_mm(session, session.robot)
    print('ruler', session.answers, before, after)
    assert before > 5.0
    assert after < 1.0
    # The word for power, a position each, the two results and the summary.
    assert session.answers == 1 + 28 + 2 + 1
    assert session.watched.ons == 6


def test_two_legs_by_ground(tmp_path: Path) -> None:
    session = Session(tmp_path, By.GROUND, legs=LEGS)
    session.to_the_end()
    before, after = errors_mm(session, session.robot)
    print('ground', session.answers, before, after)


def test_two_legs_by_photographs(tmp_path: Path) -> None:
    session = Session(tmp_path, By.PHOTOGRAPHS, legs=LEGS)
    session.until(Stage.RESULT)
    print('photographs', session.answers, len(session.file.feet))
