# Copyright 2026 The leg_kinematics authors
# SPDX-License-Identifier: Apache-2.0
"""What a person is asked while feet are measured, and what every answer means."""

from collections.abc import Mapping, Sequence

from leg_kinematics.calibration.foot_readings import (
    BarMeasured,
    FootEntry,
    FootOnGround,
    FootRead,
    LegPosed,
    MarkersPlaced,
    PhotographTaken,
    Triple,
)
from leg_kinematics.calibration.question import LEAVE, OFF, UNDO, Choice, Question, Typed
from leg_kinematics.identification.arrival import Arrival
from leg_kinematics.identification.stations import By, Round, Station
from leg_kinematics.identification.surveyed import Surveyed
from leg_kinematics.identification.suspects import Suspect

#: By so much a foot is lowered by a key, m: the middle of a step is within 0.15 mm (its standard
#: deviation, a uniform distribution), finer than paper tells.
FINE = 0.5e-3

#: By so much it is raised, m: some 3 degrees of a joint, more than slack and dead band.
RAISED = 5e-3

SKIP = Choice('k', 'skip this leg')

#: What can be done at any time while legs have pulses.
ALWAYS = (OFF, UNDO, SKIP, LEAVE)

MOVED = Choice('p', 'robot or sheet was moved since the last point')
TOUCHES = Choice('t', 'the leg touches something, or growls: back')
NEXT = Choice('n', 'nothing here: the next one')
ENOUGH = Choice('d', 'enough: the result')

#: A position, as it is typed.
POSITION = Typed('x y z in mm', frozenset('0123456789.,;+- '), 30)

#: By how much a foot is lowered, as it is typed.
DEPTH = Typed('lower by, in mm', frozenset('0123456789.,'), 6)

#: The length of a bar, as it is typed.
LENGTH = Typed('length in mm', frozenset('0123456789.,'), 8)

#: Where markers are, as it is typed.
BESIDE_TIP = Typed('down, left and out in mm', POSITION.characters, 30)

#: How photographs are that are not used.
HOW = {
    Arrival.COMING: ' (still coming)',
    Arrival.WHOLE: '',
    Arrival.UNREADABLE: ' (CANNOT BE READ)',
}

UNREADABLE = (
    'Photographs can be read as JPEG and PNG: set the phone to take JPEG (a phone that takes HEIC '
    "calls that 'most compatible'), or convert them on their way into the folder."
)

CAUTION = (
    'The legs get their pulses one after another, and each runs into its resting posture AT FULL '
    'SPEED from wherever it stands. The robot is on its block and cannot move, all feet are free, '
    'hands and hair are away, and the switch of the battery is within reach.'
)

#: What is laid out under the robot.
LAID_OUT = {
    By.RULER: 'The printed grid lies flat below it, as its outline shows, and is held by tape. ',
    By.GROUND: 'The ground below it is flat. ',
    By.PHOTOGRAPHS: 'The printed sheets lie flat around it, held by tape, and every foot has its '
    'marker. ',
}


def bar() -> Question:
    """Ask how long the printed bar is."""
    text = (
        'Printers scale, and 0.3 % is 0.6 mm at a foot: measure the bar on a printed sheet from '
        'end to end with a ruler, to half a millimetre or better.'
    )
    return Question('How long is the bar?', text, (UNDO, LEAVE), LENGTH)


def markers() -> Question:
    """Ask where the markers of the feet are."""
    text = (
        'Best is a marker with its middle right at the tip of the foot. Where it is elsewhere, '
        'look at a tibia that hangs straight down, and type by how many millimetres the middle of '
        'the marker is below the tip, to the left of it as seen from the body, and outwards of it: '
        '-20 0 12 is 20 mm above the tip and 12 mm outwards. Half millimetres, if you can; all '
        'feet alike.'
    )
    choices = (Choice('enter', 'all are right at the tips'), UNDO, LEAVE)
    return Question('Where are the markers?', text, choices, BESIDE_TIP)


