"""The contract of :class:`ReadingStore`, run on every store that needs no server."""

from __future__ import annotations

import contextlib
import functools
import sqlite3
import tempfile
from collections.abc import Callable, Iterator, Sequence
from itertools import count
from pathlib import Path

import pytest

from collector.store import sqlite, sqlite_hours
from collector.store.contract import Appended, Arrival, ReadingStore
from collector.store.corrected import CorrectedStore
from collector.store.sqlite import SqliteStore
from collector.store.sqlite_connections import open_writer
from collector.store.stretches import HOUR_MS
from tests.collector.store.contract_suite import ContractSuite, New, Stores
from tests.stores import MemoryStore


class PackedStore(SqliteStore):
    """As the collector's store when every hour has settled: all packed after each append."""

    def append(self, arrivals: Sequence[Arrival], *, settled: int = 0) -> Appended:
        done = super().append(arrivals, settled=settled)
        while self.settle():
            pass
        return done


@functools.cache
def empty_file() -> bytes:
    """A store with nothing in it."""
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "readings.db"
        open_writer(path).close()
        return path.read_bytes()


def unflushed(path: Path) -> sqlite3.Connection:
    """The writer without waiting for the disk, of which ``test_sqlite.py`` makes sure."""
    if not path.exists():
        path.parent.mkdir(parents=True, exist_ok=True)
        path.write_bytes(empty_file())
    connection = open_writer(path)
    connection.execute("PRAGMA synchronous = OFF")
    return connection


def in_memory(_: Path) -> Stores:
    store = MemoryStore()
    return Stores(store, store)


def in_rows(path: Path) -> Stores:
    store = SqliteStore(path)
    return Stores(store, store)


def packed(path: Path) -> Stores:
    store = PackedStore(path)
    return Stores(store, store)


def beside(path: Path) -> Stores:
    return Stores(SqliteStore(path), SqliteStore(path, read_only=True))


def corrected_by_nothing(path: Path) -> Stores:
    store = SqliteStore(path)
    return Stores(store, CorrectedStore(store, dict))


KINDS = (in_memory, in_rows, packed, beside, corrected_by_nothing)


class TestContract(ContractSuite):
    @pytest.fixture(params=KINDS, ids=lambda kind: kind.__name__)
    def new(
        self, request: pytest.FixtureRequest, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
    ) -> Iterator[New]:
        kind: Callable[[Path], Stores] = request.param
        monkeypatch.setattr(sqlite, "open_writer", unflushed)
        if kind is packed:
            monkeypatch.setattr(sqlite_hours, "SETTLED_AFTER_MS", -1_000_000 * HOUR_MS)
            monkeypatch.setattr(sqlite_hours, "MINUTES_FROM_N", 3)
        with contextlib.ExitStack() as opened:
            numbers = count()

            def open_new() -> Stores:
                stores = kind(tmp_path / f"{next(numbers)}" / "readings.db")
                for store in stores:
                    opened.callback(store.close)
                return stores

            yield open_new


def test_the_twin_keeps_the_contract() -> None:
    store: ReadingStore = MemoryStore()
    assert store.channels() == []
