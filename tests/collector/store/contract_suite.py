"""What every store of readings has to show; each kind of store runs it (``test_contract.py``).

A kind of store subclasses :class:`ContractSuite` and gives the fixture ``new``: a callable that
opens a fresh, empty store as :class:`Stores`. What is told is held against ``MemoryStore``, which
is plain Python.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from typing import NamedTuple

import numpy as np
import pytest
from hypothesis import HealthCheck, example, given, settings
from hypothesis import strategies as st

from collector.errors import InvalidError
from collector.readings import Mark, Reading
from collector.store.contract import (
    Accounts,
    Appended,
    Arrival,
    Change,
    Gap,
    ReadingStore,
    Refusal,
)
from collector.store.stretches import DAY_MS, HOUR_MS, MINUTE_MS, edges_of
from tests.stores import MemoryStore

NOON_MS = 1_767_268_800_000  # 2026-01-01T12:00:00Z


class Stores(NamedTuple):
    """A store to append to, and one to read from; for most kinds they are the same."""

    writer: ReadingStore
    reader: ReadingStore


New = Callable[[], Stores]


def message(*readings: tuple[str, int, float], refused: tuple[str, ...] = ()) -> Arrival:
    """One message with readings ``(channel, ms after noon, value)``."""
    return Arrival(
        topic="cellar/north/vat",
        received_ms=NOON_MS,
        readings=tuple(Reading(channel, NOON_MS + at, value) for channel, at, value in readings),
        refusals=tuple(Refusal(reason) for reason in refused),
        payload=b"the payload" if refused else b"",
    )


# -- what may happen to a store ----------------------------------------------------------------


class Burst(NamedTuple):
    """Readings of one channel at a steady pace, as one batch."""

    channel: str
    start_ms: int
    step_ms: int
    values: tuple[float, ...]
    marks: int

    def arrivals(self) -> list[Arrival]:
        """One message for each reading."""
        return [
            Arrival("cellar/x", at, (Reading(self.channel, at, value, Mark(self.marks)),))
            for i, value in enumerate(self.values)
            for at in (NOON_MS + self.start_ms + i * self.step_ms,)
        ]


class Cut(NamedTuple):
    """A window to be removed."""

    channel: str
    start_ms: int
    length_ms: int


channels = st.sampled_from(["vat-north", "room-temp"])
values = st.one_of(
    st.integers(-400, 12_000).map(lambda n: n / 100),
    st.integers(0, 640).map(lambda n: n / 16),
    st.floats(-40, 120),
)
starts = st.one_of(
    st.integers(-3 * HOUR_MS, 60 * HOUR_MS),
    st.integers(-3, 60).map(lambda h: h * HOUR_MS),
    st.integers(-90, 90).map(lambda d: d * DAY_MS),
)
bursts = st.builds(
    Burst,
    channels,
    starts,
    st.sampled_from([1, 700, 20_000, MINUTE_MS, 7 * MINUTE_MS, HOUR_MS, 5 * HOUR_MS]),
    st.lists(values, min_size=1, max_size=30).map(tuple),
    st.sampled_from([0, 0, 0, int(Mark.JUMP), int(Mark.LATE)]),
)
cuts = st.builds(
    Cut,
    channels,
    starts,
    st.sampled_from([1, MINUTE_MS, HOUR_MS, 5 * HOUR_MS, 2 * DAY_MS, 60 * DAY_MS]),
)
histories = st.lists(st.one_of(bursts, bursts, bursts, cuts), min_size=1, max_size=8)
windows = st.tuples(
    starts,
    st.one_of(
        st.integers(1, 60 * HOUR_MS),
        st.sampled_from([HOUR_MS, DAY_MS, 30 * DAY_MS, 180 * DAY_MS]),
    ),
    st.integers(1, 40),
    st.sampled_from([1_000, 20_000, 5 * MINUTE_MS, 2 * HOUR_MS, 40 * HOUR_MS]),
)


def play(store: ReadingStore, event: Burst | Cut) -> object:
    """One event, and what the store said to it."""
    if isinstance(event, Burst):
        return store.append(event.arrivals())
    start_ms = NOON_MS + event.start_ms
    return store.delete_range(event.channel, start_ms, start_ms + event.length_ms)


def hold_against(
    store: ReadingStore, model: ReadingStore, asked: list[tuple[int, int, int, int]]
) -> None:
    """Every answer of a store against the model's."""
    assert store.channels() == model.channels()
    assert store.latest() == model.latest()
    assert store.count() == model.count()
    for channel in ("vat-north", "room-temp"):
        assert store.count(channel) == model.count(channel)
        for start_ms, length_ms, n, limit_ms in asked:
            first, last = NOON_MS + start_ms, NOON_MS + start_ms + length_ms
            for at in (first, last):
                assert store.before(channel, at) == model.before(channel, at)
                assert store.after(channel, at) == model.after(channel, at)
            series, own = store.between(channel, first, last), model.between(channel, first, last)
            for name in ("times_ms", "values", "marks"):
                np.testing.assert_array_equal(getattr(series, name), getattr(own, name))
            assert store.coverage(channel, first, last, gap_limit_ms=limit_ms) == model.coverage(
                channel, first, last, gap_limit_ms=limit_ms
            )
            found, want = (
                one.buckets(channel, first, last, n, gap_limit_ms=limit_ms)
                for one in (store, model)
            )
            assert found.width_ms == want.width_ms
            for name in ("starts_ms", "minima", "maxima", "counts"):
                np.testing.assert_array_equal(getattr(found, name), getattr(want, name))
            np.testing.assert_allclose(found.coverage, want.coverage, rtol=0, atol=1e-12)
            np.testing.assert_allclose(found.means, want.means, rtol=0, atol=1e-6)


