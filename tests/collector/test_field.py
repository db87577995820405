"""What cheap sensors, brokers and power do to a collector: every reading kept, each once.

``VATSIDE_LONG=1`` makes 200 kills of 20.
"""

from __future__ import annotations

import os
import random
import signal
import threading
import time
from collections import Counter
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

import pytest

from collector.publisher import Publisher
from collector.status import read_status
from collector.store import Accounts
from collector.store.sqlite import SqliteStore
from tests.brokers import (
    CollectorProcess,
    broker_settings,
    embedded,
    mosquitto,
    wait_until,
)

KILLS_N = 200 if os.environ.get("VATSIDE_LONG") == "1" else 20

RESTARTS_N = 20

CHANNELS = """
[[channel]]
id = "bare"
role = "printer_power"
topic = "cellar/bare"
[[channel]]
id = "dated"
role = "printer_power"
topic = "cellar/dated"
value = "/value"
time = "/at"
time_form = "unix_ms"
"""
NOON_MS = 1_767_268_800_000


def settings_in(folder: Path, broker: str = "", channels: str = CHANNELS) -> Path:
    """A settings file in a folder of its own, with the store beside it."""
    folder.mkdir(parents=True, exist_ok=True)
    path = folder / "vatside.toml"
    path.write_text(f'{broker}\n[store]\nfolder = "kept"\n{channels}')
    return path


def kept_in(settings_path: Path) -> SqliteStore:
    return SqliteStore(settings_path.parent / "kept" / "readings.db", read_only=True)


class Load:
    """Bare and dated numbers, each value different, published in a thread until told to stop."""

    def __init__(self, url: str, per_s: float, topics: tuple[str, ...] = ("bare", "dated")) -> None:
        self.sent: Counter[str] = Counter()
        self._url = url
        self._per_s = per_s
        self._topics = topics
        self._stopping = threading.Event()
        self._thread = threading.Thread(target=self._run)

    def _run(self) -> None:
        with Publisher(broker_settings(self._url)) as publisher:
            while not self._stopping.wait(1 / self._per_s):
                for topic in self._topics:
                    number = self.sent[topic]
                    payload = (
                        f"{number}"
                        if topic == "bare"
                        else f'{{"at": {NOON_MS + number}, "value": {number}}}'
                    )
                    publisher.publish(f"cellar/{topic}", payload.encode())
                    self.sent[topic] += 1
            publisher.drain()

    def __enter__(self) -> Load:
        self._thread.start()
        return self

    def __exit__(self, *_: object) -> None:
        self._stopping.set()
        self._thread.join(120)
        assert not self._thread.is_alive()


def values_in(store: SqliteStore, channel: str) -> list[float]:
    """Every value kept, conflicts too, in order."""
    return sorted(
        [reading.value for reading in store.between(channel, 0, 2**50)]
        + [reading.value for reading in store.conflicts(channel, 0, 2**50)]
    )


def settled(settings_path: Path, sent: Counter[str]) -> Accounts:
    """Wait until all is kept; the accounts, after every value was found once."""
    with kept_in(settings_path) as store:
        wait_until(lambda: store.count() >= sent.total(), "all is kept", 120)
        for channel, sent_n in sent.items():
            assert values_in(store, channel) == list(range(sent_n))
        accounts = store.accounts()
    assert accounts.balanced
    assert accounts.readings_stored == accounts.messages_stored == sent.total()
    assert accounts.readings_refused == 0
    return accounts


@contextmanager
def a_broker(kind: str, folder: Path) -> Iterator[str]:
    """The address of a Mosquitto or of the embedded broker."""
    if kind == "embedded":
        with embedded() as running:
            yield running.url
    else:
        with mosquitto(folder / "broker") as running_too:
            yield running_too.url


