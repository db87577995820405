"""Readings kept for so long and no longer, backups, and giving space back."""

from __future__ import annotations

import shutil
import sqlite3
import threading
from collections.abc import Iterator
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from collector.channels import Channel
from collector.errors import InvalidError, StoreError
from collector.readings import Mark, Reading, Role, Series
from collector.store import sqlite, sqlite_check
from collector.store.contract import Arrival
from collector.store.keeping import Rule, keep_only, keep_only_by_role, kept_by_thinning
from collector.store.sqlite import SqliteStore
from collector.store.stretches import DAY_MS, HOUR_MS, MINUTE_MS, coverage_of
from tests.collector.store.test_contract import unflushed
from tests.stores import arrivals

DAY_0_MS = 20_454 * DAY_MS  # 2026-01-01T00:00:00Z
LIMIT_MS = 5 * MINUTE_MS


@pytest.fixture
def store(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Iterator[SqliteStore]:
    monkeypatch.setattr(sqlite, "open_writer", unflushed)
    with SqliteStore(tmp_path / "readings.db") as opened:
        yield opened


def fill(store: SqliteStore, days: int, channel: str = "vat-north") -> None:
    """A reading a minute, an hour without any at six in the morning, and a spike at noon."""
    rng = np.random.default_rng(days)
    rows = [
        (DAY_0_MS + i * MINUTE_MS, round(20 + float(rng.normal()), 2) if i % 1_440 != 720 else 60.0)
        for i in range(days * 1_440)
        if not 360 <= i % 1_440 < 420
    ]
    store.append(arrivals(channel, rows))
    while store.settle():
        pass


# -- thinning and retention --------------------------------------------------------------------


def test_thinning_leaves_extremes_gaps_and_coverage_what_they_were(store: SqliteStore) -> None:
    fill(store, 5)
    window = (DAY_0_MS, DAY_0_MS + 5 * DAY_MS)
    asked = ("vat-north", *window)
    before = store.buckets(*asked, 240, gap_limit_ms=LIMIT_MS)
    covered = store.coverage(*asked, gap_limit_ms=LIMIT_MS)
    count = store.count()

    def thin() -> int:
        return keep_only(
            store,
            "vat-north",
            before_ms=DAY_0_MS + 4 * DAY_MS,
            every_ms=LIMIT_MS,
            gap_limit_ms=LIMIT_MS,
        )

    removed_n = thin()
    assert removed_n > 500
    assert store.count() == count - removed_n
    after = store.buckets(*asked, 240, gap_limit_ms=LIMIT_MS)
    np.testing.assert_array_equal(after.minima, before.minima)
    np.testing.assert_array_equal(after.maxima, before.maxima)
    np.testing.assert_array_equal(after.coverage, before.coverage)
    left = store.coverage(*asked, gap_limit_ms=LIMIT_MS)
    assert (left.share, left.gaps) == (covered.share, covered.gaps)
    assert len(store.between("vat-north", window[1] - DAY_MS, window[1])) == 1_380
    assert thin() == 0
    assert store.check() == []


def test_nothing_in_or_around_a_run_is_touched(store: SqliteStore) -> None:
    fill(store, 4)
    run = (DAY_0_MS + 30 * HOUR_MS + 17, DAY_0_MS + 41 * HOUR_MS)
    around = (run[0] - LIMIT_MS, run[1] + LIMIT_MS)
    before = store.between("vat-north", *around)
    covered = store.coverage("vat-north", *run, gap_limit_ms=LIMIT_MS)
    for every_ms in (LIMIT_MS, None):
        keep_only(
            store,
            "vat-north",
            before_ms=DAY_0_MS + 4 * DAY_MS,
            every_ms=every_ms,
            gap_limit_ms=LIMIT_MS,
            protected=[run, (run[0] + 5, run[0] + 10)],
        )
        after = store.between("vat-north", *around)
        assert after.times_ms.tolist() == before.times_ms.tolist()
        assert after.values.tolist() == before.values.tolist()
        assert store.coverage("vat-north", *run, gap_limit_ms=LIMIT_MS) == covered
        assert store.check() == []
    assert store.count() == len(before)
    assert {removal.reason for removal in store.removals()} == {"thinned", "kept no longer"}


def test_each_role_has_its_own_rule_and_most_have_none(store: SqliteStore) -> None:
    fill(store, 3)
    fill(store, 3, "room-temp")
    channels = [
        Channel(id="vat-north", role=Role.VAT_TEMPERATURE, topic="cellar/vat"),
        Channel(id="room-temp", role=Role.ROOM_TEMPERATURE, topic="cellar/room"),
    ]
    now_ms = DAY_0_MS + 3 * DAY_MS
    assert keep_only_by_role(store, channels, {}, now_ms, protected=[]) == {}
    rules = {Role.ROOM_TEMPERATURE: Rule(whole_ms=DAY_MS)}
    done = keep_only_by_role(store, channels, rules, now_ms, protected=[])
    assert done == {"room-temp": 2 * 1_380}
    assert (store.count("vat-north"), store.count("room-temp")) == (3 * 1_380, 1_380)


def test_thinning_that_would_tear_gaps_is_refused(store: SqliteStore) -> None:
    for every_ms in (0, LIMIT_MS + 1):
        with pytest.raises(InvalidError, match="gap limit"):
            keep_only(store, "vat-north", before_ms=0, every_ms=every_ms, gap_limit_ms=LIMIT_MS)


series = st.lists(
    st.tuples(st.integers(0, 3_000), st.integers(0, 9), st.sampled_from([0, 0, 0, 2])),
    max_size=60,
    unique_by=lambda row: row[0],
).map(lambda rows: Series.of("vat-north", sorted(rows)))


@given(series, st.integers(1, 400), st.integers(0, 400))
def test_thinning_keeps_what_tells(record: Series, every_ms: int, longer_ms: int) -> None:
    keep = kept_by_thinning(record, every_ms)
    left = Series("vat-north", record.times_ms[keep], record.values[keep], record.marks[keep])
    assert record.marks[~keep].sum() == 0
    assert kept_by_thinning(left, every_ms).all()
    limit_ms = every_ms + longer_ms
    before, after = (
        coverage_of(one.times_ms, 0, 3_000, gap_limit_ms=limit_ms) for one in (record, left)
    )
    assert (before.share, before.gaps) == (after.share, after.gaps)
    for slot in set((record.times_ms // every_ms).tolist()):
        own = record.values[record.times_ms // every_ms == slot]
        few = left.values[left.times_ms // every_ms == slot]
        assert (few.min(), few.max()) == (own.min(), own.max())


# -- backup ----------------------------------------------------------------------------------


def test_a_backup_put_in_place_is_the_store(store: SqliteStore, tmp_path: Path) -> None:
    fill(store, 3)
    store.append([Arrival("cellar/x", DAY_0_MS, (Reading("vat-north", DAY_0_MS, 99.0),))])
    made = store.backup(tmp_path / "backups" / "monday.db")
    assert made.readings_n == store.count()
    assert made.bytes_n == made.path.stat().st_size
    assert sorted(path.name for path in made.path.parent.iterdir()) == ["monday.db"]
    (tmp_path / "restored").mkdir()
    shutil.copy(made.path, tmp_path / "restored" / "readings.db")
    with SqliteStore(tmp_path / "restored" / "readings.db") as restored:
        assert restored.checksums() == store.checksums() == made.checksums
        assert restored.accounts() == store.accounts()
        assert restored.between("vat-north", DAY_0_MS, DAY_0_MS + 1).marks[0] == Mark.CONFLICT
        assert restored.check() == []
        assert restored.append(arrivals("vat-north", [(DAY_0_MS - 1, 20.0)])).stored == 1


def test_a_backup_under_load_is_one_moment_of_the_load(store: SqliteStore, tmp_path: Path) -> None:
    fill(store, 2)
    moments: list[int] = [store.count()]
    stop = threading.Event()

    def load() -> None:
        at = DAY_0_MS + 2 * DAY_MS
        while not stop.is_set():
            store.append(
                arrivals("vat-north", [(at + i * 1_000, 20 + i / 100) for i in range(100)])
            )
            moments.append(moments[-1] + 100)
            at += 100_000

    writer = threading.Thread(target=load)
    writer.start()
    made = [store.backup(tmp_path / f"{i}.db") for i in range(4)]
    stop.set()
    writer.join()
    for backup in made:
        assert backup.readings_n in moments
        with SqliteStore(backup.path, read_only=True) as copy:
            assert copy.accounts().readings_stored == backup.readings_n
            assert copy.checksums() == backup.checksums
            # Nothing came late, so what was there at that moment is there still.
            last = copy.latest()["vat-north"].time_ms
            whole = store.between("vat-north", DAY_0_MS, last + 1)
            assert (
                whole.values.tolist()
                == copy.between("vat-north", DAY_0_MS, last + 1).values.tolist()
            )
    assert store.check() == []


def test_a_backup_never_takes_the_place_of_a_file(store: SqliteStore, tmp_path: Path) -> None:
    there = tmp_path / "backup.db"
    there.write_text("precious")
    with pytest.raises(StoreError, match="already"):
        store.backup(there)
    assert there.read_text() == "precious"
    with pytest.raises(StoreError, match="cannot be written"):
        store.backup(there / "below-a-file.db")


def test_a_backup_that_is_not_equal_is_not_kept(
    store: SqliteStore, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    fill(store, 1)
    true_checksums = sqlite_check.checksums

    def other(connection: sqlite3.Connection) -> object:
        names = [path for _, _, path in connection.execute("PRAGMA database_list")]
        return {} if names[0].endswith(".part") else true_checksums(connection)

    monkeypatch.setattr(sqlite_check, "checksums", other)
    with pytest.raises(StoreError, match="not those of the original"):
        store.backup(tmp_path / "backup.db")
    assert [path.name for path in tmp_path.glob("backup*")] == []


# -- compaction --------------------------------------------------------------------------------


def test_space_is_given_back_and_nothing_else_changes(store: SqliteStore) -> None:
    fill(store, 10)
    before = store.checksums()
    assert store.compact() > 0  # the rows, now packed, have left room
    assert store.compact() == 0
    assert store.checksums() == before
    assert store.check() == []
    assert store.append(arrivals("vat-north", [(DAY_0_MS - 1, 20.0)])).stored == 1
    with (
        SqliteStore(store.path, read_only=True) as reader,
        pytest.raises(StoreError, match="reading only"),
    ):
        reader.compact()
