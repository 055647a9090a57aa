# Copyright 2026 The leg_kinematics authors
# SPDX-License-Identifier: Apache-2.0
"""From the file of readings to what is worth measuring, and to what was found out."""

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field

from leg_kinematics.calibration import ServoMaps
from leg_kinematics.calibration.foot_readings import FootEntry, LegStand, Triple
from leg_kinematics.calibration.measured import Reading
from leg_kinematics.calibration.readings_file import ReadingsFile
from leg_kinematics.errors import CalibrationError, CommandError, LegKinematicsError
from leg_kinematics.identification.approach import Point
from leg_kinematics.identification.evidence import Evidence, FootSeen
from leg_kinematics.identification.fit import Identified, identify
from leg_kinematics.identification.landing import landing
from leg_kinematics.identification.points import poses, ruler_points, touch_points
from leg_kinematics.identification.room import Room
from leg_kinematics.identification.stations import By, Round, Station
from leg_kinematics.identification.surveyed import Surveyed, evidence_of
from leg_kinematics.identification.tolerances import Tolerances
from leg_kinematics.identification.verdict import GOOD, verdict

#: So many stations of each leg, or poses of all, are measured (what comes of it: DEVELOPERS.md).
COUNTS = {By.RULER: 10, By.GROUND: 10, By.PHOTOGRAPHS: 12}

#: Markers sit somewhere near the tips: where these are is told by so many touches of each foot
#: (DEVELOPERS.md).
TOUCHES = 2

#: So many more, where a leg is not known well enough by these.
FURTHER = 4

#: After so many touches it is known where the ground is.
ENOUGH_TOUCHES = 4

#: A foot is lowered at once only so far above where the others have touched, m: the ground is not
#: level, and maps are not sure yet; and in such steps that is looked for.
SPARE = 8e-3
STEP = 1e-3


@dataclass(frozen=True)
class MarkersSeen:
    """What photographs show.

    Attributes
    ----------
    feet
        Where markers were.
    words
        What is wrong with which photographs, and which would help, in sentences.

    """

    feet: tuple[FootSeen, ...] = ()
    words: tuple[str, ...] = ()


#: What photographs show, by all that was noted.
Markers = Callable[[tuple[FootEntry, ...]], MarkersSeen]


