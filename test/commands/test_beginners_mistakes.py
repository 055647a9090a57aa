# Copyright 2026 The leg_kinematics authors
# SPDX-License-Identifier: Apache-2.0
"""What beginners get wrong in files and on command lines, and what they are told.

The mistakes are our own collection. For each, the answer names the place and the cure, without a
traceback; nothing moves; and no mistake takes much memory or time, not even one that a machine
would take at its word. All are made in one process of its own, which this file is when it is run
as a program: the largest memory of a process only grows.
"""

import json
import os
import pty
import resource
import select
import subprocess
import sys
import traceback
from collections.abc import Callable, Iterator, Mapping
from contextlib import chdir, contextmanager
from dataclasses import asdict, dataclass, field
from pathlib import Path

import pytest
from click.testing import CliRunner

from leg_kinematics.commands.main import main

pytestmark = pytest.mark.xdist_group('mistakes')

CONFIG = Path(__file__).parents[2] / 'config'
EXAMPLES = {
    'robot.yaml': CONFIG / 'robots' / 'bracken.yaml',
    'maps.yaml': CONFIG / 'servo_maps' / 'bracken.yaml',
    'nodes.yaml': CONFIG / 'nodes.yaml',
}

#: What the whole collection may take: memory of the process and its children, and processor time
#: of any one mistake. A process that imports ROS 2 and the drawing takes some 250 MB.
MEMORY = 500e6
SECONDS = 20.0

#: Commands: ROBOT.yaml alone, with servo maps, or all that a run takes.
CHECK = ('check', 'robot.yaml')
CHECK_MAPS = (*CHECK, '--servo-maps', 'maps.yaml')
RUN = (
    'run', '--robot', 'robot.yaml', '--servo-maps', 'maps.yaml', '--params-file', 'nodes.yaml',
    '--board',
)  # fmt: skip
RUN_MAIN = (*RUN, 'main=framed:PORT')

#: From the content of an example file to what a beginner makes of it.
Slip = Callable[[bytes], bytes]


def put(old: str, new: str) -> Slip:
    """Write something else, at its first place."""

    def slip(content: bytes) -> bytes:
        assert old.encode() in content, old
        return content.replace(old.encode(), new.encode(), 1)

    return slip


def instead(content: bytes) -> Slip:
    """Have quite another file there."""
    return lambda _: content


def recoded(encoding: str) -> Slip:
    """Save as an editor with another habit does."""
    return lambda content: content.decode().encode(encoding)


def without(first: str, last: str) -> Slip:
    """Leave out a part, from one text to before another."""

    def slip(content: bytes) -> bytes:
        text = content.decode()
        start = text.index(first)
        return (text[:start] + text[text.index(last, start) :]).encode()

    return slip


@dataclass(frozen=True)
class Mistake:
    """One row of the table.

    Attributes
    ----------
    what
        Was done wrong.
    command
        Arguments of `leg-kinematics`; PORT stands for a serial port.
    told
        What the answer must contain, each part on its own.
    slips
        What was done to which file.
    code
        Exit code: 2 for what is wrong, 1 for a design that fails.

    """

    what: str
    command: tuple[str, ...]
    told: tuple[str, ...]
    slips: Mapping[str, Slip] = field(default_factory=dict)
    code: int = 2


def robot(
    what: str, slip: Slip, *told: str, code: int = 2, command: tuple[str, ...] = CHECK
) -> Mistake:
    """Something wrong in the description."""
    return Mistake(what, command, told, {'robot.yaml': slip}, code)


def maps(what: str, slip: Slip, *told: str) -> Mistake:
    """Something wrong in the servo maps."""
    return Mistake(what, CHECK_MAPS, told, {'maps.yaml': slip})


def nodes(what: str, slip: Slip, *told: str) -> Mistake:
    """Something wrong in the parameters."""
    return Mistake(what, RUN_MAIN, told, {'nodes.yaml': slip})


