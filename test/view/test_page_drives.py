# Copyright 2026 The leg_kinematics authors
# SPDX-License-Identifier: Apache-2.0
"""The stick drives only while it is held by somebody who looks at the page."""

from collections.abc import Callable, Mapping
from typing import TYPE_CHECKING, Any

import pytest

from leg_kinematics.view.messages import HOLD_EVERY, Answered, Control

if TYPE_CHECKING:
    from test.shown_walk import shown_walk
    from test.stand_in import StandIn, armed, offered
    from test.view.conftest import Opened
else:
    from shown_walk import shown_walk
    from stand_in import StandIn, armed, offered

    Opened = object


def driven(opened: Opened) -> StandIn:
    """Open a page that is armed, with a frame drawn."""
    robot, frames = shown_walk()
    server = opened(robot, armed())
    server.show(frames[0])
    server.until(lambda: server.page.inner_text('#arm') == 'Disarm')
    return server


def press(server: StandIn, x: float = 0.5, y: float = 0.1) -> None:
    """Press the stick with the mouse, at shares of its width and height, and wait for the word."""
    pressed = len(server.of('hold'))
    box = server.page.locator('#stick').bounding_box()
    assert box is not None
    server.page.mouse.move(box['x'] + x * box['width'], box['y'] + y * box['height'])
    server.page.mouse.down()
    server.until(lambda: len(server.of('hold')) > pressed)


def dispatch(server: StandIn, target: str, event: str) -> None:
    """Let an event happen that a test cannot bring about otherwise."""
    server.page.evaluate(f"{target}.dispatchEvent(new Event('{event}'))")


def hide(server: StandIn) -> None:
    """Hide the page, as another tab or a locked phone does."""
    server.page.evaluate("Object.defineProperty(document, 'hidden', { value: true })")
    dispatch(server, 'document', 'visibilitychange')


def slide_away(server: StandIn) -> None:
    """Move the pointer far away from the stick."""
    server.page.mouse.move(1200, 300, steps=4)


def choose(server: StandIn, mode: str) -> None:
    """Let the stick move something else, by keyboard."""
    server.page.get_by_label(mode).focus()
    server.page.keyboard.press(' ')


ENDINGS: Mapping[str, Callable[[StandIn], None]] = {
    'lifted': lambda server: server.page.mouse.up(),
    'slid away': slide_away,
    'not in front': lambda server: dispatch(server, 'window', 'blur'),
    'hidden': hide,
    'escape': lambda server: server.page.keyboard.press('Escape'),
    'space': lambda server: server.page.keyboard.press(' '),
    'finger lost': lambda server: dispatch_pointer(server, 'pointercancel'),
    'something else': lambda server: choose(server, 'Tilt'),
    'crouch': lambda server: server.page.keyboard.press('c'),
    'release': lambda server: server.page.keyboard.press('x'),
}


def dispatch_pointer(server: StandIn, event: str) -> None:
    """Let an event of the pointer that is down happen at the stick; a mouse is pointer 1."""
    server.page.evaluate(
        f"document.getElementById('stick').dispatchEvent(new PointerEvent('{event}', "
        '{ pointerId: 1 }))'
    )


def test_every_ending_lets_go_once_and_for_all(opened: Opened) -> None:
    """The server is told, and hears nothing more of that press while the pointer stays down."""
    server = driven(opened)
    for press_number, (ending, end) in enumerate(ENDINGS.items(), start=1):
        server.heard.clear()
        press(server)
        assert server.of('hold')[0]['press'] == press_number, ending
        end(server)
        server.until(lambda: bool(server.of('let_go')))
        after = server.heard.index(server.of('let_go')[0])
        move_on(server)
        assert [each['press'] for each in server.of('let_go')] == [press_number], ending
        assert [each for each in server.heard[after:] if each['kind'] == 'hold'] == [], ending
        server.page.mouse.up()
        server.say(armed())
        choose(server, 'Walk')


def move_on(server: StandIn) -> None:
    """Move with the pointer still down for four times as long as a press is silent."""
    box = server.page.locator('#stick').bounding_box()
    assert box is not None
    for step in range(8):
        server.page.mouse.move(box['x'] + 20 + 5 * step, box['y'] + box['height'] / 2)
        server.page.wait_for_timeout(500 * HOLD_EVERY)


def test_a_press_says_where_to_and_what_was_seen(opened: Opened) -> None:
    """Deflections are those of the stick; the sequence grows; what was seen is what was drawn."""
    _, frames = shown_walk()
    server = driven(opened)
    press(server, 0.5, 0.1)
    server.until(lambda: len(server.of('hold')) >= 4)
    first = server.of('hold')[0]
    assert first['forward'] == pytest.approx(1.0, abs=0.02)
    assert first['turn'] == pytest.approx(0.0, abs=0.02)
    assert not first['lean']
    assert first['seen'] == frames[0].at
    server.show(frames[1])
    server.until(lambda: server.of('hold')[-1]['seen'] == frames[1].at)
    server.page.mouse.up()
    server.until(lambda: bool(server.of('let_go')))
    press(server, 0.9, 0.5)
    second = server.of('hold')[-1]
    assert (second['press'], second['turn']) == (2, pytest.approx(-1.0, abs=0.02))
    numbers = [message['sequence'] for message in server.of('hold')]
    assert numbers == sorted(set(numbers))


