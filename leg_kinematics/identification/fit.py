# Copyright 2026 The leg_kinematics authors
# SPDX-License-Identifier: Apache-2.0
"""From angles and feet that were measured to what a robot is."""

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field, replace
from functools import cached_property
from itertools import product
from math import sqrt

import numpy as np
from scipy.linalg import block_diag

from leg_kinematics.calibration import LinearCurve
from leg_kinematics.calibration.foot_readings import LegStand, Triple
from leg_kinematics.calibration.least_squares import Estimate
from leg_kinematics.calibration.measured import LEAST_SPAN_US, PLAUSIBLE_GAIN, Reading
from leg_kinematics.errors import CalibrationError
from leg_kinematics.identification.equations import Equations, without_feet
from leg_kinematics.identification.evidence import Evidence
from leg_kinematics.identification.model import (
    AXES,
    DEGREE,
    Floats,
    IdentifiedJoint,
    IdentifiedLeg,
    Model,
)
from leg_kinematics.identification.suspects import (
    Settled,
    Suspect,
    expected_covariances,
    settled,
    suspects,
)
from leg_kinematics.identification.tolerances import Tolerances
from leg_kinematics.robot import SEGMENTS, Leg, Robot

#: Of a normal distribution, so many standard deviations to either side hold 95 %.
NORMAL_95 = 1.959963984540054

#: Where in the range of its pulses each joint stands for the feet that are aligned.
ALIGNED_AT = (0.2, 0.5, 0.8)


@dataclass(frozen=True)
class Scatter:
    """How much measurements scatter, as a multiple of what the tolerances say; 1 or more.

    Attributes
    ----------
    readings
        Of the angles read off.
    feet
        Of the positions of tips of feet.
    markers
        Of the positions of markers.
    touches
        Of the touches of the ground.

    """

    readings: float
    feet: float
    markers: float
    touches: float


