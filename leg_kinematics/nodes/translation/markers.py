# Copyright 2026 The leg_kinematics authors
# SPDX-License-Identifier: Apache-2.0
"""The walk as a viewer draws it: feet and their paths, support, centre of mass, velocity.

Everything is in `odom`, on the ground where it belongs. Times of life make it vanish when the gait
ends.
"""

from collections import deque
from collections.abc import Callable, Collection, Sequence
from itertools import pairwise
from math import hypot

from builtin_interfaces.msg import Time
from geometry_msgs.msg import Point
from rclpy.node import Node
from std_msgs.msg import ColorRGBA
from transforms3d.euler import euler2mat
from visualization_msgs.msg import Marker, MarkerArray

from leg_kinematics.gait import BodyMotion, GaitSample
from leg_kinematics.nodes.translation.frames import FRAMES
from leg_kinematics.nodes.translation.messages import duration_message
from leg_kinematics.nodes.translation.qos import PUBLISHED
from leg_kinematics.robot import Robot, Vector
from leg_kinematics.solver import LegSolver, centre_of_mass, static_margin, support_polygon

#: Without a new one a marker disappears after this, s.
LIFETIME = 1.0

FOOT_SIZE = 0.02
LINE_WIDTH = 0.004
SHORTEST_ARROW = 1e-3
ARROW_SIZE: Vector = (0.01, 0.02, 0.02)

# Eighths, which the single precision of the message holds exactly.
GREEN = ColorRGBA(r=0.25, g=0.75, b=0.25, a=1.0)
ORANGE = ColorRGBA(r=1.0, g=0.625, b=0.125, a=1.0)
RED = ColorRGBA(r=0.875, g=0.125, b=0.125, a=1.0)
BLUE = ColorRGBA(r=0.25, g=0.375, b=0.875, a=1.0)

#: Between two pictures of the walk for a viewer, s.
INTERVAL = 0.1

#: The paths of the feet go back so far, s.
PATH = 3.0

TEXT_SIZE = 0.02

#: The margin is written so far above the centre of mass, m.
TEXT_ABOVE = 0.1


class WalkMarkers:
    """Publishes `gait/markers` for as long as somebody looks.

    Parameters
    ----------
    node
        Who shows them.
    robot, legs
        The description and its solvers.
    sample
        Gives the latest tick of the gait; None while nothing walks.
    frame
        In which it walks.

    """

    def __init__(
        self,
        node: Node,
        robot: Robot,
        legs: Sequence[LegSolver],
        sample: Callable[[], GaitSample | None],
        frame: str,
    ) -> None:
        """Draw every so often."""
        self._node = node
        self._robot = robot
        self._legs = legs
        self._sample = sample
        self._frame = frame
        self._passed: deque[Sequence[Vector]] = deque(maxlen=round(PATH / INTERVAL))
        self._publisher = node.create_publisher(MarkerArray, 'gait/markers', PUBLISHED)
        node.create_timer(INTERVAL, self._draw)

    def _draw(self) -> None:
        sample = self._sample()
        if sample is None or self._publisher.get_subscription_count() == 0:
            self._passed.clear()
            return
        self._passed.append(feet_in_odom(sample))
        stamp = self._node.get_clock().now().to_msg()
        self._publisher.publish(
            gait_markers(stamp, self._robot, self._legs, sample, self._frame, passed=self._passed)
        )


def gait_markers(
    stamp: Time,
    robot: Robot,
    legs: Sequence[LegSolver],
    sample: GaitSample,
    frame: str = FRAMES.odom_frame,
    *,
    passed: Collection[Sequence[Vector]] = (),
) -> MarkerArray:
    """Draw one tick of the gait.

    Parameters
    ----------
    stamp
        Of the tick.
    robot, legs
        The description and its solvers.
    sample
        The tick.
    frame
        In which it walks.
    passed
        Where the feet were, oldest first, m.

    Returns
    -------
    MarkerArray
        `feet`, green where they stand and orange where they swing; `support`, the polygon of those
        that stand, red when the centre of mass is not above it; `centre_of_mass` on the ground;
        `margin`, how far that is inside the polygon, in words; `paths` of the feet, and `velocity`,
        an arrow as long as the way of a second, when there are any.

    """
    motion = BodyMotion.of(sample)
    feet = feet_in_odom(sample)
    centre = _in_odom(
        motion,
        centre_of_mass(
            robot, legs, [leg.angles(foot) for leg, foot in zip(legs, sample.feet, strict=True)]
        ),
    )
    standing = {
        (x, y): z for (x, y, z), stands in zip(feet, sample.standing, strict=True) if stands
    }
    polygon = [(x, y, standing[x, y]) for x, y in support_polygon(list(standing))]
    margin = static_margin(list(standing), centre[:2])
    color = GREEN if margin > 0.0 else RED
    ahead = _in_odom(motion, motion.linear)
    spheres = _marker('feet', Marker.SPHERE_LIST, (FOOT_SIZE,) * 3, GREEN, feet)
    spheres.colors = [GREEN if stands else ORANGE for stands in sample.standing]
    line = (LINE_WIDTH, 0.0, 0.0)
    support = _marker('support', Marker.LINE_STRIP, line, color, [*polygon, *polygon[:1]])
    below = [(centre[0], centre[1], 0.0)]
    weight = _marker('centre_of_mass', Marker.SPHERE_LIST, (FOOT_SIZE,) * 3, BLUE, below)
    words = _marker('margin', Marker.TEXT_VIEW_FACING, (TEXT_SIZE,) * 3, color, [])
    words.pose.position = Point(x=centre[0], y=centre[1], z=centre[2] + TEXT_ABOVE)
    words.text = f'margin {1e3 * margin:.0f} mm'
    markers = [spheres, support, weight, words]
    if len(passed) > 1:
        # From each place to the next, leg by leg.
        ends = [
            end
            for before, after in pairwise(passed)
            for leg in zip(before, after, strict=True)
            for end in leg
        ]
        markers.append(_marker('paths', Marker.LINE_LIST, line, BLUE, ends))
    if hypot(*motion.linear) > SHORTEST_ARROW:
        way = [motion.position, ahead]
        markers.append(_marker('velocity', Marker.ARROW, ARROW_SIZE, BLUE, way))
    for marker in markers:
        marker.header.stamp = stamp
        marker.header.frame_id = frame
    return MarkerArray(markers=markers)


def feet_in_odom(sample: GaitSample) -> list[Vector]:
    """Give the feet of a tick of the gait where it walks, m."""
    motion = BodyMotion.of(sample)
    return [_in_odom(motion, foot) for foot in sample.feet]


def _in_odom(motion: BodyMotion, point: Vector) -> Vector:
    turned = euler2mat(*motion.rpy, 'sxyz') @ point
    x, y, z = (float(a + b) for a, b in zip(motion.position, turned, strict=True))
    return (x, y, z)


def _marker(
    name: str, kind: int, size: Vector, color: ColorRGBA, points: Sequence[Vector]
) -> Marker:
    marker = Marker(ns=name, type=kind, action=Marker.ADD, color=color)
    marker.pose.orientation.w = 1.0
    marker.scale.x, marker.scale.y, marker.scale.z = size
    marker.points = [Point(x=x, y=y, z=z) for x, y, z in points]
    marker.lifetime = duration_message(LIFETIME)
    return marker
