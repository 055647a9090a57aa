# Copyright 2026 The leg_kinematics authors
# SPDX-License-Identifier: Apache-2.0
"""What there is to be measured at a joint, and what was found out about it so far."""

from collections.abc import Iterable
from dataclasses import dataclass

from leg_kinematics.calibration.bench import ServoOutput
from leg_kinematics.calibration.horn import HornFitting
from leg_kinematics.calibration.measured import Approach, Reading, ServoFit, fit_servo_map
from leg_kinematics.calibration.readings_file import ReadingsFile
from leg_kinematics.errors import CalibrationError
from leg_kinematics.robot import ServoModel

#: At so many pulses angles are read, each come to from both sides. With five it could not be told
#: which of two readings that disagree is wrong (DEVELOPERS.md).
PULSES = 7

#: The outermost of them are so far within the ends, so that there is a way to come from, µs.
INSET_US = 30.0

#: A joint that is free over less than this is not measured: something binds, µs.
SHORTEST_RANGE_US = 200.0

#: Two pulses nearer than this are the same, µs.
SAME_US = 0.5


@dataclass(frozen=True)
class JointTask:
    """A joint to be measured.

    Attributes
    ----------
    joint
        Its name.
    output
        Board and channel that its servo is connected to, by the servo maps.
    servo
        Its servo.
    limits
        Lowest and highest angle by the description, rad.
    fitting
        How its horn is best fitted.

    """

    joint: str
    output: ServoOutput
    servo: ServoModel
    limits: tuple[float, float]
    fitting: HornFitting


@dataclass(frozen=True)
class Target:
    """Where an angle is to be read.

    Attributes
    ----------
    pulse_us
        The pulse, µs.
    approached
        From which side it is come to.

    """

    pulse_us: float
    approached: Approach


@dataclass(frozen=True)
class JointNotes:
    """What was found out about a joint since its horn was fitted.

    Attributes
    ----------
    horn_fitted
        Whether it was.
    sign
        1 where a longer pulse was seen to turn it the positive way by its own output, -1 where the
        negative way; None where nothing was seen yet.
    lowest_us, highest_us
        Ends of the pulses at which it is free, µs; None before they are found.
    readings
        Angles read off.

    """

    horn_fitted: bool = False
    sign: int | None = None
    lowest_us: float | None = None
    highest_us: float | None = None
    readings: tuple[Reading, ...] = ()

    @property
    def ends(self) -> tuple[float, float] | None:
        """Both ends, µs; None until both are known."""
        if self.lowest_us is None or self.highest_us is None:
            return None
        return (self.lowest_us, self.highest_us)

    @property
    def plan(self) -> tuple[Target, ...]:
        """Where angles are still to be read: upwards through all pulses, then back.

        Nothing before both ends are known, or where they are too near for a map.
        """
        if self.ends is None or self.ends[1] - self.ends[0] < SHORTEST_RANGE_US:
            return ()
        low, high = self.ends[0] + INSET_US, self.ends[1] - INSET_US
        step = (high - low) / (PULSES - 1)
        pulses = [float(round(low + index * step)) for index in range(PULSES)]
        way = [Target(pulse, 'up') for pulse in pulses]
        way += [Target(pulse, 'down') for pulse in reversed(pulses)]
        return tuple(target for target in way if not self._was_read(target))

    @property
    def complete(self) -> bool:
        """Whether all was measured that was planned."""
        return self.ends is not None and not self.plan

    def _was_read(self, target: Target) -> bool:
        return any(
            abs(reading.pulse_us - target.pulse_us) < SAME_US
            and reading.approached == target.approached
            for reading in self.readings
        )


@dataclass(frozen=True)
class JointResult:
    """What is to be written of a joint.

    Attributes
    ----------
    task
        The joint.
    fit
        Its map.
    ends_us
        Lowest and highest pulse, µs.
    doubtful
        Whether the readings do not tell enough, or the joint was seen to move the other way.

    """

    task: JointTask
    fit: ServoFit
    ends_us: tuple[float, float]
    doubtful: bool


def notes_of(file: ReadingsFile, task: JointTask) -> JointNotes:
    """Take what was found out about a joint from the file of readings."""
    lowest, highest = file.ends_us(task.joint)
    return JointNotes(
        horn_fitted=file.horn_fitted(task.joint),
        sign=file.sign(task.joint) if file.output(task.joint) == task.output else None,
        lowest_us=lowest,
        highest_us=highest,
        readings=file.readings(task.joint),
    )


def fit_of(task: JointTask, notes: JointNotes) -> ServoFit | str:
    """Make the map of a joint, or say why there is none."""
    try:
        return fit_servo_map(notes.readings, task.servo, task.limits)
    except CalibrationError as error:
        return str(error)


def results_of(tasks: Iterable[JointTask], file: ReadingsFile) -> dict[str, JointResult]:
    """Give what can be written of these joints, by joint."""
    found = {}
    for task in tasks:
        notes = notes_of(file, task)
        fit = fit_of(task, notes)
        if isinstance(fit, ServoFit) and notes.ends is not None:
            doubtful = not fit.good or notes.sign not in {None, fit.sign}
            found[task.joint] = JointResult(task, fit, notes.ends, doubtful)
    return found