@dataclass(frozen=True)
class Identified:
    """What a robot is, as far as the evidence tells.

    Where `base_link` is in the body nobody can measure: it is a matter of definition, fixed by the
    mounts as they are described. Spreads of feet are therefore those that are left after the best
    rigid motion of all feet together.

    Attributes
    ----------
    model
        The unknowns, and where feet are by them.
    joints
        By name.
    legs
        By name.
    suspects
        Numbers that were left out.
    scatter
        Of the numbers that were not.
    names
        Of the unknowns, such as `left_front_coxa.c0`, `left_front_coxa.lag`, `left_front.femur`,
        `left_front.mount_x`, `left_front.mount_turn_z`, `left_front.marker_x`,
        `placement_1.z`, `placement_1.turn_x`.
    values
        Of the unknowns, SI, in the order of `names`, shape (n,); positions and turns of mounts are
        those from the described mount, of placements those from where the ground is expected.
    covariance
        Of the unknowns, shape (n, n).
    covariance_before
        The same without any foot: of tolerances and angles read off alone.
    measured
        Names of the legs of which feet were measured.
    reading_residuals
        By joint, for each angle read off: what was read beyond what is expected for its approach,
        rad.
    foot_residuals
        Positions given less those expected, m, shape (number of feet, 3).
    left_out
        The same where the position itself was not used: how well the others foretell it.
    touch_residuals
        Heights of the ground less those expected of the feet that touched it, m.
    tolerances
        As given.

    """

    model: Model = field(repr=False)
    joints: Mapping[str, IdentifiedJoint]
    legs: Mapping[str, IdentifiedLeg]
    suspects: tuple[Suspect, ...]
    scatter: Scatter
    names: tuple[str, ...]
    values: Floats
    covariance: Floats
    covariance_before: Floats
    measured: tuple[str, ...]
    reading_residuals: Mapping[str, tuple[float, ...]]
    foot_residuals: Floats
    left_out: Floats
    touch_residuals: Floats
    tolerances: Tolerances

    def foot(self, leg: str, pulses_us: Sequence[float]) -> Triple:
        """Return where the tip of a foot is in `base_link`, m.

        In the middle of slack and dead band; `feet` puts it where it stands after an approach.

        Parameters
        ----------
        leg
            Its name.
        pulses_us
            Of coxa, femur and tibia, µs.

        """
        stand = LegStand(leg, (pulses_us[0], pulses_us[1], pulses_us[2]), (0, 0, 0))
        x, y, z = self.feet([stand])[0].tolist()
        return (x, y, z)

    def feet(self, stands: Sequence[LegStand]) -> Floats:
        """Return where tips of feet are in `base_link`, m, shape (n, 3)."""
        return self.model.feet(self.values, self.model.stands(stands))[0]

    def expect(self, stand: LegStand, placement: int) -> tuple[Triple, Floats]:
        """Return where the tip of a foot is expected, before it is measured.

        Parameters
        ----------
        stand
            How its servos stand.
        placement
            Number of the placement, in whose frame it is wanted; it may be a new one.

        Returns
        -------
        tuple
            Position, m, and its covariance, m², shape (3, 3): what is not known of leg and ground,
            without the error of a measurement.

        """
        model, values, covariance = self.model, self.values, self.covariance
        if placement not in model.placements:
            model = replace(model, placements=(*model.placements, placement))
            expected, spreads = model.expected(self.tolerances)
            values = np.concatenate([values, expected[-6:]])
            covariance = block_diag(covariance, np.diag(spreads[-6:] ** 2))
        stands = model.stands([stand])
        places = np.array([model.placements.index(placement)])
        positions, derivatives = model.on_ground(values, stands, places, np.zeros(1))
        columns = model.columns(stands, places)[0]
        own = covariance[np.ix_(columns, columns)]
        x, y, z = positions[0].tolist()
        return (x, y, z), derivatives[0] @ own @ derivatives[0].T

    def foot_spread(self, stands: Sequence[LegStand]) -> Floats:
        """Return standard errors of feet in x, y and z of `base_link`, m, shape (n, 3).

        After the best rigid motion of all feet together, those of legs that were measured, in the
        middle of slack and dead band.
        """
        return self._spread(stands, self.covariance)

    def prior_spread(self, stands: Sequence[LegStand]) -> Floats:
        """Return the same as it was before any foot was measured."""
        return self._spread(stands, self.covariance_before)

    def angle_spread(self, joint: str, pulse_us: float) -> float:
        """Return the standard error of the angle of a joint at a pulse in µs, rad."""
        own = self.model.place_of_joint(joint)
        row = self.model.design(joint, np.array([pulse_us]), np.zeros(1))[0]
        return sqrt(row @ self.covariance[own, own] @ row)

    def learned(self, name: str) -> float:
        """Return the standard error of an unknown, as a share of what it was before any foot."""
        place = self.model.places[name]
        return sqrt(self.covariance[place, place] / self.covariance_before[place, place])

    def _spread(self, stands: Sequence[LegStand], covariance: Floats) -> Floats:
        positions, by_unknowns = self.model.feet(self.values, self.model.stands(_middle(stands)))
        moved = by_unknowns - rigid_motions(positions) @ self._alignment
        spread: Floats = np.sqrt(np.einsum('kin,nm,kim->ki', moved, covariance, moved))
        return spread

    @cached_property
    def _alignment(self) -> Floats:
        """How the best rigid motion of the feet depends on the unknowns, shape (6, n)."""
        ways = [np.array(ALIGNED_AT)] * 3
        stands = [
            LegStand(leg.name, (coxa, femur, tibia), (0, 0, 0))
            for leg in self.model.legs
            if leg.name in self.measured or not self.measured
            for coxa, femur, tibia in product(
                *(
                    (1.0 - way) * self.model.spans_us[joint][0]
                    + way * self.model.spans_us[joint][1]
                    for joint, way in zip(leg.joints, ways, strict=True)
                )
            )
        ]
        positions, by_unknowns = self.model.feet(self.values, self.model.stands(stands))
        motions = rigid_motions(positions).reshape(-1, 6)
        found: Floats = np.linalg.pinv(motions) @ by_unknowns.reshape(len(motions), -1)
        return found


