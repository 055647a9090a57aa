# Copyright 2026 The leg_kinematics authors
# SPDX-License-Identifier: Apache-2.0
"""Advice with amounts: what is told is enough when the files are changed so, and less is not."""

import re
from dataclasses import replace
from pathlib import Path

import pytest

from leg_kinematics.design import advice, design
from leg_kinematics.design.finding import Finding, Verdict
from leg_kinematics.design.report import check_robot
from leg_kinematics.design.steady_walk import SteadyWalk, steady_walk
from leg_kinematics.gait import GaitParameters
from leg_kinematics.robot import load_robot

BRACKEN = Path(__file__).parents[2] / 'config' / 'robots' / 'bracken.yaml'

#: Front legs that point at the middle ones.
CLOSE_LEGS = (
    '[115 mm, 60 mm, 0 mm], rpy: [0 deg, 0 deg, 40',
    '[60 mm, 75 mm, 0 mm], rpy: [0 deg, 0 deg, 75',
)


def findings_of(
    folder: Path, *changes: tuple[str, str], parameters: GaitParameters | None = None
) -> tuple[Finding, ...]:
    """Check bracken with some of its text replaced."""
    text = BRACKEN.read_text(encoding='utf-8')
    for old, new in changes:
        assert old in text
        text = text.replace(old, new, 1)
    file = folder / 'robot.yaml'
    file.write_text(text, encoding='utf-8')
    return check_robot(load_robot(file), None, lambda _: None, parameters).findings


def line(findings: tuple[Finding, ...], name: str) -> Finding:
    """Find a line by its name."""
    return next(each for each in findings if each.name == name)


def amount(finding: Finding, pattern: str) -> float:
    """Read the one number of a piece of advice."""
    (found,) = filter(None, (re.fullmatch(pattern, each) for each in finding.advice))
    return float(found[1])


def test_a_longer_femur_is_told_to_the_millimetre(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Written into the file, the length lets the line pass, and a millimetre less does not."""
    found = line(findings_of(tmp_path, ('length: 68 mm', 'length: 24 mm')), 'stride radius')
    assert found.verdict is Verdict.FAIL
    longer = round(amount(found, r'femur (\d+) mm longer'))
    monkeypatch.setattr(advice, 'TRIED', {})
    for length, passes in ((24 + longer, True), (23 + longer, False)):
        tried = findings_of(tmp_path, ('length: 68 mm', f'length: {length} mm'))
        assert (line(tried, 'stride radius').verdict is Verdict.PASS) is passes


@pytest.mark.soak
def test_a_faster_swing_is_told_where_legs_come_close(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Given as a parameter, the swing time is enough, and one step more is not."""
    found = line(findings_of(tmp_path, CLOSE_LEGS), 'two legs')
    assert found.verdict is Verdict.FAIL
    swing_time = amount(found, r'swing time ([\d.]+) s instead of 0\.5 s')
    monkeypatch.setattr(advice, 'TRIED', {})
    for time, passes in ((swing_time, True), (swing_time + 0.02, False)):
        tried = findings_of(tmp_path, CLOSE_LEGS, parameters=GaitParameters(swing_time=time))
        assert (line(tried, 'two legs').verdict is Verdict.PASS) is passes


def test_less_lift_is_told_instead_of_too_much(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """A foot that shall be lifted higher than its leg reaches leaves no stride."""
    high = GaitParameters(lift=0.12)
    found = line(findings_of(tmp_path, parameters=high), 'stride radius')
    assert found.verdict is Verdict.FAIL
    lift = amount(found, r'lift (\d+) mm instead of 120 mm') * 1e-3
    monkeypatch.setattr(advice, 'TRIED', {})
    for tried_lift, passes in ((lift, True), (lift + 1e-3, False)):
        tried = findings_of(tmp_path, parameters=replace(high, lift=tried_lift))
        assert (line(tried, 'stride radius').verdict is Verdict.PASS) is passes


def test_that_nothing_is_enough_is_told_with_what_was_tried(tmp_path: Path) -> None:
    """Servos of a fifth of the speed are cured by no length, posture or parameter."""
    findings = findings_of(tmp_path, ('0.16 s/60deg', '0.80 s/60deg'))
    (told,) = line(findings, 'any').advice
    assert told.startswith('no change of lift or swing time or femur')
    assert told.endswith('is enough')


def test_a_line_that_does_not_fail_has_no_advice(tmp_path: Path) -> None:
    """Nor has one that is tight, or one beside the worst of its kind."""
    findings = findings_of(tmp_path, ('length: 68 mm', 'length: 24 mm'))
    advised = [each for each in findings if each.advice]
    assert {each.verdict for each in advised} == {Verdict.FAIL}
    assert len({each.group for each in advised}) == len(advised)


def test_the_search_is_bounded_and_says_where_it_ended(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """No more is walked than the bound and what was being looked at just then."""
    walked: list[SteadyWalk] = []

    def counted(*arguments: object, **options: object) -> SteadyWalk:
        walked.append(steady_walk(*arguments, **options))  # type: ignore[arg-type]
        return walked[-1]

    monkeypatch.setattr(design, 'steady_walk', counted)
    monkeypatch.setattr(advice, 'WALKS', 10)
    found = line(findings_of(tmp_path, CLOSE_LEGS), 'two legs')
    assert found.advice[-1].endswith('was not tried')
    # Nine are those of the design itself; a bisection that has begun is ended.
    assert len(walked) <= 9 + 10 + 3 * 7
