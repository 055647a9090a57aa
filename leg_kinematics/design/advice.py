# Copyright 2026 The leg_kinematics authors
# SPDX-License-Identifier: Apache-2.0
"""Advice: single changes of a design that are enough for a failing line to pass, found by trying.

Every change is tried on the same analysis that found the line. Mass does not change with length,
and the feet stand where they stood.
"""

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Any

from leg_kinematics.design.design import Design
from leg_kinematics.design.finding import Finding, Verdict
from leg_kinematics.errors import LegKinematicsError
from leg_kinematics.robot import SEGMENTS, Leg, Link, Posture, Robot

#: Gives the same lines, in the same order, for every design that it can be asked about.
Question = Callable[[Design], list[Finding]]

#: Of each change: shares of the farthest amount that are tried until one is enough.
SHARES = (0.125, 0.25, 0.5, 1.0)

#: How many walks of changed designs are walked for one report, at most: some eight seconds.
WALKS = 90


@dataclass(frozen=True)
class Change:
    """One way to change a design.

    Attributes
    ----------
    kind
        What is changed, in a word or two.
    unit
        By multiples of which it is tried, in SI.
    farthest
        How far it is tried for a design; negative where less is tried.
    apply
        Gives the design that differs by an amount.
    words
        Says so.

    """

    kind: str
    unit: float
    farthest: Callable[[Design], float]
    apply: Callable[[Design, float], Design]
    words: Callable[[Design, float], str]


def _with_robot(design: Design, robot: Robot) -> Design:
    return Design(robot, design.maps, design.parameters)


def _link(leg: Leg, segment: str) -> Link:
    return leg.links[SEGMENTS.index(segment)]


def _length(segment: str, share: float) -> Change:
    """Make one link of all legs longer by up to a share of the femur and tibia of the longest leg.

    Or shorter, where the share is negative, by up to a share of its own length.
    """

    def farthest(design: Design) -> float:
        legs = design.robot.legs
        if share > 0.0:
            return share * max(leg.femur.length + leg.tibia.length for leg in legs)
        return share * min(_link(leg, segment).length for leg in legs)

    def apply(design: Design, amount: float) -> Design:
        legs = []
        for leg in design.robot.legs:
            link = _link(leg, segment)
            length = link.length + amount
            centre = link.centre_of_mass * length / link.length
            longer = replace(link, length=length, centre_of_mass=centre)
            changed: dict[str, Any] = {segment: longer}
            legs.append(replace(leg, **changed))
        return _with_robot(design, replace(design.robot, legs=tuple(legs)))

    return Change(
        segment,
        1e-3,
        farthest,
        apply,
        lambda _, amount: (
            f'{segment} {abs(amount) * 1e3:.0f} mm {"longer" if amount > 0.0 else "shorter"}'
        ),
    )


def _height(share: float) -> Change:
    def apply(design: Design, amount: float) -> Design:
        height = design.robot.standing.height + amount
        feet = tuple((x, y, -height) for x, y, _ in design.robot.standing.feet)
        return _with_robot(design, replace(design.robot, standing=Posture(height, feet)))

    def farthest(design: Design) -> float:
        standing, resting = design.robot.standing.height, design.robot.resting.height
        return share * standing if share > 0.0 else max(share * standing, resting - standing)

    return Change(
        'standing height',
        1e-3,
        farthest,
        apply,
        lambda design, amount: _instead(
            'standing height', design.robot.standing.height, amount, 1e3, 'mm'
        ),
    )


def _parameter(name: str, told: str, share: float, unit: float, shown: tuple[float, str]) -> Change:
    def apply(design: Design, amount: float) -> Design:
        value = getattr(design.parameters, name) + amount
        parameters = replace(design.parameters, **{name: value})
        return Design(design.robot, design.maps, parameters)

    return Change(
        told,
        unit,
        lambda design: share * getattr(design.parameters, name),
        apply,
        lambda design, amount: _instead(told, getattr(design.parameters, name), amount, *shown),
    )


def _duty_factor() -> Change:
    def apply(design: Design, amount: float) -> Design:
        parameters = design.with_duty_factor(design.parameters.duty_factor + amount)
        return Design(design.robot, design.maps, parameters)

    return Change(
        'duty factor',
        0.01,
        lambda design: 0.0 if design.parameters.phases else 0.9 - design.parameters.duty_factor,
        apply,
        lambda design, amount: _instead(
            'duty factor', design.parameters.duty_factor, amount, 1.0, ''
        ),
    )


def _instead(what: str, former: float, amount: float, factor: float, unit: str) -> str:
    value = f'{(former + amount) * factor:.4g} {unit}'.strip()
    return f'{what} {value} instead of {former * factor:.4g} {unit}'.strip()