def identify(
    robot: Robot,
    spans_us: Mapping[str, tuple[float, float]],
    evidence: Evidence,
    tolerances: Tolerances = Tolerances(),  # noqa: B008 - frozen
    height: float | None = None,
) -> Identified:
    """Find lengths, mounts and servo maps that explain all that was measured.

    Parameters
    ----------
    robot
        As described.
    spans_us
        Lowest and highest pulse that each joint may have, µs, by joint. A leg is taken part of
        which all three joints are named here; what was read of others is not looked at.
    evidence
        What was measured: two angles or more of each of these joints, and feet of these legs. Where
        a joint was measured beyond its span, the span of the fit is wider.
    tolerances
        How far what was built may be from the description, and how well was measured.
    height
        Of `base_link` above the ground, about, m; that at which the robot stands unless given.

    Raises
    ------
    CalibrationError
        The evidence is not enough, or it is of legs that have no span.

    """
    legs = tuple(leg for leg in robot.legs if all(joint in spans_us for joint in leg.joints))
    _refuse_unknown(legs, evidence)
    lines = {
        joint: _line(joint, evidence.readings.get(joint, ()))
        for leg in legs
        for joint in leg.joints
    }
    expected = robot.standing.height if height is None else height
    model = _model(legs, spans_us, evidence, lines, expected)
    equations = Equations(model, evidence, tolerances)
    values = _start(equations, lines)
    equations.loosen(values)
    return _identified(equations, settled(equations, values))


def _refuse_unknown(legs: tuple[Leg, ...], evidence: Evidence) -> None:
    known = {leg.name for leg in legs}
    if not known:
        raise CalibrationError(
            'there is no leg to identify: expected the spans of pulses of all three joints of one'
        )
    for each in evidence.all_feet:
        if each.stand.leg not in known:
            raise CalibrationError(
                f'a foot of leg {each.stand.leg!r} was measured, but the pulses of its joints are '
                f'not known: expected one of {", ".join(sorted(known))}'
            )


def _line(joint: str, readings: Sequence[Reading]) -> LinearCurve:
    """Draw a straight line through angles read off, of which some may be mistyped.

    Its slope is the median of those of all pairs, its height the median beside that (Theil and Sen;
    from memory).
    """
    pulses = np.array([each.pulse_us for each in readings])
    angles = np.array([each.angle for each in readings])
    span = np.ptp(pulses) if len(pulses) else 0.0
    if not span >= LEAST_SPAN_US:
        raise CalibrationError(
            f'{joint}: {len(pulses)} angles at pulses within {span:g} µs tell no gain: read the '
            f'angle at two pulses or more, {LEAST_SPAN_US:g} µs or more apart'
        )
    first, second = np.triu_indices(len(pulses), 1)
    apart = np.abs(pulses[second] - pulses[first]) > 0.0
    first, second = first[apart], second[apart]
    slope = float(np.median((angles[second] - angles[first]) / (pulses[second] - pulses[first])))
    least, most = PLAUSIBLE_GAIN
    if not least <= abs(1.0 / slope if slope else np.inf) <= most:
        raise CalibrationError(
            f'{joint}: over {span:g} µs it turned by {np.degrees(slope * span):.3g} deg, which no '
            f'servo does: expected {least:g} … {most:g} µs/rad. Look whether this servo moves at '
            'all, whether its horn slips, and whether angles are typed in degrees'
        )
    return LinearCurve(0.0, 1.0 / slope, float(np.median(angles - slope * pulses)))


def _model(
    legs: tuple[Leg, ...],
    spans_us: Mapping[str, tuple[float, float]],
    evidence: Evidence,
    lines: Mapping[str, LinearCurve],
    height: float,
) -> Model:
    everything = evidence.all_feet
    pulses = {
        joint: [*spans_us[joint], *(each.pulse_us for each in evidence.readings[joint])]
        for leg in legs
        for joint in leg.joints
    }
    joints = {leg.name: leg.joints for leg in legs}
    for each in everything:
        for joint, pulse in zip(joints[each.stand.leg], each.stand.pulses_us, strict=True):
            pulses[joint].append(pulse)
    return Model(
        legs=legs,
        spans_us={joint: (min(each), max(each)) for joint, each in pulses.items()},
        signs={joint: 1 if line.gain_us_per_rad > 0.0 else -1 for joint, line in lines.items()},
        height=height,
        placements=tuple(sorted({each.placement for each in everything})),
        marker=evidence.marker if any(foot.point == 'marker' for foot in evidence.feet) else None,
    )


def _start(equations: Equations, lines: Mapping[str, LinearCurve]) -> Floats:
    """Begin with the description, and with straight servos."""
    values = equations.expected.copy()
    for joint, line in lines.items():
        first = equations.model.place_of_joint(joint).start
        low, high = equations.model.spans_us[joint]
        ends = (line.angle(low), line.angle(high))
        values[first : first + 2] = (ends[0] + ends[1]) / 2.0, (ends[1] - ends[0]) / 2.0
    return values


