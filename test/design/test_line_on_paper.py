# Copyright 2026 The leg_kinematics authors
# SPDX-License-Identifier: Apache-2.0
"""A line on paper, drawn by true servos in lock step and judged by what a ruler shows.

The marks are worked out by the formula of a leg, turned by servos that the plan does not know.
Statistics are compared with another route to the same: a parabola fitted to the marks themselves,
by numpy.
"""

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, replace
from math import cos, degrees, radians, sin
from pathlib import Path

import numpy as np
import pytest
from numpy.typing import NDArray
from scipy.stats import chi2

from leg_kinematics.board import Boards, BoardSpec, Reaction, SilenceAction
from leg_kinematics.board.simulated.line import SimulatedDriver, SimulatedLine
from leg_kinematics.board.simulated.servo import ServoDynamics
from leg_kinematics.board.simulated.true_servo import TrueJoint, TrueServo
from leg_kinematics.calibration import LinearCurve
from leg_kinematics.chain.calibrated_robot import CalibratedRobot
from leg_kinematics.chain.leg_bench import DrivenLegs
from leg_kinematics.chain.outputs import pulse_limits
from leg_kinematics.design.line_dialogue import LineDialogue
from leg_kinematics.design.line_on_paper import (
    MARK,
    ExpectedLine,
    Leftover,
    LinePlan,
    MarkedLine,
    beside_ruler,
    expected_line,
    line_in_words,
    mark_line,
    plan_line,
)
from leg_kinematics.design.line_picture import draw_line_on_paper
from leg_kinematics.errors import CalibrationError
from leg_kinematics.robot import load_robot
from leg_kinematics.solver import leg_solvers

CONFIG = Path(__file__).parents[2] / 'config'
LEG = 'left_front'
TICK = 0.02

Floats = NDArray[np.float64]


@pytest.fixture(scope='module')
def calibrated() -> CalibratedRobot:
    """Load the leg on the bench."""
    return CalibratedRobot.load(
        CONFIG / 'robots' / 'bench_leg.yaml', CONFIG / 'servo_maps' / 'bench_leg.yaml'
    )


@dataclass(frozen=True)
class Truth:
    """What differs from files and description.

    Attributes
    ----------
    slack
        Of every joint, deg.
    dead_band_us
        Of every servo, µs.
    gain
        Of the servo of the coxa, as a share of that in its map.

    """

    slack: float = 0.0
    dead_band_us: float = 0.0
    gain: float = 1.0


