# Copyright 2026 The leg_kinematics authors
# SPDX-License-Identifier: Apache-2.0
"""A replay from a terminal: the chain that does it, progress, keys, and an end whatever happens."""

import json
import sys
from collections.abc import Mapping
from contextlib import ExitStack
from dataclasses import dataclass
from os import getpid
from pathlib import Path
from tempfile import TemporaryDirectory
from time import monotonic, time_ns

import click
from rich.console import Console
from rich.progress import BarColumn, Progress, TextColumn
from sensor_msgs.msg import JointState
from trajectory_msgs.msg import JointTrajectory

from leg_kinematics.chain.calibrated_robot import CalibratedRobot
from leg_kinematics.chain.values import JointLimits, RobotReport
from leg_kinematics.commands.options.files import config_folder
from leg_kinematics.commands.terminal.confirm import confirm
from leg_kinematics.commands.terminal.keys import Keys
from leg_kinematics.commands.terminal.page import print_folded
from leg_kinematics.commands.terminal.signals import signals_noted
from leg_kinematics.errors import CommandError, LegKinematicsError
from leg_kinematics.nodes.replay_topics import HEARD_LATELY, ReplayedTopic, ReplayTopics
from leg_kinematics.nodes.taking_part.joining import RunningChain, find_chain
from leg_kinematics.nodes.taking_part.operator import READY
from leg_kinematics.nodes.taking_part.own_chain import OwnChain
from leg_kinematics.nodes.taking_part.participant import PATIENCE, Participant
from leg_kinematics.nodes.translation import messages, qos
from leg_kinematics.nodes.translation.frames import FRAMES
from leg_kinematics.nodes.translation.stamps import Stamps
from leg_kinematics.recording.bag.contents import Channel
from leg_kinematics.recording.replaying.contents import Event
from leg_kinematics.recording.replaying.reading import DRIVING, joints_at_start, rate_limits
from leg_kinematics.recording.replaying.replay import (
    GOING_ON,
    OVER,
    TICK,
    Contents,
    Kind,
    Replay,
    ReplayState,
    Sent,
)
from leg_kinematics.recording.run import Run

HELP = 'space pauses and goes on, q stops'

#: Joints that are farther from where targets begin are told of, and a person is asked, rad.
FAR = 0.1

ON_THEIR_OWN = (
    'The joints go there at the catch-up speed of the bridge, each on its own, and not along '
    'lines: feet on the ground are dragged.'
)

#: What a gait does that takes velocities.
LED = ('standing', 'walking')

#: A node tells of itself within this time, s: every second, unless the machine is busy.
TOLD_WITHIN = 3.0

#: The progress is shown so often, 1/s.
REFRESH = 5


@dataclass(frozen=True)
class Request:
    """What somebody wants to see again.

    Attributes
    ----------
    run
        The recording.
    channels
        Its topics, by full name.
    contents
        What is replayed.
    speed
        How many times as fast as then.
    loop
        Whether over and over.
    restamped
        Whether stamps are of now, and not of the recording.
    clock
        Whether the time of the recording is sent.
    namespace
        Of the chain that shall do it.
    yes
        Whether a person was asked already.

    """

    run: Run
    channels: Mapping[str, Channel]
    contents: Contents
    speed: float
    loop: bool
    restamped: bool
    clock: bool
    namespace: str
    yes: bool

    @property
    def driving(self) -> str:
        """Topic of what is driven, in the chain; empty where nothing is."""
        of_kind = [topic for topic, kind in DRIVING.items() if kind is self.contents.kind]
        return of_kind[0] if of_kind else ''


