"""Listening to a real broker: held until kept, again after a break, never a wrong answer."""

from __future__ import annotations

import os
import signal
import time
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import replace
from pathlib import Path

import pytest
from paho.mqtt.client import Client

from collector import inbox
from collector import subscriber as module
from collector.broker import EmbeddedBroker
from collector.config import RECEIVE_MAXIMUM_N, BrokerSettings, MqttVersion
from collector.errors import BrokerError, SettingsError
from collector.inbox import Message
from collector.publisher import Publisher
from collector.subscriber import Subscriber, status_topic, wait_until_subscribed
from tests.brokers import broker_settings, embedded, free_port, mosquitto, wait_until


@pytest.fixture
def broker() -> Iterator[EmbeddedBroker]:
    with embedded() as running:
        yield running


@contextmanager
def listening(url: str, *filters: str, client_id: str = "vatside") -> Iterator[Subscriber]:
    subscriber = Subscriber(broker_settings(url, client_id), filters)
    subscriber.start()
    try:
        wait_until_subscribed(subscriber, 10)
        yield subscriber
    finally:
        subscriber.stop()


def publish(url: str, *payloads: bytes, topic: str = "cellar/vat", retain: bool = False) -> None:
    with Publisher(broker_settings(url)) as publisher:
        for payload in payloads:
            publisher.publish(topic, payload, retain=retain)
        publisher.drain()


def collect(subscriber: Subscriber, n: int) -> list[Message]:
    got: list[Message] = []
    end_s = time.monotonic() + 20
    while len(got) < n and time.monotonic() < end_s:
        got += subscriber.take(n, 0.5)
    return got


def payloads(messages: list[Message]) -> list[bytes]:
    return [message.payload for message in messages]


