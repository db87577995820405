"""The record of readings in one SQLite file, beside what every store has to show."""

from __future__ import annotations

import contextlib
import math
import sqlite3
import subprocess
import sys
import threading
from collections.abc import Iterator
from pathlib import Path

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from collector.errors import StoreError
from collector.readings import Mark, Reading
from collector.store import (
    Accounts,
    Appended,
    Arrival,
    Refusal,
    sqlite_append,
    sqlite_connections,
    sqlite_schema,
)
from collector.store.sqlite import SqliteStore
from tests.collector.store.contract_suite import NOON_MS, message


@pytest.fixture
def path(tmp_path: Path) -> Path:
    return tmp_path / "vatside-data" / "readings.db"


@pytest.fixture
def store(path: Path) -> Iterator[SqliteStore]:
    with SqliteStore(path) as opened:
        yield opened


def raw(path: Path, statement: str) -> None:
    with contextlib.closing(sqlite3.connect(path)) as connection, connection:
        connection.execute(statement)


# -- kept once, and accounted for ------------------------------------------------------------


def test_the_same_reading_twice_within_one_batch(store: SqliteStore) -> None:
    once = message(("vat-north", 0, 20.0))
    assert store.append([once, once]) == Appended(stored=1, duplicate=1)


def test_another_value_for_the_same_time_is_kept_beside_the_first(store: SqliteStore) -> None:
    store.append([message(("vat-north", 0, 20.0))])
    other = message(("vat-north", 0, 25.0))
    assert store.append([other]) == Appended(conflict=1)
    assert store.append([other]) == Appended(duplicate=1)
    kept = store.between("vat-north", NOON_MS, NOON_MS + 1)
    assert kept.values.tolist() == [20.0]
    assert kept.marks.tolist() == [Mark.CONFLICT]
    assert store.conflicts("vat-north", NOON_MS, NOON_MS + 1) == [
        Reading("vat-north", NOON_MS, 25.0, Mark.CONFLICT)
    ]
    accounts = store.accounts()
    assert (accounts.readings_stored, accounts.conflicts, accounts.balanced) == (2, 1, True)


def test_a_message_half_understood_is_stored_and_its_refusal_kept(store: SqliteStore) -> None:
    half = message(("vat-north", 0, 20.0), refused=("/humidity is not there",))
    assert store.append([half]) == Appended(stored=1, refused=1)
    assert store.append([half]) == Appended(duplicate=1, refused=1)
    accounts = store.accounts()
    assert (accounts.messages_stored, accounts.messages_duplicate) == (1, 1)
    assert accounts.messages_refused == 0
    assert accounts.balanced
    assert len(store.refused()) == 2


def test_a_message_of_base_fields_only_counts_as_stored(store: SqliteStore) -> None:
    assert store.append([message()]) == Appended()
    assert store.accounts() == Accounts(messages_received=1, messages_stored=1)