class ContractSuite:
    """The contract in tests. Subclasses bring the fixture ``new``."""

    # -- kept once, and accounted for --------------------------------------------------------

    def test_readings_come_back_as_they_were_sent(self, new: New) -> None:
        writer, reader = new()
        sent = [21.4, -5.5, 5e-324, 1.7976931348623157e308, 0.1 + 0.2, 23.0, 0.0]
        done = writer.append([message(("vat-north", i, value)) for i, value in enumerate(sent)])
        assert done == Appended(stored=7)
        series = reader.between("vat-north", NOON_MS, NOON_MS + 7)
        assert series.values.tolist() == sent
        assert series.times_ms.tolist() == [NOON_MS + i for i in range(7)]
        assert reader.count() == reader.count("vat-north") == 7
        assert reader.count("vat-south") == 0

    def test_marks_are_kept(self, new: New) -> None:
        writer, reader = new()
        marked = Reading("vat-north", NOON_MS, 20.0, Mark.JUMP | Mark.CLOCK)
        writer.append([Arrival("cellar/x", NOON_MS, (marked,))])
        assert list(reader.between("vat-north", NOON_MS, NOON_MS + 1)) == [marked]
        assert reader.latest() == {"vat-north": marked}

    def test_windows_are_half_open(self, new: New) -> None:
        writer, reader = new()
        writer.append([message(("vat-north", 0, 20.0), ("vat-north", 10, 21.0))])
        assert len(reader.between("vat-north", NOON_MS, NOON_MS + 10)) == 1
        assert len(reader.between("vat-north", NOON_MS + 1, NOON_MS + 11)) == 1

    def test_the_same_message_again_is_a_duplicate(self, new: New) -> None:
        writer, reader = new()
        twice = message(("vat-north", 0, 20.0), ("room-temp", 0, 18.0))
        assert writer.append([twice]) == Appended(stored=2)
        assert writer.append([twice]) == Appended(duplicate=2)
        assert writer.append([twice, message(("vat-north", 1, 20.1))]) == Appended(1, 2)
        accounts = reader.accounts()
        assert (accounts.messages_stored, accounts.messages_duplicate) == (2, 2)
        assert (accounts.readings_stored, accounts.readings_duplicate) == (3, 4)
        assert accounts.balanced

    def test_another_value_for_the_same_time_leaves_the_first(self, new: New) -> None:
        writer, reader = new()
        writer.append([message(("vat-north", 0, 20.0), ("vat-north", 5, 20.5))])
        other = message(("vat-north", 0, 25.0))
        assert writer.append([other]) == Appended(conflict=1)
        assert writer.append([other]) == Appended(duplicate=1)
        kept = reader.between("vat-north", NOON_MS, NOON_MS + 6)
        assert kept.values.tolist() == [20.0, 20.5]
        assert kept.marks.tolist() == [Mark.CONFLICT, Mark.NONE]
        accounts = reader.accounts()
        assert (accounts.readings_stored, accounts.conflicts, accounts.balanced) == (3, 1, True)

    def test_a_refused_message_is_kept_with_its_reason(self, new: New) -> None:
        writer, reader = new()
        writer.append([message(refused=("the payload is not JSON",))])
        (kept,) = reader.refused()
        assert (kept.topic, kept.reason, kept.payload) == (
            "cellar/north/vat",
            "the payload is not JSON",
            b"the payload",
        )
        assert reader.accounts() == Accounts(
            messages_received=1, messages_refused=1, readings_received=1, readings_refused=1
        )

    @pytest.mark.parametrize(
        "reading",
        [
            Reading("vat-north", NOON_MS, math.nan),
            Reading("vat-north", NOON_MS, math.inf),
            Reading("vat-north", 253_402_300_800_000, 20.0),
        ],
        ids=["nan", "infinite", "year 10000"],
    )
    def test_what_cannot_be_kept_is_refused_and_blocks_nothing(
        self, new: New, reading: Reading
    ) -> None:
        writer, reader = new()
        bad = Arrival("cellar/x", NOON_MS, (reading,))
        done = writer.append([bad, message(("vat-north", 0, 20.0))])
        assert done == Appended(stored=1, refused=1)
        assert "outside what can be kept" in reader.refused()[0].reason
        assert reader.accounts().balanced

    # -- reading -----------------------------------------------------------------------------

    def test_a_store_with_nothing_in_it(self, new: New) -> None:
        _, reader = new()
        assert (reader.latest(), reader.channels(), reader.count()) == ({}, [], 0)
        assert reader.before("vat-north", NOON_MS) is None
        assert reader.after("vat-north", NOON_MS) is None
        assert len(reader.between("vat-north", NOON_MS, NOON_MS + 1)) == 0
        assert reader.accounts() == Accounts()
        hollow = reader.coverage("vat-north", NOON_MS, NOON_MS + 60, gap_limit_ms=10)
        assert hollow.gaps == (Gap(NOON_MS, NOON_MS + 60),)
        found = reader.buckets("vat-north", NOON_MS, NOON_MS + 60, 3, gap_limit_ms=10)
        assert found.counts.tolist() == [0, 0, 0]

    def test_neighbours_latest_and_channels(self, new: New) -> None:
        writer, reader = new()
        writer.append(
            [message(("vat-north", 0, 20.0), ("vat-north", 10, 21.0), ("room-temp", 5, 18.0))]
        )
        assert reader.channels() == ["room-temp", "vat-north"]
        assert reader.latest()["vat-north"] == Reading("vat-north", NOON_MS + 10, 21.0)
        assert reader.before("vat-north", NOON_MS) is None
        assert reader.before("vat-north", NOON_MS + 10) == Reading("vat-north", NOON_MS, 20.0)
        assert reader.after("vat-north", NOON_MS + 10) == Reading("vat-north", NOON_MS + 10, 21.0)
        assert reader.after("vat-north", NOON_MS + 11) is None

    def test_coverage_tells_the_gaps_of_a_window(self, new: New) -> None:
        writer, reader = new()
        writer.append([message(*(("vat-north", at, 20.0 + at) for at in (0, 10, 20, 90)))])
        start, end = NOON_MS + 5, NOON_MS + 25
        found = reader.buckets("vat-north", start, end, 2, gap_limit_ms=15)
        assert found.coverage.tolist() == [1.0, 0.5]
        assert found.means.tolist() == pytest.approx([30.0, 37.5], abs=1e-9)
        holed = reader.coverage("vat-north", start, end, gap_limit_ms=15)
        assert (holed.share, holed.gaps) == (0.75, (Gap(NOON_MS + 20, end),))
        whole = reader.coverage("vat-north", NOON_MS, NOON_MS + 100, gap_limit_ms=15)
        assert whole.gaps == (Gap(NOON_MS + 20, NOON_MS + 90),)
        assert whole.count == 4

    def test_a_spike_of_one_reading_shows_at_every_zoom(self, new: New) -> None:
        writer, reader = new()
        spike = [(i * MINUTE_MS, 21.0 if i != 2_000 else 60.0) for i in range(3_000)]
        writer.append([message(*(("vat-north", at, value) for at, value in spike))])
        at = NOON_MS + 2_000 * MINUTE_MS
        for length_ms in (10, HOUR_MS, DAY_MS, 30 * DAY_MS, 3_650 * DAY_MS):
            for n in (1, 7, 100):
                window = (at - length_ms // 3, at + length_ms)
                found = reader.buckets("vat-north", *window, n, gap_limit_ms=5 * MINUTE_MS)
                assert np.nanmax(found.maxima) == 60.0
                edges = edges_of(*window, n)
                assert found.starts_ms.tolist() == edges[:-1].tolist()
                assert edges[np.nanargmax(found.maxima)] <= at

    @pytest.mark.parametrize(("end_ms", "n"), [(NOON_MS, 1), (NOON_MS - 1, 1), (NOON_MS + 1, 0)])
    def test_what_makes_no_sense_is_refused(self, new: New, end_ms: int, n: int) -> None:
        _, reader = new()
        with pytest.raises(InvalidError):
            reader.buckets("vat-north", NOON_MS, end_ms, n, gap_limit_ms=1)
        if n:
            with pytest.raises(InvalidError):
                reader.coverage("vat-north", NOON_MS, end_ms, gap_limit_ms=1)

    def test_changes_since_a_cursor(self, new: New) -> None:
        writer, reader = new()
        begin = reader.changes()
        assert begin == reader.changes(begin.cursor)
        writer.append(
            [message(("vat-north", 0, 20.0), ("vat-north", 9, 21.0), ("room-temp", 3, 18.0))]
        )
        found = reader.changes(begin.cursor)
        assert found.complete
        assert set(found.changes) == {
            Change("vat-north", NOON_MS, NOON_MS + 9),
            Change("room-temp", NOON_MS + 3, NOON_MS + 3),
        }
        writer.append([message(("vat-north", 0, 20.0))])  # a duplicate changes nothing
        assert reader.changes(found.cursor).changes == ()

    # -- removing ----------------------------------------------------------------------------

    def test_a_window_is_removed_and_shows_as_a_change(self, new: New) -> None:
        writer, reader = new()
        rows = [("vat-north", at * MINUTE_MS, 20.0 + at) for at in range(200)]
        writer.append([message(*rows, ("room-temp", 0, 18.0))])
        before = reader.accounts()
        cursor = reader.changes().cursor
        window = (NOON_MS + 50 * MINUTE_MS, NOON_MS + 130 * MINUTE_MS)
        assert writer.delete_range("vat-north", *window) == 80
        assert len(reader.between("vat-north", *window)) == 0
        assert (reader.count("vat-north"), reader.count("room-temp")) == (120, 1)
        assert reader.accounts() == before
        (change,) = reader.changes(cursor).changes
        assert change == Change("vat-north", window[0], window[1] - MINUTE_MS)
        assert writer.delete_range("vat-north", *window) == 0
        assert writer.delete_range("vat-south", *window) == 0
        assert reader.changes(cursor).changes == (change,)

    def test_what_was_removed_may_come_again(self, new: New) -> None:
        writer, reader = new()
        once = message(("vat-north", 0, 20.0))
        writer.append([once, message(("vat-north", 0, 25.0))])
        assert writer.delete_range("vat-north", NOON_MS, NOON_MS + 1) == 1
        assert reader.channels() == []
        assert writer.append([once]) == Appended(stored=1)
        assert reader.between("vat-north", NOON_MS, NOON_MS + 1).marks.tolist() == [Mark.NONE]

    # -- any history -------------------------------------------------------------------------

    @settings(
        max_examples=30, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture]
    )
    @given(histories, st.lists(windows, min_size=1, max_size=3))
    @example(  # a packed hour between hours in rows, on one day
        [
            Burst("vat-north", 0, 5 * HOUR_MS, (20.0, 21.0, 22.0), 0),
            Burst("vat-north", 0, 1, (20.0, 20.5), 0),
        ],
        [(0, 30 * DAY_MS, 1, 40 * HOUR_MS)],
    )
    @example(  # a day that is whole, read with a gap limit below and above its pace
        [Burst("vat-north", -12 * HOUR_MS, 20 * MINUTE_MS, tuple(map(float, range(300))), 0)],
        [(-20 * DAY_MS, 180 * DAY_MS, 40, limit) for limit in (MINUTE_MS, 20 * MINUTE_MS)],
    )
    def test_every_answer_equals_that_of_plain_python(
        self,
        new: New,
        history: list[Burst | Cut],
        asked: list[tuple[int, int, int, int]],
    ) -> None:
        (writer, reader), model = new(), MemoryStore()
        for event in history:
            assert play(writer, event) == play(model, event)
        hold_against(reader, model, asked)
        assert reader.accounts() == model.accounts()
