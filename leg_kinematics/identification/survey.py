# Copyright 2026 The leg_kinematics authors
# SPDX-License-Identifier: Apache-2.0
"""The way through a survey of feet: what a person is asked, and what becomes of every answer.

It is the sister of `calibration.dialogue`, and like it knows neither terminal nor clock: whoever
shows it asks for the `question`, hands answers on, and calls `step` all the time. Legs move only by
an answer, and by the rules of the bench.

A round is one leg; where photographs are taken it is all of them, and then each foot touches the
ground. What is noted is in the file of readings at once, and whoever comes back later goes on where
that ends. Undoing takes the last step back, in the file as well.
"""

import enum
from collections.abc import Callable, Collection, Mapping, Sequence
from dataclasses import dataclass, replace

from leg_kinematics.calibration.bench import Answered
from leg_kinematics.calibration.entry_lines import MOST_BESIDE_MM, MOST_MM, PLAUSIBLE_BAR
from leg_kinematics.calibration.foot_readings import (
    AT_TIP,
    BarMeasured,
    FootEntry,
    FootOnGround,
    FootRead,
    LegPosed,
    LegStand,
    MarkersPlaced,
    PhotographTaken,
    Triple,
)
from leg_kinematics.calibration.joint_readings import JointEntry
from leg_kinematics.calibration.question import Finish, Question
from leg_kinematics.calibration.readings_file import ReadingsFile
from leg_kinematics.calibration.trail import Trail
from leg_kinematics.errors import LegKinematicsError
from leg_kinematics.identification import survey_words as say
from leg_kinematics.identification.approach import Point, way_home, way_to, way_to_pose
from leg_kinematics.identification.arrival import Arrival
from leg_kinematics.identification.leg_bench import LegBench
from leg_kinematics.identification.room import Room
from leg_kinematics.identification.stations import (
    By,
    Round,
    Station,
    last_placement,
    last_pose,
    legs_noted,
    nearest,
    still_open,
)
from leg_kinematics.identification.surveyed import Judge, Surveyed
from leg_kinematics.identification.working_out import Knowledge
from leg_kinematics.robot import Vector, parse_quantity
from leg_kinematics.robot.units import split_quantity

#: A foot is lowered by no more at once, m.
DEEPEST = 40e-3

#: No foot is farther from where the maps have it, in any direction (our own), m.
FARTHEST = 80e-3

#: A leg is at rest within this, rad.
AT_HOME = 1e-4

#: Photographs of a pose: with one alone a marker has two solutions.
FEWEST_PHOTOGRAPHS = 2


class Stage(enum.Enum):
    """Where a round is on its way; from `READ` to `POSE` the legs have pulses."""

    BAR = enum.auto()
    """Nothing has pulses: how long is the printed bar?"""
    MARKERS = enum.auto()
    """Nothing has pulses: where are the markers of the feet?"""
    POWER = enum.auto()
    """Nothing has pulses: shall the legs?"""
    READ = enum.auto()
    """A leg stands at a point: where is its foot?"""
    COMPARE = enum.auto()
    """What was typed is compared with the others."""
    DOUBT = enum.auto()
    """What was typed is not expected: is it right?"""
    TOUCH = enum.auto()
    """A foot is lowered to the ground."""
    POSE = enum.auto()
    """All legs stand for photographs."""
    RESULT = enum.auto()
    """What was measured, and what it is worth."""
    SUMMARY = enum.auto()
    """All legs: shall it be written?"""


POWERED = frozenset({Stage.READ, Stage.COMPARE, Stage.DOUBT, Stage.TOUCH, Stage.POSE})

#: In these, legs have no pulses.
UNPOWERED = frozenset({Stage.BAR, Stage.MARKERS, Stage.POWER})

#: Where a round is measured.
MEASURING = {By.RULER: Stage.READ, By.GROUND: Stage.TOUCH, By.PHOTOGRAPHS: Stage.POSE}


