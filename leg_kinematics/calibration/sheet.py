# Copyright 2026 The leg_kinematics authors
# SPDX-License-Identifier: Apache-2.0
"""Protractors to be printed, one page for every kind of joint that a robot has.

Angles are those of the joints (see `robot.description`): zero is the leg stretched straight out,
positive turns a coxa to the left as seen from above and raises the foot.
"""

from dataclasses import dataclass
from math import atan2, cos, degrees, hypot, radians, sin
from pathlib import Path
from textwrap import fill

from matplotlib.axes import Axes
from matplotlib.figure import Figure
from matplotlib.patches import Arc, Circle
from transforms3d.euler import euler2mat

from leg_kinematics.calibration.paper import (
    LINE,
    blank_page,
    draw_bar,
    draw_line,
    points,
    write_pages,
)
from leg_kinematics.robot import SEGMENTS, Leg, Robot

#: Middle of the protractor, mm.
CENTRE = (105.0, 152.0)

#: To the outer ends of the marks, mm: a degree is 1.3 mm wide there.
RADIUS = 75.0

#: Every mark of so many degrees is so long, mm.
MARKS = {1: 3.0, 5: 4.5, 10: 6.0}

#: Of the bars by which the printer is checked, mm.
BAR = 100.0

#: Lower left ends of the bars that lie and that stand, mm.
LYING, STANDING = (55.0, 58.0), (11.0, 102.0)

#: Of the hole for the horn, mm.
HOLE = 12.0

#: An axis farther than this from the middle is not on the page, m.
FARTHEST = 0.088

#: The front of the robot is not marked for a leg whose mount is so steep that it hardly shows.
LEAST_FRONT = 0.5

#: The colours of both scales; the second of Okabe and Ito, Color Universal Design, 2008 (from
#: memory).
FIRST, SECOND = 'black', '#0072b2'

PLACING = {
    'coxa': 'Put the middle on the axis of the coxa servo and the line to 180 towards the body, '
    'so that the line to 0 points where the leg points when it is straight: for each leg a thin '
    'line shows where the front of the robot lies then, as seen from above. Read where the line '
    'from this axis through the middle of the femur axis meets the scale.',
    'femur': 'Put the middle on the axis of the femur servo, and turn the sheet until the line to '
    '180 runs at right angles through the coxa axis, {away} away{cross}. Read where the line from '
    'this axis through the knee axis meets the scale.',
    'tibia': 'Put the middle on the knee axis, and turn the sheet until the line to 180 runs '
    'through the femur axis, {away} away{cross}. The sheet goes with the femur. Read where the '
    'line from the knee axis through the tip of the foot meets the scale, also when the tibia is '
    'bent.',
}

SIDES = {
    'coxa': ('as seen from above', 'as seen from below'),
    'femur': ('with the leg to your right', 'with the leg to your left'),
    'tibia': ('with the leg to your right', 'with the leg to your left'),
}

POINTER = (
    'Cut the round hole as wide as the horn needs. A straight stick taped along the line from '
    'axis to axis, or a thread, reaches the scale where the link does not. Look straight down '
    'on it. Servos pinch: no fingers near a servo that has pulses.'
)

CHECK = (
    'Both bars are 100 mm long. If they are not, print again at 100 %, without fitting to the '
    'page. As long as both are equally long the angles are right all the same.'
)


@dataclass(frozen=True)
class SheetPage:
    """What one page is for: joints of one kind whose protractor looks the same.

    Attributes
    ----------
    segment
        One of `SEGMENTS`.
    legs
        Whose joints they are.
    away
        From the axis of the joint to the one before it, m; 0 for a coxa.
    lower, upper
        Limits of the joints, rad.

    """

    segment: str
    legs: tuple[Leg, ...]
    away: float
    lower: float
    upper: float

    @property
    def crossed(self) -> bool:
        """Whether the axis before is marked on the page."""
        return 0.0 < self.away <= FARTHEST

    @property
    def turned(self) -> bool:
        """Whether the page is given half a turn for the inner scale."""
        return self.segment != 'coxa'


def sheet_pages(robot: Robot) -> tuple[SheetPage, ...]:
    """Say which pages a robot needs, from the body outwards: joints that differ get their own."""
    pages = []
    for index, segment in enumerate(SEGMENTS):
        alike: dict[tuple[float, float, float], list[Leg]] = {}
        for leg in robot.legs:
            link = leg.links[index]
            away = leg.links[index - 1].length if index else 0.0
            alike.setdefault((away, link.lower, link.upper), []).append(leg)
        pages += [SheetPage(segment, tuple(legs), *key) for key, legs in alike.items()]
    return tuple(pages)


def write_sheet(robot: Robot, file: Path) -> int:
    """Write the protractors of a robot as a PDF, true to scale.

    Returns
    -------
    int
        How many pages there are.

    Raises
    ------
    CommandError
        The file cannot be written.

    """
    pages = (_draw(robot.name, page) for page in sheet_pages(robot))
    return write_pages(file, f'{robot.name}: protractors', pages)


def _draw(name: str, page: SheetPage) -> Figure:
    figure, axes = blank_page()
    draw_bar(axes, LYING, BAR, standing=False)
    draw_bar(axes, STANDING, BAR, standing=True)
    _draw_placing(axes, page)
    _draw_scale(axes, turned=page.turned)
    _draw_limits(axes, page)
    _write(axes, name, page)
    return figure


