"""Readings seen through their chains: equal to a recomputation from what was received."""

from __future__ import annotations

import math
from collections.abc import Iterator
from itertools import count

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from collector.calibration import Chain, Correction
from collector.errors import StoreError
from collector.readings import Mark, Reading, Series
from collector.signals import NtcBeta, Platinum, Signal
from collector.store.contract import ReadingStore
from collector.store.corrected import CorrectedStore
from collector.store.sqlite import SqliteStore
from collector.store.stretches import buckets_of
from tests.stores import arrivals

START_MS = 1_767_268_800_000  # 2026-01-01T12:00:00Z
LIMIT_MS = 300
PT100 = Platinum()
NTC = NtcBeta(nominal_ohm=10_000.0, beta_k=3977.0)
ORDINAL = count()


@pytest.fixture(scope="module")
def raw(tmp_path_factory: pytest.TempPathFactory) -> Iterator[SqliteStore]:
    with SqliteStore(tmp_path_factory.mktemp("corrected") / "readings.db") as store:
        yield store


def seen(raw: ReadingStore, channel: str, chain: Chain) -> CorrectedStore:
    return CorrectedStore(raw, lambda: {channel: chain})


def filled(raw: SqliteStore, rows: dict[int, float]) -> str:
    """A new channel with readings ``ms after the start -> value``; its id."""
    channel = f"vat-{next(ORDINAL)}"
    raw.append(arrivals(channel, [(START_MS + at, value) for at, value in rows.items()]))
    return channel


# -- a story ---------------------------------------------------------------------------------


def test_a_calibration_entered_late_and_dated_back(raw: SqliteStore) -> None:
    channel = filled(raw, {0: 21.0, 100: 21.4, 200: 21.2})
    chains: dict[str, Chain] = {}
    store = CorrectedStore(raw, lambda: chains)
    window = (channel, START_MS, START_MS + 1_000)
    assert store.between(*window).values.tolist() == [21.0, 21.4, 21.2]

    chains[channel] = Chain(None, (Correction.offset(START_MS + 100, -0.4),))
    assert store.between(*window).values.tolist() == [21.0, 21.0, 20.8]
    assert store.latest()[channel] == Reading(channel, START_MS + 200, 20.8)
    assert store.before(channel, START_MS + 1) == Reading(channel, START_MS, 21.0)
    assert store.after(channel, START_MS + 1) == Reading(channel, START_MS + 100, 21.0)
    # What was received is still there.
    assert store.raw.between(*window).values.tolist() == [21.0, 21.4, 21.2]
    assert store.raw.latest()[channel].value == 21.2


def test_a_broken_wire_is_kept_and_marked(raw: SqliteStore) -> None:
    channel = filled(raw, {0: 107.7935, 100: 1e9, 200: 0.0})
    store = seen(raw, channel, Chain(PT100))
    found = store.between(channel, START_MS, START_MS + 1_000)
    assert found.values.tolist() == pytest.approx([20.0, 850.0, -200.0], abs=1e-3)
    assert found.marks.tolist() == [0, Mark.IMPLAUSIBLE, Mark.IMPLAUSIBLE]
    assert len(found.without(Mark.IMPLAUSIBLE)) == 1
    assert store.latest()[channel].marks == Mark.IMPLAUSIBLE
    # The channels of others are left alone.
    other = filled(raw, {0: 1e9})
    assert store.latest()[other] == Reading(other, START_MS, 1e9)


def test_nothing_is_appended_to_what_is_computed(raw: SqliteStore) -> None:
    store: ReadingStore = CorrectedStore(raw, dict)
    before = raw.accounts()
    with pytest.raises(StoreError):
        store.append(arrivals("vat-north", [(START_MS, 21.0)]))
    assert raw.accounts() == before


