"""What the collector takes, in one run against one Mosquitto on this machine's disk.

    python tests/bench/bench_ingest.py [MESSAGES]

Rates, each draining a backlog of its own that was published before it started:

- *ceiling*: a bare paho subscriber, QoS 1, that does nothing with what comes;
- *vatside*: the collector, decoding JSON with a time, Pt100 ohms through their chain and a
  correction, marks, one durable commit a batch (synchronous FULL), then acknowledging;
- *bare numbers*: the same for messages without a time, whose deliveries are kept as well;
- *script*: what a user would write: ``json.loads`` and one committed INSERT per message;
- *packs*: SenML packs of 50 readings.

Then a collector in a process of its own: how long after it was published a reading can be
read, at 1,000 messages a second, and its memory before and after MESSAGES messages
(``memory_over_messages.py`` does two million).

Mosquitto is run with ``max_inflight_messages 1000``; with its own 20 each batch is 20 at most.
"""

from __future__ import annotations

import itertools
import json
import os
import platform
import sqlite3
import statistics
import sys
import tempfile
import threading
import time
from collections.abc import Callable, Iterable
from pathlib import Path
from typing import Any

import psutil
from paho.mqtt import client as mqtt
from paho.mqtt.enums import CallbackAPIVersion
from paho.mqtt.packettypes import PacketTypes
from paho.mqtt.properties import Properties

from collector.calibration import Chain, Correction
from collector.channels import Channel
from collector.config import Settings
from collector.publisher import Publisher
from collector.readings import Role
from collector.service import Collector
from collector.signals import Platinum
from collector.store.sqlite import SqliteStore
from collector.subscriber import Subscriber
from tests.brokers import CollectorProcess, broker_settings, mosquitto, wait_until

NOON_S = 1_767_268_800
SIGNAL = Platinum()
VAT = Channel(
    id="vat-north",
    role=Role.VAT_TEMPERATURE,
    topic="cellar/north/vat",
    value="/r",
    time="/at",
    signal=SIGNAL,
)
BARE = Channel(id="room", role=Role.ROOM_TEMPERATURE, topic="cellar/room")
PACK = Channel(
    id="chamber", role=Role.CHAMBER_TEMPERATURE, topic="cellar/chamber", senml="cellar:chamber"
)
CHAIN = {VAT.id: Chain(SIGNAL, (Correction(0, ((0.2, 0.0), (99.1, 99.6))),))}
READINGS_A_PACK = 50
LIMIT_S = 600


def ohms(n: int) -> Iterable[bytes]:
    """JSON messages of a Pt100, a second apart."""
    for i in range(n):
        stamp = time.strftime("%Y-%m-%dT%H:%M:%SZ", time.gmtime(NOON_S + i))
        yield f'{{"at":"{stamp}","r":{SIGNAL.at(20 + i % 500 / 100):.3f}}}'.encode()


def numbers(n: int) -> Iterable[bytes]:
    """Bare numbers."""
    return (f"{18 + i % 500 / 100:.2f}".encode() for i in range(n))


def packs(n: int) -> Iterable[bytes]:
    """SenML packs of a reading a second."""
    for i in range(n):
        start_s = NOON_S + i * READINGS_A_PACK
        pack: list[dict[str, Any]] = [
            {"bn": "cellar:chamber", "bt": start_s, "bu": "Cel", "v": 60.0}
        ]
        pack += [{"t": j, "v": 60 + j / 10} for j in range(1, READINGS_A_PACK)]
        yield json.dumps(pack).encode()


def open_session(url: str, name: str, topic: str) -> None:
    """Subscribe under a name and leave, so that the broker keeps what is published next."""
    subscriber = Subscriber(broker_settings(url, name), [topic])
    subscriber.start()
    wait_until(lambda: subscriber.link.subscribed, "subscribed")
    subscriber.stop()


def publish(url: str, topic: str, payloads: Iterable[bytes]) -> None:
    """Publish them all."""
    with Publisher(broker_settings(url)) as publisher:
        for payload in payloads:
            publisher.publish(topic, payload)
        publisher.drain()