def test_what_the_server_has_stopped_is_never_revived(opened: Opened) -> None:
    """The pointer has to be lifted and to come down anew."""
    server = driven(opened)
    press(server)
    server.say(armed('stopped: nothing was heard from this page', press=1))
    server.until(lambda: 'Stopped' in server.page.inner_text('#stick-words'))
    count = len(server.of('hold'))
    move_on(server)
    assert len(server.of('hold')) == count
    server.page.mouse.up()
    press(server)
    assert server.of('hold')[-1]['press'] == 2


def test_whoever_is_not_armed_moves_nothing(opened: Opened) -> None:
    """Before arming, after disarming, and where somebody else drives."""
    robot, frames = shown_walk()
    server = opened(robot, offered())
    server.show(frames[0])
    box = server.page.locator('#stick').bounding_box()
    assert box is not None
    server.page.mouse.click(box['x'] + box['width'] / 2, box['y'] + 10)
    server.page.focus('#stick')
    server.page.keyboard.press('w')
    server.page.keyboard.press('g')
    server.page.click('#arm')
    server.until(lambda: server.of('arm') == [{'kind': 'arm'}])
    server.say(armed())
    server.until(lambda: server.page.inner_text('#arm') == 'Disarm')
    press(server)
    server.say(Control(offered=True, armed=False, moving=False, press=0, words='another page'))
    server.until(lambda: 'another page' in server.page.inner_text('#stick-words'))
    assert [message['kind'] for message in server.heard if message['kind'] != 'hold'] == [
        'hello',
        'arm',
    ]


def test_nothing_is_driven_over_a_connection_that_came_back(opened: Opened) -> None:
    """A press ends with its connection, though the pointer stays down."""
    server = driven(opened)
    press(server)
    server.stop()
    server.start()
    server.until(lambda: len(server.of('hello')) == 2)
    after = len(server.heard)
    server.until(lambda: server.page.inner_text('#arm') == 'Disarm')
    move_on(server)
    assert server.heard[after:] == []


def test_a_page_that_is_loaded_again_drives_nothing(opened: Opened) -> None:
    """The pointer stays down, and the page that comes has to be pressed anew."""
    server = driven(opened)
    press(server)
    server.page.reload()
    server.until(lambda: len(server.of('hello')) == 2)
    after = len(server.heard)
    server.until(lambda: server.page.inner_text('#arm') == 'Disarm')
    move_on(server)
    assert server.heard[after:] == []


def test_release_is_there_for_everybody_and_says_what_happened(opened: Opened) -> None:
    """Not armed; and once without a connection, where it says that it did nothing."""
    robot, frames = shown_walk()
    server = opened(robot, offered(), phone=True)
    server.show(frames[0])
    server.page.tap('#release')
    server.until(lambda: server.of('order') == [{'kind': 'order', 'order': 'release'}])
    server.say(Answered(2.0, 'release', success=True, words='released: all pulses are off'))
    server.until(lambda: 'all pulses are off' in server.page.inner_text('#drive-words'))
    server.stop()
    server.until(lambda: 'No connection' in server.page.inner_text('#drive-words'))
    server.page.tap('#release')
    assert 'NOT sent' in server.page.inner_text('#drive-words')
    server.start()


def test_the_way_by_keyboard(opened: Opened) -> None:
    """Release is the first stop; then arming leads to the stick, which walks, leans and stops."""
    robot, frames = shown_walk()
    server = opened(robot, offered())
    server.show(frames[0])
    page, keyboard = server.page, server.page.keyboard
    server.until(lambda: page.is_visible('#release'))
    keyboard.press('Tab')
    assert focused(server) == 'release'
    stops = 0
    while focused(server) != 'arm':
        keyboard.press('Tab')
        stops += 1
        assert stops < 8
    keyboard.press('Enter')
    server.until(lambda: bool(server.of('arm')))
    server.say(armed())
    server.until(lambda: focused(server) == 'stick')
    keyboard.down('w')
    keyboard.down('d')
    server.until(lambda: way(server.of('hold')[-1:]) == [(1, 0, -1, False)])
    keyboard.up('w')
    server.until(lambda: way(server.of('hold')[-1:]) == [(0, 0, -1, False)])
    keyboard.up('d')
    server.until(
        lambda: server.of('let_go')[-1:] == [{'kind': 'let_go', 'press': 1, 'why': 'key let go'}]
    )
    keyboard.press('g')
    server.until(lambda: server.of('order') == [{'kind': 'order', 'order': 'stand'}])
    keyboard.press('x')
    server.until(lambda: server.of('order')[-1] == {'kind': 'order', 'order': 'release'})
    keyboard.press('Escape')
    server.until(lambda: server.of('disarm') == [{'kind': 'disarm'}])


def way(holds: list[dict[str, Any]]) -> list[tuple[float, float, float, bool]]:
    """Give what presses ask for."""
    return [(hold['forward'], hold['left'], hold['turn'], hold['lean']) for hold in holds]


def focused(server: StandIn) -> str:
    """Say which element has the focus, by its id."""
    return str(server.page.evaluate('document.activeElement.id'))
