# Copyright 2026 The leg_kinematics authors
# SPDX-License-Identifier: Apache-2.0
"""Files of sequences become steps, and steps become lines of such a file."""

from collections.abc import Callable
from math import hypot, inf, pi, radians
from pathlib import Path
from textwrap import dedent

import pytest
from hypothesis import given
from hypothesis import strategies as st

from leg_kinematics.chain.calibrated_robot import CalibratedRobot
from leg_kinematics.errors import DescriptionError
from leg_kinematics.moves.places import Frame, Place
from leg_kinematics.moves.plan import Plan, Planner
from leg_kinematics.moves.sequence import MOST_STEPS, load_sequence, step_text
from leg_kinematics.moves.steps import (
    BodyStep,
    CircleStep,
    FeetStep,
    Haste,
    Posture,
    PostureStep,
    WaitStep,
)
from leg_kinematics.robot import Vector

EXAMPLES = sorted((Path(__file__).parents[2] / 'config' / 'sequences').glob('*.yaml'))

#: Where the feet come to rest at the end of an example; the others end where they began.
STANDING = {'nod', 'look_along_the_bed'}
LIFTED = {'charge'}

EVERY_KIND = """
name: every kind of step
frame: leg
steps:
  - stand
  - feet: {left_front: {x: 140 mm, z: -0.03}, all: {y: 1 cm}}
    speed: 50 mm/s
  - speed: 40 mm/s
  - circle: {left_front: {y: 0 mm, z: -50 mm}}
    turn: -90 deg
    frame: body
  - body: {z: -20 mm, pitch: 5 deg}
    time: 1500 ms
  - wait: 1 s
  - repeat: 2
    steps:
      - body: {z: 0}
      - repeat: 2
        steps: [{speed: 20 mm/s}, crouch]
  - stand
"""


def test_every_kind_of_step(write: Callable[[str], Path]) -> None:
    """All of it is read, in SI, with repeats written out and a speed that holds from its step."""
    sequence = load_sequence(write(EVERY_KIND))
    assert sequence.name == 'every kind of step'
    crouch = PostureStep(Posture.RESTING, Haste(speed=0.02), 'steps[6].steps[1].steps[1]')
    assert sequence.steps == (
        PostureStep(Posture.STANDING, Haste(), 'steps[0]'),
        FeetStep(
            {'left_front': Place(Frame.LEG, x=0.14, z=-0.03), 'all': Place(Frame.LEG, y=0.01)},
            Haste(speed=0.05),
            'steps[1]',
        ),
        CircleStep(
            {'left_front': Place(Frame.BODY, y=0.0, z=-0.05)},
            -pi / 2.0,
            Haste(speed=0.04),
            'steps[3]',
        ),
        BodyStep((None, None, -0.02, None, radians(5.0), None), Haste(time=1.5), 'steps[4]'),
        WaitStep(1.0, 'steps[5]'),
        BodyStep((None, None, 0.0, *(3 * [None])), Haste(speed=0.04), 'steps[6].steps[0]'),
        crouch,
        crouch,
        BodyStep((None, None, 0.0, *(3 * [None])), Haste(speed=0.02), 'steps[6].steps[0]'),
        crouch,
        crouch,
        PostureStep(Posture.STANDING, Haste(speed=0.02), 'steps[7]'),
    )


def test_the_step_that_cannot_be_done_is_named_by_its_line(
    write: Callable[[str], Path], do: Callable[[Path], Plan]
) -> None:
    """What a planner refuses becomes an error of the file, where the leg stands in it."""
    file = write(
        'name: too far\nsteps:\n  - stand\n  - repeat: 2\n    steps:\n      - feet:\n'
        '          all: {z: -50 mm}\n          right_rear: {z: -300 mm}\n'
    )
    with pytest.raises(DescriptionError) as refused:
        do(file)
    place = 'steps[1].steps[0].feet.right_rear'
    assert (refused.value.line, refused.value.path) == (8, place)
    assert str(refused.value).startswith(f'{file}:8: {place}: right_rear: ')