@pytest.mark.parametrize(
    ("kind", "kills_n"),
    [
        ("embedded", KILLS_N),
        pytest.param("mosquitto", KILLS_N, marks=pytest.mark.services),
        pytest.param("mosquitto by 3.1.1", KILLS_N // 4, marks=pytest.mark.services),
    ],
)
def test_killed_under_load_with_and_without_times(kind: str, kills_n: int, tmp_path: Path) -> None:
    """kill -9 at random moments; a bare number is known when it comes again, too."""
    chance = random.Random(3)
    with a_broker(kind, tmp_path) as url:
        version = "3.1.1" if kind.endswith("3.1.1") else "5"
        path = settings_in(tmp_path, f'[broker]\nurl = "{url}"\nmqtt = "{version}"\n')
        with CollectorProcess(path) as collector:
            collector.wait_until_listening()
            with Load(url, per_s=250) as load:
                for _ in range(kills_n):
                    time.sleep(chance.uniform(0.05, 1.2))
                    collector.kill()
                    collector.start()
            accounts = settled(path, load.sent)
            assert accounts.conflicts == 0
            assert collector.stop() == 0
            assert "Traceback" not in collector.log()
    print(f"{kind}: {kills_n} kills, {load.sent.total()} readings, {accounts}")


class SteadySender:
    """Publishes dated numbers without a rest, whatever becomes of the broker.

    A broker that is killed forgets what it took and had not written down yet, though it has
    answered for it; no collector can help that. So after such an end the sender sends its last
    numbers once more, as a sensor with a memory does.
    """

    LAST_N = 300

    def __init__(self, url: str, per_s: float) -> None:
        self.sent_n = 0
        self.sent_again_n = 0
        self._publisher = Publisher(broker_settings(url))
        self._publisher._client.reconnect_delay_set(0.05, 0.2)  # type: ignore[arg-type]
        self._per_s = per_s
        self._again = threading.Event()
        self._stopping = threading.Event()
        self._thread = threading.Thread(target=self._run)

    def send_last_again(self) -> None:
        """Have it send its last numbers once more; returns when the broker has taken some."""
        self._again.set()
        wait_until(lambda: not self._again.is_set(), "the last numbers are sent again")

    @property
    def taken_n(self) -> int:
        """Messages that a broker has answered for."""
        return self._publisher.acknowledged_n

    def _run(self) -> None:
        with self._publisher:
            while not self._stopping.wait(1 / self._per_s):
                self._publish(self.sent_n)
                self.sent_n += 1
                if self._again.is_set():
                    for number in range(max(0, self.sent_n - self.LAST_N), self.sent_n):
                        self._publish(number)
                        self.sent_again_n += 1
                    self._again.clear()
            self._publisher.drain()

    def _publish(self, number: int) -> None:
        payload = f'{{"at": {NOON_MS + number}, "value": {number}}}'
        self._publisher.publish("cellar/dated", payload.encode())

    def __enter__(self) -> SteadySender:
        self._thread.start()
        return self

    def __exit__(self, *_: object) -> None:
        self._stopping.set()
        self._thread.join(120)
        assert not self._thread.is_alive()


@pytest.mark.services
def test_the_broker_is_ended_twenty_times(tmp_path: Path) -> None:
    """By SIGTERM and by SIGKILL in turn, at random moments, while numbers go on coming in.

    With ``autosave_on_changes`` and an interval of 1 Mosquitto writes after each change, but
    after it has answered for it: see :class:`SteadySender`.
    """
    path = settings_in(tmp_path)
    chance = random.Random(20)
    with (
        mosquitto(tmp_path / "broker", ["autosave_on_changes true"]) as broker,
        CollectorProcess(path, broker.url) as collector,
    ):
        collector.wait_until_listening()
        with SteadySender(broker.url, per_s=200) as sender:
            for number in range(RESTARTS_N):
                began_n = sender.taken_n
                time.sleep(chance.uniform(0.05, 0.7))
                wait_until(lambda: sender.taken_n > began_n + 20, "it is under load")  # noqa: B023
                broker.stop(signal.SIGKILL if number % 2 else signal.SIGTERM)
                broker.start()
                if number % 2:
                    sender.send_last_again()
        accounts = settled(path, Counter({"dated": sender.sent_n}))
        assert accounts.conflicts == 0
        assert accounts.messages_duplicate == accounts.readings_duplicate
        connections_n = collector.log().count("listening")
        assert connections_n >= RESTARTS_N / 4
        assert collector.stop() == 0
        assert "Traceback" not in collector.log()
    print(
        f"{RESTARTS_N} restarts, {connections_n} connections, {sender.sent_n} readings, "
        f"{sender.sent_again_n} sent again: {accounts}"
    )


GROUP = """
[broker]
url = "{url}"
client_id = "{name}"
share_group = "cellar"
"""


@pytest.mark.services
def test_two_collectors_divide_the_work(tmp_path: Path) -> None:
    """Each with a store of its own, one of them killed now and then; together they have it all."""
    with mosquitto(tmp_path / "broker") as broker:
        paths = [
            settings_in(tmp_path / name, GROUP.format(url=broker.url, name=name))
            for name in ("one", "other")
        ]
        with CollectorProcess(paths[0]) as one, CollectorProcess(paths[1]) as other:
            one.wait_until_listening()
            other.wait_until_listening()
            with Load(broker.url, per_s=250) as load:
                for _ in range(5):
                    time.sleep(0.5)
                    one.kill()
                    one.start()
            with kept_in(paths[0]) as first, kept_in(paths[1]) as second:
                wait_until(
                    lambda: first.count() + second.count() >= load.sent.total(), "all is kept"
                )
                for channel, sent_n in load.sent.items():
                    parts = [values_in(store, channel) for store in (first, second)]
                    assert sorted(parts[0] + parts[1]) == list(range(sent_n))
                    assert all(len(part) > sent_n / 10 for part in parts)
                accounts = [first.accounts(), second.accounts()]
            assert sum(one.messages_stored for one in accounts) == load.sent.total()
            assert all(one.balanced and not one.conflicts for one in accounts)


def test_the_status_of_a_real_collector(tmp_path: Path) -> None:
    path = settings_in(tmp_path)
    folder = tmp_path / "kept"
    with embedded() as broker, CollectorProcess(path, broker.url) as collector:
        collector.wait_until_listening()
        with Load(broker.url, per_s=10) as load:
            time.sleep(1.5)
        settled(path, load.sent)

        def told() -> bool:
            status = read_status(folder)
            return status is not None and status.stored == load.sent.total()

        wait_until(told, "the status tells of every reading")
        status = read_status(folder)
        assert status is not None
        assert (status.connected, status.subscribed, status.client_id) == (True, True, "vatside")
        assert status.broker_url == broker.url
        assert status.channel("bare").interval_ms is not None
        assert status.channel("dated").marks == {}  # a channel never live is being filled
        collector.kill()
        killed = read_status(folder)
        assert killed is not None
        assert not killed.stopped
        assert killed.away(killed.at_ms + 10_001)
        collector.start()

        def again() -> bool:
            status = read_status(folder)
            return status is not None and status.pid != killed.pid and status.subscribed

        wait_until(again, "it listens again")
        assert collector.stop() == 0
        ended = read_status(folder)
        assert ended is not None
        assert ended.stopped


WILD = """
[[channel]]
id = "vat-north"
role = "vat_temperature"
topic = "cellar/+/vat"
value = "/t"
[[channel]]
id = "room"
role = "room_temperature"
topic = "house/#"
[[channel]]
id = "within"
role = "room_temperature"
topic = "house/cellar"
"""


@pytest.mark.parametrize(
    "kind", ["embedded", pytest.param("mosquitto", marks=pytest.mark.services)]
)
def test_wildcards_bring_each_message_once(kind: str, tmp_path: Path) -> None:
    path = settings_in(tmp_path, channels=WILD)
    with a_broker(kind, tmp_path) as url, CollectorProcess(path, url) as collector:
        collector.wait_until_listening()
        with Publisher(broker_settings(url)) as publisher:
            for topic, payload in (
                ("cellar/north/vat", b'{"t": 21}'),
                ("cellar/south/vat", b'{"t": 22}'),
                ("cellar/vat", b'{"t": 99}'),
                ("cellar/north/vat/deep", b'{"t": 99}'),
                ("house", b"16"),
                ("house/cellar", b"17"),
                ("house/cellar/shelf", b"18"),
                ("House/cellar", b"99"),
            ):
                publisher.publish(topic, payload)
            publisher.drain()
        with kept_in(path) as store:
            wait_until(lambda: store.count() >= 6, "all is kept")
            assert values_in(store, "vat-north") == [21, 22]
            assert values_in(store, "room") == [16, 17, 18]
            assert values_in(store, "within") == [17]
            assert store.accounts().messages_received == 5
        assert collector.stop() == 0
