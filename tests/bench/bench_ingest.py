"""Messages a second through one Mosquitto, in one run: ceiling, vatside, and a plain script.

    python tests/bench/bench_ingest.py [MESSAGES]

- *ceiling*: a bare paho subscriber, QoS 1, that does nothing with what comes;
- *vatside*: the collector, decoding JSON, one durable commit a batch, then acknowledging;
- *script*: what a user would write: ``json.loads`` and one committed INSERT per message.

Each drains the same backlog, published before it starts, from its own session. Mosquitto is
run with ``max_inflight_messages 1000``; with its own 20 each batch is 20 at most.
"""

from __future__ import annotations

import json
import sqlite3
import sys
import tempfile
import threading
import time
from collections.abc import Callable
from pathlib import Path
from typing import Any

from collector.channels import Channel
from collector.config import Settings
from collector.publisher import Publisher
from collector.readings import Role
from collector.service import Collector
from collector.store.sqlite import SqliteStore
from collector.subscriber import Client, Subscriber, client_for, connect
from tests.brokers import broker_settings, mosquitto, wait_until

TOPIC = "cellar/north/vat"
CHANNEL = Channel(id="vat-north", role=Role.VAT_TEMPERATURE, topic=TOPIC, value="/t", time="/at")


def open_session(url: str, name: str) -> None:
    """Subscribe under a name and leave, so that the broker keeps what is published next."""
    subscriber = Subscriber(broker_settings(url, name), [TOPIC])
    subscriber.start()
    wait_until(lambda: subscriber.link.subscribed, "subscribed")
    subscriber.stop()


def publish(url: str, n: int) -> None:
    """``n`` readings, a second apart."""
    with Publisher(broker_settings(url)) as publisher:
        for i in range(n):
            stamp = time.strftime("%Y-%m-%dT%H:%M:%SZ", time.gmtime(1_767_268_800 + i))
            publisher.publish(TOPIC, f'{{"at":"{stamp}","t":{20 + i % 500 / 100}}}'.encode())
        publisher.drain()


def plain_client(url: str, name: str, on_message: Callable[..., None]) -> Client:
    """A paho client that goes on with a session and acknowledges by itself."""
    broker = broker_settings(url, name)
    client = client_for(broker, name)
    client.on_message = on_message
    connect(client, broker, keep_session=True)
    return client


def ceiling(url: str, n: int) -> float:
    """Messages a second of a subscriber that only counts."""
    seen = 0

    def count(*_: Any) -> None:
        nonlocal seen
        seen += 1

    began_s = time.perf_counter()
    client = plain_client(url, "ceiling", count)
    wait_until(lambda: seen >= n, "all have come", 300)
    took_s = time.perf_counter() - began_s
    client.disconnect()
    client.loop_stop()
    return n / took_s


def vatside(url: str, folder: Path, n: int) -> float:
    """Messages a second of the collector until all are durably stored."""
    settings = Settings(channels=(CHANNEL,))
    with SqliteStore(folder / "readings.db") as store:
        collector = Collector(settings, store, Subscriber(broker_settings(url, "vatside"), [TOPIC]))
        thread = threading.Thread(target=collector.run)
        began_s = time.perf_counter()
        thread.start()
        wait_until(lambda: collector.state.kept.stored >= n, "all are kept", 300)
        took_s = time.perf_counter() - began_s
        collector.stop()
        thread.join()
        assert store.count() == n
        assert store.accounts().balanced
    return n / took_s


def script(url: str, folder: Path, n: int) -> float:
    """Messages a second of json.loads and one committed INSERT per message, SQLite's defaults."""
    seen = 0
    done = threading.Event()
    connection = sqlite3.connect(folder / "script.db", check_same_thread=False)
    connection.execute("CREATE TABLE reading (at TEXT, value REAL)")

    def keep(_: Any, __: Any, message: Any) -> None:
        nonlocal seen
        tree = json.loads(message.payload)
        connection.execute("INSERT INTO reading VALUES (?, ?)", (tree["at"], tree["t"]))
        connection.commit()
        seen += 1
        if seen >= n:
            done.set()

    began_s = time.perf_counter()
    client = plain_client(url, "script", keep)
    assert done.wait(300)
    took_s = time.perf_counter() - began_s
    client.disconnect()
    client.loop_stop()
    connection.close()
    return n / took_s


def main() -> None:
    """Run all three and print their rates and ratios."""
    n = int(sys.argv[1]) if len(sys.argv) > 1 else 30_000
    few = max(200, n // 100)
    with tempfile.TemporaryDirectory(dir=".") as place:
        folder = Path(place).absolute()
        with mosquitto(folder / "broker", ["max_inflight_messages 1000"]) as broker:
            for name in ("ceiling", "vatside"):
                open_session(broker.url, name)
            publish(broker.url, n)
            top = ceiling(broker.url, n)
            ours = vatside(broker.url, folder, n)
            open_session(broker.url, "script")
            publish(broker.url, few)
            plain = script(broker.url, folder, few)
    print(f"ceiling  {top:10,.0f} messages/s  bare paho subscriber, QoS 1")
    print(f"vatside  {ours:10,.0f} messages/s  durable; {ours / top:.2f} of the ceiling")
    print(f"script   {plain:10,.0f} messages/s  vatside is {ours / plain:.0f} times as fast")


if __name__ == "__main__":
    main()