def test_what_has_no_value_passes_through(raw: SqliteStore) -> None:
    channel = filled(raw, {0: 21.0, 100: 22.0, 900: 23.0})
    store = seen(raw, channel, Chain(None, (Correction.offset(0, 1.0),)))
    window = (channel, START_MS, START_MS + 1_000)
    assert store.coverage(*window, gap_limit_ms=300) == raw.coverage(*window, gap_limit_ms=300)
    assert store.count() == raw.count()
    assert store.count(channel) == 3
    assert store.channels() == raw.channels()
    assert store.accounts() == raw.accounts()
    assert store.refused() == raw.refused()
    cursor = raw.changes().cursor
    assert store.changes(cursor - 1) == raw.changes(cursor - 1)


def test_a_mean_across_a_change_is_that_of_the_corrected_line(raw: SqliteStore) -> None:
    # 20 °C throughout; from the middle on 2 K are added. The line climbs from 20 to 22
    # between the readings at 200 and 300 ms; by hand: (200·20 + 100·21 + 200·22) / 500 = 21.
    channel = filled(raw, dict.fromkeys(range(0, 600, 100), 20.0))
    store = seen(raw, channel, Chain(None, (Correction.offset(START_MS + 250, 2.0),)))
    found = store.buckets(channel, START_MS, START_MS + 501, 1, gap_limit_ms=LIMIT_MS)
    assert (found.minima[0], found.maxima[0]) == (20.0, 22.0)
    assert found.means[0] == pytest.approx(21.0, abs=1e-12)


# -- equal to a recomputation ------------------------------------------------------------------


corrections = st.lists(
    st.tuples(
        st.integers(-500, 3_000),
        st.lists(st.tuples(st.floats(1.0, 30.0), st.floats(1.0, 30.0)), min_size=1, max_size=4).map(
            lambda steps: tuple((x, y) for x, y in np.cumsum(steps, axis=0).tolist())
        ),
    ).map(lambda one: Correction(START_MS + one[0], one[1])),
    max_size=4,
).map(tuple)
signals = st.sampled_from([None, PT100, NTC])
readings = st.dictionaries(st.integers(-800, 3_500), st.floats(0.0, 60.0), min_size=0, max_size=60)


def received(signal: Signal | None, celsius: float) -> float:
    return celsius if signal is None else signal.at(celsius)


@given(
    rows=readings,
    signal=signals,
    corrected_by=corrections,
    window=st.tuples(st.integers(-600, 2_000), st.integers(1, 2_000)),
    n=st.integers(1, 40),
)
def test_corrected_equals_recomputed(
    raw: SqliteStore,
    rows: dict[int, float],
    signal: Signal | None,
    corrected_by: tuple[Correction, ...],
    window: tuple[int, int],
    n: int,
) -> None:
    channel = filled(raw, {at: received(signal, value) for at, value in rows.items()})
    chain = Chain(signal, corrected_by)
    store = seen(raw, channel, chain)
    start_ms, end_ms = START_MS + window[0], START_MS + window[0] + window[1]
    everything = raw.between(channel, 0, START_MS + 10_000)
    times, values = everything.times_ms, chain.apply(everything.values, everything.times_ms)

    whole = store.between(channel, 0, START_MS + 10_000)
    assert whole.values.tolist() == values.tolist()
    for at, value in zip(times.tolist(), values.tolist(), strict=True):
        assert store.after(channel, at) == Reading(channel, at, value)
        assert store.before(channel, at + 1) == Reading(channel, at, value)
        one = chain.apply_one(raw.between(channel, at, at + 1).values.tolist()[0], at)
        assert one == pytest.approx(value, abs=1e-7)
    assert store.after(channel, end_ms) == next(
        (
            Reading(channel, t, v)
            for t, v in zip(times.tolist(), values.tolist(), strict=True)
            if t >= end_ms
        ),
        None,
    )

    found = store.buckets(channel, start_ms, end_ms, n, gap_limit_ms=LIMIT_MS)
    low = max(int(np.searchsorted(times, start_ms)) - 1, 0)
    high = int(np.searchsorted(times, end_ms)) + 1
    want = buckets_of(
        channel, times[low:high], values[low:high], start_ms, end_ms, n, gap_limit_ms=LIMIT_MS
    )
    for name in ("minima", "maxima"):
        assert getattr(found, name).tolist() == pytest.approx(
            getattr(want, name).tolist(), abs=2e-9, nan_ok=True
        )
    for name in ("starts_ms", "counts", "coverage"):
        assert getattr(found, name).tolist() == getattr(want, name).tolist()
    assert found.width_ms == want.width_ms
    if signal is None and all(one.affine for one in corrected_by):
        assert found.means.tolist() == pytest.approx(want.means.tolist(), abs=1e-7, nan_ok=True)
    else:
        empty = want.counts == 0
        assert np.isnan(found.means[empty]).all()
        assert np.isfinite(found.means[~empty]).all()


