"""The collector's loop against a source in memory: acknowledged is what is on disk, no more."""

from __future__ import annotations

import threading
from collections.abc import Iterator, Sequence
from pathlib import Path

import pytest

from collector.channels import Channel
from collector.config import BrokerSettings, Settings
from collector.errors import SettingsError, StoreError
from collector.readings import Role
from collector.service import Collector, broker_at
from collector.store import Appended, Arrival
from collector.store.sqlite import SqliteStore
from collector.subscriber import Link, Message
from tests.brokers import wait_until

NORTH = Channel(id="vat-north", role=Role.VAT_TEMPERATURE, topic="cellar/north/vat")
SETTINGS = Settings(channels=(NORTH,))


class MemorySource:
    """Hands out what it was given and notes what comes back."""

    def __init__(self) -> None:
        self.waiting: list[Message] = []
        self.acknowledged: list[Message] = []
        self.calls: list[str] = []
        self.fault: str | None = None

    def start(self) -> None:
        self.calls.append("start")

    def stop(self) -> None:
        self.calls.append("stop")

    def take(self, most_n: int, wait_s: float) -> list[Message]:
        taken, self.waiting = self.waiting[:most_n], self.waiting[most_n:]
        if not taken:
            threading.Event().wait(min(wait_s, 0.01))
        return taken

    def acknowledge(self, messages: Sequence[Message]) -> None:
        self.acknowledged += messages

    @property
    def link(self) -> Link:
        connected = self.fault is None
        return Link(connected, connected, 0, 1, self.fault, len(self.waiting), 0, 0)


class FailingStore(SqliteStore):
    """A store whose next appends fail as often as told."""

    failures = 0

    def append(self, arrivals: Sequence[Arrival]) -> Appended:
        if arrivals and self.failures:
            self.failures -= 1
            raise StoreError("The disk is full.", where="readings.db", remedy="Free some space.")
        return super().append(arrivals)


def message(number: int, payload: bytes, topic: str = "cellar/north/vat") -> Message:
    return Message(topic, payload, 1_767_268_800_000 + number, False, number, 1)


@pytest.fixture
def store(tmp_path: Path) -> Iterator[FailingStore]:
    with FailingStore(tmp_path / "readings.db", open_later=True) as opened:
        yield opened


class Running:
    """A collector in a thread, with what it says."""

    def __init__(self, store: SqliteStore) -> None:
        self.source = MemorySource()
        self.said: list[str] = []
        self.collector = Collector(
            SETTINGS,
            store,
            self.source,
            say=self.said.append,
            first_pause_s=0.01,
            longest_pause_s=0.05,
        )
        self.thread = threading.Thread(target=self.collector.run)

    def __enter__(self) -> Running:
        self.thread.start()
        return self

    def __exit__(self, *_: object) -> None:
        self.collector.stop()
        self.thread.join(10)
        assert not self.thread.is_alive()


def test_what_is_acknowledged_is_on_disk(store: FailingStore) -> None:
    with Running(store) as running:
        sent = [message(i, str(20 + i / 10).encode()) for i in range(1, 6)]
        running.source.waiting += sent
        wait_until(lambda: running.source.acknowledged == sent, "all are acknowledged")
        assert store.count("vat-north") == 5
    assert running.source.calls == ["start", "stop"]
    assert running.collector.state.kept == Appended(stored=5)


def test_the_file_is_there_before_the_first_message(store: FailingStore) -> None:
    with Running(store):
        wait_until(store.path.exists, "the file is made")


def test_a_refused_message_is_kept_acknowledged_and_blocks_nothing(store: FailingStore) -> None:
    with Running(store) as running:
        running.source.waiting += [
            message(1, b"warm"),
            message(2, b"20.5"),
            message(3, b"\xff\xfe"),
        ]
        wait_until(lambda: len(running.source.acknowledged) == 3, "all are acknowledged")
    assert [kept.payload for kept in store.refused()] == [b"\xff\xfe", b"warm"]
    assert store.accounts().messages_refused == 2
    assert running.said == ["Collector: listening."]


def test_a_store_that_fails_keeps_the_batch_and_says_so_once(store: FailingStore) -> None:
    store.failures = 5
    with Running(store) as running:
        running.source.waiting += [message(1, b"20.5"), message(2, b"20.6")]
        wait_until(lambda: len(running.source.acknowledged) == 2, "the batch goes through")
        wait_until(lambda: running.collector.state.store_fault is None, "the fault is over")
    assert store.count() == 2
    assert [line for line in running.said if "disk is full" in line] == [
        "readings.db: The disk is full. Free some space."
        " Readings wait, and the broker holds the rest."
    ]
    assert "The store takes readings again; nothing was lost." in running.said


def test_a_stop_while_the_store_fails_acknowledges_nothing(store: FailingStore) -> None:
    store.failures = 1_000_000
    with Running(store) as running:
        running.source.waiting += [message(1, b"20.5")]
        wait_until(lambda: running.collector.state.store_fault is not None, "the fault shows")
        assert running.collector.state.in_hand_n == 1
    assert running.source.acknowledged == []
    assert running.source.calls == ["start", "stop"]


def test_a_change_of_the_link_is_said(store: FailingStore) -> None:
    with Running(store) as running:
        wait_until(lambda: running.said == ["Collector: listening."], "it listens")
        running.source.fault = "the connection ended"
        wait_until(lambda: running.said[-1] == "Collector: the connection ended.", "it is said")


def test_another_address_keeps_login_and_name() -> None:
    given = BrokerSettings("mqtt://a:1", "a", 1, False, "north", "secret", "cellar")
    broker = broker_at("mqtts://broker.local", given)
    assert (broker.host, broker.port, broker.tls) == ("broker.local", 8883, True)
    assert (broker.username, broker.password, broker.client_id) == ("north", "secret", "cellar")
    assert broker_at("mqtt://[::1]:1885", None).host == "::1"


@pytest.mark.parametrize("url", ["", "http://x", "mqtt://", "mqtt://x:99999", "mqtt://x:abc"])
def test_an_address_that_is_none_is_refused(url: str) -> None:
    with pytest.raises(SettingsError, match="no address of a broker"):
        broker_at(url, None)
