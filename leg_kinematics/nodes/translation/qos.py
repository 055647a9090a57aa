# Copyright 2026 The leg_kinematics authors
# SPDX-License-Identifier: Apache-2.0
"""Quality of service of every topic, in one place.

Publishers are reliable, and so are subscribers of what is said only once. Subscribers of streams
are best-effort with depth 1, so that a lossy link drops the old instead of delaying the new.
Descriptions and the emergency stop are kept for late joiners. Transforms are as every
listener of `/tf` expects them (reliable, depth 100; common practice, no source).
"""

from rclpy.qos import DurabilityPolicy, HistoryPolicy, QoSProfile, ReliabilityPolicy

PUBLISHED = QoSProfile(
    history=HistoryPolicy.KEEP_LAST, depth=10, reliability=ReliabilityPolicy.RELIABLE
)

STREAM = QoSProfile(
    history=HistoryPolicy.KEEP_LAST, depth=1, reliability=ReliabilityPolicy.BEST_EFFORT
)

DESCRIPTION = QoSProfile(
    history=HistoryPolicy.KEEP_LAST,
    depth=1,
    reliability=ReliabilityPolicy.RELIABLE,
    durability=DurabilityPolicy.TRANSIENT_LOCAL,
)

TRANSFORMS = QoSProfile(
    history=HistoryPolicy.KEEP_LAST, depth=100, reliability=ReliabilityPolicy.RELIABLE
)