def power(by: By, placement: int | None) -> Question:
    """Ask whether the legs shall get their pulses."""
    text = f'{LAID_OUT[by]}{CAUTION}'
    if placement is None:
        choices: tuple[Choice, ...] = (Choice('enter', 'so it is: give the legs pulses'),)
    else:
        text += ' Do robot and sheets still stand and lie where they did when feet were measured?'
        choices = (
            Choice('enter', 'nothing was moved: give the legs pulses'),
            Choice('b', 'something was moved: give the legs pulses, and begin a new placement'),
        )
    return Question('The legs get pulses', text, (*choices, UNDO, SKIP, LEAVE))


def power_again() -> Question:
    """Ask whether legs that have lost their pulses, or do not obey, shall go on."""
    text = (
        'The legs do not obey, or were left where they were. Those that lost their pulses get '
        'them again, one after another, and run into the resting posture AT FULL SPEED: keep '
        'hands away. Then the leg goes back to where it was to be measured.'
    )
    return Question(
        'The legs do not obey', text, (Choice('enter', 'go on'), OFF, UNDO, SKIP, LEAVE)
    )


def read(leg: str, left: int, measured: int, *, moving: bool) -> Question:
    """Ask for a position by ruler."""
    text = (
        f'{_way(moving)}Type where its tip is, x, y and z in millimetres with spaces between: x '
        'and y of the grid, by a square held against the tip, and z above the paper. Half '
        'millimetres, if you can. '
        f'{left} to go, {measured} measured.'
    )
    choices = (NEXT, TOUCHES, MOVED, ENOUGH)
    return Question(f'{leg}: where is the foot?', text, (*choices, *ALWAYS), POSITION)


def doubt(leg: str, position: Triple, why: str) -> Question:
    """Ask whether a position that is not expected is right."""
    text = f'You typed {position_in_words(position)}. {why} Look again, and type it once more.'
    keep = Choice('enter', 'it is right as it was typed: keep it')
    again = Choice('u', 'measure again')
    return Question(f'{leg}: really there?', text, (keep, again, OFF, SKIP, LEAVE), POSITION)


def comparing(leg: str) -> Question:
    """Say that a position is being compared with the others."""
    return Question(f'{leg}: one moment', 'It is compared with the others.', ALWAYS)


def touch(leg: str, left: int, measured: int, *, moving: bool) -> Question:
    """Ask for a foot to be lowered to the ground."""
    text = (
        f'{_way(moving)}Type by how many millimetres it shall be lowered, a little less than it '
        'is above the ground, then go on in fine steps until it just holds a slip of paper that '
        'you can still pull out. If it presses, raise it and come down again: gears have slack. '
        f'{left} to go, {measured} measured.'
    )
    choices = (
        Choice('enter', 'it just holds the paper'),
        Choice('s', f'{1e3 * FINE:g} mm lower'),
        Choice('w', f'{1e3 * RAISED:g} mm higher, to come down again'),
        NEXT,
        TOUCHES,
        MOVED,
        ENOUGH,
    )
    return Question(f'{leg}: on the ground?', text, (*choices, *ALWAYS), DEPTH)


