# Copyright 2026 The leg_kinematics authors
# SPDX-License-Identifier: Apache-2.0
"""What is on the screen while feet are moved by hand; whole at 60 columns."""

from dataclasses import dataclass
from math import degrees

from rich import box
from rich.console import Group, RenderableType
from rich.panel import Panel
from rich.table import Table
from rich.text import Text

from leg_kinematics.moves.jogging import KEYS, Act, Jogging, Mode
from leg_kinematics.moves.leg_view import LegView, Room
from leg_kinematics.moves.places import Frame
from leg_kinematics.moves.words import step_in_words

AXES = ('x', 'y', 'z')

#: Which way the axes point, where that can be said in a word.
WAYS = {
    Frame.RESTING: ('outwards', 'left', 'up'),
    Frame.LEG: ('', '', ''),
    Frame.BODY: ('forward', 'left', 'up'),
}

LIMP = 'No servo has pulses: where the joints are is not known.'

BY_MAP = '* to the end of the servo map, which is before the limit of the joint'

#: Columns that the words of a key have.
KEY_WIDTH = 26

#: Of a step with more feet only their names are shown.
MOST_PLACES = 2


@dataclass(frozen=True)
class Scene:
    """All that the screen shows.

    Attributes
    ----------
    robot
        Its name.
    state
        What the robot does, in few words.
    trouble
        Why no key moves anything, in the words of one line or several; empty where keys do.
    remedy
        What a person can do about it.
    words
        What the last key has led to.
    keeping
        Where steps are kept, in words.

    """

    robot: str
    state: str
    trouble: str
    remedy: str
    words: str
    keeping: str


def screen(scene: Scene, jogging: Jogging, view: LegView | None, width: int) -> RenderableType:
    """Draw everything, in so many columns; without a view no servo has pulses."""
    parts: list[RenderableType] = [_title(scene, jogging), _state(scene)]
    if scene.words:
        parts.append(Text(scene.words, style='bold'))
    parts.append(Text())
    parts.append(_table(jogging, view) if view else Text(LIMP))
    if view and any(joint.down_by_map or joint.up_by_map for joint in view.joints):
        parts.append(Text(BY_MAP, style='dim'))
    parts += [Text(), _kept(scene, jogging), _keys(width)]
    return Group(*parts)


def _title(scene: Scene, jogging: Jogging) -> RenderableType:
    size = jogging.size
    step = f'{1e3 * size:g} mm' if jogging.mode is Mode.FOOT else f'{degrees(size):.3g} deg'
    what = 'the foot' if jogging.mode is Mode.FOOT else 'a joint'
    title = Text()
    title.append(f'{scene.robot} {jogging.leg}', style='bold')
    title.append(f': keys move {what} by ')
    title.append(step, style='bold')
    return title


def _state(scene: Scene) -> RenderableType:
    if not scene.trouble:
        return Text(scene.state, style='bold green' if not scene.words else 'green')
    large = Text.assemble(
        ('NO KEY MOVES ANYTHING', 'bold'), '\n', scene.trouble, '\n', (scene.remedy, 'bold')
    )
    return Panel(large, style='bold red', box=box.HEAVY)


def _table(jogging: Jogging, view: LegView) -> RenderableType:
    """Place, joints and what is left to go, with the keys beside what they move."""
    table = Table.grid(padding=(0, 1, 0, 0))
    for width in (14, 7):
        table.add_column(min_width=width, no_wrap=True)
    for _ in range(4):
        table.add_column(min_width=8, justify='right', no_wrap=True)
    on_foot = jogging.mode is Mode.FOOT
    heading = _heading(f'foot, {jogging.frame}', on_foot)
    table.add_row(heading, 'keys' if on_foot else '', 'mm', 'room - ', 'room + ', '')
    for axis, name in enumerate(AXES):
        place, room = view.place[axis], view.rooms[axis]
        table.add_row(
            f'  {name} {WAYS[jogging.frame][axis]}',
            _move_keys(axis) if on_foot else '',
            _millimetres(place),
            *_foot_room(room),
            '',
        )
    keys = '' if on_foot else 'keys'
    table.add_row(_heading('joints', not on_foot), keys, 'deg', 'room - ', 'room + ', 'pulse us')
    for axis, joint in enumerate(view.joints):
        table.add_row(
            f'  {joint.name}',
            '' if on_foot else _move_keys(axis),
            _degrees(joint.angle),
            _joint_end(joint.room.down, by_map=joint.down_by_map),
            _joint_end(joint.room.up, by_map=joint.up_by_map),
            f'{joint.pulse_us:.1f}',
        )
    return table


def _heading(words: str, chosen: bool) -> Text:  # noqa: FBT001  whether the keys move it
    return Text(words, style='bold' if chosen else 'dim')


def _move_keys(axis: int) -> str:
    keys = {key.sign: key.names[0] for key in KEYS if key.act is Act.MOVE and key.axis == axis}
    return f'{keys[-1]}-  {keys[1]}+'


def _number(value: float, digits: int) -> str:
    # Rounded first, so that nothing becomes -0.
    return f'{round(value, digits) + 0.0:.{digits}f}'


def _millimetres(value: float) -> str:
    return _number(1e3 * value, 1)


def _degrees(value: float) -> str:
    return _number(degrees(value), 2)


def _foot_room(room: Room) -> tuple[str, str]:
    return (f'{_millimetres(room.down)} ', f'{_millimetres(room.up)} ')


def _joint_end(way: float, *, by_map: bool) -> str:
    return f'{_degrees(way)}{"*" if by_map else " "}'


def _kept(scene: Scene, jogging: Jogging) -> RenderableType:
    kept = jogging.kept
    if not kept:
        return Text(f'nothing kept yet; {scene.keeping}')
    places = kept[-1].places
    last = step_in_words(kept[-1]) if len(places) <= MOST_PLACES else ', '.join(places)
    return Text(f'kept {len(kept)}; {scene.keeping}; the last one: {last}')


def _keys(width: int) -> RenderableType:
    """Every key but those that stand beside what they move."""
    columns = max(1, width // KEY_WIDTH)
    grid = Table.grid(padding=(0, 2, 0, 0))
    cells = [
        Text.assemble((key.names[0], 'bold'), f' {key.words}')
        for key in KEYS
        if key.act is not Act.MOVE
    ]
    for first in range(0, len(cells), columns):
        grid.add_row(*cells[first : first + columns])
    return grid