LONGER = tuple(_length(segment, 0.5) for segment in ('femur', 'tibia', 'coxa'))
SHORTER = tuple(_length(segment, -0.5) for segment in ('femur', 'tibia', 'coxa'))
HEIGHTS = (_height(-0.5), _height(0.5))
LESS_LIFT = _parameter('lift', 'lift', -0.8, 1e-3, (1e3, 'mm'))
SLOWER = _parameter('swing_time', 'swing time', 1.5, 0.02, (1.0, 's'))
FASTER = _parameter('swing_time', 'swing time', -0.6, 0.02, (1.0, 's'))

#: What is tried, by the group of the failing line: what may help it by all that is known of legs.
#: Horns and maps are not a matter of amounts.
TRIED: Mapping[str, Sequence[Change]] = {
    'reach': (*LONGER, *SHORTER, *HEIGHTS, LESS_LIFT, SLOWER),
    'body over its feet': (*LONGER, *SHORTER, *HEIGHTS),
    'fastest walk': (LESS_LIFT, SLOWER, FASTER, *LONGER[:2], *HEIGHTS, _duty_factor()),
    'servo speed used': (LESS_LIFT, SLOWER, *LONGER[:2], *HEIGHTS),
    'stall torque used': (LONGER[2], *SHORTER[:2], *HEIGHTS, _duty_factor()),
    'load at one foot': SHORTER,
    'support margin': (FASTER, _duty_factor()),
    'clearance': (FASTER, LESS_LIFT, *SHORTER, LONGER[2], HEIGHTS[1], _duty_factor()),
}


def advised(
    design: Design, asked: Sequence[tuple[Question, Sequence[Finding]]]
) -> tuple[Finding, ...]:
    """Return all lines, with advice on the worst failing one of each group.

    Parameters
    ----------
    design
        The design.
    asked
        What it was asked, and the lines of the answer.

    """
    worst: dict[str, Finding] = {}
    for _, findings in asked:
        for finding in findings:
            if finding.verdict is Verdict.FAIL and finding.group in TRIED:
                rival = worst.setdefault(finding.group, finding)
                worst[finding.group] = min(rival, finding, key=_shortfall)
    trials = _Trials(design)
    told = []
    for question, findings in asked:
        for index, finding in enumerate(findings):
            if worst.get(finding.group) is finding:
                told.append(replace(finding, advice=trials.advice(question, index, finding)))
            else:
                told.append(finding)
    return tuple(told)


def _shortfall(finding: Finding) -> float:
    """Tell how far a line is from passing, in distances of its bounds; the least is the worst."""
    if finding.value is None:
        return float('-inf')
    good, bound = finding.bounds.good, finding.bounds.bound
    # Lines that are equally bad but for rounding stay in their order.
    return round((finding.value - bound) / (good - bound), 6)


def _listed(kinds: Sequence[str]) -> str:
    return ' or '.join(dict.fromkeys(kinds))


class _Trials:
    """Tries changes of a design, as long as walks are left."""

    def __init__(self, design: Design) -> None:
        self._design = design
        self._left = WALKS

    def advice(self, question: Question, index: int, finding: Finding) -> tuple[str, ...]:
        """Say what was found for a line, the line of that index in the answer to the question."""
        enough = []
        changes = list(TRIED[finding.group])
        tried: list[str] = []
        while changes and self._left > 0:
            change = changes.pop(0)
            tried.append(change.kind)
            amount = self._smallest(change, question, index)
            if amount is not None:
                enough.append(change.words(self._design, amount))
        if not enough:
            enough = [f'no change of {_listed(tried)} is enough'] if tried else []
        if changes:
            enough.append(f'{_listed([change.kind for change in changes])} was not tried')
        return tuple(enough)

    def _smallest(self, change: Change, question: Question, index: int) -> float | None:
        """Return the smallest amount that is enough, m, s or a share; None where none is."""
        farthest = change.farthest(self._design)
        sign = 1.0 if farthest > 0.0 else -1.0
        most = int(abs(farthest) / change.unit + 1e-6)

        def enough(steps: int) -> bool:
            changed = change.apply(self._design, sign * steps * change.unit)
            passes = _passes(changed, question, index)
            self._left -= changed.walked
            return passes

        short = 0
        for share in SHARES:
            steps = round(share * most)
            if steps <= short or self._left <= 0:
                continue
            if enough(steps):
                break
            short = steps
        else:
            return None
        while steps - short > 1:
            middle = (short + steps) // 2
            if enough(middle):
                steps = middle
            else:
                short = middle
        return sign * steps * change.unit


def _passes(design: Design, question: Question, index: int) -> bool:
    """Tell whether a changed design still stands, and one line of an answer now passes."""
    try:
        design.parameters.check()
        if not design.postures:
            return False
        findings = question(design)
    except LegKinematicsError:
        return False
    return len(findings) > index and findings[index].verdict is Verdict.PASS