def pose(
    left: int,
    measured: int,
    new: Mapping[str, Arrival],
    unused: int,
    broken_off: Sequence[str],
    *,
    moving: bool,
) -> Question:
    """Ask for photographs of a pose.

    Parameters
    ----------
    left, measured
        How many poses.
    new
        Files that came for this one.
    unused
        How many are there from before that belong to no pose.
    broken_off
        Those of them that were taken of this pose before the legs were led here anew, most likely.
    moving
        Whether the legs are on their way.

    """
    files = [f'{file}{HOW[how]}' for file, how in new.items()]
    there = f'New in the folder: {", ".join(files)}.' if files else 'None is in the folder yet.'
    if Arrival.UNREADABLE in new.values():
        there += f' {UNREADABLE}'
    if broken_off:
        there += (
            f' {", ".join(broken_off)} came after the last pose that was noted, before the legs '
            'were led here: look whether they show just how the legs stand now.'
        )
    elif unused:
        there += f' {unused} from before belong to no pose, and are not used.'
    text = ('The legs are on their way. ' if moving else '') + (
        'Photograph the robot with its sheets, from two sides or more, so that every marker is on '
        'two photographs at least; wait until all are in the folder: what comes later counts for '
        f'the next pose. {there} {left} poses to go, {measured} photographed.'
    )
    choices = (
        Choice('enter', 'the new ones show this pose: the next one'),
        *((Choice('o', 'the earlier ones show it, none new is needed'),) if broken_off else ()),
        NEXT,
        TOUCHES,
        MOVED,
        ENOUGH,
    )
    return Question('Photographs of this pose', text, (*choices, *ALWAYS))


def result(of: Round, found: Surveyed | str | None, again: int) -> Question:
    """Tell what was found out of a round, and ask whether it is enough."""
    title = f'{_names(of.legs)}: result'
    on = Choice('enter', 'go on')
    if found is None:
        return Question(title, 'It is being worked out.', (on, *ALWAYS))
    if isinstance(found, str):
        return Question(title, f'Nothing can be told yet: {found}.', (on, *ALWAYS))
    more = (Choice('m', f'measure {again} more: what is doubtful, or would help'),)
    choices = (on, *(more if again else ()))
    return Question(title, '\n'.join(found.verdict), (*choices, *ALWAYS))


def summary(found: Surveyed | str | None, rest: Sequence[str]) -> Question:
    """Tell what was found out of all legs, and ask whether it shall be written."""
    if found is None:
        return Question('Summary', 'It is being worked out.', (UNDO, LEAVE))
    if isinstance(found, str):
        return Question('Summary', f'Nothing can be written yet: {found}.', (UNDO, LEAVE))
    lines = list(found.verdict)
    if rest:
        lines.append(f'No foot was measured, so that these stay as they are: {", ".join(rest)}')
    write = Choice('y', 'write description and servo maps')
    return Question('Summary', '\n'.join(lines), (write, UNDO, LEAVE))


def off_in_words(suspect: Suspect) -> str:
    """Say what does not fit of a position."""
    return (
        f'Its {suspect.coordinate} is {1e3 * abs(suspect.off):.1f} mm away from the '
        f'{1e3 * suspect.expected:.1f} mm that the other points say.'
    )


def far_in_words(expected: Triple) -> str:
    """Say that a position is far from where the present maps have it."""
    return f'By the present maps the foot is about at {position_in_words(expected)}.'


def position_in_words(position: Triple) -> str:
    """Write a position as it is typed."""
    return f'{" ".join(f"{round(1e3 * each, 2) + 0.0:g}" for each in position)} mm'


def entry_in_words(entry: FootEntry) -> str:
    """Say what was noted."""
    match entry:
        case FootRead(stand, _, position):
            return f'the foot of {stand.leg} is at {position_in_words(position)}'
        case FootOnGround(stand):
            return f'the foot of {stand.leg} touches the ground'
        case LegPosed(stand, _, number):
            return f'{stand.leg} stands in pose {number}'
        case PhotographTaken(number, file):
            return f'{file} shows pose {number}'
        case BarMeasured(length):
            return f'the bar is {1e3 * length:g} mm long'
        case MarkersPlaced(position):
            return f'the markers are {position_in_words(position)} from the tips'


def station_in_words(station: Station) -> str:
    """Say which legs go."""
    return _names([point.leg for point in station])


def _names(legs: Sequence[str]) -> str:
    return ', '.join(legs)


def _way(moving: bool) -> str:  # noqa: FBT001
    return 'The leg is on its way: wait until it rests. ' if moving else 'The leg rests. '
