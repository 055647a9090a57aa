# Copyright 2026 The leg_kinematics authors
# SPDX-License-Identifier: Apache-2.0
"""Whatever is wrong with a sequence is told before anything moves: line, place and cure."""

import re
from collections.abc import Callable
from pathlib import Path

import pytest

from leg_kinematics.errors import DescriptionError
from leg_kinematics.moves.plan import Plan
from leg_kinematics.moves.sequence import load_sequence

FOOT = 'feet: {left_front: {x: 40 mm}}'

#: Steps as they stand behind the first dash, the line (the dash is on line 3), the place, and
#: words that say what is wrong and what to do.
WRONG = {
    'a word that is no step': ('walk', 3, 'steps[0]', "'walk' does not fit; expected stand or"),
    'a step without its value': ('feet', 3, 'steps[0]', 'or a step as a mapping, such as'),
    'an upper-case word': ('Stand', 3, 'steps[0]', 'expected stand or crouch'),
    'stand with something behind it': (
        'stand: {time: 2 s}',
        3,
        'steps[0]',
        'stand and crouch without anything behind them',
    ),
    'an unknown key': (
        'bodi: {z: 10 mm}',
        3,
        'steps[0].bodi',
        "unknown key 'bodi'; expected one of: feet, .*did you mean 'body'",
    ),
    'a step without anything': ('', 3, 'steps[0]', 'None does not fit; expected a step: stand'),
    'an empty mapping': ('{}', 3, 'steps[0]', 'expected a mapping with one of feet, circle'),
    'two steps in one': (
        f'{FOOT}\n    wait: 1 s',
        3,
        'steps[0]',
        'begin each step with a dash',
    ),
    'a leg whose name is misspelt': (
        'feet:\n      left_front: {x: 1 mm}\n      left_fornt: {x: 40 mm}',
        5,
        'steps[0].feet.left_fornt',
        "bracken has no leg 'left_fornt'; its legs are: left_front, .*did you mean 'left_front'",
    ),
    'a leg that the robot does not have': (
        'circle: {tail: {x: 40 mm, y: 0 mm}}',
        3,
        'steps[0].circle.tail',
        "bracken has no leg 'tail'; its legs are: left_front, .*all stands for all of them",
    ),
    'no leg at all': ('feet: {}', 3, 'steps[0].feet', 'expected a mapping of names of legs'),
    'a list as a place': (
        'feet: {left_front: [40 mm, 0 mm, 0 mm]}',
        3,
        'steps[0].feet.left_front',
        'expected a mapping with one or more of x, y and z',
    ),
    'a place without a coordinate': (
        'feet: {left_front: {}}',
        3,
        'steps[0].feet.left_front',
        'one or more of x, y and z',
    ),
    'a coordinate without its unit': (
        'feet: {left_front: {x: 40}}',
        3,
        'steps[0].feet.left_front.x',
        '40, read as 40 m, is not within -2.5 m … 2.5 m: did you mean 40 mm',
    ),
    'metres for millimetres': (
        'feet: {left_front: {x: 40 m}}',
        3,
        'steps[0].feet.left_front.x',
        'did you mean 40 mm',
    ),
    'a decimal comma': (
        "feet: {left_front: {x: '2,5 mm'}}",
        3,
        'steps[0].feet.left_front.x',
        'Did you mean 2.5 mm',
    ),
    'a coordinate that is no number': (
        'feet: {left_front: {x: .nan}}',
        3,
        'steps[0].feet.left_front.x',
        "'.nan' does not fit; expected a length",
    ),
    'an endless way': (
        'feet: {left_front: {x: .inf mm}}',
        3,
        'steps[0].feet.left_front.x',
        'expected a length in m, cm or mm',
    ),
    'a place out of reach': (
        'feet: {left_front: {x: 400 mm}}',
        3,
        'steps[0].feet.left_front',
        'left_front: 322 mm out of reach: .*; the nearest place that it can take is x 78.5',
    ),
    'a place beyond a joint limit': (
        'feet:\n      all: {x: -80 mm, y: 110 mm}',
        4,
        'steps[0].feet.all',
        'left_front_coxa would stand at .* beyond its limits, .* the nearest place that it can',
    ),
    'a line that cannot be followed though both ends can': (
        'feet: {left_front: {x: -60 mm, y: 97 mm}}\n  - feet: {left_front: {x: -60 mm, y: -97 mm}}',
        4,
        'steps[1]',
        'on the straight line there: left_front_.* go there by another place',
    ),
    'a body that its feet do not let go there': (
        'stand\n  - body: {z: 10 mm}\n  - body: {z: 120 mm}',
        5,
        'steps[2]',
        'left_front: .* out of reach: .* it can be done as far as x 0.0, y 0.0, z 5[89]..',
    ),
    'a body that is turned too far': (
        'stand\n  - body: {yaw: 80 deg}',
        4,
        'steps[1]',
        'left_.* it can be done as far as .* yaw 3[0-9].[0-9] deg',
    ),
    'radians for degrees': (
        'body: {pitch: 5}',
        3,
        'steps[0].body.pitch',
        '5, read as 5 rad, is not within -180 deg … 180 deg: did you mean 5 deg',
    ),
    'a circle around the foot': (
        'circle: {left_front: {x: 0 mm, y: 0 mm}}',
        3,
        'steps[0].circle.left_front',
        'at the centre of its circle: move it away from there first',
    ),
    'a circle without a plane': (
        'circle: {left_front: {x: 20 mm}}',
        3,
        'steps[0].circle.left_front',
        'expected a mapping with two of x, y and z',
    ),
    'a circle that goes out of reach': (
        'circle: {left_front: {x: 150 mm, y: 0 mm}}',
        3,
        'steps[0]',
        'left_front: .* out of reach: .* it can be done as far as a turn of 4[0-9] deg',
    ),
    'two turns': (
        'circle: {left_front: {x: 10 mm, y: 0 mm}}\n    turn: 720 deg',
        4,
        'steps[0].turn',
        'one full turn at most; repeat it for more',
    ),
    'an unknown frame': (
        f'{FOOT}\n    frame: world',
        4,
        'steps[0].frame',
        "'world' does not fit; expected the frame of the coordinates: resting",
    ),
    'a time below zero': (f'{FOOT}\n    time: -2 s', 4, 'steps[0].time', 'is below zero'),
    'no time': (f'{FOOT}\n    time: 0 s', 4, 'steps[0].time', 'not within 50 ms … 10 min'),
    'a length for a time': (f'{FOOT}\n    time: 2 mm', 4, 'steps[0].time', 'expected a time in s'),
    'time and speed': (
        f'{FOOT}\n    time: 2 s\n    speed: 60 mm/s',
        5,
        'steps[0].speed',
        'leave out one of them',
    ),
    'no speed': ('speed: 0 mm/s', 3, 'steps[0].speed', 'not within 0.1 mm/s … 3 m/s'),
    'a speed without its unit': ('speed: 60', 3, 'steps[0].speed', 'did you mean 60 mm/s'),
    'a wait for nobody knows how long': ('wait: long', 3, 'steps[0].wait', 'For example: 2 s'),
    'repeat without steps': ('repeat: 3', 3, 'steps[0]', 'missing here: steps'),
    'steps without repeat': ('steps: [stand]', 3, 'steps[0]', 'missing here: repeat'),
    'repeat never': (
        'repeat: 0\n    steps: [stand]',
        3,
        'steps[0].repeat',
        'expected how many times, 1 to 10000',
    ),
    'repeat without an end': (
        'repeat: .inf\n    steps: [stand]',
        3,
        'steps[0].repeat',
        'expected how many times',
    ),
    'repeat of nothing': (
        'repeat: 3\n    steps: []',
        4,
        'steps[0].steps',
        'expected a list of steps, at least one',
    ),
    'too many repeats': (
        'stand\n  - repeat: 9000\n    steps: [stand]',
        4,
        'steps[1]',
        'these are 9001 steps .* at most 2000: repeat less often',
    ),
    'a step inside itself': (
        '&a\n    repeat: 2\n    steps: [*a]',
        None,
        '',
        'inside its own anchor',
    ),
    'an alias bomb': (
        '&a [stand, stand, stand, stand, stand, stand, stand, stand, stand, stand]\n'
        + ''.join(
            f'  - &{name} [{", ".join(10 * [f"*{inner}"])}]\n'
            for inner, name in zip('abcde', 'bcdef', strict=True)
        ),
        None,
        '',
        'the aliases up to here stand for too much',
    ),
}


