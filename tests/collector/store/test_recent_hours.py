"""Hours kept in memory: every chart is the same as without them, and they stay within bounds."""

from __future__ import annotations

import sqlite3
from collections.abc import Iterator
from contextlib import closing
from pathlib import Path

import numpy as np
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from collector.store import sqlite, sqlite_append
from collector.store.contract import Buckets
from collector.store.recent_hours import RecentHours
from collector.store.sqlite import SqliteStore
from collector.store.stretches import HOUR_MS, MINUTE_MS
from tests.collector.store.contract_suite import NOON_MS, Burst, Cut, bursts, cuts, play, windows
from tests.collector.store.test_contract import unflushed
from tests.stores import arrivals

LIMIT_MS = 5 * MINUTE_MS


@pytest.fixture
def store(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Iterator[SqliteStore]:
    monkeypatch.setattr(sqlite, "open_writer", unflushed)
    with SqliteStore(tmp_path / "readings.db") as opened:
        yield opened


def fill(store: SqliteStore, from_s: int, to_s: int, step_s: int = 10) -> None:
    store.append(
        arrivals(
            "vat-north",
            [(NOON_MS + s * 1_000, 20 + s % 97 / 100) for s in range(from_s, to_s, step_s)],
        )
    )


def recomputed(store: SqliteStore, *asked: int) -> Buckets:
    """The same question put to somebody who has kept nothing."""
    with SqliteStore(store.path, read_only=True) as fresh:
        start_ms, end_ms, n, limit_ms = asked
        return fresh.buckets("vat-north", start_ms, end_ms, n, gap_limit_ms=limit_ms)


def hold_together(store: SqliteStore, *asked: int) -> None:
    start_ms, end_ms, n, limit_ms = asked
    found = store.buckets("vat-north", start_ms, end_ms, n, gap_limit_ms=limit_ms)
    want = recomputed(store, *asked)
    for name in ("minima", "maxima", "means", "counts", "coverage"):
        np.testing.assert_array_equal(getattr(found, name), getattr(want, name))


class Settle:
    """The collector has time to pack."""


@settings(
    max_examples=60, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture]
)
@given(
    st.lists(st.one_of(bursts, bursts, cuts, st.just(Settle())), min_size=2, max_size=10),
    windows,
    st.sampled_from([0, 2_000, 10**6]),
    st.sampled_from([2, 10_000]),
)
def test_a_chart_from_memory_equals_a_recomputation(
    tmp_path_factory: pytest.TempPathFactory,
    monkeypatch: pytest.MonkeyPatch,
    history: list[Burst | Cut | Settle],
    window: tuple[int, int, int, int],
    most_n: int,
    journal_n: int,
) -> None:
    monkeypatch.setattr(sqlite, "open_writer", unflushed)
    monkeypatch.setattr(sqlite_append, "TOUCHED_KEPT_N", journal_n)
    start_ms, length_ms, n, limit_ms = window
    asked = (NOON_MS + start_ms, NOON_MS + start_ms + length_ms, n, limit_ms)
    with SqliteStore(tmp_path_factory.mktemp("recent") / "readings.db") as store:
        store.append([])
        store._recent = RecentHours(most_n)
        for event in history:
            hold_together(store, *asked)
            if isinstance(event, Settle):
                store.settle()
            else:
                play(store, event)
            if most_n == 2_000:
                continue  # so that several changes are caught up with at once
            hold_together(store, *asked)
        hold_together(store, *asked)
        assert store._recent.kept_n <= max(most_n, 0)


def test_a_live_chart_reads_only_what_came_since(store: SqliteStore) -> None:
    fill(store, 0, 3_000)
    window = (NOON_MS, NOON_MS + HOUR_MS)
    store.buckets("vat-north", *window, 60, gap_limit_ms=LIMIT_MS)
    fill(store, 3_000, 3_100)
    with store._reading() as connection:
        view = store._recent.view(connection)
        seen: list[str] = []
        connection.set_trace_callback(seen.append)
        (hour,) = view.hours(1, NOON_MS // HOUR_MS, NOON_MS // HOUR_MS + 1)
        connection.set_trace_callback(None)
    assert len(hour) == 310
    assert [f"time_ms >= {NOON_MS + 3_000_000}" in text for text in seen if "reading" in text] == [
        True
    ]
    hold_together(store, *window, 60, LIMIT_MS)


def test_what_was_not_asked_for_longest_is_let_go(store: SqliteStore) -> None:
    fill(store, 0, 12 * 3_600)
    store._recent = recent = RecentHours(3_000)
    for hour in range(12):
        start_ms = NOON_MS + hour * HOUR_MS
        hold_together(store, start_ms + 1, start_ms + HOUR_MS - 1, 60, LIMIT_MS)
        assert recent.kept_n <= 3_000
    with closing(sqlite3.connect(store.path, isolation_level=None)) as connection:
        connection.execute("BEGIN")
        cursor = recent.view(connection)._cursor
        kept = recent.kept(cursor, [(1, NOON_MS // HOUR_MS + hour) for hour in range(12)])
        assert sorted(hour - NOON_MS // HOUR_MS for _, hour in kept) == [9, 10, 11]


def test_a_reader_of_an_older_moment_neither_uses_nor_spoils_what_is_kept(
    store: SqliteStore,
) -> None:
    fill(store, 0, 1_800)
    hour = NOON_MS // HOUR_MS
    with store._reading() as older:
        older_view = store._recent.view(older)
        assert len(older_view.hours(1, hour, hour + 1)[0]) == 180
        fill(store, 1_800, 3_600)
        with store._reading() as newer:
            newer_view = store._recent.view(newer)
            assert len(newer_view.hours(1, hour, hour + 1)[0]) == 360
            assert len(older_view.hours(1, hour, hour + 1)[0]) == 180
            assert len(newer_view.hours(1, hour, hour + 1)[0]) == 360