def plain_client(url: str, name: str, on_message: Callable[..., None]) -> mqtt.Client:
    """paho's own client that goes on with a session and acknowledges by itself."""
    broker = broker_settings(url, name)
    client = mqtt.Client(CallbackAPIVersion.VERSION2, client_id=name, protocol=mqtt.MQTTv5)
    client.on_message = on_message
    properties = Properties(PacketTypes.CONNECT)  # type: ignore[no-untyped-call]
    properties.ReceiveMaximum = broker.receive_maximum
    properties.SessionExpiryInterval = broker.session_expiry_s
    client.connect_async(broker.host, broker.port, clean_start=False, properties=properties)
    client.loop_start()
    return client


def ceiling(url: str, name: str, n: int) -> float:
    """Messages a second of a subscriber that only counts."""
    seen = 0

    def count(*_: Any) -> None:
        nonlocal seen
        seen += 1

    began_s = time.perf_counter()
    client = plain_client(url, name, count)
    wait_until(lambda: seen >= n, "all have come", LIMIT_S)
    took_s = time.perf_counter() - began_s
    client.disconnect()
    client.loop_stop()
    return n / took_s


def vatside(
    url: str, name: str, folder: Path, channel: Channel, n: int, a_message: int = 1
) -> float:
    """Messages a second of the collector until all are durably stored."""
    settings = Settings(channels=(channel,))
    with SqliteStore(folder / f"{name}.db") as store:
        source = Subscriber(broker_settings(url, name), [channel.topic])
        collector = Collector(settings, store, source, chains=lambda: CHAIN)
        thread = threading.Thread(target=collector.run)
        began_s = time.perf_counter()
        thread.start()
        wait_until(lambda: collector.state.kept.stored >= n * a_message, "all are kept", LIMIT_S)
        took_s = time.perf_counter() - began_s
        collector.stop()
        thread.join()
        assert store.count() == n * a_message
        assert store.accounts().balanced
    return n / took_s


def script(url: str, name: str, folder: Path, n: int) -> float:
    """Messages a second of json.loads and one committed INSERT per message, SQLite's defaults."""
    seen = 0
    done = threading.Event()
    connection = sqlite3.connect(folder / "script.db", check_same_thread=False)
    connection.execute("CREATE TABLE reading (at TEXT, value REAL)")

    def keep(_: Any, __: Any, message: Any) -> None:
        nonlocal seen
        tree = json.loads(message.payload)
        connection.execute("INSERT INTO reading VALUES (?, ?)", (tree["at"], tree["r"]))
        connection.commit()
        seen += 1
        if seen >= n:
            done.set()

    began_s = time.perf_counter()
    client = plain_client(url, name, keep)
    assert done.wait(LIMIT_S)
    took_s = time.perf_counter() - began_s
    client.disconnect()
    client.loop_stop()
    connection.close()
    return n / took_s


SETTINGS = """
[broker]
url = "{url}"
client_id = "alone"
[store]
folder = "kept"
[[channel]]
id = "vat-north"
role = "printer_power"
topic = "cellar/alone"
value = "/v"
time = "/at"
time_form = "unix_ms"
"""


def alone(url: str, folder: Path) -> CollectorProcess:
    """A collector in a process of its own, not started yet."""
    folder.mkdir()
    path = folder / "vatside.toml"
    path.write_text(SETTINGS.format(url=url))
    return CollectorProcess(path)


def delays_ms(url: str, folder: Path, per_s: int, seconds: int) -> list[float]:
    """How long after it was published each reading can be read [ms], looked at every 2 ms."""
    n = per_s * seconds
    sent_s: list[float] = []
    seen_s: list[float] = []
    with alone(url, folder) as collector:
        collector.wait_until_listening()
        store = SqliteStore(folder / "kept" / "readings.db", read_only=True)

        def look() -> None:
            while len(seen_s) < n:
                latest = store.latest().get("vat-north")
                now_s = time.perf_counter()
                there_n = 0 if latest is None else int(latest.value) + 1
                seen_s.extend([now_s] * (there_n - len(seen_s)))
                time.sleep(0.002)

        looking = threading.Thread(target=look)
        looking.start()
        began_s = time.perf_counter()
        with Publisher(broker_settings(url)) as publisher:
            for i in range(n):
                time.sleep(max(0.0, began_s + i / per_s - time.perf_counter()))
                sent_s.append(time.perf_counter())
                now_ms = time.time_ns() // 1_000_000
                publisher.publish("cellar/alone", f'{{"at":{now_ms + i},"v":{i}}}'.encode())
            publisher.drain()
        looking.join(60)
        store.close()
    return [(seen - sent) * 1_000 for sent, seen in zip(sent_s, seen_s, strict=True)]


