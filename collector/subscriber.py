"""Listens to an MQTT broker and holds each message until it has been kept. Uses paho.

MQTT 5 or 3.1.1 at QoS 1. The broker keeps our session while we are away; a message is
acknowledged only when :meth:`Subscriber.acknowledge` is called, and what is not acknowledged
comes again.
Two rules follow from what brokers do, and one from the library:

- After a reconnect a packet identifier may stand for another message. Each message carries the
  number of the connection it came by, and an acknowledgement for an earlier connection is
  dropped.
- What it sends beyond what we can hold is not read, or let go and counted
  (:mod:`collector.inbox`).
- An exception in a callback would end paho's network thread unseen. Ours starts again: a fault
  while a message is received ends the connection, so that the message comes again.

The only module that imports paho; others take its client from here. Two things are added to it:

- Its network thread goes on after a fault of its own.
- It reads what has come from the socket in one piece, hands over all PUBLISH packets in it at
  once, and sends all acknowledgements of a batch in one piece. paho itself asks the system
  four times for each message and once for each acknowledgement, and every time the thread
  that decodes and commits may keep it waiting.

Where a paho should come that reads in another way, its own is used, which is only slower.
"""

from __future__ import annotations

import struct
import sys
import threading
import time
from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass
from typing import Any, NamedTuple

from paho.mqtt import client as mqtt
from paho.mqtt.enums import CallbackAPIVersion, MessageType, MQTTErrorCode
from paho.mqtt.packettypes import PacketTypes
from paho.mqtt.properties import Properties
from paho.mqtt.reasoncodes import ReasonCode
from paho.mqtt.subscribeoptions import SubscribeOptions

from collector import broker_words, topics
from collector.config import BrokerSettings, MqttVersion
from collector.errors import BrokerError, SettingsError, VatsideError
from collector.inbox import Inbox, Message
from collector.publications import Publication, packet_end, publications
from collector.tls import tls_context

KEEPALIVE_S = 30
FIRST_PAUSE_S = 1
LONGEST_PAUSE_S = 30

#: So much is asked of the socket at once: some thousand messages of a usual sensor.
READ_BYTES = 256 * 1024

#: When a broker is to send retained messages, as MQTT 5 has it (section 3.8.3.1).
RETAINED_IF_NEW = SubscribeOptions.RETAIN_SEND_IF_NEW_SUB
NO_RETAINED = SubscribeOptions.RETAIN_DO_NOT_SEND

_READS_BY_OURS = hasattr(mqtt.Client, "_sock_recv")
_QUEUES_BY_OURS = hasattr(mqtt.Client, "_packet_queue")
_PUBACK = struct.Struct("!BBH")

_TAKEN_OVER = 0x8E  # MQTT 5 section 2.4: session taken over
_AT_ONCE_MS = 3_000


class Client(mqtt.Client):
    """paho's client; ``on_publications``, when set, gets what comes instead of ``on_message``.

    It is called in the network thread with all messages that came in one piece. What it raises
    ends the connection, and whatever was not acknowledged comes again by the next one.
    """

    on_fault: Callable[[BaseException], None] | None = None
    on_publications: Callable[[Sequence[Publication]], None] | None = None

    _came: Sequence[bytes] = ()  # read and not handled yet
    _came_n = 0
    _wanted_n = 0  # so much is needed for the next packet to be whole
    _handed = b""  # a packet for paho to read
    _ended = False

    def loop_forever(
        self, timeout: float = 1.0, retry_first_connection: bool = False
    ) -> MQTTErrorCode:
        """Run until told to stop, connecting anew after any exception."""
        while True:
            try:
                return super().loop_forever(timeout, retry_first_connection)
            except Exception as fault:
                if self.on_fault is not None:
                    self.on_fault(fault)
                if self._thread_terminate:
                    return MQTTErrorCode.MQTT_ERR_UNKNOWN
                time.sleep(FIRST_PAUSE_S)
                try:
                    self.reconnect()
                except Exception as again:
                    if self.on_fault is not None:
                        self.on_fault(again)

    @property
    def is_mqtt_5(self) -> bool:
        """Whether it speaks MQTT 5.0, and not 3.1.1."""
        return bool(self.protocol == mqtt.MQTTv5)

    def subscribe_to(self, filters: Iterable[str], retained: int) -> None:
        """Subscribe at QoS 1; ``retained`` is MQTT 5's option of when retained messages come."""
        if self.is_mqtt_5:
            options = SubscribeOptions(qos=1, retainHandling=retained)
            self.subscribe([(one, options) for one in filters])
        else:
            self.subscribe([(one, 1) for one in filters])

    def reconnect(self) -> MQTTErrorCode:
        """Connect anew; what came by the old connection and was not handled is forgotten."""
        self._leave_over(b"")
        self._handed, self._ended = b"", False
        return super().reconnect()

    def loop_read(self, max_packets: int = 1) -> MQTTErrorCode:
        """Handle every whole packet that has come."""
        if not _READS_BY_OURS:
            return super().loop_read(max_packets)
        try:
            piece = super()._sock_recv(READ_BYTES)
        except BlockingIOError:
            return MQTTErrorCode.MQTT_ERR_SUCCESS
        except OSError:
            piece = b""
        if not piece:
            self._ended = True  # paho finds that out by itself, and what is to be done then
            return super().loop_read(max_packets)
        self._last_bytes_received = time.monotonic()  # or paho would ask if the broker is there
        self._came = (*self._came, piece)
        self._came_n += len(piece)
        if self._came_n < self._wanted_n:
            return MQTTErrorCode.MQTT_ERR_SUCCESS
        return self._handle_whole_packets(b"".join(self._came))

    def _handle_whole_packets(self, came: bytes) -> MQTTErrorCode:
        rc, place, end = MQTTErrorCode.MQTT_ERR_SUCCESS, 0, None
        while rc == MQTTErrorCode.MQTT_ERR_SUCCESS:
            if self.on_publications is not None:
                found, place = publications(came, place, has_properties=self.is_mqtt_5)
                if found:
                    self.on_publications(found)
            end = packet_end(came, place)
            if end is None or end > len(came):
                break
            self._handed, place = came[place:end], end
            rc = super().loop_read(1)
        self._leave_over(came[place:], (end or 0) - place)
        return rc

    def _leave_over(self, rest: bytes, wanted_n: int = 0) -> None:
        self._came, self._came_n, self._wanted_n = (rest,), len(rest), wanted_n

    def _sock_recv(self, bufsize: int) -> bytes:
        """What paho reads: the packet that is handed to it, then the end if it was reached."""
        if not (self._handed or self._ended):
            raise BlockingIOError
        taken, self._handed = self._handed[:bufsize], self._handed[bufsize:]
        return taken

    def acknowledge(self, packet_ids: Sequence[int]) -> None:
        """Acknowledge messages of QoS 1 in one piece; for a client made with ``manual_ack``."""
        if not packet_ids:
            return
        if not _QUEUES_BY_OURS:
            for packet_id in packet_ids:
                self.ack(packet_id, 1)
            return
        packets = b"".join(_PUBACK.pack(MessageType.PUBACK, 2, one) for one in packet_ids)
        self._packet_queue(MessageType.PUBACK, packets, packet_ids[-1], 1)


