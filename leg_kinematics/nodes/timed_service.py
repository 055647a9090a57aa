# Copyright 2026 The leg_kinematics authors
# SPDX-License-Identifier: Apache-2.0
"""A service that knows when it was called, so that an order that comes late can be refused."""

from collections.abc import Callable
from typing import Any

from rclpy.node import Node
from rclpy.service import Service

#: Takes request, empty response and when the request was sent; gives the filled response.
TimedCallback = Callable[[Any, Any, int | None], Any]


def create_timed_service(
    node: Node, kind: type[Any], name: str, callback: TimedCallback
) -> 'Service[Any, Any]':
    """Offer a service whose callback is also told when the request was sent.

    That is ns of the sender's system clock, as the middleware had it put on the wire
    (`rmw_service_info_t.source_timestamp`), or None where the middleware does not tell. rclpy
    gives the header of a request only to `send_response`, whatever executor is used: the work is
    done there.
    """
    service: Service[Any, Any] = node.create_service(kind, name, lambda request, _: request)
    send = service.send_response

    def answer(request: Any, header: Any) -> None:  # noqa: ANN401
        sent = getattr(header, 'source_timestamp', 0)
        send(callback(request, kind.Response(), sent if sent > 0 else None), header)

    service.send_response = answer  # type: ignore[method-assign, assignment]
    return service
