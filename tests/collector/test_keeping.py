"""The collector thins and forgets in quiet moments, and rather not at all than wrongly."""

from __future__ import annotations

import threading
import time
from collections.abc import Iterator
from pathlib import Path

import pytest

from collector import keeping
from collector.channels import Channel
from collector.config import Settings
from collector.errors import StoreError
from collector.inbox import Message
from collector.keep_settings import KeepRule
from collector.keeping import Keeping
from collector.readings import Role
from collector.service import Collector
from collector.store import sqlite
from collector.store.keeping import Window
from collector.store.sqlite import SqliteStore
from collector.store.stretches import DAY_MS, HOUR_MS
from tests.brokers import wait_until
from tests.collector.store.test_contract import unflushed
from tests.collector.test_service import MemorySource
from tests.stores import MemoryStore, arrivals

SETTINGS = Settings(
    channels=(Channel(id="north-power", role=Role.PRINTER_POWER, topic="cellar/north/power"),),
    keep=(KeepRule(Role.PRINTER_POWER, forget_after_ms=14 * DAY_MS),),
)
N_A_DAY = 24


@pytest.fixture
def store(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Iterator[SqliteStore]:
    """Twenty days of power up to now, a reading an hour."""
    monkeypatch.setattr(sqlite, "open_writer", unflushed)
    monkeypatch.setattr(keeping, "PAUSE_S", 0.0)
    monkeypatch.setattr(keeping, "PAUSE_TIMES", 0)
    with SqliteStore(tmp_path / "readings.db") as opened:
        begin_ms = time.time_ns() // 1_000_000 // DAY_MS * DAY_MS - 20 * DAY_MS
        opened.append(
            arrivals("north-power", [(begin_ms + i * HOUR_MS, 40.0) for i in range(20 * N_A_DAY)])
        )
        yield opened


def stepped(store: SqliteStore, protected: object, settings: Settings = SETTINGS) -> list[str]:
    """What is said over many quiet moments."""
    said: list[str] = []
    keeper = Keeping(settings, store, protected, say=said.append, first_s=0.0)  # type: ignore[arg-type]
    for _ in range(30):
        keeper.step()
    return said


def test_what_is_old_goes_a_slice_at_a_time_and_is_said_once(store: SqliteStore) -> None:
    said: list[str] = []
    keeper = Keeping(SETTINGS, store, tuple, say=said.append, first_s=0.0)
    left = []
    for _ in range(30):
        keeper.step()
        left.append(store.count())
    assert left[:3] == [19 * N_A_DAY, 18 * N_A_DAY, 17 * N_A_DAY]
    assert left[-1] == 14 * N_A_DAY
    assert said == ["Keeping: 144 readings kept no longer, as [[keep]] says."]
    assert store.check() == []


def test_without_a_rule_or_a_record_all_is_kept(store: SqliteStore) -> None:
    assert stepped(store, tuple, Settings(channels=SETTINGS.channels)) == []
    (words,) = stepped(store, None)
    assert "the record of prints and soak runs is not known here; all is kept" in words
    assert store.count() == 20 * N_A_DAY


def test_a_record_that_cannot_be_read_stops_it_and_is_said_once(
    store: SqliteStore, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(keeping, "RETRY_S", 0.0)
    asked: list[int] = []

    def protected() -> list[Window]:
        asked.append(1)
        if len(asked) > 2:
            raise StoreError("The record cannot be read.", where="record.db")
        return []

    said = stepped(store, protected)
    assert len(asked) > 5
    assert len(said) == 1
    assert "Until then all is kept" in said[0]
    assert store.count() == 18 * N_A_DAY


def test_nothing_is_done_before_it_is_time(store: SqliteStore) -> None:
    keeper = Keeping(SETTINGS, store, tuple)
    keeper.step()
    assert store.count() == 20 * N_A_DAY


def test_another_store_keeps_for_itself() -> None:
    keeper = Keeping(SETTINGS, MemoryStore(), tuple, first_s=0.0)  # type: ignore[arg-type]
    keeper.step()


def test_the_collector_does_it_between_two_batches(store: SqliteStore) -> None:
    source = MemorySource()
    collector = Collector(SETTINGS, store, source, protected=tuple)
    collector._keeping._next_s = 0.0
    thread = threading.Thread(target=collector.run)
    thread.start()
    now_ms = time.time_ns() // 1_000_000
    source.waiting += [Message("cellar/north/power", b"41.5", now_ms, False, 1, 1)]
    try:
        wait_until(lambda: store.count() == 14 * N_A_DAY + 1, "what is old is gone")
    finally:
        collector.stop()
        thread.join(10)
    assert store.check() == []