def _draw_scale(axes: Axes, *, turned: bool) -> None:
    """Draw marks all around, with the angles of both sides from which one may look.

    The inner ones are upright on a page that is given half a turn, if so wanted.
    """
    for whole in range(-179, 181):
        length = max(size for step, size in MARKS.items() if whole % step == 0)
        draw_line(axes, _at(whole, RADIUS - length), _at(whole, RADIUS))
        if whole % 10 == 0:
            below = whole < 0
            _label(axes, whole, RADIUS + 4.5, f'{whole}', FIRST, flipped=below)
            # At 180 the axis before may be marked.
            if whole != 180:
                flipped = below is not turned
                _label(axes, whole, RADIUS - 10.5, f'{-whole}', SECOND, flipped=flipped)


def _draw_placing(axes: Axes, page: SheetPage) -> None:
    """Draw what the sheet is placed by: the middle, its lines, the axis before, the front."""
    axes.add_patch(Circle(CENTRE, HOLE, fill=False, linestyle=':', linewidth=points(LINE)))
    for whole in (0, 90, 180, 270):
        draw_line(axes, CENTRE, _at(whole, RADIUS - 15.0))
    if page.crossed:
        x, y = _at(180.0, 1e3 * page.away)
        draw_line(axes, (x, y - 4.0), (x, y + 4.0))
        draw_line(axes, (x - 3.0, y), (x + 3.0, y))
        axes.add_patch(Circle((x, y), 2.0, fill=False, linewidth=points(LINE)))
    if page.segment == 'coxa':
        for leg in page.legs:
            _draw_front(axes, leg)


def _draw_front(axes: Axes, leg: Leg) -> None:
    """Draw where the front of the robot lies, seen from above on the mount of a leg."""
    forward = euler2mat(*leg.mount.rpy, 'sxyz')[0]
    if hypot(forward[0], forward[1]) < LEAST_FRONT:
        return
    way = degrees(atan2(forward[1], forward[0]))
    draw_line(axes, _at(way, HOLE + 4.0), _at(way, RADIUS - 15.0), colour='0.45')
    upside_down = abs(way) > 90.0
    axes.text(
        *_at(way, 0.5 * (HOLE + RADIUS - 11.0)),
        f'front, {leg.name}',
        rotation=way + (180.0 if upside_down else 0.0),
        rotation_mode='anchor',
        ha='center',
        va='bottom',
        fontsize=6.5,
        color='0.3',
    )


def _draw_limits(axes: Axes, page: SheetPage) -> None:
    """Draw between which angles the joint may be, for both sides."""
    lower, upper = degrees(page.lower), degrees(page.upper)
    for radius, ends, colour in (
        (RADIUS + 1.0, (lower, upper), FIRST),
        (RADIUS - 7.0, (-upper, -lower), SECOND),
    ):
        axes.add_patch(
            Arc(
                CENTRE,
                2.0 * radius,
                2.0 * radius,
                theta1=ends[0],
                theta2=ends[1],
                color=colour,
                linewidth=points(0.6),
            )
        )


def _write(axes: Axes, name: str, page: SheetPage) -> None:
    left, right = 18.0, 192.0
    axes.text(left, 272.0, f'{name}: {page.segment}', fontsize=17, fontweight='bold', va='top')
    for y, text in zip((263.0, 257.5), _headlines(page), strict=True):
        axes.text(left, y, text, fontsize=8, va='top')
    first, second = SIDES[page.segment]
    axes.text(left, 69.5, f'Outer scale: {first}', fontsize=9, color=FIRST, va='center')
    axes.text(
        right, 69.5, f'Inner scale: {second}', fontsize=9, color=SECOND, va='center', ha='right'
    )
    axes.text(CENTRE[0], 55.5, '100 mm', fontsize=8, ha='center', va='top')
    axes.text(8.5, STANDING[1] + 50.0, '100 mm', fontsize=8, rotation=90, ha='center', va='center')
    placing = PLACING[page.segment].format(
        away=f'{1e3 * page.away:.4g} mm', cross=', where the cross is' if page.crossed else ''
    )
    turn = 'With the leg to your left give the sheet half a turn. ' if page.turned else ''
    lines = [fill(text, 118) for text in (placing, turn + POINTER, CHECK)]
    axes.text(left, 49.0, '\n'.join(lines), fontsize=8, va='top', linespacing=1.25)


def _headlines(page: SheetPage) -> tuple[str, str]:
    names = ', '.join(leg.name for leg in page.legs)
    limits = f'{degrees(page.lower):.4g} to {degrees(page.upper):.4g} deg'
    return (f'of {names}', f'thick arcs: where the joint may be, {limits}')


def _label(axes: Axes, way: float, radius: float, text: str, colour: str, *, flipped: bool) -> None:
    axes.text(
        *_at(way, radius),
        text,
        rotation=way + (90.0 if flipped else -90.0),
        rotation_mode='anchor',
        ha='center',
        va='center',
        fontsize=7,
        color=colour,
    )


def _at(way: float, radius: float) -> tuple[float, float]:
    """Place at an angle, deg, and a distance from the middle, mm."""
    turned = radians(way)
    return (CENTRE[0] + radius * cos(turned), CENTRE[1] + radius * sin(turned))