@pytest.mark.parametrize(
    'steps',
    [
        f'- stand\n  - repeat: {MOST_STEPS}\n    steps: [stand]',
        '- repeat: 10000\n    steps: [{repeat: 10000, steps: [stand]}]',
    ],
)
def test_what_repeats_cost_is_bounded(write: Callable[[str], Path], steps: str) -> None:
    """Repeats within repeats are counted before they are written out."""
    with pytest.raises(DescriptionError, match=f'at most {MOST_STEPS}'):
        load_sequence(write(f'name: often\nsteps:\n  {steps}\n'))


def test_as_many_steps_as_there_may_be(
    write: Callable[[str], Path], do: Callable[[Path], Plan]
) -> None:
    """What is repeated is solved once: the same moves again and again."""
    file = write(f'name: x\nsteps:\n  - repeat: {MOST_STEPS // 2}\n    steps: [stand, crouch]\n')
    up, down, *others = do(file).moves
    assert len(others) == MOST_STEPS - 2
    assert {move.path for move in others} == {up.path, down.path}


def test_one_fault_in_all_repeats_is_cautioned_against_once(
    write: Callable[[str], Path], do: Callable[[Path], Plan]
) -> None:
    """Standing, three legs of one side lifted tip the robot over: said in words, with the step."""
    lift = ', '.join(f'left_{each}: {{z: -20 mm}}' for each in ('front', 'middle', 'rear'))
    file = write(
        f'name: lift\nsteps:\n  - stand\n  - repeat: 5\n    steps:\n      - feet: {{{lift}}}\n'
        '      - feet: {all: {z: -55 mm}}\n'
    )
    first, second = map(str, do(file).cautions)
    assert first.startswith('step 2: bracken would tip over unless it hangs on a stand: with ')
    assert 'left_front, left_middle, left_rear off the ground' in first
    assert second.startswith('step 3: ')


coordinates = st.none() | st.floats(-2.4, 2.4)
places = st.builds(Place, st.just(Frame.RESTING), coordinates, coordinates, coordinates).filter(
    lambda place: (place.x, place.y, place.z) != (None, None, None)
)
hastes = st.builds(Haste, time=st.floats(0.05, 600.0)) | st.builds(
    Haste, time=st.none(), speed=st.floats(1e-4, 3.0)
)


@given(st.dictionaries(st.sampled_from(['left_front', 'tail', 'all']), places, min_size=1), hastes)
def test_a_step_that_is_written_is_read_back(
    tmp_path_factory: pytest.TempPathFactory, given_places: dict[str, Place], haste: Haste
) -> None:
    """To the micrometre, and to the last bit once it was rounded to that."""
    file = tmp_path_factory.getbasetemp() / 'written.yaml'
    step = FeetStep(given_places, haste)
    for times in range(2):
        file.write_text(f'name: kept\nframe: body\nsteps:\n{step_text(step)}', encoding='utf-8')
        (read,) = load_sequence(file).steps
        assert isinstance(read, FeetStep)
        assert list(read.places) == list(step.places)
        for leg, place in step.places.items():
            assert read.places[leg].frame is Frame.RESTING
            for key in 'xyz':
                before, after = getattr(place, key), getattr(read.places[leg], key)
                assert before == (after if times else pytest.approx(after, abs=5.001e-7))
        assert read.haste.time == pytest.approx(step.haste.time, abs=5.001e-4)
        assert read.haste.speed == pytest.approx(step.haste.speed, abs=5.001e-7)
        step = read


def test_places_in_two_frames_are_not_written() -> None:
    """A step of a file has one frame."""
    step = FeetStep({'a': Place(Frame.LEG, x=0.1), 'b': Place(Frame.BODY, x=0.1)})
    with pytest.raises(ValueError, match='in one frame'):
        step_text(step)