lines = st.lists(
    st.builds(
        lambda at, added: Correction.offset(START_MS + at, added),
        st.integers(0, 1_000),
        st.floats(-5.0, 5.0),
    ),
    min_size=1,
    max_size=3,
).map(tuple)


@given(
    rows=st.dictionaries(st.integers(0, 1_000), st.floats(0.0, 60.0), min_size=2, max_size=12),
    corrected_by=lines,
    n=st.integers(2, 40),
)
def test_means_are_exact_on_both_sides_of_a_change(
    raw: SqliteStore, rows: dict[int, float], corrected_by: tuple[Correction, ...], n: int
) -> None:
    channel = filled(raw, rows)
    chain = Chain(None, corrected_by)
    series = raw.between(channel, START_MS, START_MS + 1_001)
    window = (START_MS, START_MS + 1_001, n)
    want = buckets_of(
        channel,
        series.times_ms,
        chain.apply(series.values, series.times_ms),
        *window,
        gap_limit_ms=LIMIT_MS,
    )
    found = seen(raw, channel, chain).buckets(channel, *window, gap_limit_ms=LIMIT_MS)
    for name in ("minima", "maxima", "means"):
        assert getattr(found, name).tolist() == pytest.approx(
            getattr(want, name).tolist(), abs=1e-7, nan_ok=True
        )


def test_behind_a_curve_the_mean_is_good_enough_for_a_chart(raw: SqliteStore) -> None:
    # A vat that warms by 6 K in a bucket, read by a thermistor.
    warming = {at: NTC.at(18.0 + 0.01 * at) for at in range(0, 601, 20)}
    channel = filled(raw, warming)
    store = seen(raw, channel, Chain(NTC))
    found = store.buckets(channel, START_MS, START_MS + 601, 1, gap_limit_ms=LIMIT_MS)
    assert (found.minima[0], found.maxima[0]) == pytest.approx((18.0, 24.0), abs=1e-9)
    assert found.means[0] == pytest.approx(21.0, abs=0.1)
    assert not math.isclose(found.means[0], 21.0, abs_tol=1e-6)  # it is not exact


def test_a_year_is_not_read_for_one_change(raw: SqliteStore) -> None:
    """Only the readings next to the change are read one by one."""
    channel = filled(raw, dict.fromkeys(range(0, 20_000, 10), 20.0))
    counted = Counted(raw)
    store = seen(counted, channel, Chain(None, (Correction.offset(START_MS + 10_005, 1.0),)))
    store.buckets(channel, START_MS, START_MS + 20_000, 100, gap_limit_ms=LIMIT_MS)
    assert 0 < sum(counted.read_n) < 100


class Counted(CorrectedStore):
    """A store that notes how many readings each ``between`` gave."""

    def __init__(self, raw: ReadingStore) -> None:
        super().__init__(raw, dict)
        self.read_n: list[int] = []

    def between(self, channel: str, start_ms: int, end_ms: int) -> Series:
        found = self.raw.between(channel, start_ms, end_ms)
        self.read_n.append(len(found))
        return found