def carry_out(request: Request, *, as_json: bool) -> None:
    """Replay, and end the command with its exit code: 0 when played to the end, 1 otherwise."""
    console = Console(stderr=as_json)
    session = _Session(request, console)
    try:
        with ExitStack() as stack:
            replay = session.prepare(stack)
            session.play(replay)
    except (LegKinematicsError, KeyboardInterrupt) as error:
        reason = 'interrupted by Ctrl-C' if isinstance(error, KeyboardInterrupt) else str(error)
        words = 'Broken off' if session.began else 'Refused, and nothing was sent'
        print_folded(console, f'{words}: {reason}', style='red')
        state = 'broken off' if session.began else 'refused'
        answer: dict[str, object] = {'state': state, 'reason': reason}
    else:
        words = f'{replay.state} at {replay.place:.2f} s of the recording'
        words += f': {replay.reason}' if replay.reason else ''
        print_folded(console, f'{words[0].upper()}{words[1:]}. Nothing is sent any more.')
        answer = {
            'state': str(replay.state),
            'reason': replay.reason,
            'place_s': replay.place,
            'rounds': replay.rounds,
            'namespace': session.namespace,
            'driven': request.driving,
        }
    if as_json:
        click.echo(json.dumps(answer, indent=2))
    sys.exit(0 if answer['state'] == ReplayState.FINISHED.value else 1)


