# Copyright 2026 The leg_kinematics authors
# SPDX-License-Identifier: Apache-2.0
"""What the page shows is what it was told."""

from math import dist
from typing import TYPE_CHECKING

import pytest

from leg_kinematics.chain.power import PowerState
from leg_kinematics.chain.values import Level
from leg_kinematics.view.messages import Event, Events, Frame, Mark, Playback, Recording

if TYPE_CHECKING:
    from test.shown_walk import shown_walk
    from test.stand_in import WATCHED_ONLY, StandIn
    from test.view.conftest import Opened
else:
    from shown_walk import shown_walk
    from stand_in import WATCHED_ONLY, StandIn

    Opened = object

#: What the scene shows is where it is told to be, m.
WITHIN = 1e-3

#: Numbers of the scene are of single precision, m.
ROUNDING = 1e-6


def assert_shown(server: StandIn, frame: Frame) -> None:
    """Compare body, feet and their targets in the scene with those of the chain."""
    robot, _ = shown_walk()
    assert frame.base is not None
    assert frame.feet is not None
    assert frame.foot_targets is not None
    assert server.page.evaluate('legKinematics.base()') == pytest.approx(
        frame.base.position, abs=ROUNDING
    )
    feet, targets = server.numbers('feet'), server.numbers('footTargets')
    for leg, foot, target in zip(robot.legs, frame.feet, frame.foot_targets, strict=True):
        # The page goes along the URDF, the chain by its formulas.
        assert dist(feet[leg.name], foot) < WITHIN
        assert dist(targets[leg.name], target) < ROUNDING


def test_feet_are_where_the_chain_has_them(opened: Opened) -> None:
    """All along a walk, in frames and in the scene."""
    robot, frames = shown_walk()
    server = opened(robot, WATCHED_ONLY)
    for frame in frames[::4]:
        server.show(frame)
        assert_shown(server, frame)


def test_it_comes_back_after_a_reload_and_after_the_server_was_gone(opened: Opened) -> None:
    """Nobody has to do anything but wait."""
    robot, frames = shown_walk()
    server = opened(robot, WATCHED_ONLY)
    server.show(frames[0])
    server.page.reload()
    server.until(lambda: len(server.of('hello')) == 2)
    server.show(frames[1])
    assert_shown(server, frames[1])

    server.stop()
    server.until(lambda: 'trying again' in text(server, '#link-words'))
    assert text(server, '#power-state') == 'not heard'
    assert 'what was heard last' in text(server, '#nobody')
    server.start()
    server.until(lambda: len(server.of('hello')) == 3)
    server.show(frames[2])
    assert_shown(server, frames[2])
    server.until(lambda: text(server, '#power-state') == 'following')
    assert text(server, '#nobody') == ''


#: Changes the size of an element, and gives a pixel of a picture in it before any browser shows it:
#: sizes are observed after the drawing and before the showing (Resize Observer, 3.4.7).
PIXEL_AFTER_RESIZE = """
([stage, canvas, kind]) => new Promise((done) => {
  const element = document.getElementById(stage);
  const picture = document.getElementById(canvas);
  new ResizeObserver((_, observer) => {
    observer.disconnect();
    const pen = picture.getContext(kind);
    if (kind === '2d') {
      const { width, height } = picture;
      done(Number(pen.getImageData(0, 0, width, height).data.some((part) => part > 0)));
    } else {
      const pixel = new Uint8Array(4);
      pen.readPixels(5, 5, 1, 1, pen.RGBA, pen.UNSIGNED_BYTE, pixel);
      done(Math.max(...pixel.slice(0, 3)));
    }
  }).observe(picture);
  element.style.width = `${element.clientWidth - 30}px`;
})
"""


def test_no_picture_is_ever_blank(opened: Opened) -> None:
    """Not even the first one of another size, which empties a canvas."""
    robot, frames = shown_walk()
    server = opened(robot, WATCHED_ONLY)
    server.show(frames[0])
    for where in (['stage', 'scene', 'webgl2'], ['stance-diagram', 'stance-diagram', '2d']):
        assert server.page.evaluate(PIXEL_AFTER_RESIZE, where) > 0, where


#: Takes all that the graphics card has, and gives it back.
LOSE_AND_RESTORE = """
() => new Promise((done) => {
  const canvas = document.getElementById('scene');
  const card = canvas.getContext('webgl2').getExtension('WEBGL_lose_context');
  canvas.addEventListener('webglcontextlost', () => setTimeout(() => card.restoreContext()));
  canvas.addEventListener('webglcontextrestored', () => done(legKinematics.drawn().pictures));
  card.loseContext();
})
"""


