# Copyright 2026 The leg_kinematics authors
# SPDX-License-Identifier: Apache-2.0
"""What all that was noted comes to, worked out beside the bench."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Protocol

from leg_kinematics.calibration.foot_readings import (
    AT_TIP,
    FootEntry,
    FootOnGround,
    FootRead,
    LegStand,
    MarkersPlaced,
    Triple,
)
from leg_kinematics.calibration.measured import Reading
from leg_kinematics.identification.evidence import Evidence, FootSeen
from leg_kinematics.identification.fit import Identified
from leg_kinematics.identification.stations import Station
from leg_kinematics.identification.suspects import Suspect
from leg_kinematics.identification.tolerances import Tolerances


@dataclass(frozen=True)
class Surveyed:
    """What was found out of some legs.

    Attributes
    ----------
    evidence
        All that it comes from.
    identified
        What these legs are.
    verdict
        What that means, in sentences.
    further
        Stations that would help, if that is not enough.

    """

    evidence: Evidence
    identified: Identified
    verdict: tuple[str, ...]
    further: tuple[Station, ...] = ()

    def suspect(self, read: FootRead) -> Suspect | None:
        """Return what does not fit of a position that was typed; None where all does."""
        for each in self.identified.suspects:
            if each.kind == 'foot':
                foot = self.evidence.feet[each.place]
                if (foot.stand, foot.position) == (read.stand, read.position):
                    return each
        return None

    def doubtful(self, *, touches: bool) -> tuple[LegStand, ...]:
        """Say how legs stood where something does not fit, and was not measured again since.

        Of touches of the ground, or of positions.
        """
        kind, of = ('touch', self.evidence.touches) if touches else ('foot', self.evidence.feet)
        places = {each.place for each in self.identified.suspects if each.kind == kind}
        stands = [each.stand for each in of]
        trusted = {
            (each.leg, each.pulses_us) for place, each in enumerate(stands) if place not in places
        }
        return tuple(
            each
            for place, each in enumerate(stands)
            if place in places and (each.leg, each.pulses_us) not in trusted
        )


class Judge(Protocol):
    """Works out what was noted, beside the bench: it never keeps anybody waiting."""

    def surveyed(
        self, legs: tuple[str, ...], noted: tuple[FootEntry, ...]
    ) -> Surveyed | str | None:
        """Say what was found out of legs.

        Returns
        -------
        Surveyed or str or None
            Why nothing was; None as long as it is being worked out: ask again.

        """


def evidence_of(
    readings: Mapping[str, tuple[Reading, ...]],
    noted: Sequence[FootEntry],
    legs: Sequence[str],
    tolerances: Tolerances,
    markers: Sequence[FootSeen] = (),
) -> Evidence:
    """Gather what was measured of some legs.

    Parameters
    ----------
    readings
        Angles read off, by joint; of these legs alone.
    noted
        All about feet.
    legs
        Their names.
    tolerances
        How well a ruler is read.
    markers
        What photographs show.

    """
    variance = tolerances.ruler**2
    covariance: tuple[Triple, Triple, Triple] = (
        (variance, 0.0, 0.0),
        (0.0, variance, 0.0),
        (0.0, 0.0, variance),
    )
    read = [
        FootSeen(each.stand, each.placement, each.position, covariance)
        for each in noted
        if isinstance(each, FootRead) and each.stand.leg in legs
    ]
    seen = [each for each in markers if each.stand.leg in legs]
    touches = [each for each in noted if isinstance(each, FootOnGround) and each.stand.leg in legs]
    placed = [each.position for each in noted if isinstance(each, MarkersPlaced)]
    marker = placed[-1] if placed else AT_TIP
    return Evidence(dict(readings), (*read, *seen), tuple(touches), marker)