def test_only_the_newest_refused_messages_are_kept(
    store: SqliteStore, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(sqlite_append, "REFUSED_KEPT_N", 3)
    for batch in ((0, 1), (2, 3, 4, 5, 6), (7,)):
        store.append([message(refused=(f"reason {i}",)) for i in batch])
    assert [kept.reason for kept in store.refused()] == ["reason 7", "reason 6", "reason 5"]
    assert [kept.reason for kept in store.refused(1)] == ["reason 7"]
    assert store.accounts().messages_refused == 8


def test_a_huge_refused_payload_is_cut_and_says_so(store: SqliteStore) -> None:
    store.append([Arrival("cellar/x", NOON_MS, (), (Refusal("too large"),), b"x" * 20_000)])
    (kept,) = store.refused()
    assert len(kept.payload) == 16_384
    assert kept.reason == "too large; the first 16384 of 20000 bytes are kept"


@pytest.mark.parametrize(
    "reading",
    [
        Reading("vat-north", NOON_MS, math.nan),
        Reading("vat-north", NOON_MS, math.inf),
        Reading("vat-north", 2**70, 20.0),
        Reading("vat-north", 253_402_300_800_000, 20.0),
    ],
)
def test_what_no_file_can_hold_is_refused_and_blocks_nothing(
    store: SqliteStore, reading: Reading
) -> None:
    bad = Arrival("cellar/x", NOON_MS, (reading,))
    assert store.append([bad, message(("vat-north", 0, 20.0))]) == Appended(stored=1, refused=1)
    assert "outside what can be kept" in store.refused()[0].reason
    assert store.accounts().balanced


# -- reading ---------------------------------------------------------------------------------


def test_a_cursor_that_is_too_old_or_from_elsewhere_says_so(
    store: SqliteStore, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(sqlite_append, "TOUCHED_KEPT_N", 3)
    for at in range(6):
        store.append([message(("vat-north", at, 20.0))])
    assert not store.changes(2).complete
    assert store.changes(3).complete
    assert [change.first_ms - NOON_MS for change in store.changes(3).changes] == [3, 4, 5]
    assert not store.changes(99).complete


# -- any order, any repetition ---------------------------------------------------------------

few_readings = st.lists(
    st.tuples(st.sampled_from(["a", "b"]), st.integers(0, 5), st.sampled_from([1.0, 2.0, 3.5])),
    max_size=4,
)
batches = st.lists(
    st.lists(st.tuples(few_readings, st.booleans()), max_size=4), min_size=1, max_size=6
)


@settings(max_examples=60, deadline=None)
@given(batches)
def test_the_store_equals_a_plain_model(
    tmp_path_factory: pytest.TempPathFactory,
    deliveries: list[list[tuple[list[tuple[str, int, float]], bool]]],
) -> None:
    first: dict[tuple[str, int], float] = {}
    others: set[tuple[str, int, float]] = set()
    received = refused = 0
    path = tmp_path_factory.mktemp("model") / "readings.db"
    with SqliteStore(path) as store:
        for batch in deliveries:
            store.append([message(*rows, refused=("bad",) if bad else ()) for rows, bad in batch])
            for rows, bad in batch:
                received += len(rows) + bad
                refused += bad
                for channel, at, value in rows:
                    if first.setdefault((channel, at), value) != value:
                        others.add((channel, at, value))
        accounts = store.accounts()
        for channel in ("a", "b"):
            kept = store.between(channel, NOON_MS, NOON_MS + 10)
            want = {t: v for (c, t), v in first.items() if c == channel}
            assert {r.time_ms - NOON_MS: r.value for r in kept} == want
            conflicts = store.conflicts(channel, NOON_MS, NOON_MS + 10)
            assert {(channel, r.time_ms - NOON_MS, r.value) for r in conflicts} == {
                row for row in others if row[0] == channel
            }
    assert accounts.balanced
    assert accounts.readings_received == received
    assert accounts.readings_refused == refused
    assert accounts.readings_stored == len(first) + len(others)
    assert accounts.conflicts == len(others)
    assert accounts.messages_received == sum(len(batch) for batch in deliveries)


# -- the file --------------------------------------------------------------------------------


def test_the_record_is_there_after_reopening(path: Path) -> None:
    with SqliteStore(path) as store:
        store.append([message(("vat-north", 0, 20.0))])
    with SqliteStore(path) as store:
        assert store.append([message(("vat-north", 0, 20.0))]) == Appended(duplicate=1)
        assert store.accounts().messages_received == 2


def test_every_commit_is_flushed(store: SqliteStore) -> None:
    writer = sqlite_connections.open_writer(store.path)
    with contextlib.closing(writer):
        assert writer.execute("PRAGMA journal_mode").fetchone() == ("wal",)
        assert writer.execute("PRAGMA synchronous").fetchone() == (2,)  # 2 is FULL


def test_after_a_slice_of_packing_commits_are_flushed_again(store: SqliteStore) -> None:
    store.settle()
    assert store._writer is not None
    assert store._writer.execute("PRAGMA synchronous").fetchone() == (2,)


def test_each_migration_is_on_record(store: SqliteStore) -> None:
    with contextlib.closing(sqlite3.connect(store.path)) as connection:
        assert sqlite_schema.applied(connection) == [
            step.__name__ for step in sqlite_schema.MIGRATIONS
        ]


def test_a_migration_that_fails_leaves_the_file_as_it_was(
    path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    with SqliteStore(path) as store:
        store.append([message(("vat-north", 0, 20.0))])

    def half_done(connection: sqlite3.Connection) -> None:
        connection.execute("CREATE TABLE half (x)")
        connection.execute("no such statement")

    monkeypatch.setattr(sqlite_schema, "MIGRATIONS", (*sqlite_schema.MIGRATIONS, half_done))
    with pytest.raises(StoreError):
        SqliteStore(path)
    monkeypatch.undo()
    with SqliteStore(path) as store:
        assert store.count() == 1
    with contextlib.closing(sqlite3.connect(path)) as connection:
        tables = [name for (name,) in connection.execute("SELECT name FROM sqlite_schema")]
    assert "half" not in tables


def test_a_file_of_a_newer_vatside_is_left_alone(path: Path) -> None:
    SqliteStore(path).close()
    raw(path, "INSERT INTO migration VALUES (99, 'from_the_future', 0)")
    for read_only in (False, True):
        with pytest.raises(StoreError, match=r"newer vatside.*from_the_future"):
            SqliteStore(path, read_only=read_only).count()


def test_a_database_of_another_program_is_left_alone(path: Path) -> None:
    path.parent.mkdir()
    raw(path, "CREATE TABLE theirs (x)")
    with pytest.raises(StoreError, match="another program"):
        SqliteStore(path)


def test_a_file_that_is_no_database(path: Path) -> None:
    path.parent.mkdir()
    path.write_bytes(b"these are notes about resin, not readings\n" * 40)
    with pytest.raises(StoreError, match="not a database") as caught:
        SqliteStore(path)
    assert caught.value.where == str(path)
    assert caught.value.remedy


def test_a_file_where_the_folder_belongs(tmp_path: Path) -> None:
    (tmp_path / "in-the-way").write_text("a file")
    with pytest.raises(StoreError, match="a file where the folder belongs"):
        SqliteStore(tmp_path / "in-the-way" / "readings.db")
    with pytest.raises(StoreError, match=r"folder cannot be made.*Make it by hand"):
        SqliteStore(Path("/proc/nowhere/readings.db"))


def test_a_full_disk_is_said_and_nothing_is_half_kept(store: SqliteStore) -> None:
    store.append([message(("vat-north", 0, 20.0))])
    writer = store._writer
    assert writer is not None
    (pages,) = writer.execute("PRAGMA page_count").fetchone()
    writer.execute(f"PRAGMA max_page_count = {pages}")
    flood = [message(("vat-north", at, 20.0)) for at in range(1, 5_000)]
    with pytest.raises(StoreError, match="disk is full") as caught:
        store.append(flood)
    assert "by itself" in str(caught.value)
    assert (store.count(), store.accounts().messages_received) == (1, 1)
    assert store.append(flood) == Appended(stored=4_999)  # a fresh connection has no such limit


def test_a_lock_held_elsewhere_is_said_and_passes(
    store: SqliteStore, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(sqlite_connections, "BUSY_WAIT_S", 0.05)
    store._close_writer()  # so that the short wait counts
    holder = sqlite3.connect(store.path, isolation_level=None)
    with contextlib.closing(holder):
        holder.execute("BEGIN IMMEDIATE")
        with pytest.raises(StoreError, match="locked"):
            store.append([message(("vat-north", 0, 20.0))])
        assert store.count() == 0  # readers are not held up
        holder.execute("ROLLBACK")
    assert store.append([message(("vat-north", 0, 20.0))]) == Appended(stored=1)


# -- readers beside the collector ------------------------------------------------------------


def test_a_reader_may_open_before_there_is_a_file(path: Path) -> None:
    with SqliteStore(path, read_only=True) as reader:
        with pytest.raises(StoreError, match=r"No readings are kept here yet.*Start the collector"):
            reader.latest()
        assert not path.parent.exists()
        with SqliteStore(path) as store:
            assert reader.latest() == {}
            store.append([message(("vat-north", 0, 20.0))])
            assert reader.count() == 1
        assert reader.count() == 1  # also after the collector has gone
        with pytest.raises(StoreError, match="reading only"):
            reader.append([message(("vat-north", 1, 20.0))])


def test_a_reader_in_another_process_sees_what_is_committed(store: SqliteStore) -> None:
    store.append([message(("vat-north", 0, 20.5))])
    script = (
        "import sys, pathlib; from collector.store.sqlite import SqliteStore;"
        "s = SqliteStore(pathlib.Path(sys.argv[1]), read_only=True);"
        "print(s.latest()['vat-north'].value, s.accounts().balanced)"
    )
    done = subprocess.run(
        [sys.executable, "-c", script, str(store.path)], capture_output=True, text=True, check=True
    )
    assert done.stdout.split() == ["20.5", "True"]


def test_threads_read_while_one_writes(store: SqliteStore) -> None:
    faults: list[str] = []
    stop = threading.Event()

    def look() -> None:
        while not stop.is_set():
            accounts = store.accounts()
            if not accounts.balanced or store.count() < accounts.readings_stored:
                faults.append(f"{accounts} with {store.count()} readings")

    readers = [threading.Thread(target=look) for _ in range(4)]
    for reader in readers:
        reader.start()
    for at in range(100):
        store.append([message(("vat-north", at, 20.0), ("room-temp", at, 18.0))])
    stop.set()
    for reader in readers:
        reader.join()
    assert faults == []
    assert store.count() == 200