class Paper:
    """The leg, its true servos, a person with a pen, and what a ruler shows."""

    def __init__(self, calibrated: CalibratedRobot, truth: Truth) -> None:
        """Put the leg on the bench, without pulses."""
        self.calibrated = calibrated
        self.truth = truth
        self.now = 0.0
        self.joints = {each.channel: self._joint(each.joint) for each in calibrated.maps.maps}
        self.line = SimulatedLine(ServoDynamics(4000.0, 4.0), servos=self.joints)
        self.boards = Boards(
            [BoardSpec('main', 'simulated', 'main')],
            pulse_limits(calibrated.maps.maps),
            SilenceAction(Reaction.RELEASE, 0.5),
            new_driver=lambda _: SimulatedDriver(self.line),
            threads=False,
        )
        self.bench = DrivenLegs(calibrated, [LEG], self.boards)
        (leg,) = calibrated.legs
        (x, y, z) = calibrated.robot.standing.feet[0]
        self.plan = plan_line(leg, (x, y, z), self.bench.speeds)
        start = dict(zip(self.plan.joints, self.plan.start_angles, strict=True))
        self.way: Sequence[Mapping[str, float]] = ()
        self.dialogue = LineDialogue(self.plan, lambda _: [start], self.expect, self.bench)
        self.bench.open()
        self.marks: list[tuple[float, float]] = []

    def _joint(self, joint: str) -> TrueJoint:
        """Make the servo that its map tells of, but for what differs."""
        curve = self.calibrated.maps.by_joint[joint].curve
        assert isinstance(curve, LinearCurve)
        gain = radians(curve.gain_us_per_rad)
        if joint.endswith('coxa'):
            gain *= self.truth.gain
        offset = degrees(curve.angle(1500.0))
        return TrueJoint(
            TrueServo(
                0,
                gain=gain,
                horn_offset=offset,
                slack=self.truth.slack,
                dead_band_us=self.truth.dead_band_us,
            )
        )

    @property
    def lags(self) -> dict[str, float]:
        """How far the joints stay behind their pulses in truth, rad."""
        lags = {}
        for each in self.calibrated.maps.maps:
            gain = abs(self.joints[each.channel].truth.gain)
            both = self.truth.slack + self.truth.dead_band_us / gain
            lags[each.joint] = radians(0.5 * both)
        return lags

    def expect(self, way: Sequence[Mapping[str, float]]) -> ExpectedLine:
        """Say what is to be expected of a line with the slack that the joints have in truth."""
        self.way = way
        return self.expected(self.lags)

    def expected(self, lags: Mapping[str, float]) -> ExpectedLine:
        """Say what is to be expected, with servos of the dead band that the description has."""
        robot, (leg,) = self.calibrated.robot, self.calibrated.legs
        links = [
            replace(link, servo=replace(link.servo, dead_band_us=self.truth.dead_band_us))
            for link in robot.legs[0].links
        ]
        own = replace(robot.legs[0], coxa=links[0], femur=links[1], tibia=links[2])
        return expected_line(
            self.plan, self.way, own, leg, self.calibrated.maps.by_joint, lags=lags
        )

    def foot(self) -> tuple[float, float]:
        """Where the tip is as seen from above: by the formula of a leg."""
        q1, q2, q3 = (radians(self.joints[channel].angle) for channel in range(3))
        out = 0.032 + 0.068 * cos(q2) + 0.104 * cos(q2 + q3)
        # The mount of this leg is 30 mm ahead of the middle.
        return (0.030 + out * cos(q1), out * sin(q1))

    def tick(self) -> None:
        """Have a tick go by."""
        self.now += TICK
        self.line.advance(self.now)
        self.boards.step()
        self.bench.step(self.now)
        self.dialogue.step()

    def rest(self) -> None:
        """Wait until the foot stands."""
        for _ in range(3000):
            self.tick()
            if not self.bench.busy and not self.dialogue._place.coming:  # noqa: SLF001
                break
        for _ in range(25):
            self.tick()

    def draw(self) -> None:
        """Go along the line, and mark every stop."""
        for _ in range(50):
            self.tick()
        for _ in range(2):
            self.dialogue.choose('enter')
            self.rest()
        for _ in self.plan.stops:
            assert self.dialogue.question().typed is None
            self.marks.append(self.foot())
            self.dialogue.choose('enter')
            self.rest()

    def typed(self) -> list[str]:
        """Read a ruler with marks of a tenth of a millimetre."""
        return [f'{1e3 * each:.1f}' for each in beside_ruler(np.array(self.marks))[1:-1]]

    def measured(self) -> MarkedLine:
        """Draw, and type what the ruler shows."""
        self.draw()
        for text in self.typed():
            self.dialogue.enter(text)
            if self.dialogue.words.endswith('type it again'):
                self.dialogue.enter(text)
        result = self.dialogue.result
        assert result is not None
        return result


# ---- by true servos in lock step


@pytest.mark.parametrize(
    'truth',
    [Truth(), Truth(dead_band_us=6.0), Truth(slack=1.0), Truth(slack=0.7, dead_band_us=5.0)],
)
def test_what_is_known_is_explained(calibrated: CalibratedRobot, truth: Truth) -> None:
    """With the slack of the truth nothing is left over but what the ruler rounds, 0.05 mm.

    The expected line comes of pulses and maps, the marks of servos that follow them in time. The
    bound holds the rounding of the number, and the tenth of a millimetre that a servo may rest
    beside because its pulses come to it in steps of time.
    """
    result = Paper(calibrated, truth).measured()
    assert np.abs(result.left).max() < 0.00015
    assert result.verdict is Leftover.SCATTER
    if truth.slack:
        assert np.abs(result.measured).max() > 0.0004


