"""Readings kept for so long and no longer, backups, and giving space back."""

from __future__ import annotations

import shutil
import sqlite3
import threading
from collections.abc import Iterator, Sequence
from pathlib import Path

import numpy as np
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from collector.channels import Channel
from collector.errors import InvalidError, StoreError
from collector.keep_settings import KeepRule
from collector.readings import Mark, Reading, Role, Series
from collector.store import sqlite, sqlite_check
from collector.store.contract import Arrival
from collector.store.keeping import Window, keep_only, kept_by_thinning, slices
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


def keep(
    store: SqliteStore,
    before_ms: int,
    every_ms: int | None,
    protected: Sequence[Window] = (),
    *,
    dry_run: bool = False,
) -> int:
    """How many readings of the vat went, or would go, of all that is older."""
    window = (DAY_0_MS - DAY_MS, before_ms)
    gone = keep_only(
        store, "vat-north", window, every_ms, LIMIT_MS, lambda: protected, dry_run=dry_run
    )
    return sum(one.readings_n for one in gone)


def test_thinning_leaves_extremes_gaps_and_coverage_what_they_were(store: SqliteStore) -> None:
    fill(store, 5)
    window = (DAY_0_MS, DAY_0_MS + 5 * DAY_MS)
    asked = ("vat-north", *window)
    before = store.buckets(*asked, 240, gap_limit_ms=LIMIT_MS)
    covered = store.coverage(*asked, gap_limit_ms=LIMIT_MS)
    count, accounts = store.count(), store.accounts()
    until_ms = DAY_0_MS + 4 * DAY_MS
    would_n = keep(store, until_ms, LIMIT_MS, dry_run=True)
    assert (store.count(), store.removals()) == (count, [])
    removed_n = keep(store, until_ms, LIMIT_MS)
    assert removed_n == would_n > 500
    assert store.count() == count - removed_n
    assert store.accounts() == accounts
    after = store.buckets(*asked, 240, gap_limit_ms=LIMIT_MS)
    np.testing.assert_array_equal(after.minima, before.minima)
    np.testing.assert_array_equal(after.maxima, before.maxima)
    np.testing.assert_array_equal(after.coverage, before.coverage)
    left = store.coverage(*asked, gap_limit_ms=LIMIT_MS)
    assert (left.share, left.gaps) == (covered.share, covered.gaps)
    assert len(store.between("vat-north", window[1] - DAY_MS, window[1])) == 1_380
    assert keep(store, until_ms, LIMIT_MS) == 0
    assert store.check() == []


def test_nothing_in_or_around_a_run_is_touched(store: SqliteStore) -> None:
    fill(store, 4)
    run = (DAY_0_MS + 30 * HOUR_MS + 17, DAY_0_MS + 41 * HOUR_MS)
    around = (run[0] - LIMIT_MS, run[1] + LIMIT_MS)
    before = store.between("vat-north", *around)
    covered = store.coverage("vat-north", *run, gap_limit_ms=LIMIT_MS)
    for every_ms in (LIMIT_MS, None):
        keep(store, DAY_0_MS + 4 * DAY_MS, every_ms, [run, (run[0] + 5, run[0] + 10)])
        after = store.between("vat-north", *around)
        assert after.times_ms.tolist() == before.times_ms.tolist()
        assert after.values.tolist() == before.values.tolist()
        assert store.coverage("vat-north", *run, gap_limit_ms=LIMIT_MS) == covered
        assert store.check() == []
    assert store.count() == len(before)
    assert {removal.reason for removal in store.removals()} == {"thinned", "kept no longer"}


def test_a_run_entered_while_it_goes_on_is_protected_from_then_on(store: SqliteStore) -> None:
    fill(store, 3)
    protected: list[Window] = []
    window = (DAY_0_MS, DAY_0_MS + 3 * DAY_MS)
    gone = keep_only(store, "vat-north", window, None, LIMIT_MS, lambda: protected)
    assert next(gone).readings_n == 1_380
    protected.append((DAY_0_MS + DAY_MS, DAY_0_MS + 2 * DAY_MS))
    assert sum(one.readings_n for one in gone) < 1_380
    assert len(store.between("vat-north", *protected[0])) == 1_380


