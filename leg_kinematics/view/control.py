# Copyright 2026 The leg_kinematics authors
# SPDX-License-Identifier: Apache-2.0
"""Who drives from a page, and whether the robot may move for it now.

One page is armed at a time, and its stick is a control to be held. What a held control means, and
how long it counts after it was heard last, is `teleop.Steering`, as for any pad; here stands what
pages need besides: they number their presses, so that one that was stopped, lost or overtaken never
counts again, and they tell which frame they have seen last, so that a page that lags stops the
robot although it still speaks.
"""

from dataclasses import dataclass

from leg_kinematics.chain.values import Answer
from leg_kinematics.teleop.layout import LEAN, WALK, Act, Deflection, Layout
from leg_kinematics.teleop.pad import Pad
from leg_kinematics.teleop.steering import Steering, SteeringParameters, Wanted
from leg_kinematics.view.messages import DRIVER_SILENCE, Control, Hold

ORDERS = {'stand': Act.STAND, 'crouch': Act.CROUCH, 'release': Act.RELEASE}

AXES = ('forward', 'left', 'turn', 'up', 'roll', 'pitch')

#: The stick of a page as a pad: what is held has the name of what it does.
LAYOUT = Layout(
    'page',
    {act: act.value for act in (Act.HOLD, Act.FAST, Act.LEAN, Act.LEVEL, *ORDERS.values())},
    {way: Deflection(way, 1.0) for way in WALK},
    {way: Deflection('turn' if way == 'yaw' else way, 1.0) for way in LEAN},
    None,
)

LET_GO = Pad(dict.fromkeys(AXES, 0.0), frozenset())


@dataclass
class _Page:
    """What is known of a page.

    Attributes
    ----------
    sequence
        Of its latest message.
    ended
        Presses up to this number count no more.
    stopped
        The latest of them that was not let go by the page itself.

    """

    sequence: int = -1
    ended: int = 0
    stopped: int = 0


class Driving:
    """Lets one page drive.

    Parameters
    ----------
    offered
        Whether anybody may.
    parameters
        How far a stick moves the robot.

    Attributes
    ----------
    refused
        Messages that were not obeyed: of pages that are not armed, repeated, or overtaken.

    """

    def __init__(self, *, offered: bool, parameters: SteeringParameters | None = None) -> None:
        """Nobody drives."""
        self._offered = offered
        self._parameters = parameters or SteeringParameters(pad_silence=DRIVER_SILENCE)
        self._pages: dict[int, _Page] = {}
        self._driver: int | None = None
        self._press: int | None = None
        self._steering = Steering(LAYOUT, self._parameters)
        self._why = ''
        self.refused = 0

    @property
    def armed(self) -> bool:
        """Whether a page drives."""
        return self._driver is not None

    # ---- pages

    def come(self, page: int) -> None:
        """Know a page; it is not armed."""
        self._pages[page] = _Page()

    def leave(self, page: int) -> None:
        """Forget a page; the robot stops if it was the one that drove."""
        if page == self._driver:
            self._disarm('the page that drove is gone')
        del self._pages[page]

    def arm(self, page: int) -> None:
        """Let a page drive, unless another one does."""
        if not self._offered or self._driver not in {None, page}:
            self.refused += 1
            return
        if self._driver is None:
            self._driver, self._why = page, ''

    def disarm(self, page: int) -> None:
        """Let a page drive no more."""
        if page == self._driver:
            self._disarm('')

    def _disarm(self, why: str) -> None:
        self._end(why or 'the page was disarmed')
        self._driver, self._why = None, why

    # ---- the stick

    def hold(self, page: int, hold: Hold, now: float) -> None:
        """Take that the stick of a page is held, at an instant, s."""
        known = self._pages[page]
        stale = hold.sequence <= known.sequence or hold.press <= known.ended
        known.sequence = max(known.sequence, hold.sequence)
        if page != self._driver or stale or hold.press < (self._press or 0):
            self.refused += 1
            return
        if hold.press != self._press:
            # Another number: the stick was let go meanwhile.
            if self._press is not None:
                known.ended = self._press
            self._press = hold.press
            self._steering.take(LET_GO, now)
        if not 0.0 <= now - hold.seen <= DRIVER_SILENCE:
            self._stop(f'what the page showed was {now - hold.seen:.1f} s old')
            return
        self._why = ''
        self._steering.take(_pad(hold), now)
        self._look()

    def let_go(self, page: int, press: int) -> None:
        """Take that a press has ended; the robot stops if it was the one that counted."""
        if page == self._driver and self._press is not None and press >= self._press:
            self._end('it was let go')
        self._pages[page].ended = max(self._pages[page].ended, press)

    def _stop(self, why: str) -> None:
        """Stop a press that its page goes on with."""
        if self._driver is not None and self._press is not None:
            self._pages[self._driver].stopped = self._press
        self._end(why)
        self._why = f'stopped: {why}'

    def _end(self, why: str) -> None:
        """End the press that counts, if any, once and for all."""
        if self._driver is not None and self._press is not None:
            self._pages[self._driver].ended = self._press
        self._press = None
        self._steering.stop(why)

    # ---- orders, time

    def order(self, page: int, order: str, now: float) -> Act | Answer:
        """Give what has to be ordered now, or why nothing is.

        Release is for everybody. Whatever is ordered, the robot is first stopped.
        """
        if not self._offered:
            self.refused += 1
            return Answer(success=False, words='nothing can be ordered here: start with --control')
        act = ORDERS[order]
        if act is not Act.RELEASE and page != self._driver:
            self.refused += 1
            return Answer(success=False, words='this page is not armed')
        if self._press is not None:
            self._stop(f'{order} was ordered')
        self._steering.take(LET_GO, now)
        self._steering.take(Pad(LET_GO.axes, frozenset({Act.HOLD.value, act.value})), now)
        return act

    def step(self, now: float) -> Wanted:
        """Say what is wanted at an instant, s."""
        wanted = self._steering.step(now)
        self._look()
        return wanted

    def _look(self) -> None:
        if self._press is not None and not self._steering.driving:
            self._stop(f'nothing was heard from the page for {DRIVER_SILENCE:g} s')

    def told(self, page: int) -> Control:
        """Tell a page how it stands."""
        known, drives = self._pages[page], page == self._driver
        moving = drives and self._press is not None
        if not self._offered:
            words = ''
        elif moving:
            words = 'the robot moves while the stick is held'
        elif drives:
            words = self._why or 'armed: hold the stick to move the robot'
        elif self._driver is None:
            words = f'{self._why or "nobody drives"}; arm to drive'
        else:
            words = 'another page drives: it has to be disarmed first'
        return Control(self._offered, drives, moving, known.stopped, words)


def _pad(hold: Hold) -> Pad:
    """Give the stick as a pad; whatever is beyond its ends counts as there."""
    held = {Act.HOLD: True, Act.FAST: hold.fast, Act.LEAN: hold.lean, Act.LEVEL: hold.level}
    axes = {axis: min(1.0, max(-1.0, float(getattr(hold, axis)))) for axis in AXES}
    return Pad(axes, frozenset(act.value for act, pressed in held.items() if pressed))