def client_for(
    broker: BrokerSettings, client_id: str, *, manual_ack: bool = False, keep_session: bool = False
) -> Client:
    """A client for a broker, not connected yet: version, TLS and login as the settings say."""
    version_5 = broker.mqtt is MqttVersion.V5
    client = Client(
        CallbackAPIVersion.VERSION2,
        client_id=client_id,
        clean_session=None if version_5 else not keep_session,
        protocol=mqtt.MQTTv5 if version_5 else mqtt.MQTTv311,
        manual_ack=manual_ack,
    )
    if broker.tls:
        client.tls_set_context(tls_context(broker))
    if broker.username is not None:
        client.username_pw_set(broker.username, broker.password)
    client.reconnect_delay_set(FIRST_PAUSE_S, LONGEST_PAUSE_S)
    return client


def connect(client: Client, broker: BrokerSettings, *, keep_session: bool) -> None:
    """Start connecting in the background, and keep trying; with a session that lasts or not.

    ``keep_session`` as the client was made with: in MQTT 3.1.1 it belongs to the client.
    """
    if client.is_mqtt_5:
        properties = Properties(PacketTypes.CONNECT)  # type: ignore[no-untyped-call]
        properties.ReceiveMaximum = broker.receive_maximum
        if keep_session:
            properties.SessionExpiryInterval = broker.session_expiry_s
        client.connect_async(
            broker.host,
            broker.port,
            keepalive=KEEPALIVE_S,
            clean_start=not keep_session,
            properties=properties,
        )
    else:
        client.connect_async(broker.host, broker.port, keepalive=KEEPALIVE_S)
    client.loop_start()


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
        self._inbox = Inbox(broker.url, broker.receive_maximum)
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
        return self._inbox.take(most_n, wait_s)

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
                waiting_n=len(self._inbox),
                let_go_n=self._inbox.let_go_n,
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
                self._change(
                    connected=False,
                    fault=broker_words.refused(reason.value, str(reason), self.broker),
                )
            return
        with self._link:
            self._connection += 1
            self._resumed = flags.session_present
            self._change(connected=True, fault=None)
        if flags.session_present:
            self._inbox.forget_what_comes_again(self._connection)
        if self._asked_before and flags.session_present and not self._client.is_mqtt_5:
            # Asked again, a broker of MQTT 3.1.1 would send every retained message again.
            self._note_subscribed()
        elif self.filters:
            self._asked_before = True
            self._client.subscribe_to(self.filters, RETAINED_IF_NEW)

    def _note_subscribed(self, fault: str | None = None) -> None:
        with self._link:
            self._subscribed = True
            self._fault = fault or self._fault
        self._client.publish(self._status, b"online", qos=0, retain=True)

    def _on_connect_fail(self, *_: Any) -> None:
        with self._link:
            self._change(
                connected=False, fault=broker_words.no_connection(sys.exception(), self.broker)
            )

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
        if not self._connection:
            return broker_words.ended_unheard(self.broker)
        return broker_words.ended(reason.value, str(reason))

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
        self._inbox.put(arrived)

    def _on_fault(self, fault: BaseException) -> None:
        with self._link:
            words = str(fault) if isinstance(fault, VatsideError) else repr(fault)
            self._change(connected=False, fault=f"a fault while receiving: {words}")

    def _change(self, *, connected: bool, fault: str | None) -> None:
        """Note how we stand; the caller holds ``_link``."""
        if connected != self._connected:
            self._since_ms = _now_ms()
        self._connected = connected
        self._subscribed = False
        self._fault = fault


def _text(topic: bytes) -> str:
    try:
        return topic.decode()
    except UnicodeDecodeError:
        return "(a topic that is no UTF-8)"


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