def test_each_role_has_its_own_rule_and_most_have_none(store: SqliteStore) -> None:
    for channel in ("vat-north", "room-temp", "room-humidity"):
        fill(store, 20, channel)
    channels = [
        Channel(id="vat-north", role=Role.VAT_TEMPERATURE, topic="cellar/vat"),
        Channel(id="room-temp", role=Role.ROOM_TEMPERATURE, topic="cellar/room"),
        Channel(id="room-humidity", role=Role.ROOM_HUMIDITY, topic="cellar/humidity"),
    ]
    now_ms = DAY_0_MS + 20 * DAY_MS
    assert list(slices(store, channels, [], now_ms, tuple)) == []
    rules = [
        KeepRule(Role.ROOM_TEMPERATURE, forget_after_ms=15 * DAY_MS),
        KeepRule(Role.ROOM_HUMIDITY, 14 * DAY_MS, LIMIT_MS, 18 * DAY_MS),
    ]
    for _ in range(2):  # again, there is nothing left to do
        done = list(slices(store, channels, rules, now_ms, tuple))
    assert sum(one.readings_n for one in done) == 0
    assert store.count("vat-north") == 20 * 1_380
    assert store.count("room-temp") == 15 * 1_380
    by_reason = {(one.channel, one.reason): one for one in store.removed()}
    forgotten = by_reason["room-humidity", "kept no longer"]
    assert forgotten.readings_n == 2 * 1_380
    thinned = by_reason["room-humidity", "thinned"]
    assert thinned.start_ms >= DAY_0_MS + 2 * DAY_MS
    assert thinned.end_ms <= DAY_0_MS + 6 * DAY_MS
    assert store.count("room-humidity") == 18 * 1_380 - thinned.readings_n
    assert len(store.removals()) == 3  # what goes on from the one before is noted with it
    assert store.check() == []


def test_a_forgotten_stretch_is_told_from_a_gap(store: SqliteStore) -> None:
    fill(store, 3)
    keep(store, DAY_0_MS + DAY_MS, None)
    covered = store.coverage("vat-north", DAY_0_MS, DAY_0_MS + 3 * DAY_MS, gap_limit_ms=LIMIT_MS)
    (removal,) = store.removed()
    first, *others = covered.gaps
    assert removal.start_ms <= first.start_ms
    assert removal.end_ms == DAY_0_MS + DAY_MS == first.end_ms
    assert all(gap.start_ms >= removal.end_ms for gap in others)


def test_thinning_that_would_tear_gaps_is_refused(store: SqliteStore) -> None:
    for every_ms in (0, LIMIT_MS + 1):
        with pytest.raises(InvalidError, match="gap limit"):
            keep(store, 0, every_ms)


minutes = st.integers(0, 3 * 1_440)
runs = st.lists(
    st.tuples(minutes, st.integers(0, 600)).map(
        lambda run: (DAY_0_MS + run[0] * MINUTE_MS, DAY_0_MS + (run[0] + run[1]) * MINUTE_MS + 1)
    ),
    max_size=4,
)
passes = st.lists(
    st.tuples(minutes, st.sampled_from([None, MINUTE_MS, LIMIT_MS]), st.booleans()),
    min_size=1,
    max_size=3,
)


@settings(
    max_examples=25, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture]
)
@given(runs, passes, st.integers(0, 2**32 - 1))
def test_no_reading_of_a_run_is_ever_lost(
    tmp_path_factory: pytest.TempPathFactory,
    monkeypatch: pytest.MonkeyPatch,
    protected: list[Window],
    rules: list[tuple[int, int | None, bool]],
    seed: int,
) -> None:
    monkeypatch.setattr(sqlite, "open_writer", unflushed)
    rng = np.random.default_rng(seed)
    times_ms = DAY_0_MS + np.unique(rng.integers(0, 3 * DAY_MS, 1_500))
    values = np.round(20 + rng.normal(0, 1, len(times_ms)), 2)
    rows = list(zip(times_ms.tolist(), values.tolist(), strict=True))
    late = [row for row in rows if rng.random() < 0.1]
    in_time = sorted(set(rows) - set(late))
    with SqliteStore(tmp_path_factory.mktemp("kept") / "readings.db") as store:
        store.append(arrivals("vat-north", in_time))
        for before_min, every_ms, settled in rules:
            while settled and store.settle():
                pass
            keep(store, DAY_0_MS + before_min * MINUTE_MS, every_ms, protected)
        store.append(arrivals("vat-north", late))
        before_min, every_ms, _ = rules[-1]
        keep(store, DAY_0_MS + before_min * MINUTE_MS, every_ms, protected)
        for start_ms, end_ms in protected:
            own = [row for row in rows if start_ms - LIMIT_MS <= row[0] < end_ms + LIMIT_MS]
            kept = store.between("vat-north", start_ms - LIMIT_MS, end_ms + LIMIT_MS)
            assert list(zip(kept.times_ms.tolist(), kept.values.tolist(), strict=True)) == own
        assert store.check() == []
        assert store.accounts().readings_stored == len(rows)


series = st.lists(
    st.tuples(st.integers(0, 3_000), st.integers(0, 9), st.sampled_from([0, 0, 0, 2])),
    max_size=60,
    unique_by=lambda row: row[0],
).map(lambda rows: Series.of("vat-north", sorted(rows)))


@given(series, st.integers(1, 400), st.integers(0, 400))
def test_thinning_keeps_what_tells(record: Series, every_ms: int, longer_ms: int) -> None:
    kept = kept_by_thinning(record, every_ms)
    left = Series("vat-north", record.times_ms[kept], record.values[kept], record.marks[kept])
    assert record.marks[~kept].sum() == 0
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
