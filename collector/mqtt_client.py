"""paho's client as the rest of the collector uses it: versions, TLS, faults, many at once.

With :mod:`collector.subscriber` the home of paho. Two things are added to the library:

- Its network thread goes on after a fault of its own.
- It reads what has come from the socket in one piece, hands over all PUBLISH packets in it at
  once, and sends all acknowledgements of a batch in one piece. paho itself asks the system
  four times for each message and once for each acknowledgement, and every time the thread
  that decodes and commits may keep it waiting.

Where a paho should come that reads in another way, its own is used, which is only slower.
"""

from __future__ import annotations

import ssl
import struct
import time
from collections.abc import Callable, Iterable, Sequence
from pathlib import Path

from paho.mqtt import client as mqtt
from paho.mqtt.enums import CallbackAPIVersion, MessageType, MQTTErrorCode
from paho.mqtt.packettypes import PacketTypes
from paho.mqtt.properties import Properties
from paho.mqtt.subscribeoptions import SubscribeOptions

from collector.config import BrokerSettings, MqttVersion
from collector.errors import SettingsError
from collector.publications import Publication, packet_end, publications

KEEPALIVE_S = 30
FIRST_PAUSE_S = 1
LONGEST_PAUSE_S = 30

#: So much is asked of the socket at once: some thousand messages of a usual sensor.
READ_BYTES = 256 * 1024

_READS_BY_OURS = hasattr(mqtt.Client, "_sock_recv")
_QUEUES_BY_OURS = hasattr(mqtt.Client, "_packet_queue")
_PUBACK = struct.Struct("!BBH")


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


def tls_context(broker: BrokerSettings) -> ssl.SSLContext:
    """TLS as the settings have it; raises ``SettingsError`` for a file that cannot be used.

    The broker's certificate has to be signed by the authority of ``ca_file``, or by one that
    the system trusts, and to name the host of the url.
    """
    try:
        context = ssl.create_default_context(cafile=broker.ca_file)
    except OSError as fault:  # an SSLError is one
        raise _unfit_file("ca_file", broker.ca_file, fault) from None
    context.sslsocket_class = _TlsSocket
    if broker.certificate_file is not None:
        try:
            context.load_cert_chain(broker.certificate_file, broker.key_file, _refuse_passphrase)
        except (OSError, ValueError) as fault:
            raise _unfit_file("certificate_file", broker.certificate_file, fault) from None
    return context


class _TlsSocket(ssl.SSLSocket):
    """A socket that does not stay open when the handshake fails; paho would forget it."""

    def do_handshake(self, block: bool = False) -> None:
        try:
            super().do_handshake(block)
        except BaseException:
            self.close()
            raise


def _refuse_passphrase() -> str:
    raise ValueError("the key is locked with a passphrase")


def _unfit_file(key: str, path: Path | None, fault: Exception) -> SettingsError:
    return SettingsError(
        f"the file {path} cannot be used: {fault}.",
        where=f"[broker], {key}",
        remedy="Give certificates and an unlocked key as PEM files that this user may read.",
    )


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
