# Copyright 2026 The leg_kinematics authors
# SPDX-License-Identifier: Apache-2.0
"""What a person is asked at the bench, and what every answer means."""

from collections.abc import Mapping, Sequence
from math import degrees

from leg_kinematics.calibration.joint_notes import (
    SHORTEST_RANGE_US,
    JointNotes,
    JointResult,
    JointTask,
    Target,
)
from leg_kinematics.calibration.joint_readings import (
    AngleRead,
    EndFound,
    HornFitted,
    JointEntry,
    OutputFound,
    SignSeen,
)
from leg_kinematics.calibration.measured import ServoFit
from leg_kinematics.calibration.question import LEAVE, OFF, UNDO, Choice, Question, Typed
from leg_kinematics.calibration.verdict import verdict

SKIP = Choice('k', 'skip this joint')

#: An angle, as it is typed.
ANGLE = Typed('angle in deg', frozenset('0123456789.,+-'), 8)

#: What can be done at any time while a servo has pulses.
ALWAYS = (OFF, UNDO, SKIP, LEAVE)

#: Which way is the positive one, by the kind of joint.
POSITIVE = {
    'coxa': ('to the left, seen from above', 'to the right, seen from above'),
    'femur': ('the foot went up', 'the foot went down'),
    'tibia': ('the foot went up, outwards', 'the foot went down, inwards'),
}


def output_in_words(task: JointTask) -> str:
    """Name the output that the servo of a joint is connected to."""
    board, channel = task.output
    return f'channel {channel} of board {board}'


def power(task: JointTask, notes: JointNotes) -> Question:
    """Ask whether a servo shall get its first pulse."""
    first = (
        f'This servo gets its first pulse, {task.fitting.pulse_us:g} us, on '
        f'{output_in_words(task)}. It runs there AT FULL SPEED from wherever it stands.'
    )
    if notes.horn_fitted:
        text = (
            f'{first} Turn the joint near to {_deg(task.fitting.angle)} with the power off, and '
            f'keep hands away. What was measured before counts on: {_measured(notes)}.'
        )
        choices: tuple[Choice, ...] = (
            Choice('enter', 'give it pulses and go on'),
            Choice('b', 'fit the horn anew: what was measured counts no more'),
        )
    else:
        text = (
            f'{first} Take the horn off, or turn the joint where it has room on both sides, and '
            'keep hands away.'
        )
        choices = (Choice('enter', 'give it pulses'),)
    return Question(task.joint, text, (*choices, *ALWAYS))


def power_again(task: JointTask, pulse_us: float) -> Question:
    """Ask whether a servo that does not obey any more shall get its pulses again."""
    text = (
        f'This servo does not obey: it has lost its pulses, or its board cannot be reached. It '
        f'gets {pulse_us:g} us again, and runs there AT FULL SPEED if it was turned meanwhile: '
        'keep hands away.'
    )
    return Question(task.joint, text, (Choice('enter', 'give it pulses again'), *ALWAYS))


def horn(task: JointTask) -> Question:
    """Ask for the horn to be fitted."""
    fitting = task.fitting
    text = (
        f'The servo holds {fitting.pulse_us:g} us. Fit the horn so that the joint stands as near '
        f'to {_deg(fitting.angle)} as the teeth allow; up to {_deg(fitting.remainder)} beside it '
        'does no harm, since the angle is measured later. If the horn is fitted already and '
        'stands about there, leave it. Fasten it, and take hands away: with the next key the '
        'servo makes one small move to longer pulses, and back.'
    )
    return Question(
        f'{task.joint}: horn', text, (Choice('enter', 'fitted; make the small move'), *ALWAYS)
    )


def direction(task: JointTask, *, looked: bool) -> Question:
    """Ask what moved, and which way."""
    again = Choice('a', 'make the small move again')
    title = f'{task.joint}: which way?'
    if not looked:
        text = 'Keep hands away, and watch which way the joint moves, and whether another does.'
        return Question(title, text, (again, *ALWAYS))
    positive, negative = POSITIVE[task.joint.rsplit('_', 1)[-1]]
    text = (
        'The servo moved to longer pulses, and goes back by itself. Which way did the joint move '
        'first?'
    )
    choices = (
        Choice('p', f'positive: {positive}'),
        Choice('n', f'negative: {negative}'),
        Choice('z', 'nothing moved'),
        Choice('o', 'another servo moved'),
        Choice('t', 'it touched something, growled or jerked'),
        again,
    )
    return Question(title, text, (*choices, *ALWAYS))


def nothing_moved(task: JointTask) -> str:
    """Say what to look for when a servo does nothing."""
    return (
        f'Pulses are off. Nothing moved by {output_in_words(task)}: look whether the servo has its '
        'supply, whether its plug is on this channel and the right way round, and try it on '
        'another channel. If it moves there, the channel or its wire is at fault, otherwise the '
        'servo.'
    )


def other_moved(task: JointTask) -> str:
    """Say what to do when the wrong servo moves."""
    return (
        f'Pulses are off. {output_in_words(task)} drives another servo than {task.joint}: with the '
        'supply off exchange the plugs, or correct the channels in the servo maps, and try it '
        'again.'
    )