MISTAKES = (
    # How it is written.
    robot(
        'a tab for indentation',
        put('  mass: 0.88 kg', '\tmass: 0.88 kg'),
        'robot.yaml:14',
        'a tab stands here: indent by blanks',
    ),
    robot(
        'a colon forgotten',
        put('height: 85 mm', 'height 85 mm'),
        'robot.yaml:84',
        'in the line above a colon is missing',
    ),
    robot(
        'no blank after a colon',
        put('height: 85 mm', 'height:85 mm'),
        'robot.yaml:84',
        'or the blank behind it',
    ),
    robot(
        'a bracket not closed',
        put('[260 mm, 130 mm, 50 mm]', '[260 mm, 130 mm, 50 mm'),
        'robot.yaml:',
        'closed',
    ),
    robot(
        'indented differently', put('  size: [260', '   size: [260'), 'robot.yaml:', 'same column'
    ),
    robot(
        'JSON with comments',
        instead(b'{\n  // my robot\n  "name": "bracken"\n}\n'),
        'robot.yaml:3',
        'a comment begins with #',
    ),
    robot(
        'an empty file',
        instead(b''),
        'robot.yaml: the file is empty',
        'begin with a copy of the example',
    ),
    robot(
        'a picture',
        instead(b'\x89PNG\r\n\x1a\n\0\0\0'),
        'robot.yaml',
        'UTF-8',
        'name the right file',
    ),
    robot(
        'UTF-16 of an editor',
        recoded('utf-16'),
        'robot.yaml:1: this is UTF-16',
        'save it with the encoding UTF-8',
    ),
    robot(
        'a mark of byte order',
        recoded('utf-8-sig'),
        '<robot name="bracken">',
        code=0,
        command=('urdf', 'robot.yaml'),
    ),
    robot(
        'a note instead of a description',
        instead(b'my robot is nice\n'),
        'robot.yaml:1',
        'expected a mapping',
    ),
    Mistake('a folder for a file', ('check', '.'), ('this is a folder: name a file in it',)),
    Mistake(
        'a file misspelt',
        ('check', 'robto.yaml'),
        ('robto.yaml: cannot be read', "did you mean 'robot.yaml'?"),
    ),
    Mistake(
        'a run with a file misspelt',
        ('run', '--robot', 'robto.yaml'),
        ('--robot', 'robto.yaml', "did you mean 'robot.yaml'?"),
    ),
    # Quantities.
    robot(
        'millimetres forgotten',
        put('length: 68 mm', 'length: 68'),
        'links.femur.length',
        'did you mean 68 mm?',
    ),
    robot(
        'a decimal comma',
        put('length: 68 mm', 'length: 62,5 mm'),
        'links.femur.length',
        'Did you mean 62.5 mm?',
    ),
    robot(
        'a unit that is none',
        put('15 kgf.cm', '15 kg/cm'),
        'stall_torque',
        'Did you mean 15 kgf.cm?',
    ),
    robot(
        'a unit of the data sheet',
        put('15 kgf.cm', '15 kg-cm'),
        'stall_torque',
        'Did you mean 15 kgf.cm?',
    ),
    robot(
        'a capital unit',
        put('length: 68 mm', 'length: 68 MM'),
        'links.femur.length',
        'Did you mean 68 mm?',
    ),
    robot(
        'the unit before the number',
        put('length: 68 mm', 'length: mm 68'),
        'links.femur.length',
        '62 mm',
    ),
    robot('torque without a unit', put('15 kgf.cm', '15'), 'stall_torque', '15 kgf.cm or 15 N.m'),
    robot('a torque in ounces', put('15 kgf.cm', '208 oz-in'), 'stall_torque', 'kgf.cm'),
    robot(
        'degrees without a unit',
        put('0 deg, 0 deg, 40 deg', '0, 0, 40'),
        'left_front.mount.rpy',
        'did you mean 40 deg?',
    ),
    robot(
        'a sign of degrees',
        put('[-60 deg, 95 deg]', '[-60°, 95°]'),
        'links.femur.limits',
        'Did you mean -60 deg?',
    ),
    robot(
        'a length of zero',
        put('length: 68 mm', 'length: 0 mm'),
        'links.femur.length',
        'not within 0.5 mm',
    ),
    robot(
        'a length below zero',
        put('length: 68 mm', 'length: -68 mm'),
        'links.femur.length',
        'below zero',
    ),
    robot('no number', put('length: 68 mm', 'length: .nan'), 'links.femur.length', 'a length'),
    robot('infinity', put('length: 68 mm', 'length: .inf'), 'links.femur.length', 'a length'),
    robot(
        'a standing height of zero',
        put('height: 85 mm', 'height: 0'),
        'standing.height',
        'not within 0.5 mm',
    ),
    robot(
        'limits exchanged',
        put('[-60 deg, 95 deg]', '[95 deg, -60 deg]'),
        'links.femur.limits',
        'must be below',
    ),
    robot(
        'limits beyond half a turn',
        put('[-60 deg, 95 deg]', '[-60 deg, 270 deg]'),
        'links.femur.limits[1]',
        'keep within half a turn',
    ),
    robot(
        'a battery without a unit',
        put('5000 mAh', '5000'),
        'battery.capacity',
        'did you mean 5000 mAh?',
    ),
    # Names.
    robot(
        'a key misspelt',
        put('length: 68 mm', 'lenght: 68 mm'),
        'links.femur.lenght',
        "did you mean 'length'?",
    ),
    robot(
        'two legs of one name',
        put('left_rear:', 'left_front:'),
        'legs.left_front',
        'stands here again',
    ),
    robot('a name with a blank', put('left_rear:', 'left rear:'), 'legs.left rear', 'lower-case'),
    robot(
        'a leg without a mount',
        put('mount: {position: [115 mm, 60 mm, 0 mm], rpy: [0 deg, 0 deg, 40 deg]}', '{}'),
        'legs.left_front',
        'missing here: mount',
    ),
    robot(
        'a servo that is not described',
        put('servo: standard', 'servo: standart'),
        'links.coxa.servo',
        "did you mean 'standard'?",
    ),
    robot(
        'one word for the posture',
        put('standing:\n', 'stand:\n'),
        'stand',
        "did you mean 'standing'?",
    ),
    # Designs.
    robot(
        'servos far too weak', put('15 kgf.cm', '1.5 kgf.cm'), 'standing', 'take a stronger servo'
    ),
    robot(
        'a posture out of reach',
        put('height: 85 mm\n', 'height: 160 mm\n'),
        'fail reach: margin standing',
        'What would help',
        code=1,
    ),
    robot(
        'a robot of one leg',
        without('  left_middle:', '# Height'),
        'not asked: stride radius, fastest walk',
        'a walk needs at least 3 legs to stand on: bracken has 1 leg',
        code=0,
    ),
    robot('no leg at all', without('  left_front:', '# Height'), 'legs'),
    # Servo maps.
    maps(
        'maps of another robot',
        put('robot: bracken', 'robot: sorrel'),
        'robot',
        "these maps are of 'sorrel', the robot is 'bracken'",
    ),
    maps(
        'a joint misspelt',
        put('left_front_coxa:', 'left_front_cox:'),
        'joints.left_front_cox',
        "did you mean 'left_front_coxa'?",
    ),
    maps(
        'a joint forgotten',
        without('  left_front_coxa:', '  left_front_femur:'),
        'joints',
        'missing here: left_front_coxa',
    ),
    maps(
        'the joints of a leg forgotten',
        without('  left_front_coxa:', '  left_middle_coxa:'),
        'joints',
        'legs without servos yet go under not_wired: [left_front]',
    ),
    maps(
        'a leg that is not wired misspelt',
        put('joints:\n', 'not_wired: [left_midle]\n\njoints:\n'),
        'not_wired[0]',
        "did you mean 'left_middle'?",
    ),
    maps(
        'a leg that is not wired, and mapped',
        put('joints:\n', 'not_wired: [left_front]\n\njoints:\n'),
        'joints.left_front_coxa',
        'left_front is listed under not_wired',
    ),
    maps(
        'a leg twice on the list',
        put('joints:\n', 'not_wired: [left_front, left_front]\n\njoints:\n'),
        'not_wired',
        'expected a list of legs, each once',
    ),
    maps(
        'a leg instead of a list',
        put('joints:\n', 'not_wired: left_front\n\njoints:\n'),
        'not_wired',
        'expected a list of legs',
    ),
    maps(
        'a channel twice',
        put('channel: 1\n', 'channel: 0\n'),
        'left_front_femur.channel',
        "belongs to 'left_front_coxa' already",
    ),
    maps('a channel below zero', put('channel: 1\n', 'channel: -1\n'), 'left_front_femur.channel'),
    Mistake(
        'a channel that our board lacks',
        CHECK_MAPS,
        ('doubt maps.yaml', 'left_front_femur.channel', 'take a free channel'),
        {'maps.yaml': put('channel: 1\n', 'channel: 18\n')},
        code=0,
    ),
    maps(
        'pulses forgotten',
        without('    lowest: 600 us\n    highest: 2400 us', '    centre: 1508'),
        'left_front_coxa',
    ),
    maps(
        'lowest above highest',
        put('lowest: 600 us', 'lowest: 2450 us'),
        'left_front_coxa.lowest',
        'must be below the highest',
    ),
    maps(
        'a pulse in ms read as us',
        put('centre: 1508 us', 'centre: 1.508 us'),
        'left_front_coxa.centre',
        'did you mean 1.508 ms?',
    ),
    maps('a gain of zero', put('gain: 636.62 us/rad', 'gain: 0 us/rad'), 'left_front_coxa.gain'),
    maps(
        'a table that goes back',
        put('[-130 deg, 889 us]', '[-130 deg, 1300 us]'),
        '.table',
        'must all rise or all fall',
        'look at row 3',
    ),
    Mistake(
        'maps for the robot',
        ('check', 'maps.yaml'),
        ('maps.yaml', 'is this file, as it should be, a description of a legged robot?'),
    ),
    # Command lines.
    Mistake(
        'an option misspelt', (*CHECK, '--servo-map', 'maps.yaml'), ('--servo-map', 'Did you mean')
    ),
    Mistake('a command misspelt', ('chek', 'robot.yaml'), ('chek', 'check')),
    Mistake('no file', ('check',), ('ROBOT',)),
    Mistake(
        'no permission for the folder',
        (*CHECK, '--output', '/proc/pictures'),
        ('--output', 'name another one'),
    ),
    Mistake('a board misspelt', (*RUN, 'mian=framed:PORT'), ('mian', 'main')),
    Mistake('a driver that is not there', (*RUN, 'main=frame:PORT'), ('frame', 'framed')),
    Mistake('a wrong separator', (*RUN, 'main:framed:PORT'), ('NAME=DRIVER:PORT',)),
    Mistake('a board without a port', (*RUN, 'main=framed'), ('NAME=DRIVER:PORT',)),
    Mistake(
        'a dash in the namespace',
        (*RUN_MAIN, '--namespace', 'my-robot'),
        ("'my-robot' is no namespace",),
    ),
    Mistake(
        'a port that is not there',
        ('board', '/dev/ttyUSB77', '--yes'),
        ('/dev/ttyUSB77 does not exist', 'plug the board in'),
        code=1,
    ),
    Mistake(
        'a folder for a port',
        ('board', '/dev', '--yes'),
        ('serial port /dev is a folder', 'name that of the board'),
        code=1,
    ),
    Mistake(
        'a file for a port',
        ('board', 'nodes.yaml', '--yes'),
        ('serial port nodes.yaml is an ordinary file', 'name that of the board'),
        code=1,
    ),
    Mistake('a rate of zero', ('board', 'PORT', '--rate', '0'), ('--rate', '50')),
    Mistake(
        'a divider that is no number', ('board', 'PORT', '--divider', '4,0'), ('--divider', '4,0')
    ),
    # Moves of feet.
    Mistake(
        'a foot misspelt',
        ('move', 'left_frnt', 'x=40mm'),
        ("no leg 'left_frnt'", "did you mean 'left_front'?", '`all`'),
    ),
    Mistake('a foot twice', ('move', 'left_front,left_front', 'x=1mm'), ('given twice',)),
    Mistake(
        'a place without an axis', ('move', 'left_front', '40mm'), ("'40mm' is no place", 'x=')
    ),
    Mistake('a place with a colon', ('move', 'left_front', 'x:40mm'), ("'x:40mm' is no place",)),
    Mistake(
        'a place whose unit was forgotten',
        ('move', 'left_front', 'y=4'),
        ("y of 'y=4'", 'read as 4 m', 'did you mean 4 mm?'),
    ),
    Mistake('an axis twice', ('move', 'left_front', 'x=1mm,x=2mm'), ('gives x twice',)),
    Mistake('a place in inches', ('move', 'left_front', 'z=1in'), ("'1in'", 'units m, cm, mm')),
    Mistake('no place at all', ('move', 'left_front'), ("'PLACE...'",)),
    Mistake(
        'a place out of reach',
        ('move', 'left_front', 'x=400mm'),
        ('nothing was moved', 'left_front', 'out of reach', 'the nearest place'),
        code=1,
    ),
    Mistake(
        'a speed as a time', ('move', 'left_front', 'x=1mm', '--time', '60mm/s'), ('--time', 'time')
    ),
    Mistake(
        'time and speed at once',
        ('move', 'left_front', 'x=1mm', '--time', '1s', '--speed', '10mm/s'),
        ('either --speed or --time',),
    ),
    Mistake(
        'a board of another name',
        ('move', 'left_front', 'x=1mm', '--board', 'mian=framed:PORT'),
        ('main is not given', '--board main=DRIVER:PORT'),
    ),
    Mistake(
        'a real board where nobody can be asked',
        ('move', 'left_front', 'x=1mm', '--board', 'main=framed:PORT'),
        ('servos start without warning', 'nothing was done', '--yes'),
    ),
    Mistake('a robot as a sequence', ('play', 'robot.yaml', '--check'), ('robot.yaml:', 'steps')),
    # Parameters of the nodes.
    nodes('a parameter misspelt', put('    lift:', '    lfit:'), "'lfit'", 'lift'),
    nodes('a parameter of another type', put('lift: 0.030', 'lift: high'), "'lift'", 'high'),
    nodes('a parameter with a unit', put('lift: 0.030', 'lift: 30 mm'), "'lift'", '30 mm'),
    nodes('a rate of zero in the file', put('rate: 100.0', 'rate: 0.0'), "'rate'", '[10, 200]'),
    nodes('a parameter that is no number', put('lift: 0.030', 'lift: .nan'), "'lift'", 'nan'),
    nodes(
        'a tab in the parameters', put('    lift:', '\tlift:'), 'nodes.yaml:', 'a tab stands here'
    ),
    nodes(
        'a node misspelt', put('/**/gait:', '/**/giat:'), 'nodes.yaml:12', "did you mean 'gait'?"
    ),
)