def test_the_picture_comes_back_when_the_graphics_card_does(opened: Opened) -> None:
    """Although nothing moves, as in a recording that pauses (WebGL, context lost)."""
    robot, frames = shown_walk()
    server = opened(robot, WATCHED_ONLY)
    server.show(frames[0])
    pictures = server.page.evaluate(LOSE_AND_RESTORE)
    server.until(lambda: server.page.evaluate('legKinematics.drawn().pictures') > pictures)


def test_two_pages_show_each_its_own(opened: Opened) -> None:
    """Neither takes anything from the other."""
    robot, frames = shown_walk()
    one, other = opened(robot, WATCHED_ONLY), opened(robot, WATCHED_ONLY, dark=True, phone=True)
    for early, late in zip(frames[:2], frames[20:22], strict=True):
        one.show(early)
        other.show(late)
        assert_shown(one, early)
        assert_shown(other, late)


def test_who_has_the_wrong_token_reads_why(opened: Opened) -> None:
    """The words of the server are shown, and nothing else is."""
    server = opened(token='guessed')  # noqa: S106
    server.until(lambda: 'wrong token' in text(server, '#nobody'))
    assert text(server, '#link-words') == 'refused'
    assert server.heard == []


def test_every_state_of_power_has_its_word_and_its_shape(opened: Opened) -> None:
    """Two states never look alike, even where all colours are grey."""
    robot, frames = shown_walk()
    server = opened(robot, WATCHED_ONLY)
    shapes = set()
    for count, state in enumerate(PowerState):
        server.show(Frame(at=float(count + 1), power=state, angles=frames[0].angles))
        server.until(lambda state=state: text(server, '#power-state') == state)  # type: ignore[misc]
        shapes.add(server.page.inner_html('#power svg'))
    assert len(shapes) == len(PowerState)


def test_what_is_not_heard_is_not_shown_as_if_it_were(opened: Opened) -> None:
    """A frame of nulls says so, and leaves no number standing."""
    robot, frames = shown_walk()
    server = opened(robot, WATCHED_ONLY)
    server.show(frames[0])
    server.until(lambda: 'm/s' in text(server, '#numbers'))
    server.show(Frame(at=frames[0].at + 1.0))
    server.until(lambda: 'robot is not heard' in text(server, '#nobody'))
    assert not any(digit in text(server, '#numbers') for digit in '0123456789')
    assert not any(digit in text(server, '#joint-rows .value') for digit in '0123456789')


def test_words_are_shown_as_they_are(opened: Opened) -> None:
    """No word becomes markup, and the leg that is refused stands out."""
    robot, frames = shown_walk()
    server = opened(robot, WATCHED_ONLY)
    server.show(frames[0])
    words = 'left_front: <img src=x onerror=alert(1)> 0.231 m is beyond 0.160 m & more'
    server.say(Events((Event(1.25, 'kinematics', Level.WARN, words),)))
    server.until(lambda: words in text(server, '#event-list'))
    server.until(lambda: server.page.locator('#names .told').all_inner_texts() == ['left front'])


def test_a_recording_is_sought_and_played(opened: Opened) -> None:
    """By keys on the time line, by its marks, and by its button."""
    robot, frames = shown_walk()
    marks = (Mark(3.0, stop=False, words='walking'), Mark(12.5, stop=True, words='released'))
    server = opened(robot, Recording('walk.mcap', 40.0, marks), Playback(playing=False, speed=1.0))
    server.show(frames[0])
    page = server.page
    page.focus('#seek')
    page.keyboard.press('End')
    server.until(lambda: server.of('seek')[-1:] == [{'kind': 'seek', 'at': 40}])
    server.show(Frame(at=12.5, angles=frames[0].angles))
    server.until(lambda: 'released' in text(server, '#instant'))
    page.click('#earlier')
    server.until(lambda: server.of('seek')[-1] == {'kind': 'seek', 'at': 3})
    page.click('#play')
    server.until(lambda: server.of('play') == [{'kind': 'play', 'playing': True, 'speed': 1}])
    assert page.is_hidden('#release')
    assert page.is_hidden('#drive')


def text(server: StandIn, selector: str) -> str:
    """Read what stands there."""
    return server.page.locator(selector).first.inner_text()