@dataclass(frozen=True)
class _Place:
    """Where the survey is; what was measured is in the file.

    Attributes
    ----------
    index
        Of the round; the number of rounds in the summary.
    stage
        Of this round.
    placement
        Number of the placement.
    plan
        Stations that are still to be measured; at the first one the legs stand.
    lowered
        By how much the foot was lowered from there, m.
    read
        What was typed, and is not noted yet.
    why
        Why that is doubted.
    old
        Photographs that were there before the legs were sent here.

    """

    index: int
    stage: Stage
    placement: int | None
    plan: tuple[Station, ...] = ()
    lowered: float = 0.0
    read: FootRead | None = None
    why: str = ''
    old: frozenset[str] = frozenset()


@dataclass(frozen=True)
class _Refused:
    """What nobody could carry out."""

    words: str
    success: bool = False


@dataclass(frozen=True)
class _Done:
    """What did not have to be ordered."""

    words: str = ''
    success: bool = True


@dataclass(frozen=True)
class SurveyPlan:
    """What there is to be measured, and how.

    Attributes
    ----------
    rounds
        One or more, in their order.
    knowledge
        What is known of the robot.

    """

    rounds: tuple[Round, ...]
    knowledge: Knowledge

    @property
    def room(self) -> Room:
        """The robot and what is around it."""
        return self.knowledge.room