@pytest.mark.parametrize(
    ('file', 'begin'),
    [
        pytest.param(file, begin, id=f'{file.stem}-{begin}')
        for file in EXAMPLES
        for begin in ('resting', 'standing')
        if begin == 'resting' or file.stem in STANDING | LIFTED
    ],
)
def test_examples_can_be_done(
    file: Path, begin: str, planner: Planner, calibrated: CalibratedRobot, speeds: dict[str, float]
) -> None:
    """From where they can begin: within limits and speeds all along, and where they say at the end.

    Speeds of the joints are worked out here, by differences.
    """
    robot, legs = calibrated.robot, calibrated.legs
    feet = {'resting': robot.resting.feet, 'standing': robot.standing.feet}[begin]
    sequence = load_sequence(file)
    plan = planner.plan(sequence.steps, feet)
    assert not plan.cautions
    tick, before = 0.01, None
    time = 0.0
    while time <= plan.duration + tick:
        now = plan.at(time)
        angles = [
            angle for leg, foot in zip(legs, now.feet, strict=True) for angle in leg.angles(foot)
        ]
        if before is not None:
            for joint, last, angle in zip(robot.joints, before, angles, strict=True):
                assert abs(angle - last) / tick <= speeds[joint] * 1.01, (joint, time)
        before = angles
        time += tick
    expected: tuple[Vector, ...] = feet
    if file.stem in STANDING:
        expected = robot.standing.feet
    if file.stem in LIFTED:
        expected = tuple((x, y, z + 0.01) for x, y, z in robot.resting.feet)
    assert plan.end == tuple(pytest.approx(foot, abs=1e-9) for foot in expected)


def test_the_sequence_in_the_readme_can_be_done(
    write: Callable[[str], Path], do: Callable[[Path], Plan]
) -> None:
    """As it stands there."""
    readme = (EXAMPLES[0].parents[2] / 'README.md').read_text(encoding='utf-8')
    _, _, after = readme.partition('    # yaml-language-server: $schema=leg_kinematics/moves/')
    text, _, _ = after.partition('\n\nPlaces count')
    plan = do(write(dedent(f'    # {text}')))
    assert len(plan.moves) == 10
    assert not plan.cautions


@pytest.mark.parametrize('name', ['lines', 'square', 'circle', 'step_in_the_air'])
def test_examples_for_the_bench_can_be_done_by_one_leg(name: str) -> None:
    """The leg in its clamp, from rest and back there."""
    config = EXAMPLES[0].parents[1]
    bench = CalibratedRobot.load(
        config / 'robots' / 'bench_leg.yaml', config / 'servo_maps' / 'bench_leg.yaml'
    )
    planner = Planner(
        bench.robot, bench.legs, tolerance=5e-4, speeds=dict.fromkeys(bench.robot.joints, 3.0)
    )
    (file,) = (each for each in EXAMPLES if each.stem == name)
    plan = planner.plan(load_sequence(file).steps, bench.robot.resting.feet)
    assert not plan.cautions
    assert plan.end == tuple(pytest.approx(foot, abs=1e-9) for foot in bench.robot.resting.feet)


def test_the_circles_are_circles(do: Callable[[Path], Plan], calibrated: CalibratedRobot) -> None:
    """Radius and plane as the example says: 20 mm level, then 15 mm upright."""
    (file,) = (each for each in EXAMPLES if each.stem == 'circle')
    plan = do(file)
    x0, y0, z0 = calibrated.robot.resting.feet[0]
    mount_x, mount_y, _ = calibrated.robot.legs[0].mount.position
    way = hypot(x0 - mount_x, y0 - mount_y)
    outwards = ((x0 - mount_x) / way, (y0 - mount_y) / way)
    seen = {2: [inf, -inf], 3: [inf, -inf]}
    for number in range(1001):
        time = plan.duration * number / 1000
        step = plan.moves[plan.move_at(time)].number + 1
        if step not in seen:
            continue
        x, y, z = plan.at(time).feet[0]
        out = (x - x0) * outwards[0] + (y - y0) * outwards[1]
        left = -(x - x0) * outwards[1] + (y - y0) * outwards[0]
        up = z - z0
        if step == 2:
            radius, off_plane, along = hypot(out, left), up - 0.025, left
            assert radius == pytest.approx(0.020, abs=1e-9)
        else:
            radius, off_plane, along = hypot(out - 0.005, up - 0.025), left, up - 0.025
            assert radius == pytest.approx(0.015, abs=1e-9)
        assert off_plane == pytest.approx(0.0, abs=1e-9)
        seen[step] = [min(seen[step][0], along), max(seen[step][1], along)]
    assert seen[2] == pytest.approx([-0.020, 0.020], abs=1e-4)
    assert seen[3] == pytest.approx([-0.015, 0.015], abs=1e-4)