def test_slack_that_was_not_measured_is_left_over(calibrated: CalibratedRobot) -> None:
    """The same marks, and no lag told: the slack is not explained by anything else."""
    paper = Paper(calibrated, Truth(slack=1.5))
    marks = paper.measured().measured
    unknown = paper.expected({})
    assert np.all(unknown.slack == 0.0)
    assert np.abs(marks - unknown.whole).max() > 0.0004


@pytest.mark.parametrize('truth', [Truth(gain=0.9), Truth(gain=1.1), Truth(slack=0.7, gain=0.9)])
def test_a_wrong_map_is_a_bow(calibrated: CalibratedRobot, truth: Truth) -> None:
    """A gain that is wrong bends the line by what the true leg says, and is named.

    The true bow is that of the marks of the same leg without slack and without its error, by the
    formula: the middle mark beside the ruler.
    """
    result = Paper(calibrated, truth).measured()
    exact = Paper(calibrated, replace(truth, slack=0.0))
    exact.draw()
    middle = float(beside_ruler(np.array(exact.marks))[4])
    assert abs(middle) > 0.0006
    assert result.verdict is Leftover.BOW
    bow, error = result.bow
    assert bow == pytest.approx(middle, abs=0.0002)
    assert error < 0.0003
    side = 'left' if middle > 0.0 else 'right'
    assert f'to the {side}, known within' in line_in_words(result)[-1]


def test_the_parts_add_up(calibrated: CalibratedRobot) -> None:
    """Steps, dead bands, slack and what is left over are what was measured."""
    result = Paper(calibrated, Truth(slack=1.0, dead_band_us=5.0)).measured()
    parts = result.expected
    np.testing.assert_allclose(
        parts.steps + parts.dead_band + parts.slack + result.left, result.measured, atol=1e-15
    )
    assert np.abs(parts.steps).max() < 0.0002
    assert 0.0001 < np.abs(parts.dead_band).max() < 0.001
    assert np.abs(parts.slack).max() > 0.0003


def test_the_picture_shows_what_was_typed(calibrated: CalibratedRobot) -> None:
    """Marks, expectations and what is left over are drawn in mm along the line."""
    result = Paper(calibrated, Truth(slack=1.0, dead_band_us=5.0)).measured()
    figure = draw_line_on_paper(result)
    marks, left = (
        {line.get_label(): line.get_ydata() for line in axes.get_lines()} for axes in figure.axes
    )
    along = figure.axes[0].get_lines()[0].get_xdata()
    assert along == pytest.approx(np.linspace(0.0, 1e3 * result.plan.length, 9))
    assert marks['marked'] == pytest.approx(1e3 * result.measured)
    assert left['left over'] == pytest.approx(1e3 * result.left)
    (legend,) = figure.legends
    assert len(legend.get_texts()) == 5


# ---- the ruler


def test_left_counts_above_zero() -> None:
    """By hand: along +x left is +y; along -y left is +x; both ends are 0."""
    ahead = np.array([(0.0, 0.0), (0.05, 0.002), (0.1, 0.0)])
    assert beside_ruler(ahead) == pytest.approx([0.0, 0.002, 0.0], abs=1e-15)
    aside = np.array([(0.0, 0.0, 1.0), (0.003, -0.05, 2.0), (0.0, -0.1, 3.0)])
    assert beside_ruler(aside) == pytest.approx([0.0, 0.003, 0.0], abs=1e-15)
    # A ruler that lies askew: 3, 4, 5.
    askew = np.array([(0.0, 0.0), (0.0, 0.05), (0.06, 0.08)])
    assert beside_ruler(askew) == pytest.approx([0.0, 0.03, 0.0], abs=1e-15)


@pytest.fixture(scope='module')
def plan(calibrated: CalibratedRobot) -> LinePlan:
    """Plan a line."""
    (leg,) = calibrated.legs
    foot = calibrated.robot.standing.feet[0]
    return plan_line(leg, foot, dict.fromkeys(leg.joints, 0.5))


def as_marked(plan: LinePlan, marks: Floats) -> MarkedLine:
    """Take marks whose deviations nothing explains, shape (n,), m."""
    zero = np.zeros(len(plan.stops))
    along = np.linspace(0.0, plan.length, len(marks))
    beside = beside_ruler(np.column_stack([along, marks]))
    return mark_line(plan, ExpectedLine(zero, zero, zero), beside[1:-1].tolist())