class Survey:
    """Leads through the measurement of feet.

    Parameters
    ----------
    plan
        What is measured.
    file
        Of readings.
    bench
        That moves the legs.
    judge
        That works out what was measured.
    photographs
        Names the files in the folder of photographs by now, the oldest first, and says what has
        become of each.

    Attributes
    ----------
    finish
        How it ended; None while it goes on.
    words
        What the last answer has led to, or what has happened since; empty where the question says
        it all.

    """

    def __init__(
        self,
        plan: SurveyPlan,
        file: ReadingsFile,
        bench: LegBench,
        judge: Judge,
        photographs: Callable[[], Mapping[str, Arrival]] = dict,
    ) -> None:
        """Begin with the first round of which something is not measured yet."""
        self._plan = plan
        self._file = file
        self._bench = bench
        self._judge = judge
        self._photographs = photographs
        self._trail: Trail[_Place] = Trail(file)
        self._orders: list[Callable[[], Answered]] = []
        self._obeyed = self._astray = False
        self.finish: Finish | None = None
        self.words = ''
        # What is there before legs come to a pose may have been taken before they were led anew.
        self._from_before = frozenset(photographs())
        self._place = self._beginning()
        if len(plan.rounds) == 1 and self.stage is Stage.SUMMARY:
            self._place = replace(self._place, index=0, stage=Stage.RESULT)

    # ---- what is known

    @property
    def stage(self) -> Stage:
        """Where it is."""
        return self._place.stage

    @property
    def ended(self) -> bool:
        """Whether nothing is asked any more."""
        return self.finish is not None

    @property
    def round(self) -> Round | None:
        """What it is about; None in the summary."""
        rounds = self._plan.rounds
        return rounds[self._place.index] if self._place.index < len(rounds) else None

    @property
    def placement(self) -> int | None:
        """Number of the placement; None before the first."""
        return self._place.placement

    @property
    def moving(self) -> bool:
        """Whether legs are on their way, or are to be, or are not known to rest yet."""
        if self._orders or self._bench.busy:
            return True
        return self.stage in POWERED and self._obeys and None in self._stands

    @property
    def measured(self) -> tuple[str, ...]:
        """The legs of which feet were measured, in the order of the rounds."""
        seen = legs_noted(self._file.feet)
        return tuple(leg for each in self._plan.rounds for leg in each.legs if leg in seen)

    def question(self) -> Question:
        """Say what a person is asked now."""
        of, place = self.round, self._place
        if of is None:
            everyone = [leg for each in self._plan.rounds for leg in each.legs]
            rest = [leg for leg in everyone if leg not in self.measured]
            return say.summary(self._found(self.measured), rest)
        if self._lacks_power:
            return say.power_again()
        if place.stage is Stage.RESULT:
            found = self._found(of.legs)
            return say.result(of, found, len(self._further(of, found)))
        return self._question_at_bench(of) if place.stage in POWERED else self._first_question(of)

    def _first_question(self, of: Round) -> Question:
        match self.stage:
            case Stage.BAR:
                return say.bar()
            case Stage.MARKERS:
                return say.markers()
        return say.power(of.by, self._place.placement)

    def _question_at_bench(self, of: Round) -> Question:
        place, moving, left = self._place, self.moving, len(self._place.plan)
        leg, measured = of.legs[0], self._count(of)
        match place.stage:
            case Stage.READ:
                return say.read(leg, left, measured, moving=moving)
            case Stage.TOUCH:
                return say.touch(leg, left, measured, moving=moving)
            case Stage.POSE:
                new = self._new_photographs
                unused = len(self._unused) - len(new)
                return say.pose(left, measured, new, unused, self._broken_off, moving=moving)
        if place.stage is Stage.DOUBT and place.read is not None:
            return say.doubt(leg, place.read.position, place.why)
        return say.comparing(leg)

    def _count(self, of: Round) -> int:
        return sum(
            isinstance(each, of.by.value) and each.stand.leg == of.legs[0]
            for each in self._file.feet
        )

    # ---- answers

    def choose(self, key: str) -> None:
        """Take a key; one that the question does not name changes nothing.

        Raises
        ------
        DescriptionError
            The file of readings cannot be written; the question stays the same.

        """
        self.words = ''
        of = self.round
        if key not in {choice.key for choice in self.question().choices}:
            self.words = f'the key {key} means nothing here'
        elif key == 'q':
            self.finish = Finish.LEFT
        elif key == 'x':
            self._pulses_off()
        elif key == 'u':
            self._undo()
        elif of is None:
            self.finish = Finish.WRITE
        elif key == 'k':
            self._end_round()
        elif self._lacks_power:
            self._power_again()
        else:
            self._choose_in_stage(of, key)

    def _choose_in_stage(self, of: Round, key: str) -> None:
        place = self._place
        match self.stage, key:
            case Stage.MARKERS, _:
                self._note(MarkersPlaced(AT_TIP))
            case Stage.POWER, _:
                self._power(of, anew=key == 'b')
            case Stage.RESULT, 'm':
                self._measure(replace(place, plan=self._further(of, self._found(of.legs))))
            case Stage.RESULT, _:
                self._end_round()
            case Stage.DOUBT, _ if place.read is not None:
                self._measured(place, place.read)
            case _, 'n':
                self._measure(replace(place, plan=place.plan[1:]))
            case _, 't':
                self._back_off()
            case _, 'd':
                self._measure(replace(place, plan=()))
            case _, 'p':
                self._take(replace(place, placement=(place.placement or 0) + 1))
                self.words = 'what is measured from here on belongs to a new placement'
            case _:
                self._at_station(key)

    def _at_station(self, key: str) -> None:
        """Take a key about where the legs stand."""
        if self.stage is Stage.TOUCH:
            self._lower_or_touch(key)
        else:
            self._photographed(self._broken_off if key == 'o' else self._readable)

    def enter(self, text: str) -> None:
        """Take a position, x y z in mm, or a length in mm, as it was typed.

        Raises
        ------
        DescriptionError
            The file of readings cannot be written; the question stays the same.

        """
        self.words = ''
        if self.question().typed is None:
            self.words = f'nothing is to be typed here: {text} was not taken'
        elif self.stage is Stage.BAR:
            self._enter_bar(text)
        elif self.stage is Stage.MARKERS:
            self._enter_markers(text)
        elif self.moving:
            self.words = f'the leg is on its way: {text} was not taken; measure it at rest'
        elif self.stage is Stage.TOUCH:
            self._enter_depth(text)
        else:
            self._enter_position(text)

    def _enter_bar(self, text: str) -> None:
        length, (low, high) = _number(text), PLAUSIBLE_BAR
        if length is None or not low <= length <= high:
            self.words = (
                f'{text!r} is no length of the bar: expected {low:g} to {high:g} mm, such as 150.5'
            )
        else:
            self._note(BarMeasured(length / 1e3))

    def _enter_markers(self, text: str) -> None:
        position = position_of(text)
        if isinstance(position, str):
            self.words = position
        elif max(map(abs, position)) > MOST_BESIDE_MM / 1e3:
            self.words = f'{text!r} is no place on a foot: {MOST_BESIDE_MM:g} mm from it at most'
        else:
            self._note(MarkersPlaced(position))

    def _enter_position(self, text: str) -> None:
        position, (stand,) = position_of(text), self._stands
        if isinstance(position, str):
            self.words = position
        elif stand is not None:
            read = FootRead(stand, self._placement, position)
            self._place = replace(self._place, stage=Stage.COMPARE, read=read, why='')
            self._compare()

    # ---- time

    def step(self) -> None:
        """Go on with what was ordered, and see whether the legs still obey."""
        obeys = self._obeys
        if self._obeyed and not obeys and self.stage in POWERED:
            self._orders.clear()
            self._astray = True
            self.words = f'the legs do not obey any more: {self._bench.condition()}'
        self._obeyed = obeys
        if self._orders and obeys and not self._bench.busy:
            answer = self._orders.pop(0)()
            if not answer.success:
                self._leave_out(answer.words)
        elif not obeys and not self._bench.busy:
            self._orders.clear()
        if self.stage is Stage.COMPARE:
            self._compare()

    def _leave_out(self, why: str) -> None:
        """Go on without a station that could not be gone to."""
        self._orders.clear()
        if self.stage in POWERED and self._obeys:
            self._measure(replace(self._place, plan=self._place.plan[1:]))
            self.words = f'this point is left out: {why}'
        else:
            self.words = why

    # ---- stages

    def _power(self, of: Round, *, anew: bool) -> None:
        """Give the legs their pulses, and go on with this round."""
        if self._order(self._bench.power()):
            number = self._place.placement
            if number is None or anew:
                number = (number or 0) + 1
            opened = still_open(of, self._file.feet)
            self._measure(replace(self._place, placement=number, plan=opened))

    def _power_again(self) -> None:
        if self._order(self._bench.power()):
            words = self.words
            self._astray = False
            # Legs that were led anew may rest a little elsewhere than in the photographs so far.
            self._from_before = frozenset(self._photographs())
            self._place = replace(self._place, old=self._from_before)
            self._head_for(self._place)
            self.words = words

    def _measure(self, place: _Place, *entries: FootEntry) -> None:
        """Have the legs go to the first station of a plan, or tell the result."""
        if not place.plan:
            self._take(replace(place, stage=Stage.RESULT, lowered=0.0, read=None), *entries)
            self._head_for(self._place)
            return
        stage = MEASURING[self._plan.rounds[place.index].by]
        self._take(replace(place, stage=stage, lowered=0.0, read=None), *entries)
        self._place = replace(self._place, old=frozenset(self._photographs()))
        self._head_for(self._place)

    def _measured(self, place: _Place, *entries: FootEntry) -> None:
        """Note what was measured, and go on to the next station."""
        self._measure(replace(place, plan=place.plan[1:]), *entries)
        self.words = self.words or f'taken: {say.entry_in_words(entries[0])}'

    def _compare(self) -> None:
        """Take what was typed, or ask whether it is right."""
        place, of = self._place, self.round
        if of is None or place.read is None:
            return
        why = self._too_far(place.read)
        if not why:
            found = self._judge.surveyed(of.legs, (*self._file.feet, place.read))
            if found is None:
                return
            if isinstance(found, Surveyed) and (suspect := found.suspect(place.read)):
                why = say.off_in_words(suspect)
        if why:
            self._place = replace(place, stage=Stage.DOUBT, why=why)
        else:
            self._measured(place, place.read)

    def _too_far(self, read: FootRead) -> str:
        x, y, z = self._plan.knowledge.foot(read.stand)
        expected = (x, y, z + self._plan.room.height)
        pairs = zip(read.position, expected, strict=True)
        return say.far_in_words(expected) if max(abs(a - b) for a, b in pairs) > FARTHEST else ''

    def _lower_or_touch(self, key: str) -> None:
        """Lower or raise the foot by a key, or note that it touches."""
        (stand,) = self._stands
        if self.moving or stand is None:
            self.words = 'the foot is on its way: wait until it rests'
        elif key == 'enter':
            self._measured(self._place, FootOnGround(stand, self._placement))
        else:
            self._lower(say.FINE if key == 's' else -say.RAISED)

    def _lower(self, depth: float) -> None:
        lowered = self._place.lowered + depth
        if self._order(self._to_lowered(self._place.plan[0][0], lowered)):
            self.words = ''
            self._place = replace(self._place, lowered=lowered)

    def _enter_depth(self, text: str) -> None:
        depth = _number(text)
        if depth is None or not 0.0 < depth <= 1e3 * DEEPEST:
            self.words = f'{text!r} is no way down: expected mm above 0, {1e3 * DEEPEST:g} at most'
        else:
            self._lower(depth / 1e3)

    def _photographed(self, files: Sequence[str]) -> None:
        """Note how the legs stand, and which photographs show it."""
        new, stands = self._new_photographs, self._stands
        if self.moving:
            self.words = 'the legs are on their way: photograph them at rest'
        elif coming := [file for file, how in new.items() if how is Arrival.COMING]:
            self.words = f'{", ".join(coming)} is still being copied: wait until it is whole'
        elif len(files) < FEWEST_PHOTOGRAPHS:
            self.words = (
                f'{len(files)} new photographs are in the folder: {FEWEST_PHOTOGRAPHS} or more '
                'are wanted, from different sides'
            )
        else:
            number = last_pose(self._file.feet) + 1
            placed = [LegPosed(each, self._placement, number) for each in stands if each]
            taken = [PhotographTaken(number, file) for file in files]
            self._measured(self._place, *placed, *taken)
            self.words = f'taken: pose {number}, {len(taken)} photographs'

    def _back_off(self) -> None:
        """Leave a station where something is touched, by the way home, and go to the next one."""
        self._orders.clear()
        self._bench.stop()
        self._measure(replace(self._place, plan=self._place.plan[1:]))
        self._orders.insert(0, lambda: self._home(()))
        self.words = 'the leg goes back, and on to the next point'

    def _end_round(self) -> None:
        """Go to the next round; legs that have pulses keep them."""
        opened = self._first_open(self._place.index + 1, self._place.placement)
        if opened.stage is Stage.POWER and self._obeys:
            self._measure(opened)
        else:
            self._take(opened)
            self._head_for(opened)

    # ---- steps

    def _note(self, entry: FootEntry) -> None:
        """Note what is asked before anything moves, and go on to what is asked then."""
        self._trail.step(self._place, entry)
        self._place = self._beginning()

    def _take(self, place: _Place, *entries: FootEntry) -> None:
        """Go on to a place, and write what was found out on the way."""
        stage = Stage.READ if self.stage in {Stage.COMPARE, Stage.DOUBT} else self.stage
        self._trail.step(replace(self._place, stage=stage, read=None), *entries)
        self._place = place

    def _undo(self) -> None:
        """Take the last step back: of this session, and then of those before."""
        if self.stage in {Stage.COMPARE, Stage.DOUBT}:
            self._place = replace(self._place, stage=Stage.READ, read=None)
            return
        before = self._trail.back()
        if before is not None:
            self._return_to(before)
            self.words = self.words or 'taken back'
            return
        last = self._file.entries[-1] if self._file.entries else None
        if last is None or isinstance(last, JointEntry):
            self.words = 'there is nothing about feet here that could be taken back'
            return
        self._file.take_back()
        self._return_to(self._beginning())
        self.words = f'taken back: {say.entry_in_words(last)}'

    def _return_to(self, place: _Place) -> None:
        """Have the legs stand where they did, if they have pulses; they get none by this."""
        self._orders.clear()
        if self._bench.busy and self._obeys:
            self._bench.stop()
        self._place = place
        if place.stage in UNPOWERED and (self._obeys or self._bench.busy):
            self._pulses_off()
        else:
            self._head_for(place)

    def _beginning(self) -> _Place:
        """Give the first question that is not answered yet."""
        placement = last_placement(self._file.feet)
        if self._plan.rounds[0].by is By.PHOTOGRAPHS:
            asked = {type(each) for each in self._file.feet}
            if BarMeasured not in asked:
                return _Place(0, Stage.BAR, placement)
            if MarkersPlaced not in asked:
                return _Place(0, Stage.MARKERS, placement)
        return self._first_open(0, placement)

    def _first_open(self, index: int, placement: int | None) -> _Place:
        """Give the first round from here on of which something is not measured yet."""
        for each in range(index, len(self._plan.rounds)):
            opened = still_open(self._plan.rounds[each], self._file.feet)
            if opened:
                return _Place(each, Stage.POWER, placement, opened)
        return _Place(len(self._plan.rounds), Stage.SUMMARY, placement)

    def _further(self, of: Round, found: Surveyed | str | None) -> tuple[Station, ...]:
        """Return the stations that are doubtful, and those that would help."""
        if not isinstance(found, Surveyed):
            return ()
        again = dict.fromkeys(
            nearest(of, stand)
            for stand in found.doubtful(touches=of.by is By.GROUND)
            if stand.leg in of.legs
        )
        return (*again, *found.further)

    def _found(self, legs: tuple[str, ...]) -> Surveyed | str | None:
        return self._judge.surveyed(legs, self._file.feet)

    # ---- the bench

    @property
    def _obeys(self) -> bool:
        return self._bench.obeys

    @property
    def _lacks_power(self) -> bool:
        waits = self._bench.busy and not self._astray
        return self.stage in POWERED and (self._astray or not self._obeys) and not waits

    @property
    def _stands(self) -> tuple[LegStand | None, ...]:
        """How the legs of this round rest; None where they do not, or it is not known."""
        return tuple(map(self._bench.stand, self.round.legs if self.round else ()))

    @property
    def _placement(self) -> int:
        return self._place.placement or 1

    @property
    def _taken(self) -> frozenset[str]:
        """Photographs of which it is noted which pose they show."""
        return frozenset(each.file for each in self._file.feet if isinstance(each, PhotographTaken))

    @property
    def _unused(self) -> Mapping[str, Arrival]:
        """Files that belong to no pose."""
        taken = self._taken
        return {file: how for file, how in self._photographs().items() if file not in taken}

    @property
    def _new_photographs(self) -> Mapping[str, Arrival]:
        """Those of them that came since the legs were sent here."""
        old = self._place.old
        return {file: how for file, how in self._unused.items() if file not in old}

    @property
    def _readable(self) -> tuple[str, ...]:
        """Those of these that can be used."""
        return tuple(file for file, how in self._new_photographs.items() if how is Arrival.WHOLE)

    @property
    def _broken_off(self) -> tuple[str, ...]:
        """Photographs that were taken of this pose before the session was broken off, most likely.

        Or before the legs lost their power. They were there when this began anew, came after those
        of the pose that was noted last, and nothing was moved since; none where these are too few.
        """
        posed = [each for each in self._file.feet if isinstance(each, LegPosed)]
        files, taken = self._photographs(), self._taken
        if not posed or posed[-1].placement != self._placement or taken.isdisjoint(files):
            return ()
        names = list(files)
        last = max(place for place, file in enumerate(names) if file in taken)
        found = tuple(
            file
            for file in names[last + 1 :]
            if file in self._from_before and files[file] is Arrival.WHOLE
        )
        return found if len(found) >= FEWEST_PHOTOGRAPHS else ()

    def _head_for(self, place: _Place) -> None:
        """Order the legs where they are to stand in a place, those that are not measured home."""
        station = place.plan[0] if place.plan and place.stage in POWERED else ()
        self._orders = []
        if not (self._obeys or self._bench.busy):
            return
        self._orders = [lambda: self._home({point.leg for point in station})]
        if station:
            self._orders.append(lambda: self._to(station))
            if place.stage is Stage.TOUCH:
                self._orders.append(lambda: self._near_ground(station[0], place.lowered))

    def _home(self, but: Collection[str]) -> Answered:
        """Have all legs but some go to their resting posture, one after another."""
        postures, room = self._postures, self._plan.room
        way: list[Mapping[str, float]] = []
        for leg, resting in room.resting.items():
            away = max(abs(a - b) for a, b in zip(postures[leg], resting, strict=True))
            if leg not in but and away > AT_HOME:
                try:
                    way += way_home(room, leg, postures)
                except LegKinematicsError as error:
                    return _Refused(str(error))
                postures[leg] = resting
        return self._bench.go(way) if way else _Done()

    def _to(self, station: Station) -> Answered:
        room = self._plan.room
        try:
            if len(station) == 1:
                return self._bench.go(way_to(room, station[0], self._postures))
            return self._bench.go(way_to_pose(room, station, self._postures))
        except LegKinematicsError as error:
            return _Refused(str(error))

    def _near_ground(self, point: Point, lowered: float) -> Answered:
        """Lower a foot to where it was, or as far as it is known to be clear of the ground."""
        found = self._found((point.leg,))
        if not lowered and isinstance(found, Surveyed):
            lowered = self._plan.knowledge.clear_depth(point, found, self._placement)
        self._place = replace(self._place, lowered=lowered)
        return self._to_lowered(point, lowered) if lowered else _Done()

    def _to_lowered(self, point: Point, lowered: float) -> Answered:
        """Have a foot go straight down from a point, m."""
        solver, (x, y, z) = self._plan.room.leg(point.leg), point.foot
        try:
            angles = solver.angles((x, y, z - lowered))
        except LegKinematicsError as error:
            return _Refused(str(error))
        return self._bench.go((dict(zip(solver.joints, angles, strict=True)),))

    @property
    def _postures(self) -> dict[str, Vector]:
        """Where the legs are, rad; those that are not on the bench are folded away."""
        room, angles = self._plan.room, self._bench.angles or {}
        postures = dict(room.resting)
        for each in room.legs:
            if set(each.joints) <= set(angles):
                coxa, femur, tibia = (angles[joint] for joint in each.joints)
                postures[each.name] = (coxa, femur, tibia)
        return postures

    def _pulses_off(self) -> None:
        self._orders.clear()
        self._obeyed = self._astray = False
        self._order(self._bench.release())

    def _order(self, answer: Answered) -> bool:
        """Take what became of an order; its words are those for the person."""
        self.words = answer.words
        if not answer.success:
            self._orders.clear()
        return answer.success


def position_of(text: str) -> Triple | str:
    """Read a position as people type it: x y z in mm; or say what was expected.

    Decimal commas are taken, and commas between the numbers, too.

    Returns
    -------
    Triple or str
        m.

    """
    tokens = text.replace(';', ' ').split()
    if len(tokens) == 1:
        tokens = tokens[0].split(',')
    numbers = [_number(token.removesuffix(',')) for token in tokens]
    expected = 'expected x y z in mm with spaces between, such as 212.5 -80 14'
    if None in numbers:
        return f'{text.strip()!r} is no position: {expected}'
    if len(numbers) != 3:
        return f'{text.strip()!r} has {len(numbers)} of three numbers: {expected}'
    x, y, z = (each for each in numbers if each is not None)
    if max(map(abs, (x, y, z))) > MOST_MM:
        return f'{text.strip()!r} is farther away than any foot: {expected}'
    return (x / 1e3, y / 1e3, z / 1e3)


def _number(typed: str) -> float | None:
    """Read a number; None where it is none."""
    try:
        return parse_quantity(split_quantity(typed.replace(',', '.'), 'length')[0], 'length')
    except ValueError:
        return None
