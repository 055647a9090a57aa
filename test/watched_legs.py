# Copyright 2026 The leg_kinematics authors
# SPDX-License-Identifier: Apache-2.0
"""Legs on a bench in lock step, watched: what must hold in every tick, whatever happens.

What is judged are the pulses of the simulated boards, and what the bench says of them, against what
the boards really did. The watch keeps its own account of the words that were given. The rules are
those that the project gives itself; there is no source outside it for them.
"""

from collections.abc import Callable, Mapping, Sequence
from dataclasses import replace
from math import inf
from typing import TYPE_CHECKING

from leg_kinematics.board import Boards, BoardSpec, Output, Reaction, SilenceAction
from leg_kinematics.board.simulated.line import SimulatedDriver, SimulatedLine
from leg_kinematics.board.simulated.servo import ServoDynamics
from leg_kinematics.board.simulated.true_servo import TrueJoint, TrueServo
from leg_kinematics.chain.calibrated_robot import CalibratedRobot
from leg_kinematics.chain.leg_bench import DrivenLegs
from leg_kinematics.chain.outputs import output_of, pulse_limits
from leg_kinematics.chain.power import PowerState
from leg_kinematics.chain.values import Answer
from leg_kinematics.robot import Robot
from leg_kinematics.solver import Trajectory, leg_solvers, posture_angles

if TYPE_CHECKING:
    from test.stepped_bench import TICK, SteppedBench
    from test.watched import pair_of_legs
else:
    from stepped_bench import TICK, SteppedBench
    from watched import pair_of_legs

#: rad/s.
SPEED = 0.5

#: Pulses are sent in half microseconds, µs.
ROUNDING_US = 0.25 + 1e-6

#: A board that does not answer makes the legs wait after 50 ms; they are sent on for no longer, and
#: come to rest within a few ticks, s.
GOES_ON = 0.05 + 5 * TICK

#: While a board cannot be reached it may hold what it has; noticing takes so long, s: 0.5 for a
#: silent line, 0.1 until the next look at it, and the silence of the board itself.
UNREACHED = 1.2

#: A board that has restarted is known to have lost its pulses after so long, s: it is asked every
#: 0.2 s.
TOLD_WITHIN = 0.2 + 2 * TICK

#: Legs that were to be powered are within this time, or stay off, s.
POWERED_WITHIN = 3.0

#: Legs that come to rest do so within this time, s.
RESTS_WITHIN = 0.3

LEGS = ('left_middle', 'right_middle')
LEFT = ('left_middle_coxa', 'left_middle_femur', 'left_middle_tibia')
RIGHT = ('right_middle_coxa', 'right_middle_femur', 'right_middle_tibia')