@pytest.mark.parametrize('wrong', WRONG.values(), ids=WRONG)
def test_a_wrong_sequence_is_refused_whole(
    wrong: tuple[str, int | None, str, str],
    write: Callable[[str], Path],
    do: Callable[[Path], Plan],
) -> None:
    """There is no plan, so nothing to send; file, line, place and words say why."""
    steps, line, place, words = wrong
    file = write(f'name: wrong\nsteps:\n  - {steps}\n')
    with pytest.raises(DescriptionError) as caught:
        do(file)
    error = caught.value
    assert error.file == file
    if line is not None:
        assert (error.line, error.path) == (line, place)
    assert re.search(words, error.message), error
    assert re.search(r'^.*sequence.yaml:\d+: ', str(error))


@pytest.mark.parametrize(
    ('text', 'words'),
    [
        ('', 'the file is empty'),
        ('name: nothing\n', 'missing here: steps'),
        ('name: nothing\nsteps: []\n', 'expected a list of steps, at least one'),
        ('name: nothing\nsteps: stand\n', 'expected a list of steps'),
        ('steps: [stand]\n', 'missing here: name'),
        ('name: a tab\nsteps:\n\t- stand\n', 'indent by blanks'),
        ('name: x\nsteps: [stand]\nsteps: [crouch]\n', "key 'steps' stands here again"),
        ('name: x\nlegs: {left_front: {}}\n', 'should be, a sequence of steps'),
    ],
)
def test_a_file_that_is_no_sequence_is_refused(
    text: str, words: str, write: Callable[[str], Path]
) -> None:
    """What a file lacks, or is instead, is told."""
    with pytest.raises(DescriptionError, match=words):
        load_sequence(write(text))
