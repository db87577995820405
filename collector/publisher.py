"""Publishes to an MQTT broker at QoS 1 and counts what the broker has acknowledged.

For the replay of recordings and for the demo's simulated workshop. At most ``WINDOW_N``
messages are unacknowledged at any time, so a slow broker slows the publisher down instead of
filling its memory. After a broken connection what was not acknowledged is sent again.
"""

from __future__ import annotations

import secrets
import sys
import threading
import time
from typing import Any, Self

from collector import broker_words
from collector.config import BrokerSettings
from collector.errors import BrokerError, InvalidError
from collector.subscriber import Client, client_for, connect
from collector.topics import name_fault

WINDOW_N = 200
CONNECT_LIMIT_S = 10.0
#: A broker that acknowledges nothing for so long is given up [s].
SILENCE_LIMIT_S = 30.0


class Publisher:
    """One connection to publish by; use it as a context manager. For one thread at a time."""

    def __init__(
        self,
        broker: BrokerSettings,
        *,
        connect_limit_s: float = CONNECT_LIMIT_S,
        silence_limit_s: float = SILENCE_LIMIT_S,
    ) -> None:
        self.broker = broker
        self._connect_limit_s = connect_limit_s
        self._silence_limit_s = silence_limit_s
        self._moved = threading.Condition()
        self._sent_n = 0
        self._acknowledged_n = 0
        self._connected = False
        self._fault: str | None = None
        self._refused: str | None = None
        self._client = self._make_client()

    @property
    def sent_n(self) -> int:
        """Messages handed over for sending."""
        return self._sent_n

    @property
    def acknowledged_n(self) -> int:
        """Messages the broker has taken."""
        return self._acknowledged_n

    def start(self) -> Self:
        """Connect; raises ``BrokerError`` when that does not succeed in time."""
        connect(self._client, self.broker, keep_session=False)
        with self._moved:
            if self._moved.wait_for(lambda: self._connected, self._connect_limit_s):
                return self
            fault = self._fault
        self.stop()
        raise self._error(fault or "there is no answer")

    def publish(self, topic: str, payload: bytes, *, retain: bool = False) -> None:
        """Send one message; waits while too many are unacknowledged.

        Raises ``InvalidError`` for a topic that cannot be published to, ``BrokerError`` when the
        broker refuses a message or stays silent.
        """
        fault = name_fault(topic)
        if fault:
            raise InvalidError(
                f"The topic {topic!r} {fault}.", where="topic", remedy="Name one topic in full."
            )
        self._wait_for_fewer_than(WINDOW_N)
        self._client.publish(topic, payload, qos=1, retain=retain)
        self._sent_n += 1

    def drain(self) -> None:
        """Wait until the broker has acknowledged everything that was sent."""
        self._wait_for_fewer_than(1)

    def stop(self) -> None:
        """Leave; what is not acknowledged yet is given up."""
        self._client.disconnect()
        self._client.loop_stop()

    def __enter__(self) -> Self:
        return self.start()

    def __exit__(self, *_: object) -> None:
        self.stop()

    def _wait_for_fewer_than(self, most_n: int) -> None:
        with self._moved:
            seen_n, since_s = self._acknowledged_n, time.monotonic()
            while self._sent_n - self._acknowledged_n >= most_n and self._refused is None:
                self._moved.wait(0.5)
                if self._acknowledged_n > seen_n:
                    seen_n, since_s = self._acknowledged_n, time.monotonic()
                elif time.monotonic() - since_s > self._silence_limit_s:
                    raise self._error(self._fault or "the broker acknowledges nothing")
            if self._refused is not None:
                raise self._error(self._refused)

    def _error(self, what: str) -> BrokerError:
        return BrokerError(
            f"{what}.",
            where=self.broker.url,
            remedy="Check that the broker runs and that [broker] in vatside.toml is right.",
        )

    def _make_client(self) -> Client:
        name = f"{self.broker.client_id}-publisher-{secrets.token_hex(4)}"
        client = client_for(self.broker, name)
        client.suppress_exceptions = True
        client.max_inflight_messages_set(WINDOW_N)
        client.on_connect = self._on_connect
        client.on_connect_fail = self._on_connect_fail
        client.on_disconnect = self._on_disconnect
        client.on_publish = self._on_publish
        return client

    def _on_connect(self, _: Any, __: Any, ___: Any, reason: Any, ____: Any) -> None:
        with self._moved:
            self._connected = not reason.is_failure
            self._fault = (
                broker_words.refused(reason.value, str(reason), self.broker)
                if reason.is_failure
                else None
            )
            self._moved.notify_all()

    def _on_connect_fail(self, *_: Any) -> None:
        self._note(broker_words.no_connection(sys.exception(), self.broker))

    def _on_disconnect(self, *_: Any) -> None:
        unheard = not (self._connected or self._sent_n)
        self._note(broker_words.ended_unheard(self.broker) if unheard else "the connection ended")

    def _note(self, fault: str) -> None:
        with self._moved:
            self._connected = False
            self._fault = self._fault or fault

    def _on_publish(self, _: Any, __: Any, ___: int, reason: Any, ____: Any) -> None:
        with self._moved:
            self._acknowledged_n += 1
            if reason.is_failure:
                self._refused = f"the broker refuses a message: {reason}"
            self._moved.notify_all()
