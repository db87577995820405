"""Listens to an MQTT broker and holds each message until it has been kept. Uses paho.

MQTT 5 or 3.1.1 at QoS 1. The broker keeps our session while we are away; a message is
acknowledged only when :meth:`Subscriber.acknowledge` is called, and what is not acknowledged
comes again.
Three rules follow from what brokers do:

- After a reconnect a packet identifier may stand for another message. Each message carries the
  number of the connection it came by, and an acknowledgement for an earlier connection is
  dropped.
- A broker sends no more than the receive maximum unacknowledged, so the queue of QoS 1 messages
  bounds itself: when nothing is acknowledged, nothing more comes. MQTT 3.1.1 has no such bound
  but the broker's own; when a broker has none, nothing more is read from it until there is
  room. QoS 0 messages beyond the bound are let go and counted.
- An exception in a callback would end paho's network thread unseen. Ours starts again: a fault
  while a message is received ends the connection, so that the message comes again.
"""

from __future__ import annotations

import secrets
import socket
import sys
import threading
import time
from collections import deque
from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass
from typing import Any, NamedTuple

from paho.mqtt import client as mqtt
from paho.mqtt.enums import MQTTErrorCode
from paho.mqtt.reasoncodes import ReasonCode
from paho.mqtt.subscribeoptions import SubscribeOptions

from collector import topics
from collector.config import BrokerSettings
from collector.errors import BrokerError, SettingsError, VatsideError
from collector.mqtt_client import Client, client_for, connect
from collector.publications import Publication

#: QoS 0 messages are let go when this many messages or bytes wait already.
WAITING_MOST_N = 10_000
WAITING_MOST_BYTES = 16 * 1024 * 1024

#: How long a broker that knows no bound is kept waiting, well below the keepalive.
ROOM_WAIT_S = 5.0

_TAKEN_OVER = 0x8E  # MQTT 5 section 2.4: session taken over
_OTHER_VERSION = 0x84  # unsupported protocol version
_AT_ONCE_MS = 3_000


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


@dataclass(frozen=True, slots=True)
class Link:
    """How we stand with the broker at this moment.

    ``subscribed`` says that the broker has answered our subscription on this connection;
    ``connection`` numbers the connections made; ``since_ms`` is when the present state began;
    ``fault`` says in words what is wrong, if anything. ``waiting_n`` messages have come and not
    been taken; ``let_go_n`` QoS 0 messages found no room; ``stale_n`` acknowledgements came too
    late for their connection (the messages come again).
    """

    connected: bool
    subscribed: bool
    since_ms: int
    connection: int
    fault: str | None
    waiting_n: int
    let_go_n: int
    stale_n: int


class _Asked(NamedTuple):
    """A question to the broker whose answer comes after it has seen our acknowledgements."""

    number: int
    connection: int
    sent: mqtt.MQTTMessageInfo


def status_topic(client_id: str) -> str:
    """Where a collector keeps its retained ``online`` or ``offline``."""
    return f"vatside/{client_id}/status"


def kept_topic(client_id: str) -> str:
    """Where a collector says how far it has come; what counts is the broker's answer."""
    return f"vatside/{client_id}/kept"


