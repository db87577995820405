"""The embedded broker: ours alone, both MQTT versions, back when it dies, gone when we go."""

from __future__ import annotations

import os
import signal
import subprocess
import sys
import tomllib
from typing import Any

import psutil
import pytest

from collector.broker import EmbeddedBroker, configuration
from collector.errors import BrokerError, SettingsError
from collector.publisher import Publisher
from collector.subscriber import Subscriber, client_for, wait_until_subscribed
from tests.brokers import broker_settings, embedded, wait_until


def test_it_listens_to_this_machine_alone() -> None:
    with embedded() as broker:
        assert broker.pid is not None
        listening = [
            connection.laddr
            for connection in psutil.Process(broker.pid).net_connections("tcp")
            if connection.status == psutil.CONN_LISTEN
        ]
        assert {(ip, port) for ip, port in listening} == {
            ("127.0.0.1", broker.port),
            ("127.0.0.1", broker.port_v5),
        }


def test_an_old_sensor_reaches_the_collector() -> None:
    """MQTT 3.1.1 in, MQTT 5 out, and a payload far beyond the package's own limit of 20 KiB."""
    import paho.mqtt.client as mqtt
    from paho.mqtt.enums import CallbackAPIVersion

    with embedded() as broker:
        subscriber = Subscriber(broker_settings(broker.url), ["cellar/#"])
        subscriber.start()
        wait_until_subscribed(subscriber, 10)
        sensor = mqtt.Client(CallbackAPIVersion.VERSION2, protocol=mqtt.MQTTv311)
        sensor.connect("127.0.0.1", broker.port)
        sensor.loop_start()
        sensor.publish("cellar/vat", b"x" * 200_000, qos=1).wait_for_publish(10)
        (got,) = subscriber.take(1, 10)
        assert (got.topic, len(got.payload)) == ("cellar/vat", 200_000)
        sensor.disconnect()
        sensor.loop_stop()
        subscriber.stop()


def test_what_it_keeps_for_a_collector_that_is_away() -> None:
    """The bound that the module's docstring states: some 20,000 messages of 100 bytes each."""
    payload = b"x" * 95 + b"%05d"
    with EmbeddedBroker(subscriptions_n=8, say=lambda _: None) as broker:
        subscriber = Subscriber(broker_settings(broker.url), ["cellar/vat"])
        subscriber.start()
        wait_until_subscribed(subscriber, 10)
        subscriber.stop()
        with Publisher(broker_settings(broker.url)) as publisher:
            for number in range(20_000):
                publisher.publish("cellar/vat", payload % number)
            publisher.drain()
        subscriber = Subscriber(broker_settings(broker.url), ["cellar/vat"])
        subscriber.start()
        got: list[bytes] = []
        while len(got) < 20_000:
            batch = subscriber.take(5_000, 10)
            assert batch, f"only {len(got)} came"
            subscriber.acknowledge(batch)
            got += [message.payload for message in batch]
        subscriber.stop()
        assert got == [payload % number for number in range(20_000)]


def test_it_comes_back_when_it_dies() -> None:
    said: list[str] = []
    with EmbeddedBroker(say=said.append) as broker:
        for n in (1, 2):
            pid = broker.pid
            assert pid is not None
            os.kill(pid, signal.SIGKILL)
            wait_until(lambda n=n: broker.restarts_n == n, "it is started again")  # type: ignore[misc]
            assert broker.pid not in (None, pid)
        assert said == ["The embedded broker ended; what it held is gone. Starting it again."] * 2
    assert broker.pid is None


def test_it_ends_with_the_process_that_started_it() -> None:
    script = (
        "from collector.broker import EmbeddedBroker; import time;"
        "print(EmbeddedBroker().start().pid, flush=True); time.sleep(60)"
    )
    parent = subprocess.Popen([sys.executable, "-c", script], stdout=subprocess.PIPE, text=True)
    assert parent.stdout is not None
    pid = int(parent.stdout.readline())
    assert psutil.pid_exists(pid)
    parent.kill()
    parent.wait(10)
    parent.stdout.close()
    wait_until(lambda: not _alive(pid), "the broker ends")


def _alive(pid: int) -> bool:
    try:
        return psutil.Process(pid).status() != psutil.STATUS_ZOMBIE
    except psutil.NoSuchProcess:
        return False


def test_a_port_that_is_taken_is_said() -> None:
    with embedded() as broker, pytest.raises(BrokerError, match=f"Port {broker.port} is taken"):
        EmbeddedBroker(broker.port).start()


def test_the_configuration_bounds_its_memory() -> None:
    one: dict[str, Any] = tomllib.loads(configuration("127.0.0.1", 1, 2, subscriptions_n=1))
    many: dict[str, Any] = tomllib.loads(configuration("127.0.0.1", 1, 2, subscriptions_n=50))
    assert one["router"]["max_segment_size"] == 1_048_576
    assert (one["router"]["max_segment_count"], many["router"]["max_segment_count"]) == (16, 2)
    assert one["v4"]["1"]["listen"] == "127.0.0.1:1"
    assert one["v5"]["1"]["listen"] == "127.0.0.1:2"


def test_other_machines_need_a_password() -> None:
    with pytest.raises(SettingsError, match=r"0\.0\.0\.0 without a password"):
        configuration("0.0.0.0", 1883, 1884)
    users = {"north": 'a "quoted" \\ one'}
    parsed: dict[str, Any] = tomllib.loads(configuration("0.0.0.0", 1883, 1884, users=users))
    assert parsed["v4"]["1"]["connections"]["auth"] == users
    with pytest.raises(SettingsError, match="control character"):
        configuration("0.0.0.0", 1883, 1884, users={"north": "a\nb"})


def test_a_password_is_asked_for() -> None:
    with EmbeddedBroker(users={"north": "frost"}, say=lambda _: None) as broker:
        right = broker_settings(broker.url)
        stranger = Publisher(right, connect_limit_s=1)
        with pytest.raises(BrokerError):
            stranger.start()
        client = client_for(right, "north")
        client.username_pw_set("north", "frost")
        client.connect("127.0.0.1", broker.port_v5)
        client.loop_start()
        wait_until(client.is_connected, "the right password opens")
        client.disconnect()
        client.loop_stop()