def test_messages_come_in_order_with_their_arrival(broker: EmbeddedBroker) -> None:
    with listening(broker.url, "cellar/#") as subscriber:
        before_ms = time.time_ns() // 1_000_000
        publish(broker.url, b"1", b"2", b"3")
        got = collect(subscriber, 3)
        assert payloads(got) == [b"1", b"2", b"3"]
        assert all(before_ms <= m.received_ms <= time.time_ns() // 1_000_000 for m in got)
        assert all(m.packet_id and not m.retained and m.connection == 1 for m in got)


def test_what_was_not_acknowledged_comes_again(broker: EmbeddedBroker) -> None:
    with listening(broker.url, "cellar/#") as subscriber:
        publish(broker.url, b"1", b"2", b"3")
        got = collect(subscriber, 3)
        subscriber.acknowledge(got[:1])
        time.sleep(0.2)  # the acknowledgement goes out
    with listening(broker.url, "cellar/#") as subscriber:
        again = collect(subscriber, 2)
        assert payloads(again) == [b"2", b"3"]
        subscriber.acknowledge(again)


def test_what_is_published_meanwhile_is_kept_for_us(broker: EmbeddedBroker) -> None:
    with listening(broker.url, "cellar/#"):
        pass
    numbers = [str(i).encode() for i in range(2_000)]
    publish(broker.url, *numbers)
    subscriber = Subscriber(broker_settings(broker.url), ["cellar/#"])
    subscriber.start()
    try:
        got: list[Message] = []
        while len(got) < len(numbers):
            batch = subscriber.take(500, 5)
            assert batch, f"only {len(got)} came"
            subscriber.acknowledge(batch)
            got += batch
        assert payloads(got) == numbers
    finally:
        subscriber.stop()


@pytest.mark.services
def test_a_broken_connection_brings_messages_again_and_old_answers_are_dropped(
    tmp_path: Path,
) -> None:
    with mosquitto(tmp_path) as broker, listening(broker.url, "cellar/#") as subscriber:
        publish(broker.url, b"1", b"2")
        first = collect(subscriber, 2)
        broker.stop()
        wait_until(lambda: not subscriber.link.connected, "the break is noticed")
        assert "connection" in (subscriber.link.fault or "")
        subscriber.acknowledge(first[:1])  # too late: must not answer for another message
        broker.start()
        wait_until(lambda: subscriber.link.subscribed, "it connects by itself")
        again = collect(subscriber, 2)
        assert payloads(again) == [b"1", b"2"]
        assert {m.connection for m in again} == {2}
        subscriber.acknowledge(first)  # the same packet ids, an earlier connection
        assert subscriber.link.stale_n == 3
        subscriber.acknowledge(again)
        publish(broker.url, b"3")
        assert payloads(collect(subscriber, 1)) == [b"3"]


@pytest.mark.services
def test_messages_not_yet_taken_are_not_handed_out_twice(tmp_path: Path) -> None:
    with mosquitto(tmp_path) as broker, listening(broker.url, "cellar/#") as subscriber:
        publish(broker.url, b"1", b"2")
        wait_until(lambda: subscriber.link.waiting_n == 2, "they wait")
        broker.stop()
        broker.start()
        wait_until(lambda: subscriber.link.connection == 2, "it connects again")
        wait_until(lambda: subscriber.link.waiting_n == 2, "they wait again")
        time.sleep(0.2)
        got = subscriber.take(10, 1)
        assert payloads(got) == [b"1", b"2"]
        assert {m.connection for m in got} == {2}


@pytest.mark.services
def test_unacknowledged_messages_brake_the_broker(tmp_path: Path) -> None:
    with (
        mosquitto(tmp_path, ["max_inflight_messages 0"]) as broker,
        listening(broker.url, "cellar/#") as subscriber,
    ):
        publish(broker.url, *[b"x"] * (RECEIVE_MAXIMUM_N + 500))
        wait_until(lambda: subscriber.link.waiting_n == RECEIVE_MAXIMUM_N, "the brake is reached")
        time.sleep(0.3)
        assert subscriber.link.waiting_n == RECEIVE_MAXIMUM_N
        subscriber.acknowledge(subscriber.take(5_000, 1))
        assert len(collect(subscriber, 500)) == 500


@pytest.mark.services
def test_qos_0_beyond_the_bound_is_let_go_and_counted(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(inbox, "WAITING_MOST_N", 10)
    with mosquitto(tmp_path) as broker, listening(broker.url, "cellar/#") as subscriber:
        sender = module.client_for(broker_settings(broker.url), "sender")
        module.connect(sender, broker_settings(broker.url), keep_session=False)
        wait_until(sender.is_connected, "the sender connects")
        for _ in range(25):
            sender.publish("cellar/vat", b"1", qos=0)
        wait_until(lambda: subscriber.link.let_go_n == 15, "the rest is let go")
        assert len(subscriber.take(100, 1)) == 10
        sender.disconnect()
        sender.loop_stop()


@pytest.mark.services
def test_a_flood_at_qos_0_does_not_keep_out_what_comes_at_qos_1(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(inbox, "WAITING_MOST_N", 10)
    with mosquitto(tmp_path) as broker, listening(broker.url, "cellar/#") as subscriber:
        sender = module.client_for(broker_settings(broker.url), "sender")
        module.connect(sender, broker_settings(broker.url), keep_session=False)
        wait_until(sender.is_connected, "the sender connects")
        for _ in range(25):
            sender.publish("cellar/vat", b"1", qos=0)
        wait_until(lambda: subscriber.link.let_go_n == 15, "the rest is let go")
        publish(broker.url, b"2", b"3")
        wait_until(lambda: subscriber.link.waiting_n == 12, "QoS 1 has room")
        assert payloads(subscriber.take(100, 1))[-2:] == [b"2", b"3"]
        assert subscriber.link.connection == 1
        sender.disconnect()
        sender.loop_stop()


def test_a_retained_message_says_that_it_is_one(broker: EmbeddedBroker) -> None:
    publish(broker.url, b"21.5", retain=True)
    with listening(broker.url, "cellar/#") as subscriber:
        (got,) = collect(subscriber, 1)
        assert got.retained


@pytest.mark.services
def test_online_and_offline_are_on_the_broker(tmp_path: Path) -> None:
    with (
        mosquitto(tmp_path) as broker,
        listening(broker.url, status_topic("cellar"), client_id="witness") as witness,
    ):
        with listening(broker.url, "cellar/#", client_id="cellar"):
            assert payloads(collect(witness, 1)) == [b"online"]
        assert payloads(collect(witness, 1)) == [b"offline"]


def test_it_starts_before_the_broker_does() -> None:
    broker = EmbeddedBroker(port_v5=free_port(), say=lambda _: None)
    subscriber = Subscriber(broker_settings(broker.url), ["cellar/#"])
    subscriber.start()
    try:
        wait_until(lambda: "no connection" in (subscriber.link.fault or ""), "the fault is said")
        with pytest.raises(BrokerError, match=r"no connection.*Check that the broker runs"):
            wait_until_subscribed(subscriber, 0.0)
        with broker:
            wait_until(lambda: subscriber.link.subscribed, "it connects by itself")
            publish(broker.url, b"1")
            assert payloads(collect(subscriber, 1)) == [b"1"]
    finally:
        subscriber.stop()


def test_a_fault_inside_the_client_ends_nothing(
    broker: EmbeddedBroker, monkeypatch: pytest.MonkeyPatch
) -> None:
    with listening(broker.url, "cellar/#") as subscriber:
        client = subscriber._client
        original = client._handle_whole_packets

        def broken(came: bytes) -> object:
            monkeypatch.setattr(client, "_handle_whole_packets", original)
            raise RuntimeError("a fault of the library")

        monkeypatch.setattr(client, "_handle_whole_packets", broken)
        publish(broker.url, b"1")
        wait_until(lambda: subscriber.link.connection == 2, "it connects anew")
        wait_until(lambda: subscriber.link.subscribed, "it listens")
        assert payloads(collect(subscriber, 1)) == [b"1"]


def test_what_cannot_be_taken_comes_again_by_a_new_connection(
    broker: EmbeddedBroker, monkeypatch: pytest.MonkeyPatch
) -> None:
    with listening(broker.url, "cellar/#") as subscriber:
        original = module._now_ms

        def broken() -> int:
            monkeypatch.setattr(module, "_now_ms", original)
            raise RuntimeError("no clock")

        monkeypatch.setattr(module, "_now_ms", broken)
        publish(broker.url, b"1", b"2")
        wait_until(lambda: subscriber.link.connection == 2, "it connects anew")
        assert payloads(collect(subscriber, 2)) == [b"1", b"2"]


@pytest.mark.parametrize("by_paho", ["reading", "acknowledging"])
def test_a_paho_that_works_in_another_way_is_left_to_it(
    broker: EmbeddedBroker, monkeypatch: pytest.MonkeyPatch, by_paho: str
) -> None:
    if by_paho == "reading":
        monkeypatch.setattr(module, "_READS_BY_OURS", False)
        monkeypatch.setattr(module.Client, "_sock_recv", Client._sock_recv)
    else:
        monkeypatch.setattr(module, "_QUEUES_BY_OURS", False)
    with listening(broker.url, "cellar/#") as subscriber:
        publish(broker.url, b"1", b"2")
        got = collect(subscriber, 2)
        assert [(m.topic, m.payload, m.connection) for m in got] == [
            ("cellar/vat", b"1", 1),
            ("cellar/vat", b"2", 1),
        ]
        subscriber.acknowledge(got, 7)
        wait_until(lambda: subscriber.settled == 7, "the broker has heard it")
    with listening(broker.url, "cellar/#") as subscriber:
        publish(broker.url, b"3")
        assert payloads(collect(subscriber, 1)) == [b"3"]


def test_messages_of_every_size_come_whole(broker: EmbeddedBroker) -> None:
    """A packet of one, two, three bytes of length, and more than is read in one piece."""
    sizes = [0, 1, 100, 127, 128, 200, 16_383, 20_000, 300_000, 5, 1_000_000, 0, 3]
    sent = [bytes([number]) * size for number, size in enumerate(sizes, start=65)]
    with listening(broker.url, "cellar/#") as subscriber:
        publish(broker.url, *sent)
        assert payloads(collect(subscriber, len(sent))) == sent


@pytest.mark.services
def test_two_with_one_name_are_told(tmp_path: Path) -> None:
    with mosquitto(tmp_path) as broker, listening(broker.url, "cellar/#") as first:
        rival = Subscriber(broker_settings(broker.url), ["cellar/#"])
        rival.start()
        try:
            wait_until(lambda: "another program" in (first.link.fault or ""), "it is said")
        finally:
            rival.stop()


@pytest.mark.services
def test_a_wrong_password_is_said(tmp_path: Path) -> None:
    (tmp_path / "nobody").touch()
    refusing = ["allow_anonymous false", f"password_file {tmp_path / 'nobody'}"]
    with mosquitto(tmp_path, refusing) as broker:
        login = BrokerSettings(
            broker.url, "127.0.0.1", broker.port, username="north", password="wrong"
        )
        subscriber = Subscriber(login, ["cellar/#"])
        subscriber.start()
        try:
            wait_until(lambda: "refuses us" in (subscriber.link.fault or ""), "it is said")
        finally:
            subscriber.stop()
        with pytest.raises(BrokerError, match="refuses us"):
            Publisher(login, connect_limit_s=2).start()


@pytest.mark.parametrize("client_id", ["a/b", "a+", "#", "a\0b"])
def test_a_name_that_fits_no_topic_is_refused(client_id: str) -> None:
    with pytest.raises(SettingsError, match="client_id"):
        Subscriber(broker_settings("mqtt://127.0.0.1", client_id), ["a"])


def test_the_embedded_broker_comes_back_and_so_do_we(broker: EmbeddedBroker) -> None:
    with listening(broker.url, "cellar/#") as subscriber:
        pid = broker.pid
        assert pid is not None
        os.kill(pid, signal.SIGKILL)
        wait_until(lambda: subscriber.link.connection == 2, "it connects again")
        wait_until(lambda: subscriber.link.subscribed, "it listens again")
        assert broker.restarts_n == 1
        publish(broker.url, b"1")
        assert payloads(collect(subscriber, 1)) == [b"1"]


# -- MQTT 3.1.1 ------------------------------------------------------------------------------


@contextmanager
def listening_by_3_1_1(
    url: str, *filters: str, receive_maximum: int = RECEIVE_MAXIMUM_N
) -> Iterator[Subscriber]:
    settings = replace(
        broker_settings(url), mqtt=MqttVersion.V3_1_1, receive_maximum=receive_maximum
    )
    subscriber = Subscriber(settings, filters)
    subscriber.start()
    try:
        wait_until_subscribed(subscriber, 10)
        yield subscriber
    finally:
        subscriber.stop()


@contextmanager
def either(kind: str, folder: Path) -> Iterator[tuple[str, str]]:
    """The addresses of a broker for MQTT 3.1.1 and for 5."""
    if kind == "embedded":
        with embedded() as running:
            yield running.url_v4, running.url
    else:
        with mosquitto(folder) as running_too:
            yield running_too.url, running_too.url


BOTH = pytest.mark.parametrize(
    "kind", ["embedded", pytest.param("mosquitto", marks=pytest.mark.services)]
)


@BOTH
def test_3_1_1_keeps_a_session_and_sends_again_what_was_not_acknowledged(
    kind: str, tmp_path: Path
) -> None:
    with either(kind, tmp_path) as (url, publish_url):
        with listening_by_3_1_1(url, "cellar/#") as subscriber:
            publish(publish_url, b"1", b"2", b"3", b"")
            got = collect(subscriber, 4)
            assert [(m.topic, m.payload) for m in got] == [
                ("cellar/vat", b"1"),
                ("cellar/vat", b"2"),
                ("cellar/vat", b"3"),
                ("cellar/vat", b""),
            ]
            subscriber.acknowledge(got[:2], 7)
            wait_until(lambda: subscriber.settled == 7, "the broker has heard it")
        publish(publish_url, b"4")
        with listening_by_3_1_1(url, "cellar/#") as subscriber:
            again = collect(subscriber, 3)
            assert payloads(again) == [b"3", b"", b"4"]
            assert all(message.resumed for message in again)
            subscriber.acknowledge(again)


@pytest.mark.services
def test_3_1_1_brings_retained_messages_once_and_not_at_every_reconnect(tmp_path: Path) -> None:
    with mosquitto(tmp_path) as broker:
        publish(broker.url, b"kept", retain=True)
        with listening_by_3_1_1(broker.url, "cellar/#") as subscriber:
            (first,) = collect(subscriber, 1)
            assert first.retained
            subscriber.acknowledge([first], 1)
            wait_until(lambda: subscriber.settled == 1, "the broker has heard it")
            broker.stop()
            broker.start()
            wait_until(lambda: subscriber.link.subscribed, "it listens again")
            publish(broker.url, b"new")
            assert payloads(collect(subscriber, 1)) == [b"new"]


def test_a_broker_of_3_1_1_alone_is_told(broker: EmbeddedBroker) -> None:
    """The embedded broker's port for MQTT 3.1.1 knows no other version."""
    subscriber = Subscriber(broker_settings(broker.url_v4), ["cellar/#"])
    subscriber.start()
    try:
        wait_until(lambda: bool(subscriber.link.fault), "it is said")
        assert not subscriber.link.connected
    finally:
        subscriber.stop()


@pytest.mark.services
def test_a_broker_without_a_bound_has_to_wait(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """MQTT 3.1.1 has no receive maximum; memory does not grow, and nothing is lost."""
    monkeypatch.setattr(inbox, "WAITING_MOST_N", 100)
    monkeypatch.setattr(inbox, "ROOM_WAIT_S", 0.2)
    numbers = [str(i).encode() for i in range(350)]
    with (
        mosquitto(tmp_path, ["max_inflight_messages 0"]) as broker,
        listening_by_3_1_1(broker.url, "cellar/#", receive_maximum=1) as subscriber,
    ):
        publish(broker.url, *numbers)
        wait_until(lambda: "101 messages wait" in (subscriber.link.fault or ""), "it is said")
        assert subscriber.link.waiting_n <= 101
        monkeypatch.setattr(inbox, "ROOM_WAIT_S", 30.0)
        wait_until(lambda: subscriber.link.subscribed, "it connects anew")
        wait_until(lambda: subscriber.link.waiting_n == 101, "as much as there is room for")
        seen: list[bytes] = []
        while len(seen) < len(numbers):
            taken = subscriber.take(1_000, 5)
            assert 0 < len(taken) <= 101
            seen += payloads(taken)
            subscriber.acknowledge(taken)
        assert seen == numbers
        assert subscriber.link.stale_n == 0