class Subscriber:
    """Subscribes to topic filters and hands out what comes, in order of arrival.

    Nothing happens before :meth:`start`. Every method may be called from any thread.
    """

    def __init__(self, broker: BrokerSettings, filters: Iterable[str]) -> None:
        """``broker.client_id`` names our session; no two collectors may share one.

        Raises ``SettingsError`` when it does not fit into a topic.
        """
        self.broker = broker
        self.filters = topics.needed(topics.shared(f, broker.share_group) for f in filters)
        self._status = status_topic(broker.client_id)
        if topics.name_fault(self._status) or "/" in broker.client_id:
            raise SettingsError(
                f"{broker.client_id!r} cannot be a client_id.",
                where="[broker], client_id",
                remedy="Use letters, digits, hyphens and dots.",
            )
        self._kept = kept_topic(broker.client_id)
        self._arrived = threading.Condition()
        self._waiting: deque[Message] = deque()
        self._waiting_bytes = 0
        self._let_go_n = 0
        # Held while acknowledging and while the connection changes, so that no acknowledgement
        # slips into a connection it does not belong to.
        self._link = threading.Lock()
        self._connected = False
        self._subscribed = False
        self._connection = 0
        self._since_ms = _now_ms()
        self._fault: str | None = None
        self._stale_n = 0
        self._resumed = False
        self._settled = 0
        self._sent = (0, 0)
        self._asked: _Asked | None = None
        self._asked_before = False
        self._client = self._make_client()

    def start(self) -> None:
        """Connect in the background; returns at once, also when there is no broker yet."""
        connect(self._client, self.broker, keep_session=True)

    def stop(self) -> None:
        """Say ``offline`` and leave; the broker keeps what comes meanwhile."""
        if self._connected:
            self._client.publish(self._status, b"offline", qos=0, retain=True)
        self._client.disconnect()
        self._client.loop_stop()
        with self._link:
            self._change(connected=False, fault=None)

    def take(self, most_n: int, wait_s: float) -> list[Message]:
        """What has come, oldest first, ``most_n`` at most; waits for the first one only."""
        with self._arrived:
            if not self._waiting:
                self._arrived.wait(wait_s)
            taken = [self._waiting.popleft() for _ in range(min(most_n, len(self._waiting)))]
            self._waiting_bytes -= sum(len(message.payload) for message in taken)
            self._arrived.notify_all()
        return taken

    def acknowledge(self, messages: Sequence[Message], number: int = 0) -> None:
        """Tell the broker that these are kept and need not come again.

        ``number`` is what :attr:`settled` becomes once the broker is known to have heard it;
        for one thread.
        """
        stale_n = 0
        with self._link:
            connection = self._connection if self._connected else 0
            held = [message for message in messages if message.packet_id]
            ours = [message.packet_id for message in held if message.connection == connection]
            self._client.acknowledge(ours)
            stale_n = len(held) - len(ours)
            self._stale_n += stale_n
        if number and not stale_n:
            self._sent = (number, connection)
            self._ask()

    @property
    def settled(self) -> int:
        """The highest number whose messages the broker will not send again; for one thread.

        An acknowledgement is not answered in MQTT. A message of our own, sent after it, is; and
        the broker takes what we send in order.
        """
        asked = self._asked
        if asked is None:
            return self._settled
        if asked.connection != self._connection:
            self._asked = None  # its acknowledgements may be lost with their connection
        elif asked.sent.is_published():
            self._settled, self._asked = asked.number, None
            self._ask()
        return self._settled

    def _ask(self) -> None:
        """Ask, unless a question is open or there is nothing new to ask."""
        if self._asked is not None and self._asked.connection == self._connection:
            return
        number, connection = self._sent
        # A question on a later connection would be answered by a broker that heard nothing.
        if number > self._settled and connection == self._connection and self._connected:
            sent = self._client.publish(self._kept, str(number).encode(), qos=1)
            if sent.rc == MQTTErrorCode.MQTT_ERR_SUCCESS:
                self._asked = _Asked(number, connection, sent)

    @property
    def link(self) -> Link:
        """How we stand with the broker at this moment."""
        with self._link:
            return Link(
                connected=self._connected,
                subscribed=self._subscribed,
                since_ms=self._since_ms,
                connection=self._connection,
                fault=self._fault,
                waiting_n=len(self._waiting),
                let_go_n=self._let_go_n,
                stale_n=self._stale_n,
            )

    # -- called by paho in its network thread; nothing may be raised, nothing may take long --

    def _make_client(self) -> Client:
        client = client_for(self.broker, self.broker.client_id, manual_ack=True, keep_session=True)
        client.will_set(self._status, b"offline", qos=1, retain=True)
        client.on_fault = self._on_fault
        client.on_connect = self._guarded(self._on_connect)
        client.on_connect_fail = self._guarded(self._on_connect_fail)
        client.on_disconnect = self._guarded(self._on_disconnect)
        client.on_subscribe = self._guarded(self._on_subscribe)
        client.on_publications = self._on_publications
        client.on_message = self._on_message
        return client

    def _guarded(self, callback: Callable[..., None]) -> Callable[..., None]:
        """A callback out of which nothing is raised; what was becomes the fault that is shown."""

        def call(*told: Any) -> None:
            try:
                callback(*told)
            except Exception as fault:
                with self._link:
                    self._fault = f"a fault while receiving: {fault!r}"

        return call

    def _on_connect(
        self, client: mqtt.Client, _: Any, flags: mqtt.ConnectFlags, reason: ReasonCode, __: Any
    ) -> None:
        if reason.is_failure:
            with self._link:
                self._change(connected=False, fault=_refusal(reason))
            return
        with self._link:
            self._connection += 1
            self._resumed = flags.session_present
            self._change(connected=True, fault=None)
        if flags.session_present:
            self._forget_what_comes_again()
        if self._asked_before and flags.session_present and not self._client.is_mqtt_5:
            # Asked again, a broker of MQTT 3.1.1 would send every retained message again.
            self._note_subscribed()
        elif self.filters:
            self._asked_before = True
            self._client.subscribe_to(self.filters, SubscribeOptions.RETAIN_SEND_IF_NEW_SUB)

    def _note_subscribed(self, fault: str | None = None) -> None:
        with self._link:
            self._subscribed = True
            self._fault = fault or self._fault
        self._client.publish(self._status, b"online", qos=0, retain=True)

    def _forget_what_comes_again(self) -> None:
        """Let go of messages of earlier connections that still wait: the session repeats them."""
        with self._arrived:
            kept = [m for m in self._waiting if not m.packet_id or m.connection == self._connection]
            self._waiting = deque(kept)
            self._waiting_bytes = sum(len(message.payload) for message in kept)

    def _on_connect_fail(self, *_: Any) -> None:
        with self._link:
            self._change(connected=False, fault=f"no connection: {sys.exception()}")

    def _on_disconnect(
        self, _: mqtt.Client, __: Any, ___: mqtt.DisconnectFlags, reason: ReasonCode, ____: Any
    ) -> None:
        with self._link:
            said_before = None if self._connected else self._fault  # a refusal says more
            self._change(connected=False, fault=said_before or self._why_it_ended(reason))

    def _why_it_ended(self, reason: ReasonCode) -> str:
        name = f"the client_id {self.broker.client_id!r}"
        if reason.value == _TAKEN_OVER:
            return f"another program took over {name}"
        if self._connected and _now_ms() - self._since_ms < _AT_ONCE_MS:
            # Not every broker says that a session was taken over; Mosquitto 2.0 does not.
            return f"the broker ended the connection at once; does another program use {name}?"
        return f"the connection ended: {reason}"

    def _on_subscribe(
        self, _: mqtt.Client, __: Any, ___: int, reasons: list[ReasonCode], ____: Any
    ) -> None:
        refused = [
            f"{topic_filter} ({reason})"
            for topic_filter, reason in zip(self.filters, reasons, strict=False)
            if reason.is_failure
        ]
        words = f"the broker refuses to send us {', '.join(refused)}"
        self._note_subscribed(words if refused else None)

    def _on_message(self, _: mqtt.Client, __: Any, message: mqtt.MQTTMessage) -> None:
        """Take a message that the client has left to paho, as it does with what is unusual."""
        try:
            topic = message.topic.encode()
        except UnicodeDecodeError:
            topic = b"\xff"
        packet_id = message.mid if message.qos else 0
        one = Publication(topic, bytes(message.payload), packet_id, message.retain, message.dup)
        self._on_publications([one])

    def _on_publications(self, found: Sequence[Publication]) -> None:
        received_ms, connection, resumed = _now_ms(), self._connection, self._resumed
        arrived = [
            Message(
                _text(topic), payload, received_ms, retained, packet_id, connection, dup, resumed
            )
            for topic, payload, packet_id, retained, dup in found
        ]
        most_n = WAITING_MOST_N + self.broker.receive_maximum
        with self._arrived:
            nothing_waited = not self._waiting
            for message in arrived:
                if not message.packet_id and self._is_full():
                    self._let_go_n += 1
                    continue
                if len(self._waiting) >= most_n:
                    self._wait_for_room(most_n)
                self._waiting.append(message)
                self._waiting_bytes += len(message.payload)
            if nothing_waited and self._waiting:
                self._arrived.notify()

    def _wait_for_room(self, most_n: int) -> None:
        """Let the broker wait; the connection is ended before it gives us up.

        The caller holds ``_arrived``.
        """
        self._arrived.notify_all()
        if not self._arrived.wait_for(lambda: len(self._waiting) < most_n, ROOM_WAIT_S):
            raise BrokerError(
                f"More than {most_n:,} messages wait to be stored, and the broker sends more.",
                where=self.broker.url,
                remedy="Bound them at the broker (Mosquitto: max_inflight_messages).",
            )

    def _on_fault(self, fault: BaseException) -> None:
        with self._link:
            words = str(fault) if isinstance(fault, VatsideError) else repr(fault)
            self._change(connected=False, fault=f"a fault while receiving: {words}")

    def _is_full(self) -> bool:
        return len(self._waiting) >= WAITING_MOST_N or self._waiting_bytes >= WAITING_MOST_BYTES

    def _change(self, *, connected: bool, fault: str | None) -> None:
        """Note how we stand; the caller holds ``_link``."""
        if connected != self._connected:
            self._since_ms = _now_ms()
        self._connected = connected
        self._subscribed = False
        self._fault = fault