@dataclass(frozen=True)
class Outcome:
    """What came of a mistake; memory in bytes, time in s of the processor."""

    code: int
    answer: str
    trace: str
    sent: int
    memory: float
    seconds: float


@contextmanager
def watched_port() -> Iterator[tuple[str, Callable[[], int]]]:
    """Give a serial port, and a function that counts the bytes that were sent to it."""
    ours, theirs = pty.openpty()
    try:
        yield (
            os.ttyname(theirs),
            lambda: len(os.read(ours, 4096)) if select.select([ours], [], [], 0.0)[0] else 0,
        )
    finally:
        os.close(ours)
        os.close(theirs)


def make(mistake: Mistake, folder: Path) -> Outcome:
    """Make a mistake and see what comes of it."""
    folder.mkdir()
    for name, example in EXAMPLES.items():
        slip = mistake.slips.get(name, bytes)
        (folder / name).write_bytes(slip(example.read_bytes()))
    before = sum(resource.getrusage(resource.RUSAGE_SELF)[:2])
    with watched_port() as (port, sent), chdir(folder):
        command = [part.replace('PORT', port) for part in mistake.command]
        done = CliRunner().invoke(main, command, env={'COLUMNS': '200'})
        unheard = sent()
    trace = ''
    if done.exception is not None and not isinstance(done.exception, SystemExit):
        trace = ''.join(traceback.format_exception(done.exception))
    return Outcome(
        done.exit_code,
        done.output,
        trace,
        unheard,
        1024.0 * (_highest_memory() + resource.getrusage(resource.RUSAGE_CHILDREN).ru_maxrss),
        sum(resource.getrusage(resource.RUSAGE_SELF)[:2]) - before,
    )


