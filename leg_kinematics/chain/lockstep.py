# Copyright 2026 The leg_kinematics authors
# SPDX-License-Identifier: Apache-2.0
"""The whole robot in simulated time: the stages, its boards and its servos, tick by tick.

Nothing here reads a clock or starts a thread, so that the same orders give the same pulses to the
last bit, many times faster than the robot walks. Between the stages lies nothing, or two lines
that can be cut, like those between processes.
"""

from collections.abc import Callable, Mapping
from dataclasses import dataclass, field

from leg_kinematics.board import BoardDriver, Boards, BoardSpec, Record, SilenceAction
from leg_kinematics.board.parameters import BoardsParameters
from leg_kinematics.board.simulated.line import SimulatedDriver, SimulatedLine
from leg_kinematics.board.simulated.servo import ServoDynamics
from leg_kinematics.calibration import ServoMaps
from leg_kinematics.chain.chain import Chain, ChainStep
from leg_kinematics.chain.driving import Driving, DrivingParameters
from leg_kinematics.chain.outputs import pulse_limits
from leg_kinematics.chain.solving import Solving, SolvingParameters
from leg_kinematics.chain.values import RobotReport, Walked
from leg_kinematics.chain.walking import Walking, WalkingParameters
from leg_kinematics.gait import GaitParameters, Twist
from leg_kinematics.robot import Robot, Vector
from leg_kinematics.solver import leg_solvers, posture_angles

#: How a servo follows its pulse, unless told otherwise.
SERVO = ServoDynamics(speed_us_per_s=4000.0, dead_band_us=4.0)


@dataclass(frozen=True)
class LockStepParameters:
    """What the stages are told, and what is between them.

    Attributes
    ----------
    gait, walking, solving, driving
        Of the stages.
    silence
        What the boards do without us.
    linked
        Whether messages lie between the stages, as between processes, instead of nothing: they
        take a tick, and can be lost.

    """

    gait: GaitParameters = field(default_factory=GaitParameters)
    walking: WalkingParameters = field(default_factory=lambda: WalkingParameters(preview=0.0))
    solving: SolvingParameters = field(default_factory=SolvingParameters)
    driving: DrivingParameters = field(default_factory=DrivingParameters)
    silence: SilenceAction = field(default_factory=lambda: BoardsParameters().silence)
    linked: bool = False


class LockStep:
    """A robot, its boards and its chain, stepped by whoever asks.

    Parameters
    ----------
    robot, maps
        The robot; of one that is not wired whole, what is.
    parameters
        Of the stages.
    dynamics
        Of every servo.
    record
        Called with the name of a board and what happened there.

    Attributes
    ----------
    now
        Simulated time, s.
    tick
        s.
    chain
        The stages.
    lines
        By name of the board: its switch, its cable and its supply.
    forward_cut, backward_cut
        Whether what is sent to the bridge is lost, and what it sends back; with links between the
        stages only.

    """

    def __init__(
        self,
        robot: Robot,
        maps: ServoMaps,
        parameters: LockStepParameters | None = None,
        *,
        dynamics: ServoDynamics = SERVO,
        record: Callable[[str, Record], None] = lambda *_: None,
    ) -> None:
        """Put everything together; the bridge is not configured yet."""
        self._parameters = parameters or LockStepParameters()
        self._robot = robot
        self._maps = maps
        self.tick = 1.0 / self._parameters.walking.rate
        self._count = 0
        self.lines: Mapping[str, SimulatedLine] = {
            name: SimulatedLine(dynamics, record=_bound(record, name)) for name in maps.boards
        }
        self._legs = leg_solvers(robot, {each.joint: each.angle_range for each in maps.maps})
        walking = Walking(
            robot,
            self._legs,
            self._parameters.gait,
            self._parameters.walking,
            maps.not_wired_in_words,
        )
        solving = Solving(robot, self._legs, self._parameters.solving)
        self._sessions = 0
        self.boards: Boards
        self.chain = Chain(walking, solving, self._new_bridge())
        self.command = Twist()
        self.forward_cut = self.backward_cut = False
        self._under_way: tuple[RobotReport, tuple[Vector, ...] | None] | None = None

    @property
    def now(self) -> float:
        """Simulated time, s; it begins at 1 s, since a stamp of 0 has a meaning of its own."""
        return 1.0 + self._count * self.tick

    @property
    def driving(self) -> Driving:
        """The bridge."""
        return self.chain.driving

    @property
    def walking(self) -> Walking:
        """The gait."""
        return self.chain.walking

    def restart_bridge(self) -> None:
        """Let the bridge die without a word, and start another one; it is not configured yet."""
        self.driving.shutdown()
        self.chain.driving = self._new_bridge()
        self._under_way = None

    def step(self) -> ChainStep:
        """Advance by one tick."""
        self._count += 1
        now = self.now
        for line in self.lines.values():
            line.advance(now)
        self.boards.step()
        self.walking.command(self.command, now)
        return self._linked_step(now) if self._parameters.linked else self.chain.step(now)

    def run(self, seconds: float) -> None:
        """Advance by so many seconds."""
        for _ in range(round(seconds / self.tick)):
            self.step()

    def run_until(self, condition: Callable[[], bool], patience: float = 30.0) -> float:
        """Advance until a condition holds; return how long that took, s.

        Raises
        ------
        TimeoutError
            It has not held in so many seconds.

        """
        begun = self.now
        while not condition():
            if self.now - begun > patience:
                raise TimeoutError(
                    f'not within {patience:g} s; bridge {self.driving.condition()}, '
                    f'gait {self.walking.condition(self.now)}'
                )
            self.step()
        return self.now - begun

    def pulses_us(self, board: str) -> dict[int, float]:
        """Pulses that a board puts out, µs by channel; none while it is switched off."""
        simulated = self.lines[board].board
        return simulated.outputs_us if simulated is not None else {}

    def _linked_step(self, now: float) -> ChainStep:
        """Step the stages with lines between them that can be cut."""
        chain = self.chain
        if self._under_way is not None and not self.backward_cut:
            report, feet = self._under_way
            if feet is not None:
                self.walking.locate(feet, now)
            self.walking.hear(report, now)
        walked: Walked | None = self.walking.step(now, 0)
        joints = None
        if walked is not None and walked.targets is not None and not self.forward_cut:
            joints = chain.pass_on(walked.targets, now)
        self.driving.step(now)
        feet = None
        if self.driving.located:
            feet = chain.solving.locate(self.driving.positions)
        self._under_way = (self.driving.report(), feet)
        return ChainStep(walked, joints, feet)

    def _new_bridge(self) -> Driving:
        self._sessions += 1
        self.boards = Boards(
            [BoardSpec(name, 'simulated', name) for name in self._maps.boards],
            pulse_limits(self._maps.maps),
            self._parameters.silence,
            new_driver=self._new_driver,
            threads=False,
        )
        return Driving(
            self._robot,
            self._maps.maps,
            posture_angles(self._robot, self._legs, 'resting'),
            self._parameters.driving,
            self.boards,
            session=self._sessions,
        )

    def _new_driver(self, port: str) -> BoardDriver:
        return SimulatedDriver(self.lines[port])


def _bound(record: Callable[[str, Record], None], name: str) -> Callable[[Record], None]:
    return lambda event: record(name, event)