class WatchedLegs(SteppedBench[DrivenLegs]):
    """A bench with two legs of bracken, each with a board of its own.

    Parameters
    ----------
    reaction
        Of the boards to silence.
    legs
        Those on the bench.
    truths
        Of the servos, by joint; ordinary ones unless given.

    Attributes
    ----------
    bench, boards, lines, joints
        What is stepped; the joints by name, where there are truths.
    now
        s.
    ons
        Times that a board switched a servo on.
    resting
        Joint angles at rest, rad by name.

    """

    patience = 30.0

    def __init__(
        self,
        reaction: Reaction = Reaction.RELEASE,
        legs: Sequence[str] = LEGS,
        truths: Mapping[str, TrueServo] | None = None,
    ) -> None:
        """Do nothing yet."""
        robot, maps = pair_of_legs()
        solvers = leg_solvers(robot, {each.joint: each.angle_range for each in maps.maps})
        self.calibrated = CalibratedRobot(robot, maps, solvers)
        self.maps = {output_of(each): each for each in maps.maps}
        self.outputs = {each.joint: output_of(each) for each in maps.maps}
        self.resting = resting(robot, self.calibrated)
        self.joints = {
            joint: TrueJoint(replace(truth, joint=self.outputs[joint][1]))
            for joint, truth in (truths or {}).items()
        }
        self.lines = {
            name: SimulatedLine(
                ServoDynamics(4000.0, 4.0),
                servos={
                    channel: self.joints[each.joint]
                    for (board, channel), each in self.maps.items()
                    if board == name and each.joint in self.joints
                },
            )
            for name in ('left', 'right')
        }
        joints = robot.part(legs).joints
        used = [maps.by_joint[joint] for joint in joints]
        self.on_bench = frozenset(map(output_of, used))
        self.boards = Boards(
            [BoardSpec(name, 'simulated', name) for name in dict.fromkeys(m.board for m in used)],
            pulse_limits(used),
            SilenceAction(reaction, 0.5),
            new_driver=lambda port: SimulatedDriver(self.lines[port]),
            threads=False,
        )
        self.bench = DrivenLegs(self.calibrated, legs, self.boards, speed=SPEED)
        self.now = 100.0
        self.ons = 0
        self._granted: set[Output] = set()
        self._granted_at = -inf
        self._powered = False
        self._may_move_until = -inf
        self._unreached_at = -inf
        self._before = self.pulses_us
        self._rose: dict[Output, bool] = {}

    def follow_on(self, other: 'WatchedLegs') -> None:
        """Sit at the boards that another bench has left, as they are."""
        self.now = other.now
        self.lines.update(other.lines)
        self._before = self.pulses_us

    def pulse(self, joint: str, angle: float) -> float:
        """Pulse of a joint at an angle, as a board rounds it, µs."""
        return round(2.0 * self.maps[self.outputs[joint]].pulse_us(angle)) / 2.0

    # ---- words of a person

    def power(self) -> Answer:
        """Order the legs to be powered; only a success is a word."""
        on = set(self.pulses_us)
        answer = self.bench.power()
        assert set(self.pulses_us) == on
        self._powered |= answer.success
        if answer.success and 'get their pulses one' in answer.words:
            self._granted = set(self.on_bench) - on
            self._granted_at = self.now
        return answer

    def go(self, *waypoints: Mapping[str, float]) -> Answer:
        """Order a plan; only a success is a word."""
        return self._moved(lambda: self.bench.go(waypoints))

    def follow(self, joints: Sequence[str], trajectory: Trajectory) -> Answer:
        """Order a trajectory."""
        return self._moved(lambda: self.bench.follow(joints, trajectory))

    def _moved(self, order: Callable[[], Answer]) -> Answer:
        obeyed, moving = self.bench.obeys, self.bench.moving
        answer = order()
        if answer.success:
            assert obeyed, f'it does not obey, and says {answer.words}'
            assert not moving, f'it moves already, and says {answer.words}'
            self._may_move_until = inf
        else:
            assert self.bench.moving == moving, 'a plan was refused, and something changed'
        return answer

    def stop(self) -> Answer:
        """Order the legs to stop: they have a moment to come to rest."""
        answer = self.bench.stop()
        if answer.success:
            self._end_movement()
            if not self.bench.obeys:
                self._granted.clear()
        return answer

    def release(self) -> Answer:
        """Order a release, and see whether the answer is true."""
        answer = self.bench.release()
        self._granted.clear()
        self._may_move_until = min(self._may_move_until, self.now)
        if answer.success:
            assert not self.pulses_us, f'{answer.words}, but there is {self.pulses_us}'
            assert self.reached
        return answer

    def _end_movement(self) -> None:
        self._may_move_until = min(self._may_move_until, self.now + RESTS_WITHIN)

    # ---- time

    def bring_up(self) -> None:
        """Open the boards and power the legs."""
        assert self.bench.open().success
        self.run(0.1)
        answer = self.power()
        assert answer.success, answer.words
        self.settle()
        assert self.bench.obeys
        self.run(0.3)

    def judge(self) -> None:
        """Judge what the tick has led to."""
        pulses, before = self.pulses_us, self._before
        self._before = pulses
        if not self.reached:
            self._unreached_at = self.now
        if self.bench.obeys:
            assert self._powered, 'it obeys without a word'
        else:
            self._end_movement()
            self._powered &= self.bench.state is PowerState.ENABLING
        unreached = self.now - self._unreached_at < UNREACHED
        for output, pulse in pulses.items():
            servo_map = self.maps[output]
            assert servo_map.lowest_us - ROUNDING_US <= pulse <= servo_map.highest_us + ROUNDING_US
            if output not in before:
                self._judge_first(output, pulse)
                continue
            way = servo_map.angle(pulse) - servo_map.angle(before[output])
            per_us = abs(way / (pulse - before[output])) if way else 0.0
            if way:
                assert self.now <= self._may_move_until, f'{output} moved without a word'
                self._rose[output] = pulse > before[output]
            longest = GOES_ON if unreached else TICK
            most = SPEED * longest + 2.0 * ROUNDING_US * per_us
            assert abs(way) <= most, f'{output} jumped by {way} rad'
        if not self.bench.moving and self._may_move_until == inf:
            # It says that it has arrived: a pose may be under way until the next tick.
            self._may_move_until = self.now + (UNREACHED if unreached else TICK)
        for leg in LEGS:
            self._judge_stand(leg, pulses)
        if self.bench.state is not PowerState.ENABLING:
            # Whatever took power away: a word given before that is of no use.
            self._granted.clear()

    def _judge_first(self, output: Output, pulse: float) -> None:
        """See that a servo was switched on by a word, at rest."""
        self.ons += 1
        assert output in self._granted, f'nobody asked for pulses on {output}'
        assert self.now - self._granted_at < POWERED_WITHIN
        self._granted.discard(output)
        servo_map = self.maps[output]
        assert pulse == self.pulse(servo_map.joint, self.resting[servo_map.joint])

    def _judge_stand(self, leg: str, pulses: Mapping[Output, float]) -> None:
        """See that what the bench says of pulses is what the boards put out."""
        outputs = [output for joint, output in self.outputs.items() if joint.startswith(leg)]
        if not self.on_bench.issuperset(outputs):
            return
        stand = self.bench.stand(leg)
        if stand is None:
            return
        if self.now - self._unreached_at > TOLD_WITHIN:
            assert list(stand.pulses_us) == [pulses.get(output) for output in outputs]
        for output, side in zip(outputs, stand.sides, strict=True):
            assert side == 0 or (side > 0) == self._rose[output]


def resting(robot: Robot, calibrated: CalibratedRobot) -> dict[str, float]:
    """Joint angles at rest, rad by name."""
    postures = posture_angles(robot, calibrated.legs, 'resting')
    return {
        joint: angle
        for leg, angles in zip(robot.legs, postures, strict=True)
        for joint, angle in zip(leg.joints, angles, strict=True)
    }