def look(
    task: JointTask, free: tuple[float, float], step_us: float, *, longer: bool, looked: bool
) -> Question:
    """Ask whether the joint is free on the way to one end."""
    way, end = ('longer', free[1]) if longer else ('shorter', free[0])
    title = f'{task.joint}: free to {way} pulses?'
    lower, upper = task.limits
    text = (
        f'Free from {free[0]:g} to {free[1]:g} us so far. By the description it needs to go from '
        f'{_deg(lower)} to {_deg(upper)}, and it may go a little farther. '
    )
    touched = Choice('t', 'it touched something, growled or stood still')
    if looked:
        text += (
            f'It went a step beyond {end:g} us, and goes back by itself. Did it turn freely all '
            'the way?'
        )
        choices: tuple[Choice, ...] = (
            Choice('enter', 'freely: the next step'),
            touched,
            Choice('e', 'freely, and that is far enough'),
        )
    else:
        text += f'The next step goes {step_us:g} us beyond {end:g} us, for two seconds.'
        choices = (Choice('enter', 'make the step'), Choice('e', 'that is far enough'))
    return Question(title, text, (*choices, *ALWAYS))


def read(task: JointTask, plan: Sequence[Target], notes: JointNotes, fine_us: float) -> Question:
    """Ask for an angle."""
    pulse = plan[0].pulse_us
    after = f'then {plan[1].pulse_us:g} us' if len(plan) > 1 else 'then the result'
    text = (
        f'At {pulse:g} us, coming {plan[0].approached}. Read the angle off the protractor, half '
        f'degrees if you can, type it and press Enter; {after}. {len(plan)} to go, '
        f'{len(notes.readings)} read.'
    )
    choices = (
        Choice('w', f'{fine_us:g} us longer'),
        Choice('s', f'{fine_us:g} us shorter'),
        Choice('c', 'finer or coarser steps'),
        Choice('n', 'no reading here, the next one'),
        Choice('d', 'enough: the result'),
    )
    return Question(f'{task.joint}: angle?', text, (*choices, *ALWAYS), ANGLE)


def result(task: JointTask, notes: JointNotes, found: ServoFit | str) -> Question:
    """Tell what was read, and ask whether it is enough; `found` may say why there is no map."""
    title = f'{task.joint}: result'
    anew = Choice('b', 'measure this joint anew')
    if notes.ends is not None and notes.ends[1] - notes.ends[0] < SHORTEST_RANGE_US:
        text = (
            f'This joint is free over {notes.ends[1] - notes.ends[0]:g} us only: something binds. '
            'Look for it with the pulses off, and measure it anew.'
        )
        return Question(title, text, (anew, *ALWAYS))
    if isinstance(found, str):
        return Question(title, f'No map yet: {found}.', (anew, *ALWAYS))
    lines = [*verdict(found), ends_in_words(found, notes.ends, task)]
    if notes.sign not in {None, found.sign}:
        lines.append(
            'THE SIGN IS IN DOUBT: you saw the joint move the other way than the angles say. '
            'Perhaps they were read off the other scale: look again, and measure it anew.'
        )
    more: tuple[Choice, ...] = ()
    if found.next_reading is not None:
        more = (Choice('m', f'read once more at {found.next_reading.pulse_us:g} us'),)
    choices = (Choice('enter', 'take it; pulses off, next joint'), *more, anew)
    return Question(title, '\n'.join(lines), (*choices, *ALWAYS))


def summary(tasks: Sequence[JointTask], results: Mapping[str, JointResult]) -> Question:
    """Tell what was measured of all joints, and ask whether it shall be written."""
    lines = [result_in_words(found) for found in results.values()]
    if rest := [task.joint for task in tasks if task.joint not in results]:
        lines.append(f'Not measured, so that their maps stay as they are: {", ".join(rest)}')
    write = (Choice('y', 'write the servo maps'),) if results else ()
    return Question('Summary', '\n'.join(lines), (*write, UNDO, LEAVE))


def result_in_words(found: JointResult) -> str:
    """Put what was measured of a joint in a line."""
    fit = found.fit
    doubt = ', IN DOUBT' if found.doubtful else ''
    return (
        f'{found.task.joint}: {fit.gain.value:.1f} us/rad, {_deg(fit.horn_offset.value)} at '
        f'{fit.line.centre_us:g} us, {found.ends_us[0]:g} to {found.ends_us[1]:g} us{doubt}'
    )


def ends_in_words(fit: ServoFit, ends: tuple[float, float] | None, task: JointTask) -> str:
    """Say between which angles the joint can go, and whether that is what the description has."""
    if ends is None:
        return 'Its ends were not found yet: nothing is written of it.'
    inside = (max(ends[0], fit.curve.pulse_span_us[0]), min(ends[1], fit.curve.pulse_span_us[1]))
    low, high = sorted(map(fit.curve.angle, inside))
    words = f'Pulses from {ends[0]:g} to {ends[1]:g} us: {_deg(low)} to {_deg(high)}.'
    lower, upper = task.limits
    if low > lower or high < upper:
        words += (
            f' The description has {_deg(lower)} to {_deg(upper)}: where it needs more than the '
            'servo gives, fit the horn anew, or make the limits narrower.'
        )
    return words


def entry_in_words(entry: JointEntry) -> str:
    """Say what was found out."""
    match entry:
        case OutputFound(joint, board, channel):
            return f'{joint} moves by channel {channel} of board {board}'
        case HornFitted(joint, pulse_us):
            return f'the horn of {joint} was fitted at {pulse_us:g} us'
        case AngleRead(joint, reading):
            return f'{joint} stands at {_deg(reading.angle)} at {reading.pulse_us:g} us'
        case SignSeen(joint, sign):
            way = 'positive' if sign > 0 else 'negative'
            return f'longer pulses turn {joint} the {way} way'
        case EndFound(joint, end, pulse_us):
            return f'the {end} pulse of {joint} is {pulse_us:g} us'


def _measured(notes: JointNotes) -> str:
    ends = 'both ends' if notes.ends else 'not both ends'
    return f'{len(notes.readings)} angles, {ends}'


def _deg(angle: float) -> str:
    return f'{round(degrees(angle), 1) + 0.0:g} deg'
