"""Messages that have come and wait to be kept, within bounds.

A broker sends no more than the receive maximum unacknowledged, so the messages of QoS 1 bound
themselves: when nothing is acknowledged, nothing more comes. MQTT 3.1.1 has no such bound but the
broker's own; when a broker has none, nothing more is read from it until there is room. QoS 0
messages beyond the bound are let go and counted.
"""

from __future__ import annotations

import threading
from collections import deque
from collections.abc import Iterable
from typing import NamedTuple

from collector.errors import BrokerError

#: QoS 0 messages are let go when this many messages or bytes wait already.
WAITING_MOST_N = 10_000
WAITING_MOST_BYTES = 16 * 1024 * 1024

#: How long a broker that knows no bound is kept waiting, well below the keepalive.
ROOM_WAIT_S = 5.0


class Message(NamedTuple):
    """A message as it came; ``packet_id`` is 0 when there is nothing to acknowledge.

    ``dup`` says that the broker has sent it before; ``resumed`` that its connection took up an
    earlier session, of which it may be.
    """

    topic: str
    payload: bytes
    received_ms: int
    retained: bool
    packet_id: int
    connection: int
    dup: bool = False
    resumed: bool = False


class Inbox:
    """The messages in order of arrival. Safe to use from threads."""

    def __init__(self, broker_url: str, receive_maximum: int) -> None:
        self._broker_url = broker_url
        self._receive_maximum = receive_maximum
        self._changed = threading.Condition()
        self._waiting: deque[Message] = deque()
        self._bytes_n = 0
        self._let_go_n = 0

    def __len__(self) -> int:
        return len(self._waiting)

    @property
    def let_go_n(self) -> int:
        """QoS 0 messages that found no room."""
        return self._let_go_n

    def put(self, arrived: Iterable[Message]) -> None:
        """Take in what has come; raises ``BrokerError`` when there is no room for too long."""
        most_n = WAITING_MOST_N + self._receive_maximum
        with self._changed:
            nothing_waited = not self._waiting
            for message in arrived:
                if not message.packet_id and self._is_full():
                    self._let_go_n += 1
                    continue
                if len(self._waiting) >= most_n:
                    self._wait_for_room(most_n)
                self._waiting.append(message)
                self._bytes_n += len(message.payload)
            if nothing_waited and self._waiting:
                self._changed.notify()

    def take(self, most_n: int, wait_s: float) -> list[Message]:
        """What has come, oldest first, ``most_n`` at most; waits for the first one only."""
        with self._changed:
            if not self._waiting:
                self._changed.wait(wait_s)
            taken = [self._waiting.popleft() for _ in range(min(most_n, len(self._waiting)))]
            self._bytes_n -= sum(len(message.payload) for message in taken)
            self._changed.notify_all()
        return taken

    def forget_what_comes_again(self, connection: int) -> None:
        """Let go of held messages of earlier connections: a resumed session repeats them."""
        with self._changed:
            self._waiting = deque(
                one for one in self._waiting if not one.packet_id or one.connection == connection
            )
            self._bytes_n = sum(len(one.payload) for one in self._waiting)

    def _is_full(self) -> bool:
        return len(self._waiting) >= WAITING_MOST_N or self._bytes_n >= WAITING_MOST_BYTES

    def _wait_for_room(self, most_n: int) -> None:
        """Let the broker wait; the connection is ended before it gives us up.

        The caller holds ``_changed``.
        """
        self._changed.notify_all()
        if not self._changed.wait_for(lambda: len(self._waiting) < most_n, ROOM_WAIT_S):
            raise BrokerError(
                f"More than {most_n:,} messages wait to be stored, and the broker sends more.",
                where=self._broker_url,
                remedy="Bound them at the broker (Mosquitto: max_inflight_messages).",
            )
