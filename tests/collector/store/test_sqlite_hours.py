"""Packed hours and sums in the file: true after anything that can happen, and mended by nothing."""

from __future__ import annotations

import contextlib
import sqlite3
import threading
from collections.abc import Iterator
from pathlib import Path
from typing import NamedTuple

import numpy as np
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from collector.calibration import Chain, Correction
from collector.errors import StoreError
from collector.readings import Mark
from collector.store import sqlite, sqlite_hours, sqlite_schema
from collector.store.corrected import CorrectedStore
from collector.store.keeping import FORGOTTEN_MS, THINNED_MS, keep_only, kept_by_thinning
from collector.store.sqlite import SqliteStore
from collector.store.stretches import DAY_MS, HOUR_MS, MINUTE_MS, buckets_of
from tests.collector.store.contract_suite import (
    NOON_MS,
    Burst,
    Cut,
    bursts,
    cuts,
    hold_against,
    play,
    windows,
)
from tests.collector.store.test_contract import unflushed
from tests.stores import MemoryStore, arrivals

DAY_0_MS = NOON_MS // DAY_MS * DAY_MS


@pytest.fixture
def store(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Iterator[SqliteStore]:
    monkeypatch.setattr(sqlite, "open_writer", unflushed)
    with SqliteStore(tmp_path / "readings.db") as opened:
        yield opened


def rows(store: SqliteStore, table: str = "reading") -> int:
    with contextlib.closing(sqlite3.connect(store.path)) as connection:
        (n,) = connection.execute(f"SELECT count(*) FROM {table}").fetchone()
        return int(n)


def fill(store: SqliteStore, hours: float, *, step_ms: int = 10_000, from_ms: int = 0) -> int:
    """A steady channel from midnight on; how many readings."""
    n = int(hours * HOUR_MS / step_ms)
    store.append(
        arrivals(
            "vat-north",
            [(DAY_0_MS + from_ms + i * step_ms, 20 + i % 97 / 100) for i in range(n)],
        )
    )
    return n


def settle(store: SqliteStore) -> None:
    while store.settle():
        pass


# -- any order of anything -------------------------------------------------------------------


class Settle:
    """The collector has time to pack."""


class Keep(NamedTuple):
    """The collector thins, or forgets (None), what is older than a moment."""

    before_ms: int
    every_ms: int | None

    def play(self, store: SqliteStore, model: MemoryStore) -> None:
        """In the store by its rule, in the model by what thinning leaves."""
        window = (NOON_MS - 100 * DAY_MS, NOON_MS + self.before_ms)
        for channel in ("vat-north", "room-temp"):
            expected = []
            slice_ms = FORGOTTEN_MS if self.every_ms is None else THINNED_MS
            for start_ms in range(window[0] // slice_ms * slice_ms, window[1], slice_ms):
                cut = (max(start_ms, window[0]), min(start_ms + slice_ms, window[1]))
                series = model.between(channel, *cut)
                left = np.zeros(len(series), dtype=np.bool_)
                if self.every_ms is not None:
                    left = kept_by_thinning(series, self.every_ms)
                expected += series.times_ms[~left].tolist()
            gone = list(keep_only(store, channel, window, self.every_ms, 20_000))
            assert sum(one.readings_n for one in gone) == len(expected)
            for time_ms in expected:
                model.delete_range(channel, time_ms, time_ms + 1)


keeps = st.builds(
    Keep,
    st.integers(-90, 90).map(lambda d: d * DAY_MS),
    st.sampled_from([None, 1_000, 20_000]),
)
steps = st.lists(
    st.one_of(bursts, bursts, cuts, keeps, st.just(Settle()), st.just(Settle())),
    min_size=2,
    max_size=12,
)


@settings(
    max_examples=80, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture]
)
@given(
    steps,
    st.lists(windows, min_size=1, max_size=2),
    st.booleans(),
    st.lists(st.tuples(st.integers(-90, 90), st.sampled_from([-0.5, 0.25, 2.0])), max_size=2).map(
        lambda offsets: tuple(Correction.offset(NOON_MS + d * DAY_MS, k) for d, k in offsets)
    ),
)
def test_sums_always_equal_a_recomputation(
    tmp_path_factory: pytest.TempPathFactory,
    monkeypatch: pytest.MonkeyPatch,
    history: list[Burst | Cut | Keep | Settle],
    asked: list[tuple[int, int, int, int]],
    minutes: bool,
    recalibrated: tuple[Correction, ...],
) -> None:
    monkeypatch.setattr(sqlite, "open_writer", unflushed)
    monkeypatch.setattr(sqlite, "SETTLE_EVERY_N", 10**9)  # only where the history says so
    for module in ("sqlite_hours", "sqlite_check"):
        monkeypatch.setattr(f"collector.store.{module}.MINUTES_FROM_N", 2 if minutes else 600)
    model = MemoryStore()
    with SqliteStore(tmp_path_factory.mktemp("hours") / "readings.db") as store:
        store.append([])
        for event in history:
            if isinstance(event, Settle):
                before = store.checksums()
                settle(store)
                assert store.checksums() == before
            elif isinstance(event, Keep):
                event.play(store, model)
            else:
                assert play(store, event) == play(model, event)
        assert store.check() == []
        hold_against(store, model, asked)
        assert store.accounts() == model.accounts()
        hold_recalibrated(store, model, asked, Chain(None, recalibrated))


def hold_recalibrated(
    store: SqliteStore, model: MemoryStore, asked: list[tuple[int, int, int, int]], chain: Chain
) -> None:
    """Charts of corrected readings, made from sums, against all readings corrected one by one."""
    corrected = CorrectedStore(store, lambda: {"vat-north": chain})
    whole = model.between("vat-north", -(10**15), 10**15)
    values = chain.apply(whole.values, whole.times_ms)
    for start_ms, length_ms, n, limit_ms in asked:
        window = (NOON_MS + start_ms, NOON_MS + start_ms + length_ms, n)
        found = corrected.buckets("vat-north", *window, gap_limit_ms=limit_ms)
        want = buckets_of("vat-north", whole.times_ms, values, *window, gap_limit_ms=limit_ms)
        np.testing.assert_array_equal(found.counts, want.counts)
        for name in ("minima", "maxima", "means"):
            np.testing.assert_allclose(getattr(found, name), getattr(want, name), atol=1e-6)


# -- when hours are packed -----------------------------------------------------------------------


def test_an_hour_is_packed_when_a_reading_two_hours_after_its_start_has_come(
    store: SqliteStore,
) -> None:
    fill(store, 2)
    assert not store.settle()
    assert rows(store, "packed_hour") == 0
    store.append(arrivals("vat-north", [(DAY_0_MS + 2 * HOUR_MS, 21.0)]))
    settle(store)
    assert (rows(store, "packed_hour"), rows(store)) == (1, 361)
    assert store.check() == []


def test_the_collector_packs_by_itself_as_it_goes(
    store: SqliteStore, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(sqlite, "SETTLE_EVERY_N", 100)
    for hour in range(6):
        fill(store, 1, from_ms=hour * HOUR_MS)
    assert rows(store, "packed_hour") == 4
    assert store.count() == 6 * 360


def test_packing_goes_in_slices(store: SqliteStore, monkeypatch: pytest.MonkeyPatch) -> None:
    store.append([])
    monkeypatch.setattr(sqlite, "SETTLE_EVERY_N", 10**9)
    fill(store, 10)
    slices = 0
    while store.settle(budget_s=0):  # one hour at a time
        slices += 1
    assert slices >= 6
    assert rows(store, "packed_hour") == 9 - 1


def test_an_hour_with_too_many_readings_stays_as_rows_and_holds_up_nobody(
    store: SqliteStore, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(sqlite_hours, "HOUR_MOST_N", 300)
    n = fill(store, 1, step_ms=10_000)
    n += fill(store, 5, step_ms=20_000, from_ms=HOUR_MS)
    settle(store)
    assert rows(store) == 360 + 2 * 180
    assert rows(store, "packed_hour") == 3
    assert store.count() == n
    found = store.buckets("vat-north", DAY_0_MS, DAY_0_MS + DAY_MS, 12, gap_limit_ms=MINUTE_MS)
    assert found.counts.tolist() == [540, 360, 360] + [0] * 9
    assert store.check() == []


def test_what_fails_while_packing_does_not_fail_the_insert(
    store: SqliteStore, monkeypatch: pytest.MonkeyPatch
) -> None:
    def broken(*_: object) -> None:
        raise StoreError("no")

    monkeypatch.setattr(sqlite_hours, "settle", broken)
    monkeypatch.setattr(sqlite, "SETTLE_EVERY_N", 1)
    fill(store, 3)
    monkeypatch.undo()
    fill(store, 1, from_ms=3 * HOUR_MS)
    assert store.count() == 4 * 360


# -- what comes late -------------------------------------------------------------------------


def packed_day(store: SqliteStore) -> None:
    fill(store, 30)
    settle(store)
    assert rows(store, "packed_hour") == 28


def test_duplicates_of_packed_readings_open_nothing(store: SqliteStore) -> None:
    packed_day(store)
    done = store.append(arrivals("vat-north", [(DAY_0_MS + 10_000, 20.01), (DAY_0_MS, 20.0)]))
    assert (done.duplicate, done.stored) == (2, 0)
    assert rows(store, "packed_hour") == 28


def test_a_late_reading_opens_its_hour_which_is_packed_again(store: SqliteStore) -> None:
    packed_day(store)
    late = DAY_0_MS + 5 * HOUR_MS + 1_234
    assert store.append(arrivals("vat-north", [(late, 90.0)])).stored == 1
    assert rows(store, "packed_hour") == 27
    for _ in range(2):
        assert store.check() == []
        found = store.buckets(
            "vat-north", DAY_0_MS, DAY_0_MS + 2 * DAY_MS, 1, gap_limit_ms=MINUTE_MS
        )
        assert (found.maxima[0], found.counts[0]) == (90.0, 30 * 360 + 1)
        settle(store)
    assert rows(store, "packed_hour") == 28


def test_a_reading_in_a_silent_hour_of_a_summed_day_is_seen(store: SqliteStore) -> None:
    fill(store, 3)
    fill(store, 40, from_ms=5 * HOUR_MS)
    settle(store)
    store.append(arrivals("vat-north", [(DAY_0_MS + 4 * HOUR_MS, 90.0)]))
    window = (DAY_0_MS, DAY_0_MS + 100 * DAY_MS)
    assert store.buckets("vat-north", *window, 2, gap_limit_ms=MINUTE_MS).maxima[0] == 90.0
    assert store.check() == []


def test_a_second_value_for_a_packed_reading_is_kept_beside_it(store: SqliteStore) -> None:
    packed_day(store)
    done = store.append(arrivals("vat-north", [(DAY_0_MS, 55.0)]))
    assert done.conflict == 1
    settle(store)
    assert rows(store, "packed_hour") == 28
    (first,) = store.between("vat-north", DAY_0_MS, DAY_0_MS + 1)
    assert (first.value, first.marks) == (20.0, Mark.CONFLICT)
    assert [one.value for one in store.conflicts("vat-north", DAY_0_MS, DAY_0_MS + 1)] == [55.0]
    assert store.append(arrivals("vat-north", [(DAY_0_MS, 55.0)])).duplicate == 1
    assert rows(store, "packed_hour") == 28
    assert store.check() == []


# -- removing ----------------------------------------------------------------------------------


def test_removals_stay_on_record_with_their_reason(store: SqliteStore) -> None:
    packed_day(store)
    window = (DAY_0_MS + HOUR_MS // 2, DAY_0_MS + 3 * HOUR_MS)
    assert store.delete_range("vat-north", *window, reason="sensor fell into the bath") == 900
    (removal,) = store.removals()
    assert (removal.channel, removal.start_ms, removal.end_ms) == ("vat-north", *window)
    assert (removal.readings_n, removal.conflicts_n) == (900, 0)
    assert removal.reason == "sensor fell into the bath"
    assert store.check() == []


def test_single_readings_are_removed_from_rows_and_packed_hours(store: SqliteStore) -> None:
    packed_day(store)
    series = store.between("vat-north", DAY_0_MS, DAY_0_MS + 2 * DAY_MS)
    doomed = series.times_ms[::7]
    assert store.delete_at("vat-north", doomed) == len(doomed)
    assert store.delete_at("vat-north", doomed) == 0
    assert store.delete_at("vat-north", doomed[:0]) == 0
    left = store.between("vat-north", DAY_0_MS, DAY_0_MS + 2 * DAY_MS)
    assert set(left.times_ms.tolist()) == set(series.times_ms.tolist()) - set(doomed.tolist())
    assert store.check() == []


# -- older files ---------------------------------------------------------------------------------


def test_a_file_of_rows_alone_gets_its_sums(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    path = tmp_path / "readings.db"
    steps = sqlite_schema.MIGRATIONS
    before = steps[: steps.index(sqlite_schema.settled_hours_packed)]
    with contextlib.closing(sqlite3.connect(path, isolation_level=None)) as old:
        monkeypatch.setattr(sqlite_schema, "MIGRATIONS", before)
        sqlite_schema.migrate(old, str(path))
        monkeypatch.undo()
        old.execute("BEGIN")
        old.execute("INSERT INTO channel (name) VALUES ('vat-north')")
        old.executemany(
            "INSERT INTO reading VALUES (1, ?, ?, 0)",
            [(DAY_0_MS + i * 10_000, 20 + i % 97 / 100) for i in range(30 * 360)],
        )
        for name, count in (("messages_received", 1), ("messages_stored", 1)):
            old.execute("UPDATE account SET count = ? WHERE name = ?", (count, name))
        for name in ("readings_received", "readings_stored"):
            old.execute("UPDATE account SET count = 10800 WHERE name = ?", (name,))
        old.execute("COMMIT")
    window = (DAY_0_MS, DAY_0_MS + 30 * HOUR_MS)
    with SqliteStore(path) as store:
        as_rows = store.checksums()
        assert store.buckets("vat-north", *window, 10, gap_limit_ms=MINUTE_MS).counts[0] == 1_080
        settle(store)
        assert rows(store, "packed_hour") == 28
        assert store.checksums() == as_rows
        assert store.check() == []


def test_hours_packed_without_sums_of_tens_of_minutes_get_them(store: SqliteStore) -> None:
    packed_day(store)
    before = store.checksums()
    store.close()
    with contextlib.closing(sqlite3.connect(store.path)) as old, old:
        old.execute("DELETE FROM summary WHERE width_ms = 600000")
        old.execute("DELETE FROM migration WHERE name = 'tens_of_minutes_summed'")
    with SqliteStore(store.path) as again:
        assert again.check() == []
        assert again.checksums() == before


# -- one state for every reader ------------------------------------------------------------------


def test_readers_see_every_reading_once_while_hours_are_packed_and_opened(
    store: SqliteStore,
) -> None:
    n = fill(store, 12)
    faults: list[str] = []
    stop = threading.Event()
    window = (DAY_0_MS, DAY_0_MS + 12 * HOUR_MS)

    def look() -> None:
        while not stop.is_set():
            seen = (
                store.count(),
                len(store.between("vat-north", *window)),
                int(store.buckets("vat-north", *window, 5, gap_limit_ms=1).counts.sum()),
                store.coverage("vat-north", *window, gap_limit_ms=10_000).count,
            )
            if any(own < n or own > n + 40 for own in seen):
                faults.append(str(seen))

    readers = [threading.Thread(target=look) for _ in range(2)]
    for reader in readers:
        reader.start()
    for i in range(40):
        store.settle(0)
        if i % 3 == 0:
            store.append(arrivals("vat-north", [(DAY_0_MS + i * 600_000 + 5, 21.0)]))
    stop.set()
    for reader in readers:
        reader.join()
    assert faults == []
    assert store.check() == []


# -- faults are found ------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("harm", "words"),
    [
        ("UPDATE packed_hour SET body = X'01' WHERE hour % 24 = 3", "damaged"),
        ("UPDATE packed_hour SET count = count + 1 WHERE hour % 24 = 3", "number"),
        ("UPDATE packed_hour SET minutes = X'' WHERE hour % 24 = 3", "sums of its minutes"),
        ("DELETE FROM packed_hour WHERE hour % 24 = 3", "nothing packed"),
        ("DELETE FROM summary WHERE width_ms = 3600000", "its sum is not that of its readings"),
        ("DELETE FROM summary WHERE width_ms = 600000", "sums of its tens of minutes"),
        (
            "UPDATE summary SET body = zeroblob(length(body)) WHERE width_ms = 86400000",
            "nothing packed",
        ),
        ("INSERT INTO reading SELECT channel, hour * 3600000, 1, 0 FROM packed_hour", "in rows"),
        ("UPDATE channel SET packed_n = 7", "7 packed readings noted"),
        ("UPDATE account SET count = count + 1 WHERE name = 'readings_duplicate'", "accounted"),
        ("DELETE FROM reading", "there or removed on purpose"),
    ],
)
def test_a_fault_in_the_file_is_told(store: SqliteStore, harm: str, words: str) -> None:
    packed_day(store)
    assert store.check() == store.check(sample_n=5) == []
    with contextlib.closing(sqlite3.connect(store.path)) as connection, connection:
        connection.execute(harm)
    assert any(words in fault for fault in store.check())
    assert len(store.check()) <= 20
