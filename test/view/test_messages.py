# Copyright 2026 The leg_kinematics authors
# SPDX-License-Identifier: Apache-2.0
"""What passes between page and server: types made anew, and nothing believed unread."""

import json
from dataclasses import asdict
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from leg_kinematics.errors import CommandError
from leg_kinematics.view import typescript
from leg_kinematics.view.messages import LONGEST_MESSAGE, Frame, Hold, Order
from leg_kinematics.view.reading import read, written

HOLD = {'kind': 'hold', 'press': 1, 'sequence': 2, 'seen': 0.5}


def test_the_page_has_the_types_of_today() -> None:
    """After a change: ``python -m leg_kinematics.view.typescript``."""
    assert typescript.FILE.read_text(encoding='utf-8') == typescript.typescript()


@given(
    st.builds(
        Hold,
        press=st.integers(1, 2**53),
        sequence=st.integers(0, 2**53),
        seen=st.floats(0.0, 1e9),
        forward=st.floats(-1.0, 1.0),
        lean=st.booleans(),
    )
)
def test_what_is_written_is_read(hold: Hold) -> None:
    """As JSON has it (RFC 8259)."""
    assert read(json.dumps(asdict(hold))) == hold


WRONG: dict[str, tuple[object, str]] = {
    'no object': ([], 'object'),
    'no kind': ({'press': 1}, "'kind'"),
    'a kind that is none': ({'kind': 'frame', 'at': 1.0}, "'kind'"),
    'a kind that is no text': ({'kind': ['hold']}, "'kind'"),
    'a field too many': (HOLD | {'speed': 9.0}, "'speed'"),
    'a field missing': ({'kind': 'hold', 'press': 1, 'seen': 0.0}, 'sequence'),
    'text for a number': (HOLD | {'forward': '1'}, "'forward'"),
    'true for a number': (HOLD | {'forward': True}, "'forward'"),
    'a number for true': (HOLD | {'lean': 1}, "'lean'"),
    'a part of a press': (HOLD | {'press': 1.5}, "'press'"),
    'nothing for a number': (HOLD | {'seen': None}, "'seen'"),
    'another order': ({'kind': 'order', 'order': 'jump'}, "'order'"),
    'too large': (HOLD | {'seen': 10**400}, "'seen'"),
}


@pytest.mark.parametrize('case', WRONG)
def test_what_is_no_message_is_refused_with_the_reason(case: str) -> None:
    """It names what is wrong."""
    told, words = WRONG[case]
    with pytest.raises(CommandError, match=words):
        read(json.dumps(told))


@pytest.mark.parametrize(
    'text',
    [
        '',
        '{',
        '[' * 1000,
        json.dumps(HOLD)[:-1] + ', "forward": NaN}',
        json.dumps(HOLD)[:-1] + ', "forward": Infinity}',
        json.dumps(HOLD | {'kind': 'x' * LONGEST_MESSAGE}),
    ],
)
def test_what_is_no_json_or_not_finite_is_refused(text: str) -> None:
    """Python reads more than JSON has."""
    with pytest.raises(CommandError):
        read(text)


@given(
    st.text(max_size=200)
    | st.recursive(
        st.none() | st.booleans() | st.floats() | st.text(max_size=5),
        lambda inner: (
            st.lists(inner, max_size=3)
            | st.dictionaries(
                st.sampled_from(['kind', 'press', 'order', 'token', 'x']), inner, max_size=4
            )
        ),
    ).map(json.dumps)
)
def test_nothing_but_a_refusal_comes_of_anything_else(text: str) -> None:
    """Whatever a page says."""
    try:
        message: Any = read(text)
    except CommandError:
        return
    assert message.kind == json.loads(text)['kind']


def test_what_is_not_finite_is_never_written() -> None:
    """A browser would not read it."""
    with pytest.raises(ValueError, match='not JSON compliant'):
        written(Frame(at=float('nan')))


def test_an_order_is_written_as_the_page_says_it() -> None:
    """By hand."""
    assert read('{"kind": "order", "order": "release"}') == Order('release')
