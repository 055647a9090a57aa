# Copyright 2026 The leg_kinematics authors
# SPDX-License-Identifier: Apache-2.0
"""A design that somebody edits, for pages that look at it.

Files are compared by their content, since editors replace them, touch them and write them in two
steps. What can be read is shown at once, as a robot that stands; the check follows when its
process has ended. What cannot be read is told only when it is the same a look later, so that a
file that is just being written is not called wrong.
"""

from collections.abc import Callable, Sequence
from pathlib import Path

from leg_kinematics.design.design import Design
from leg_kinematics.design.finding import Verdict
from leg_kinematics.design.live.checking import Checker, Doing, Failed, Found
from leg_kinematics.design.live.standing import Standing
from leg_kinematics.design.live.telling import told, told_pictures
from leg_kinematics.errors import CommandError, LegKinematicsError
from leg_kinematics.robot.text_file import read_text
from leg_kinematics.view.messages import (
    Checking,
    Control,
    Frame,
    FromPage,
    Pictures,
    Report,
    ToPage,
    Wrong,
)
from leg_kinematics.view.reading import written
from leg_kinematics.view.server import Page

#: Between two looks at the files, s.
LOOK_EVERY = 0.3

#: A page takes a server that says nothing for 3 s for dead, s.
SHOW_EVERY = 1.0


class CheckHouse:
    """Answers pages for one design.

    Parameters
    ----------
    files
        That are watched.
    load
        Reads them.
    checker
        Who checks what they have.
    clock
        Gives the instant, s, of a clock that is never set.

    Attributes
    ----------
    verdict
        Of the latest report; None before the first, and while a file is wrong.

    """

    verdict: Verdict | None = None

    def __init__(
        self,
        files: Sequence[Path],
        load: Callable[[], Design],
        checker: Checker,
        clock: Callable[[], float],
    ) -> None:
        """Know nothing of the design yet; it is read at the first step."""
        self._files, self._load, self._checker, self._clock = files, load, checker, clock
        self._began = clock()
        self._looked_at = self._shown_at = -float('inf')
        self._content: tuple[str, ...] = ()
        self._unread: str = ''
        self._design: Design | None = None
        self._standing: Standing | None = None
        self._state: Checking | Wrong | None = None
        # What was told last, and what was told of the design before.
        self._found: Found | None = None
        self._former: Found | None = None
        # Of which design that is, as soon as it is whole.
        self._checked: Design | None = None
        self._busy = False
        self._report: Report | None = None
        self._pictures = Pictures(())
        self._pages: dict[int, Page] = {}

    # ---- pages

    def come(self, page: Page) -> None:
        """Tell a page what is known."""
        self._pages[page.number] = page
        page.say(Control(offered=False, armed=False, moving=False, press=0, words=''))
        if self._standing is not None:
            page.say(self._standing.robot)
            page.say(self._standing.doubts)
        if self._report is not None:
            page.say(self._report)
            page.say(self._pictures)
        if self._state is not None:
            page.say(self._state)
        page.show(written(self._frame()))

    def leave(self, page: Page) -> None:
        """Forget a page."""
        del self._pages[page.number]

    def take(self, page: Page, message: FromPage) -> None:
        """Take nothing: who edits the description does so in an editor."""
        del page
        raise CommandError(f'a design is checked here: {message.kind!r} means nothing')

    def step(self) -> None:
        """Look at the files when it is time to, and tell what the check says."""
        now = self._clock()
        if now - self._looked_at >= LOOK_EVERY:
            self._looked_at = now
            self._look()
        for news in self._checker.fetch():
            match news:
                case Doing(words):
                    if isinstance(self._state, Checking):
                        self._tell_state(Checking(words))
                case Failed(words):
                    self._tell_wrong(words)
                case Found():
                    self._find(news)
        if now - self._shown_at >= SHOW_EVERY:
            self._show()

    def _say(self, message: ToPage) -> None:
        text = written(message)
        for page in self._pages.values():
            page.say_text(text)

    def _tell_state(self, state: Checking | Wrong) -> None:
        self._state = state
        self._say(state)

    def _frame(self) -> Frame:
        at = round(self._clock() - self._began, 4)
        return Frame(at) if self._standing is None else self._standing.frame(at)

    def _show(self) -> None:
        self._shown_at = self._clock()
        text = written(self._frame())
        for page in self._pages.values():
            page.show(text)

    # ---- the design

    def _look(self) -> None:
        """Read the files where they have changed."""
        content = tuple(map(_content, self._files))
        if content == self._content:
            if self._unread:
                self._tell_wrong(self._unread)
            return
        self._content, self._unread = content, ''
        try:
            self._meet(self._load())
        except LegKinematicsError as error:
            self._unread = str(error)

    def _meet(self, design: Design) -> None:
        """Show a design, and have it checked unless the latest report is about the same one."""
        standing = Standing(design)
        former, self._standing = self._standing, standing
        if former is None or standing.robot != former.robot:
            self._say(standing.robot)
        if former is None or standing.doubts != former.doubts:
            self._say(standing.doubts)
        self._show()
        same, self._design = design == self._design, design
        if same and self._busy:
            return
        if design == self._checked:
            self._stop()
            if self._state is not None:
                self._tell_report()
                self._say(self._pictures)
            return
        self._busy = True
        self._checker.start()
        self._tell_state(Checking('starting'))

    def _stop(self) -> None:
        self._busy = False
        self._checker.cancel()

    def _find(self, found: Found) -> None:
        """Tell a report; the whole one, where its first part was told, against the same one."""
        first = self._state is not None
        if first:
            try:
                self._pictures = told_pictures(found.pictures)
            except OSError as error:
                self._tell_wrong(
                    f'{error.filename}: the picture cannot be read: {error.strerror}; leave the '
                    'folder of the pictures in place, and save the description again'
                )
                return
            self._former = self._found
        self._found, self._busy = found, not found.whole
        self._checked = self._design if found.whole else None
        former = None if self._former is None else self._former.report
        self._report = told(found.report, former, whole=found.whole)
        self._tell_report()
        if first:
            self._say(self._pictures)

    def _tell_report(self) -> None:
        """Say that the latest report is about the files as they are."""
        if self._found is None or self._report is None:
            return
        self.verdict, self._state = self._found.report.verdict, None
        self._say(self._report)

    def _tell_wrong(self, words: str) -> None:
        """Say why there is no report about the files as they are."""
        self._stop()
        self.verdict, self._unread = None, ''
        self._tell_state(Wrong(words))


def _content(file: Path) -> str:
    """Give what stands in a file, or why it cannot be read."""
    try:
        return read_text(file)
    except LegKinematicsError as error:
        return str(error)
