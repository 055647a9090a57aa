# Copyright 2026 The leg_kinematics authors
# SPDX-License-Identifier: Apache-2.0
"""What crosses the link: written, read, and refused where it is anything else.

The texts are held against the JSON reader of Python and against what is written here by hand.
"""

import json

import pytest
from hypothesis import example, given
from hypothesis import strategies as st

from leg_kinematics.chain.values import Answer
from leg_kinematics.errors import CommandError
from leg_kinematics.gait import Offset, Twist
from leg_kinematics.remote.words import (
    MOST_FROM_DRIVER,
    MOST_FROM_ROBOT,
    Order,
    OrderWord,
    State,
    Word,
    answer_of,
    place,
    place_of_state,
    shown,
    text_of_answer,
)

COUNTS = st.integers(0, 2**53 - 1)
SPEEDS = st.floats(-10.0, 10.0)
WHO = st.from_regex(r'[a-z]{1,8}\.[0-9a-f]{8}', fullmatch=True)
TEXTS = st.text(st.characters(categories=['L', 'N', 'P']), max_size=20)

WORDS = st.builds(
    Word,
    COUNTS,
    COUNTS,
    st.integers(1, 2**53 - 1),
    st.builds(Twist, SPEEDS, SPEEDS, SPEEDS),
    st.none() | st.lists(st.floats(-3.0, 3.0), min_size=6, max_size=6).map(Offset.of),
    st.none() | st.floats(0.1, 1.0),
)

STATES = st.builds(
    State,
    COUNTS,
    WHO | st.just(''),
    st.dictionaries(WHO, COUNTS, max_size=4),
    st.dictionaries(WHO, TEXTS, max_size=4),
    st.dictionaries(TEXTS, TEXTS, max_size=4),
    st.none() | st.tuples(SPEEDS, SPEEDS, SPEEDS),
    st.none() | st.builds(Twist, SPEEDS, SPEEDS, SPEEDS),
)


def test_a_word_is_what_stands_here() -> None:
    """Written by hand, so that nobody changes it without a new version."""
    text = (
        b'{"beat":1000,"number":7,"press":5,"twist":[0.03,0.0,-0.2],'
        b'"offset":[0.0,0.0,0.01,0.0,0.1,0.0],"duty_factor":0.75}'
    )
    word = Word(1000, 7, 5, Twist(0.03, 0.0, -0.2), Offset((0, 0, 0.01), (0, 0.1, 0)), 0.75)
    assert Word.of(text) == word
    assert json.loads(word.text()) == json.loads(text)
    assert place('bracken.0a', 'word', 'anna.1b') == 'leg_kinematics/1/bracken.0a/word/anna.1b'
    assert place_of_state('bracken.0a') == 'leg_kinematics/1/bracken.0a/state'


@given(word=WORDS, state=STATES, order=st.builds(OrderWord, COUNTS, st.sampled_from(Order)))
def test_what_is_written_is_read_again(word: Word, state: State, order: OrderWord) -> None:
    """To the last bit, and none is too large for its reader."""
    assert Word.of(word.text()) == word
    assert State.of(state.text()) == state
    assert OrderWord.of(order.text()) == order
    assert len(word.text()) <= MOST_FROM_DRIVER / 2


@given(success=st.booleans(), words=st.text())
def test_answers_are_read_again(success: bool, words: str) -> None:  # noqa: FBT001
    """Once what cannot be shown in a terminal has been taken out of them."""
    answer = Answer(success, shown(words))
    assert answer_of(text_of_answer(answer)) == answer


JSON = st.recursive(
    st.none() | st.booleans() | st.integers() | st.floats() | st.text(max_size=9),
    lambda inner: st.lists(inner, max_size=7) | st.dictionaries(st.text(max_size=9), inner),
    max_leaves=20,
)

FIELDS = st.fixed_dictionaries(
    dict.fromkeys(['beat', 'number', 'press', 'twist', 'offset', 'duty_factor'], JSON)
)


@given(text=st.binary(max_size=200) | (JSON | FIELDS).map(lambda each: json.dumps(each).encode()))
@example(b'[' * MOST_FROM_ROBOT)
@example(b'{"beat":' + b'9' * 5000 + b'}')
@example(b'"' + b'x' * 100_000 + b'"')
def test_whatever_comes_is_read_or_refused(text: bytes) -> None:
    """Nothing else happens, and what is read can be obeyed: finite, within bounds, printable."""
    for read in (Word.of, OrderWord.of, State.of, answer_of):
        try:
            value = read(text)
        except CommandError:
            continue
        if isinstance(value, Word):
            assert value.twist.finite
            assert value.press or not value.twist


@pytest.mark.parametrize(
    ('name', 'value', 'words'),
    [
        ('beat', -1, "'beat' must be a whole number"),
        ('beat', True, "'beat' must be a whole number"),
        ('number', 1.0, "'number' must be a whole number"),
        ('press', 2**53, "'press' must be a whole number"),
        ('press', 0, 'no press goes on, and yet a velocity is wanted'),
        ('twist', [0.1, 0.0], "'twist' must hold 3 numbers within 10"),
        ('twist', [0.1, 0.0, float('nan')], "'twist' must hold 3 numbers within 10"),
        ('twist', [0.1, 0.0, 1e300], "'twist' must hold 3 numbers within 10"),
        ('twist', [0.1, 0.0, True], "'twist' must hold 3 numbers within 10"),
        ('offset', [9.0] * 6, "'offset' must hold 6 numbers within 3.2"),
        ('duty_factor', 1.5, "'duty_factor' must hold 1 numbers within 1"),
        ('duty_factor', 0.0, "'duty_factor' must be above 0"),
        ('more', 1, 'expected beat, number, press, twist, offset, duty_factor'),
    ],
)
def test_a_word_that_means_nothing_says_why(name: str, value: object, words: str) -> None:
    """With what was expected."""
    text = json.loads(Word(9, 9, 9, Twist(0.1)).text())
    text[name] = value
    with pytest.raises(CommandError, match=words.replace('[', r'\[')):
        Word.of(json.dumps(text).encode())


def test_a_terminal_is_told_nothing_that_it_would_obey() -> None:
    """Control sequences (ECMA-48) are cut out at one end, and refused at the other."""
    assert shown('gait: \x1b[2Jstanding\n') == 'gait:  [2Jstanding '
    assert len(shown('x' * 1000)) == 300
    with pytest.raises(CommandError, match="'gait' must be a printable text"):
        State.of(State(1, nodes={'gait': '\x1b[2J'}).text())
