# Copyright 2026 The leg_kinematics authors
# SPDX-License-Identifier: Apache-2.0
"""Pages to be printed true to scale: drawn in millimetres from the lower left corner of the paper.

They are A4; what matters on a page stays so far from its upper and lower edge that US letter has it
as well.
"""

from collections.abc import Iterable
from pathlib import Path

from matplotlib.axes import Axes
from matplotlib.backends.backend_pdf import PdfPages
from matplotlib.figure import Figure

from leg_kinematics.errors import CommandError

INCH = 25.4
POINTS_PER_MM = 72.0 / INCH

#: Of a page, mm (ISO 216, A4).
WIDTH, HEIGHT = 210.0, 297.0

#: Of lines, mm.
LINE = 0.2

#: Between the marks of a bar, and their length, at its ends and elsewhere, mm.
BAR_STEP = 10.0
END_MARK, BAR_MARK = 3.0, 1.5

#: A place on paper, mm.
Place = tuple[float, float]


def blank_page() -> tuple[Figure, Axes]:
    """Return an empty page, and its axes in mm."""
    figure = Figure(figsize=(WIDTH / INCH, HEIGHT / INCH))
    axes = figure.add_axes((0.0, 0.0, 1.0, 1.0))
    axes.set(xlim=(0.0, WIDTH), ylim=(0.0, HEIGHT))
    axes.axis('off')
    return figure, axes


def write_pages(file: Path, title: str, pages: Iterable[Figure]) -> int:
    """Write pages as a PDF, true to scale.

    Returns
    -------
    int
        How many pages there are.

    Raises
    ------
    CommandError
        The file cannot be written.

    """
    count = 0
    try:
        with PdfPages(file, metadata={'Title': title}) as pdf:
            for page in pages:
                # Never cut to what is drawn: the page would no longer be true to scale.
                pdf.savefig(page)
                count += 1
    except OSError as error:
        raise CommandError(f'{file} cannot be written: {error.strerror or error}') from error
    return count


def draw_line(axes: Axes, start: Place, end: Place, colour: str = 'black') -> None:
    """Draw a thin line that ends exactly where it is to."""
    axes.plot(
        *zip(start, end, strict=True),
        color=colour,
        linewidth=points(LINE),
        solid_capstyle='butt',
    )


def draw_bar(axes: Axes, start: Place, length: float, *, standing: bool) -> None:
    """Draw a bar by which a printer is checked, so many mm long, upwards or to the right."""
    across, up = (0.0, 1.0) if standing else (1.0, 0.0)
    x, y = start
    draw_line(axes, start, (x + length * across, y + length * up))
    steps = round(length / BAR_STEP)
    for step in range(steps + 1):
        at = (x + step * BAR_STEP * across, y + step * BAR_STEP * up)
        long = END_MARK if step in {0, steps} else BAR_MARK
        draw_line(axes, at, (at[0] + long * up, at[1] + long * across))


def points(millimetres: float) -> float:
    """Give a width in the unit of the drawing library."""
    return POINTS_PER_MM * millimetres