class _Session:
    """The chain in which something is replayed."""

    def __init__(self, request: Request, console: Console) -> None:
        self._request = request
        self._console = console
        self._status = console.status('')
        self._own: OwnChain | None = None
        self._replay: Replay | None = None
        self._limits: JointLimits | None = None
        self._positions: dict[str, float] = {}
        self._participant: Participant
        self._topics: ReplayTopics
        self.namespace = request.namespace
        self.began = False

    # ---- the chain

    def prepare(self, stack: ExitStack) -> Replay:
        """Find a chain, or start one on a mock; have everything ready, and send nothing.

        Raises
        ------
        LegKinematicsError
            It cannot be replayed there; says why.

        """
        request = self._request
        self._join(stack, self.namespace)
        robot = frame = None
        if request.driving:
            with self._status:
                chain = find_chain(self._participant)
            if chain is None:
                chain = self._start(stack)
            else:
                words = f'Joined the chain that runs in {self.namespace}'
                print_folded(self._console, f'{words}: {chain.calibrated.robot.name}.')
            robot, frame = chain.calibrated, chain.frame
        self._topics = ReplayTopics(
            self._participant.node,
            request.driving,
            self._others(),
            self._on_report,
            restamped=request.restamped,
        )
        if request.clock:
            self._topics.keep_clock()
        if robot is not None:
            self._topics.know(robot.robot.leg_names, robot.robot.joints, frame or FRAMES.base_frame)
            self._hear_joints(robot)
        limits = rate_limits(request.contents, request.speed, robot, self._limits)
        self._replay = Replay(request.contents, limits, loop=request.loop)
        with self._status:
            self._look_around()
        if robot is not None:
            self._ask_about_the_way(robot)
        return self._replay

    def _join(self, stack: ExitStack, namespace: str) -> None:
        self.namespace = namespace
        triggers = ('gait/stand', 'bridge/release', 'bridge/rearm')
        self._participant = stack.enter_context(
            Participant('replay', namespace, self._watch, triggers)
        )

    def _watch(self, doing: str) -> None:
        self._status.update(doing)
        if self._own is not None:
            self._own.check()

    def _start(self, stack: ExitStack) -> RunningChain:
        """Start a chain of our own, of the recorded robot, on a mock."""
        run = self._request.run
        folder = Path(stack.enter_context(TemporaryDirectory(prefix='leg_kinematics-')))
        files = (folder / 'robot.yaml', folder / 'servo_maps.yaml')
        missing = [file.name for file in files if not run.attached(file.name)]
        if missing:
            raise CommandError(
                f'no chain runs in {self.namespace}, and the recording has no {missing[0]} of its '
                'robot, so that none can be started: start one, such as by leg-kinematics run'
            )
        for file in files:
            file.write_text(run.attached(file.name), encoding='utf-8')
        parameters = config_folder() / 'nodes.yaml'
        if told := run.attached('parameters.yaml'):
            parameters = folder / 'parameters.yaml'
            parameters.write_text(told, encoding='utf-8')
        robot = CalibratedRobot.load(*files)
        print_folded(
            self._console,
            f'No chain runs in {self.namespace}: one of our own for {robot.robot.name} of the '
            'recording, on a mock board; nothing real moves.',
        )
        # A chain that runs and was not found shall hear nothing of what is meant for a mock.
        self._join(stack, f'{self.namespace.rstrip("/")}/mock_{getpid()}')
        velocity = self._request.contents.kind is Kind.VELOCITY
        nodes = ('kinematics', 'gait', 'bridge') if velocity else ('kinematics', 'bridge')
        self._own = stack.enter_context(
            OwnChain(
                files,
                self.namespace,
                needed=robot.maps.boards,
                boards=(),
                params_file=parameters,
                nodes=nodes,
            )
        )
        participant = self._participant
        with self._status:
            chain = find_chain(participant, *files, patience=PATIENCE)
            if chain is None:
                raise CommandError(f'the chain did not start within {PATIENCE:g} s')
            participant.find_boards()
            participant.enable_legs()
            if velocity:
                participant.doing = 'standing up'
                participant.wait_for('gait', READY)
                participant.call('gait/stand')
                participant.wait_for('gait', 'standing')
        return chain

    def _others(self) -> dict[str, ReplayedTopic]:
        """Say where messages go that are sent as they are."""
        run, found = self._request.run, {}
        before, after = run.namespace.rstrip('/') + '/', self.namespace.rstrip('/') + '/'
        for topic in {event.topic for event in self._request.contents.events}:
            inside = topic.startswith(before)
            name = after + topic.removeprefix(before) if inside else topic
            channel = self._request.channels[topic]
            lasting = 'transient_local' in channel.offered
            found[topic] = ReplayedTopic(name, channel.kind, lasting)
        return found

    def _hear_joints(self, robot: CalibratedRobot) -> None:
        """Learn how fast the joints are driven, and where they are."""
        node, participant = self._participant.node, self._participant

        def on_limits(message: JointTrajectory) -> None:
            self._limits = messages.joint_limits(message)

        def on_joints(message: JointState) -> None:
            self._positions = dict(zip(message.name, message.position, strict=True))

        node.create_subscription(JointTrajectory, 'bridge/limits', on_limits, qos.DESCRIPTION)
        node.create_subscription(JointState, 'joint_states', on_joints, qos.STREAM)
        participant.doing = 'listening to the chain'
        with self._status:
            participant.spin(lambda: self._limits is not None, 'bridge/limits')
        if self._request.contents.kind is Kind.VELOCITY:
            return
        known = robot.robot.leg_names if self._request.driving == 'foot_targets' else ()
        known = known or robot.robot.joints
        for stretch in self._request.contents.stretches:
            if unknown := sorted(set(stretch.names) - set(known)):
                raise CommandError(
                    f'the recording drives {", ".join(unknown)}, which {robot.robot.name} does not '
                    'have: replay it into a chain of the robot that was recorded'
                )

    def _look_around(self) -> None:
        """See that nothing hinders: nobody else drives, and the robot can be led.

        Raises
        ------
        CommandError
            Something does.

        """
        participant, topics, replay = self._participant, self._topics, self._replay
        if replay is None:
            raise RuntimeError('there is nothing to replay')
        participant.doing = 'looking who else sends'
        # Who sends is heard soon after he has found us.
        began = monotonic()
        participant.happens(lambda: monotonic() - began > HEARD_LATELY)
        if taken := topics.sent_by_others():
            raise CommandError(f'somebody sends {"; ".join(taken)}: leave it out, or end him first')
        if not self._request.driving:
            return
        if not participant.happens(lambda: topics.heard, PATIENCE):
            raise CommandError(f'nobody takes {topics.topic} in namespace {self.namespace}')
        if who := topics.other_driver(time_ns()):
            velocity = self._request.contents.kind is Kind.VELOCITY
            cure = 'end him first' if velocity else 'call gait/hand_over first'
            raise CommandError(f'{who}: {cure}')
        participant.happens(lambda: not replay.trouble(monotonic()), HEARD_LATELY)
        if words := replay.trouble(monotonic()):
            raise CommandError(f'{words}; a replay powers nothing: activate the bridge first')
        if self._request.contents.kind is not Kind.VELOCITY:
            return

        def led() -> bool:
            return participant.values.get('gait', {}).get('doing') in LED

        if not participant.happens(led, TOLD_WITHIN):
            said = participant.states.get('gait', 'nothing')
            raise CommandError(f'the gait says: {said}; call gait/stand first, if it shall walk')

    def _ask_about_the_way(self, robot: CalibratedRobot) -> None:
        """Tell of a way that the joints have to go before targets begin."""
        contents = self._request.contents
        if self._own is not None or contents.kind is Kind.VELOCITY:
            return
        if not self._request.restamped:
            confirm(
                f'Every message is sent as it was, whatever the pose. {ON_THEIR_OWN}',
                'Shall the robot follow?',
                yes=self._request.yes,
            )
            return
        first = joints_at_start(contents, robot)
        self._participant.spin(lambda: bool(self._positions), 'joint_states')
        ways = {
            joint: abs(angle - self._positions[joint])
            for joint, angle in (first or {}).items()
            if joint in self._positions
        }
        if ways and max(ways.values()) > FAR:
            joint = max(ways, key=ways.__getitem__)
            confirm(
                f'The joints are not where the replay begins: {joint} is {ways[joint]:.2f} rad '
                f'away. {ON_THEIR_OWN}',
                'Shall they go there?',
                yes=self._request.yes,
            )

    # ---- playing

    def _on_report(self, report: RobotReport) -> None:
        if self._replay is not None:
            self._replay.hear(report, monotonic())

    def play(self, replay: Replay) -> None:
        """Play to the end, or until it is stopped, and until the robot was told so."""
        participant, stamps = self._participant, Stamps()
        participant.doing = ''

        def tick() -> None:
            if replay.state in GOING_ON and (who := self._topics.other_driver(time_ns())):
                replay.break_off(who)
            for each in replay.step(monotonic(), stamps.offset()):
                self._send(each)
            self._topics.tell_time(self._request.run.start + round(replay.place * 1e9))

        answer = replay.play(monotonic())
        if not answer.success:
            raise CommandError(answer.words)
        self.began = True
        timer = participant.node.create_timer(TICK, tick)
        self._show(replay)
        participant.node.destroy_timer(timer)

    def _show(self, replay: Replay) -> None:
        """Show how far it has come, and take keys, until it is over.

        A pause that nobody can end by a key is an end: nothing goes on by itself.
        """
        columns = (TextColumn('{task.description}'), BarColumn(), TextColumn('{task.fields[time]}'))
        with (
            signals_noted() as interrupted,
            Keys() as keys,
            Progress(
                *columns,
                console=self._console,
                transient=True,
                disable=not self._console.is_terminal,
                refresh_per_second=REFRESH,
            ) as progress,
        ):
            if keys.there:
                self._console.print(f'Keys: {HELP}.', style='dim')
            task = progress.add_task('', total=replay.end - replay.place, time='')
            began, told = replay.place, replay.state
            while not replay.quiet(monotonic()):
                self._participant.spin_once()
                done = f'{replay.place:.1f} of {replay.end:.1f} s, {replay.rate:.2f} times as fast'
                progress.update(
                    task, completed=replay.place - began, description=str(replay.state), time=done
                )
                if interrupted.yes and replay.state not in OVER:
                    replay.stop('interrupted by Ctrl-C')
                for key in keys.pressed():
                    self._press(key, replay)
                if replay.state is ReplayState.PAUSED and told is not replay.state:
                    self._tell_pause(replay)
                told = replay.state
                if told is ReplayState.PAUSED and not keys.there:
                    replay.stop(replay.reason)

    def _tell_pause(self, replay: Replay) -> None:
        said = self._participant.states.get('bridge', '')
        words = f'; the bridge says: {said}' if replay.trouble(monotonic()) and said else ''
        self._console.print(f'Paused: {replay.reason}{words}.', style='yellow', highlight=False)

    def _press(self, key: str, replay: Replay) -> None:
        if key == 'q':
            replay.stop('stopped by a key')
        elif key == ' ' and replay.state in GOING_ON:
            replay.pause('by a key')
        elif key == ' ':
            answer = replay.play(monotonic())
            if not answer.success:
                self._console.print(f'Not played: {answer.words}', style='red')

    def _send(self, each: Sent) -> None:
        if isinstance(each, Event):
            self._topics.pass_on(each.topic, each.data)
        else:
            self._topics.drive(each)