def memory_mb(url: str, folder: Path, n: int, looks_n: int = 10) -> list[float]:
    """Resident memory of a collector [MB] after each tenth of ``n`` messages at full speed."""
    looked: list[float] = []
    with alone(url, folder) as collector:
        collector.wait_until_listening()
        assert collector.process is not None
        process = psutil.Process(collector.process.pid)
        counter = itertools.count()
        with SqliteStore(folder / "kept" / "readings.db", read_only=True) as store:
            for _ in range(looks_n):
                part = (
                    f'{{"at":{NOON_S * 1_000 + i * 1_000},"v":{i % 1_000}}}'.encode()
                    for i in itertools.islice(counter, n // looks_n)
                )
                publish(url, "cellar/alone", part)
                wanted_n = (len(looked) + 1) * (n // looks_n)
                wait_until(
                    lambda: store.accounts().messages_stored >= wanted_n,  # noqa: B023
                    "all is kept",
                    LIMIT_S,
                )
                looked.append(process.memory_info().rss / 1e6)
    return looked


def machine() -> str:
    """The kind of machine this ran on."""
    memory_gb = psutil.virtual_memory().total / 1e9
    cores = f"{os.cpu_count()} cores {platform.machine()}"
    return f"{cores}, {memory_gb:.0f} GB, Python {platform.python_version()}"


def main() -> None:
    """Run all and print rates and ratios."""
    n = int(sys.argv[1]) if len(sys.argv) > 1 else 30_000
    few, packs_n = max(200, n // 100), max(200, n // 10)
    print(machine(), flush=True)
    with tempfile.TemporaryDirectory(dir=".") as place:
        folder = Path(place).absolute()
        with mosquitto(folder / "broker", ["max_inflight_messages 1000"]) as broker:
            url = broker.url

            def backlog(name: str, channel: Channel, payloads: Iterable[bytes]) -> str:
                open_session(url, name, channel.topic)
                publish(url, channel.topic, payloads)
                return name

            # Ceiling and vatside take turns, for the machine is never the same twice.
            tops, ours = [], []
            for turn in range(3):
                tops.append(ceiling(url, backlog(f"ceiling{turn}", VAT, ohms(n)), n))
                ours.append(vatside(url, backlog(f"ours{turn}", VAT, ohms(n)), folder, VAT, n))
            top, our = statistics.median(tops), statistics.median(ours)
            print(f"ceiling       {top:10,.0f} messages/s  bare paho subscriber, QoS 1")
            print(f"vatside       {our:10,.0f} messages/s  durable; {our / top:.2f} of the ceiling")
            bare = vatside(url, backlog("bare", BARE, numbers(n)), folder, BARE, n)
            print(f"bare numbers  {bare:10,.0f} messages/s  durable", flush=True)
            plain = script(url, backlog("script", VAT, ohms(few)), folder, few)
            print(f"script        {plain:10,.0f} messages/s  vatside is {our / plain:.0f} times it")
            name = backlog("packs", PACK, packs(packs_n))
            pack = vatside(url, name, folder, PACK, packs_n, READINGS_A_PACK)
            print(f"packs of 50   {pack * READINGS_A_PACK:10,.0f} readings/s", flush=True)
            delays = sorted(delays_ms(url, folder / "delays", 1_000, 15))
            half, most = delays[len(delays) // 2], delays[len(delays) * 99 // 100]
            print(
                f"to be read at 1,000 messages/s: half within {half:.0f} ms, 99 % in {most:.0f} ms"
            )
            memory = memory_mb(url, folder / "memory", 5 * n)
            print(f"memory over {5 * n:,} messages: {memory[0]:.1f} MB, then {memory[-1]:.1f} MB")


if __name__ == "__main__":
    main()
