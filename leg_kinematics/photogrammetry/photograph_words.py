# Copyright 2026 The leg_kinematics authors
# SPDX-License-Identifier: Apache-2.0
"""What photographs show and which would help, in sentences."""

from collections.abc import Collection, Mapping, Sequence

from leg_kinematics.photogrammetry.look import Look

#: Edges wider than this are told, px.
BLURRED = 2.0

#: Better by less than this part is no help worth a word.
LEAST_HELP = 1.1

MISFIT = (
    'It is left out: its corners are not where the other photographs let them be. Was it zoomed, '
    'or taken with another lens of the phone, or did a sheet move or curl up?'
)

NO_SHEET = (
    'No photograph shows a floor sheet well enough: lay at least two sheets beside the feet, in '
    'the light, and have one of them whole in each photograph.'
)


def of_unused(look: Look, least: int) -> str:
    """Say why a photograph tells nothing."""
    best = max((len(each.corners) for each in look.sheets), default=0)
    if best >= least:
        numbers = _listed([str(each.sheet) for each in look.sheets])
        return (
            'It shows only what no other photograph shows together with the rest (sheet '
            f'{numbers}): take one that shows this sheet and another one.'
        )
    shown = (
        f'Of no sheet it shows more than {best} corners, and {least} are needed'
        if best
        else 'No corner of a sheet is found'
    )
    return f'{shown}: {_cause(look)}.'


def of_used(
    look: Look,
    sigma: float,
    apart: Collection[str],
    helped: tuple[float, float, int, str] | None,
) -> str:
    """Say what a photograph shows and how it helps.

    Parameters
    ----------
    look
        What it shows.
    sigma
        How well its corners are found, px.
    apart
        Legs whose feet are not where other photographs of the pose show them.
    helped
        How well the foot is known that it helps most, how well that would be known without, m, its
        pose and leg.

    """
    sheets = _listed([str(each.sheet) for each in look.sheets])
    kind = 'sheets' if len(look.sheets) > 1 else 'sheet'
    feet = _listed([each.leg for each in look.markers]) or 'no foot'
    sentences = [f'{look.corners} corners of {kind} {sheets}, found to {sigma:.2f} px, and {feet}.']
    if look.blur > BLURRED:
        sentences.append(f'It is {_blurred(look)}.')
    if look.light:
        sentences.append(f'It is {LIGHT[look.light]}.')
    if apart:
        sentences.append(
            f'{_listed(sorted(apart))}: not where another photograph of this pose shows it, and '
            'left out. Did the foot move, or does the photograph show another pose?'
        )
    if helped is not None:
        known, without, pose, leg = helped
        if without > LEAST_HELP * known:
            rest = 'not at all' if without > 0.1 else f'only to {1e3 * without:.2f} mm'
            sentences.append(
                f'It helps: {leg} in pose {pose} is known to {1e3 * known:.2f} mm, without it '
                f'{rest}.'
            )
    return ' '.join(sentences)


def advice(
    spreads: Mapping[tuple[int, str], tuple[float, int]],
    apart: Collection[tuple[int, str]],
    poses: Sequence[int],
    legs: Sequence[str],
    good: float,
) -> tuple[str, ...]:
    """Say which photographs would help.

    Parameters
    ----------
    spreads
        Of each pose and leg that was found: its standard deviation in the worst direction, m, and
        how many photographs show it.
    apart
        Poses and legs of which something was left out.
    poses
        All of them.
    legs
        All of them.
    good
        What needs no more, m.

    """
    sentences = []
    for pose in poses:
        missing = [leg for leg in legs if (pose, leg) not in spreads]
        if missing:
            moved = [leg for leg in missing if (pose, leg) in apart]
            why = ', as its photographs do not agree' if moved == missing else ''
            sentences.append(
                f'Pose {pose}: nothing is known of {_listed(missing)}{why}. Take two more '
                'photographs of this pose that show these markers, from above and from different '
                'sides.'
            )
        once = [leg for leg in legs if spreads.get((pose, leg), (0.0, 0))[1] == 1]
        loose = [
            leg
            for leg in legs
            if (pose, leg) in spreads and spreads[pose, leg][0] > good and leg not in once
        ]
        if once:
            worst = max(spreads[pose, leg][0] for leg in once)
            sentences.append(
                f'Pose {pose}: only one photograph shows {_listed(once)}; along its line of sight '
                f'a foot is known to no better than {1e3 * worst:.1f} mm. Take another one of this '
                'pose from another side.'
            )
        if loose:
            worst = max(spreads[pose, leg][0] for leg in loose)
            verb = 'are' if len(loose) > 1 else 'is'
            sentences.append(
                f'Pose {pose}: {_listed(loose)} {verb} known only to {1e3 * worst:.2f} mm. Take '
                'another photograph of this pose, from nearer and from another side.'
            )
    return tuple(sentences)


#: What is wrong with the light, in words.
LIGHT = {
    'dark': 'too dark: bring more light',
    'bright': 'burnt out: take it with less light, or out of the sun',
}


def _cause(look: Look) -> str:
    """Return the likely cause for few corners."""
    if look.light:
        return f'it is {LIGHT[look.light]}'
    if look.blur > BLURRED:
        return f'it is {_blurred(look)}'
    return (
        'have a whole sheet in the picture, from 40 to 80 cm away, hold the phone still, tap on a '
        'foot to focus, and keep glare and shadows off the sheets'
    )


def _blurred(look: Look) -> str:
    return f'blurred over {look.blur:.1f} px: hold the phone still, and tap on a foot to focus'


def _listed(names: Sequence[str]) -> str:
    if len(names) < 2:
        return ''.join(names)
    return f'{", ".join(names[:-1])} and {names[-1]}'