def _identified(equations: Equations, fit: Settled) -> Identified:
    model, evidence = equations.model, equations.evidence
    readings, feet, by_foot = equations.deviations(fit.values)
    residuals: dict[str, tuple[float, ...]] = dict.fromkeys(model.signs, ())
    for (joint, _), off in zip(equations.reading_places, readings.tolist(), strict=True):
        residuals[joint] += (off,)
    seen = len(evidence.feet)
    standing = {each.stand.leg for each in evidence.all_feet}
    return Identified(
        model=model,
        joints={joint: _joint(model, fit, joint) for joint in model.signs},
        legs={leg.name: _leg(model, fit, leg) for leg in model.legs},
        suspects=suspects(equations, fit),
        scatter=Scatter(*fit.used.scatter.tolist()),
        names=model.names,
        values=fit.values,
        covariance=fit.covariance,
        covariance_before=equations.covariance(fit.values, without_feet(fit.used)),
        measured=tuple(leg.name for leg in model.legs if leg.name in standing),
        reading_residuals=residuals,
        foot_residuals=feet[:seen],
        left_out=_left_out(equations, fit, feet, by_foot)[:seen],
        touch_residuals=feet[equations.touches, 2],
        tolerances=equations.tolerances,
    )


def _joint(model: Model, fit: Settled, joint: str) -> IdentifiedJoint:
    return IdentifiedJoint(
        name=joint,
        span_us=model.spans_us[joint],
        coefficients=tuple(fit.values[model.place_of_joint(joint)][: DEGREE + 1].tolist()),
        lag=_estimate(model, fit, f'{joint}.lag'),
    )


def _leg(model: Model, fit: Settled, leg: Leg) -> IdentifiedLeg:
    def three(what: str, names: Iterable[str]) -> tuple[Estimate, Estimate, Estimate]:
        one, two, last = (_estimate(model, fit, f'{leg.name}.{what}{name}') for name in names)
        return (one, two, last)

    x, y, z = (
        replace(off, value=at + off.value)
        for at, off in zip(leg.mount.position, three('mount_', AXES), strict=True)
    )
    return IdentifiedLeg(
        name=leg.name,
        lengths=three('', SEGMENTS),
        position=(x, y, z),
        turn=three('mount_turn_', AXES),
        rpy=model.mount_rpy(fit.values, leg.name),
        marker=three('marker_', AXES) if model.markers else None,
    )


def _estimate(model: Model, fit: Settled, name: str) -> Estimate:
    place = model.places[name]
    error = sqrt(fit.covariance[place, place])
    return Estimate(float(fit.values[place]), error, NORMAL_95 * error)


def _left_out(equations: Equations, fit: Settled, feet: Floats, by_foot: Floats) -> Floats:
    """Return by how much each position is away from what the others make of it.

    A fit without a position, of covariance S, is away from it by S (S - K)^-1 d, where d is the
    residual and K the covariance of what the fit with it expects there (Cook and Weisberg, as in
    `suspects`).
    """
    used = fit.used
    scatter = used.scatter[equations.kinds][:, None, None] ** 2
    known = expected_covariances(fit.covariance, equations, by_foot)
    pairs = used.feet[:, :, None] & used.feet[:, None, :]
    left = np.where(pairs, equations.covariances * scatter - known, np.eye(3))
    own = np.where(used.feet, feet, 0.0)[:, :, None]
    moved = np.where(used.feet[:, None, :], known, 0.0) @ np.linalg.solve(left, own)
    found: Floats = feet + moved[:, :, 0]
    return found


def _middle(stands: Sequence[LegStand]) -> list[LegStand]:
    """Put joints into the middle of slack and dead band."""
    return [replace(stand, sides=(0, 0, 0)) for stand in stands]


def rigid_motions(positions: Floats) -> Floats:
    """Return how positions follow a small motion of all of them, shape (n, 3, 6)."""
    x, y, z = positions.T
    motions = np.zeros((len(positions), 3, 6))
    motions[:, :, :3] = np.eye(3)
    motions[:, 0, 4], motions[:, 0, 5] = z, -y
    motions[:, 1, 3], motions[:, 1, 5] = -z, x
    motions[:, 2, 3], motions[:, 2, 4] = y, -x
    return motions