@dataclass(frozen=True)
class Knowledge:
    """A robot whose angles were read, and what else is known of it.

    Attributes
    ----------
    room
        The robot and what is around it.
    maps
        The present ones.
    readings
        Angles read off, by joint.
    markers
        What photographs show.
    by
        How feet are measured.
    tolerances
        How well was built, and is measured.

    """

    room: Room
    maps: ServoMaps
    readings: Mapping[str, tuple[Reading, ...]]
    markers: Markers
    by: By
    tolerances: Tolerances = field(default_factory=Tolerances)

    def spans_us(self, legs: Sequence[str]) -> dict[str, tuple[float, float]]:
        """Lowest and highest pulse of the joints of some legs, µs."""
        joints = self.room.robot.part(legs).joints
        maps = self.maps.by_joint
        return {joint: (maps[joint].lowest_us, maps[joint].highest_us) for joint in joints}

    def foot(self, stand: LegStand) -> Triple:
        """Return where the present maps have a foot, in `base_link`, m."""
        leg = self.room.leg(stand.leg)
        coxa, femur, tibia = (
            self.maps.by_joint[joint].angle(pulse)
            for joint, pulse in zip(leg.joints, stand.pulses_us, strict=True)
        )
        return leg.foot((coxa, femur, tibia))

    def surveyed(self, legs: tuple[str, ...], noted: tuple[FootEntry, ...]) -> Surveyed | str:
        """Work out what was noted of some legs; or say why nothing comes of it."""
        readings = {joint: self.readings[joint] for joint in self.spans_us(legs)}
        try:
            seen = self.markers(noted)
            evidence = evidence_of(readings, noted, legs, self.tolerances, seen.feet)
            if not evidence.all_feet:
                return 'no foot was measured'
            found = identify(
                self.room.robot, self.spans_us(legs), evidence, self.tolerances, self.room.height
            )
        except LegKinematicsError as error:
            return str(error)
        told = (*verdict(self.room, self.maps.by_joint, evidence, found), *seen.words)
        planned = len(evidence.all_feet) < COUNTS[self.by]
        return Surveyed(evidence, found, told, () if planned else self._further(found))

    def _further(self, found: Identified) -> tuple[Station, ...]:
        """Choose stations of a leg that is not known well enough; nothing of several legs."""
        if len(found.measured) > 1 or self.by is By.PHOTOGRAPHS:
            return ()
        (leg,) = found.measured
        feet = landing(self.room, self.maps.by_joint, found)
        if feet.after(0.95) <= GOOD:
            return ()
        return self._stations(found, leg, FURTHER, self.by)

    def _stations(self, known: Identified, leg: str, count: int, by: By) -> tuple[Station, ...]:
        choose = ruler_points if by is By.RULER else touch_points
        maps, told = self.maps.by_joint, self.tolerances
        points = choose(self.room, maps, known, leg, count, tolerances=told)
        return tuple((point,) for point in points)

    def clear_depth(self, point: Point, found: Surveyed, placement: int) -> float:
        """Say how far a foot can be lowered at once, m, by what is known of its leg by now.

        Nothing before it has touched the ground often enough.

        Parameters
        ----------
        point
            From where.
        found
            What is known.
        placement
            Number of the placement.

        """
        leg, identified = self.room.leg(point.leg), found.identified
        touched = [
            identified.foot(each.stand.leg, each.stand.pulses_us)[2]
            for each in found.evidence.touches
            if each.stand.leg == point.leg and each.placement == placement
        ]
        if len(touched) < ENOUGH_TOUCHES:
            return 0.0
        x, y, z = point.foot
        depth = 0.0
        while True:
            try:
                angles = leg.angles((x, y, z - depth - STEP))
            except LegKinematicsError:
                return depth
            pulses = [
                self.maps.by_joint[joint].pulse_us(angle)
                for joint, angle in zip(leg.joints, angles, strict=True)
            ]
            if identified.foot(point.leg, pulses)[2] < max(touched) + SPARE:
                return depth
            depth += STEP

    def rounds(self, legs: Sequence[str]) -> tuple[Round, ...]:
        """Choose where legs are to be measured.

        It is the same choice every time: what was measured already is found among it.

        Raises
        ------
        CalibrationError, CommandError
            Angles were not read yet, or a leg has no safe stations.

        """
        readings = {joint: self.readings[joint] for joint in self.spans_us(legs)}
        known = identify(
            self.room.robot,
            self.spans_us(legs),
            Evidence(readings),
            self.tolerances,
            self.room.height,
        )
        count = COUNTS[self.by]
        if self.by is By.PHOTOGRAPHS:
            maps, told = self.maps.by_joint, self.tolerances
            taken = poses(self.room, maps, known, count, tolerances=told)
            rounds = [
                Round(tuple(legs), taken, By.PHOTOGRAPHS),
                *(
                    Round((leg,), self._stations(known, leg, TOUCHES, By.GROUND), By.GROUND)
                    for leg in legs
                ),
            ]
        else:
            rounds = [
                Round((leg,), self._stations(known, leg, count, self.by), self.by) for leg in legs
            ]
        for each in rounds:
            if not each.stations:
                raise CommandError(
                    f'{", ".join(each.legs)}: no place is safe to be measured, with maps that may '
                    f'be wrong by {1e3 * self.room.doubt:.0f} mm; put the robot on a higher block'
                )
        return tuple(rounds)


def readings_of(file: ReadingsFile, joints: Sequence[str]) -> dict[str, tuple[Reading, ...]]:
    """Return the angles that were read off joints.

    Raises
    ------
    CalibrationError
        Of some joint none were.

    """
    readings = {joint: file.readings(joint) for joint in joints}
    if unread := [joint for joint, of in readings.items() if len(of) < FEWEST_READINGS]:
        raise CalibrationError(
            f'{file.path} has too few angles of {", ".join(unread)}: measure them first with '
            f'leg-kinematics calibrate, --joint {unread[0]} and so on'
        )
    return readings


#: Fewer tell no map.
FEWEST_READINGS = 4


class Direct:
    """Works out at once what is asked, and remembers the last answer for each legs.

    Parameters
    ----------
    work_out
        How.

    """

    def __init__(
        self, work_out: Callable[[tuple[str, ...], tuple[FootEntry, ...]], Surveyed | str]
    ) -> None:
        """Remember nothing yet."""
        self._work_out = work_out
        self._known: dict[tuple[str, ...], tuple[tuple[FootEntry, ...], Surveyed | str]] = {}

    def surveyed(self, legs: tuple[str, ...], noted: tuple[FootEntry, ...]) -> Surveyed | str:
        """Work it out, unless that was just asked."""
        known = self._known.get(legs)
        if known is None or known[0] != noted:
            known = self._known[legs] = (noted, self._work_out(legs, noted))
        return known[1]