def _highest_memory() -> int:
    """Most memory that this process has had, kB, without that of who started it (proc(5))."""
    (line,) = (
        line
        for line in Path('/proc/self/status').read_text(encoding='ascii').splitlines()
        if line.startswith('VmHWM:')
    )
    return int(line.split()[1])


@pytest.fixture(scope='module')
def outcomes(tmp_path_factory: pytest.TempPathFactory) -> dict[str, Outcome]:
    """Make all mistakes in another process."""
    folder = tmp_path_factory.mktemp('mistakes')
    done = subprocess.run(
        [sys.executable, __file__, str(folder)], capture_output=True, text=True, check=False
    )
    assert done.returncode == 0, done.stderr
    told = json.loads((folder / 'outcomes.json').read_text(encoding='utf-8'))
    return {what: Outcome(**outcome) for what, outcome in told.items()}


def test_there_are_forty_of_them() -> None:
    """No two of one name."""
    assert len({mistake.what for mistake in MISTAKES}) == len(MISTAKES) >= 40


@pytest.mark.parametrize('mistake', MISTAKES, ids=lambda mistake: mistake.what.replace(' ', '-'))
def test_a_mistake_is_told_with_place_and_cure(
    outcomes: dict[str, Outcome], mistake: Mistake
) -> None:
    """The exit code says that something is wrong, the answer what, and nothing was sent."""
    outcome = outcomes[mistake.what]
    assert outcome.trace == ''
    assert 'Traceback' not in outcome.answer
    answer = ' '.join(outcome.answer.split())
    for part in mistake.told:
        assert part in answer
    assert outcome.code == mistake.code
    assert outcome.sent == 0
    assert outcome.seconds < SECONDS
    assert outcome.memory < MEMORY


if __name__ == '__main__':
    home = Path(sys.argv[1])
    results = {
        mistake.what: asdict(make(mistake, home / str(number)))
        for number, mistake in enumerate(MISTAKES)
    }
    (home / 'outcomes.json').write_text(json.dumps(results), encoding='utf-8')