def test_the_statistics_by_another_route(plan: LinePlan) -> None:
    """The same numbers come of the best parabola of the marks themselves.

    The ruler through the ends is a choice that statistics must not see: chi-square is the sum of
    squares about the parabola over the variance of a mark.
    """
    rng = np.random.default_rng(3)
    share = plan.shares
    for _ in range(20):
        marks = rng.normal(0.0, 2.0 * MARK, len(share))
        line = as_marked(plan, marks)
        _, squares, *_ = np.polyfit(share, marks, 2, full=True)
        expected = float(chi2.sf(squares[0] / MARK**2, len(share) - 3))
        # The ruler turns with the marks at its ends, which is of second order.
        assert line.probability == pytest.approx(expected, rel=0.02)
        coefficients, covariance = np.polyfit(share, marks, 2, cov='unscaled')
        bow, error = line.bow
        assert bow == pytest.approx(-coefficients[0] / 4.0, rel=1e-3)
        assert error == pytest.approx(MARK * np.sqrt(covariance[0, 0]) / 4.0, rel=1e-6)


def test_chance_is_taken_for_more_in_one_of_twenty(plan: LinePlan) -> None:
    """Of 400 lines of nothing but scatter 380 are called so, between 371 and 389 (binomial)."""
    rng = np.random.default_rng(5)
    lines = [as_marked(plan, rng.normal(0.0, MARK, len(plan.stops))) for _ in range(400)]
    assert 371 <= sum(line.verdict is Leftover.SCATTER for line in lines) <= 389


def test_a_mark_that_was_mistyped_is_named(plan: LinePlan) -> None:
    """5 mm for 0.5 mm at each mark in turn: it is the one to look at."""
    rng = np.random.default_rng(8)
    for place in range(1, len(plan.stops) - 1):
        marks = rng.normal(0.0, MARK, len(plan.stops))
        marks[place] += 0.0045
        line = as_marked(plan, marks)
        assert line.verdict is Leftover.OTHER
        assert line.oddest == place
        assert f'mark {place + 1} first' in line_in_words(line)[-1]


def test_too_few_numbers(plan: LinePlan) -> None:
    """The message says how many are wanted."""
    zero = np.zeros(len(plan.stops))
    with pytest.raises(CalibrationError, match=r'needs 7 deviations, .* got 3'):
        mark_line(plan, ExpectedLine(zero, zero, zero), [0.0] * 3)


def test_the_line_leads_across_the_leg() -> None:
    """By hand: middle legs point aside, so that their lines lead forward; the others point askew.

    Front legs of bracken point 40 degrees outwards, rear legs 140.
    """
    robot = load_robot(CONFIG / 'robots' / 'bracken.yaml')
    for leg, foot in zip(leg_solvers(robot), robot.standing.feet, strict=True):
        stops = plan_line(leg, foot, dict.fromkeys(leg.joints, 0.5)).stops
        x, y, z = np.subtract(stops[-1], stops[0]) / np.linalg.norm(
            np.subtract(stops[-1], stops[0])
        )
        side = 1.0 if leg.name.startswith('left') else -1.0
        if leg.name.endswith('middle'):
            assert (x, y) == pytest.approx((1.0, 0.0), abs=1e-9)
        else:
            # Left of 40 degrees to the left is 130 degrees: turned about, it is 50 to the right.
            turned = -side * radians(50.0) if leg.name.endswith('front') else side * radians(50.0)
            assert (x, y) == pytest.approx((cos(turned), sin(turned)))
        assert z == pytest.approx(0.0)


def test_no_room_for_a_line(calibrated: CalibratedRobot) -> None:
    """Near the end of the reach it is told how much room there is."""
    (leg,) = calibrated.legs
    far = leg.foot((0.0, 0.0, radians(-15.0)))
    with pytest.raises(CalibrationError, match=r'left_front has only .* mm of room around'):
        plan_line(leg, far, dict.fromkeys(leg.joints, 0.5))


# ---- the dialogue


