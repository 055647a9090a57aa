# Copyright 2026 The leg_kinematics authors
# SPDX-License-Identifier: Apache-2.0
"""A report as messages of the page: each line with what has become of it since the one before."""

from base64 import b64encode
from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import Literal, NamedTuple

from leg_kinematics.design.finding import Finding, Verdict
from leg_kinematics.design.report import Report
from leg_kinematics.view import messages


class _Caption(NamedTuple):
    """Title of a picture, and what it shows, for who does not see it."""

    title: str
    words: str


PICTURES = {
    'robot.png': _Caption(
        'The robot as it stands',
        'The robot from above, from the front and from its right side, with support polygon and '
        'centre of mass; legs in doubt are red, and say why.',
    ),
    'reach.png': _Caption(
        'What the first leg reaches',
        'What the foot of the first leg reaches, from the side and from above, with the standing '
        'posture, the way of standing up, and the paths of the fastest walks.',
    ),
    'ground.png': _Caption(
        'Ground that all legs can use',
        'How far all feet at once can be from where they stand, and the paths that standing feet '
        'take there in the fastest walks.',
    ),
    'torque.png': _Caption(
        'Torque in a walk',
        'Torque of each joint over a cycle of the fastest walk, in percent of its stall torque: a '
        'panel a segment, a curve a leg, bounds as dashed lines.',
    ),
    'lines.png': _Caption(
        'Straight lines',
        'Straight lines as the first wired foot draws them through its servo maps, and the one '
        'that strays most, close up.',
    ),
}

_ORDER = list(Verdict)


def told(report: Report, former: Report | None, *, whole: bool) -> messages.Report:
    """Write a report, compared with the one before; not yet whole where advice is to come."""
    before = {} if former is None else {(each.group, each.name): each for each in former.findings}
    return messages.Report(
        report.verdict.value,
        tuple(_finding(each, before) for each in report.findings),
        report.remarks,
        tuple(messages.NotAsked(each.questions, each.reason) for each in report.not_asked),
        report.how_to_read,
        whole,
    )


def told_pictures(files: Sequence[Path]) -> messages.Pictures:
    """Read the pictures of a report."""
    return messages.Pictures(
        tuple(
            messages.Picture(*PICTURES[file.name], b64encode(file.read_bytes()).decode('ascii'))
            for file in files
        )
    )


def _finding(finding: Finding, before: Mapping[tuple[str, str], Finding]) -> messages.Finding:
    former = before.get((finding.group, finding.name))
    return messages.Finding(
        finding.group,
        finding.name,
        finding.shown(finding.value),
        finding.shown_bounds,
        finding.verdict.value,
        finding.detail,
        finding.remedy,
        finding.advice,
        None if former is None else _former(former, finding),
    )


def _former(former: Finding, finding: Finding) -> messages.Former | None:
    """Compare two lines as they are read: a change that nobody can see is none."""
    shown = former.shown(former.value)
    if (shown, former.verdict) == (finding.shown(finding.value), finding.verdict):
        return None
    return messages.Former(shown, former.verdict.value, _trend(former, finding))


def _trend(former: Finding, finding: Finding) -> Literal['better', 'worse', 'the same']:
    """Say whether a line has become better: by its verdict or, within one, by its value."""
    better: float = _ORDER.index(former.verdict) - _ORDER.index(finding.verdict)
    if not better and former.value is not None and finding.value is not None:
        rising = finding.bounds.good > finding.bounds.bound
        better = (finding.value - former.value) * (1 if rising else -1)
    return 'better' if better > 0 else 'worse' if better < 0 else 'the same'