def _refusal(reason: ReasonCode) -> str:
    """Why a broker does not let us in, with what can be done where that is known."""
    words = f"the broker refuses us: {reason}"
    if reason.value == _OTHER_VERSION:
        words += '; with mqtt = "3.1.1" in [broker] it may'
    return words


def _text(topic: bytes) -> str:
    try:
        return topic.decode()
    except UnicodeDecodeError:
        return "(a topic that is no UTF-8)"


def answers(broker: BrokerSettings) -> bool:
    """Whether anything listens at the broker's address."""
    try:
        socket.create_connection((broker.host, broker.port), timeout=2.0).close()
    except OSError:
        return False
    return True


def refused_filters(
    broker: BrokerSettings, filters: Iterable[str], limit_s: float = 10.0
) -> dict[str, str]:
    """The topic filters that a broker refuses us, with its reasons; for a check.

    Asks under a name, in a session and in share groups of its own, so that nothing is taken
    away from a collector that runs. Raises ``BrokerError`` when the broker does not let us in.
    """
    name = f"{broker.client_id}-check-{secrets.token_hex(4)}"
    asked = [
        topics.shared(topics.unshared(f), name) if _is_shared(f, broker) else f for f in filters
    ]
    wanted = list(topics.needed(asked))
    answered = threading.Event()
    refused: dict[str, str] = {}
    fault = ["there is no answer"]

    def connected(_: mqtt.Client, __: Any, ___: Any, reason: ReasonCode, ____: Any) -> None:
        if reason.is_failure:
            fault[0] = _refusal(reason)
            answered.set()
            return
        if wanted:
            client.subscribe_to(wanted, SubscribeOptions.RETAIN_DO_NOT_SEND)
        else:
            fault.clear()
            answered.set()

    def subscribed(_: Any, __: Any, ___: Any, reasons: list[ReasonCode], ____: Any) -> None:
        for one, reason in zip(wanted, reasons, strict=False):
            if reason.is_failure:
                refused[topics.unshared(one)] = str(reason)
        fault.clear()
        answered.set()

    def failed(*_: Any) -> None:
        fault[0] = f"there is no connection: {sys.exception()}"
        answered.set()

    client = client_for(broker, name)
    client.on_connect = connected
    client.on_connect_fail = failed
    client.on_subscribe = subscribed
    connect(client, broker, keep_session=False)
    answered.wait(limit_s)
    client.disconnect()
    client.loop_stop()
    if fault:
        raise BrokerError(
            f"{fault[0]}.",
            where=broker.url,
            remedy="Check that the broker runs and that [broker] in vatside.toml is right.",
        )
    return refused


def _is_shared(topic_filter: str, broker: BrokerSettings) -> bool:
    return topics.shared(topic_filter, broker.share_group).startswith(topics.SHARE)


def wait_until_subscribed(subscriber: Subscriber, limit_s: float) -> None:
    """Wait until messages can come; raises ``BrokerError`` with the reason when it fails."""
    end_s = time.monotonic() + limit_s
    while not subscriber.link.subscribed:
        if time.monotonic() > end_s:
            raise BrokerError(
                subscriber.link.fault or "no answer yet.",
                where=subscriber.broker.url,
                remedy="Check that the broker runs and that [broker] in vatside.toml is right.",
            )
        time.sleep(0.02)


def _now_ms() -> int:
    return time.time_ns() // 1_000_000