def test_no_key_moves_the_leg_by_surprise(calibrated: CalibratedRobot) -> None:
    """At every question: keys that it does not name, and numbers where none is asked for."""
    paper = Paper(calibrated, Truth())
    dialogue = paper.dialogue
    for _ in range(50):
        paper.tick()
    keys = ('enter', *'abcdkmnopqstuwxyz')
    seen: set[str] = set()

    def judge() -> None:
        question = dialogue.question()
        seen.add(question.text[:20])
        before = (question, paper.bench.angles, paper.bench.state)
        for key in set(keys) - {choice.key for choice in question.choices}:
            dialogue.choose(key)
            assert dialogue.words == f'the key {key} means nothing here'
        if question.typed is None:
            dialogue.enter('1')
            assert 'no number is asked for' in dialogue.words
        else:
            for text in ('', 'x', '1e9', 'nan', '101', '1:2'):
                dialogue.enter(text)
                assert 'is no deviation' in dialogue.words
        for _ in range(5):
            paper.tick()
        assert (dialogue.question(), paper.bench.angles, paper.bench.state) == before

    for _ in range(2 + len(paper.plan.stops)):
        judge()
        dialogue.choose('enter')
        paper.rest()
    while dialogue.result is None:
        judge()
        dialogue.enter('0,1')
    judge()
    assert len(seen) > 10
    dialogue.choose('enter')
    assert dialogue.ended


def test_a_number_that_surprises_is_asked_for_again(calibrated: CalibratedRobot) -> None:
    """45 for 0.45: taken only when it is typed twice; another one in its place is taken at once."""
    paper = Paper(calibrated, Truth())
    paper.draw()
    asked = paper.dialogue.question()
    paper.dialogue.enter('45')
    assert 'is far from that' in paper.dialogue.words
    assert paper.dialogue.question() == asked
    paper.dialogue.enter('0.45')
    assert paper.dialogue.words == 'taken: mark 2 is 0.45 mm beside the ruler'
    paper.dialogue.enter('-45')
    paper.dialogue.enter('-45')
    assert paper.dialogue.words == 'taken: mark 3 is -45 mm beside the ruler'
    paper.dialogue.choose('u')
    paper.dialogue.choose('u')
    assert paper.dialogue.question() == asked


def power_cut(paper: Paper) -> None:
    """Switch the board off and on."""
    paper.line.switch_off()
    for _ in range(100):
        paper.tick()
    paper.line.switch_on()


def pulses_off(paper: Paper) -> None:
    """Press the key for it."""
    paper.dialogue.choose('x')


@pytest.mark.parametrize('lose', [power_cut, pulses_off])
@pytest.mark.parametrize('stop', [0, 4])
def test_whatever_takes_power_begins_the_line_anew(
    calibrated: CalibratedRobot, lose: Callable[[Paper], None], stop: int
) -> None:
    """Nothing moves again before somebody says so, and then from the start of the line."""
    paper = Paper(calibrated, Truth())
    dialogue = paper.dialogue
    for _ in range(50):
        paper.tick()
    for _ in range(2 + stop):
        dialogue.choose('enter')
        paper.rest()
    lose(paper)
    for _ in range(200):
        paper.tick()
    assert 'has no pulses' in dialogue.question().text
    assert paper.line.board is not None
    assert not paper.line.board.outputs_us
    dialogue.choose('enter')
    paper.rest()
    assert 'well above the ground' in dialogue.question().text
    dialogue.choose('enter')
    paper.rest()
    assert 'Stop 1 of 9' in dialogue.question().text
    foot, (x, y, _) = paper.foot(), paper.plan.stops[0]
    assert foot == pytest.approx((x, y), abs=0.0005)


def test_undone_while_it_goes(calibrated: CalibratedRobot) -> None:
    """A stop that is undone begins the line anew, and a key on the way moves nothing else."""
    paper = Paper(calibrated, Truth())
    dialogue = paper.dialogue
    for _ in range(50):
        paper.tick()
    for _ in range(4):
        dialogue.choose('enter')
        paper.rest()
    dialogue.choose('enter')
    dialogue.choose('enter')
    assert 'wait until it stands' in dialogue.words
    dialogue.choose('u')
    assert 'begins anew' in dialogue.words
    paper.rest()
    assert 'well above the ground' in dialogue.question().text
    dialogue.choose('enter')
    paper.rest()
    assert 'Stop 1 of 9' in dialogue.question().text
