"""Summaries with and without doubtful readings: what is left out is counted, the rest is exact."""

from __future__ import annotations

from datetime import timedelta

import numpy as np
import pytest
from fastapi.testclient import TestClient
from hypothesis import given
from hypothesis import strategies as st

from api import marks
from api.answers import Workshop
from api.calibrations import BelievedChains
from api.marks import Counted, reduced
from collector.readings import Mark, Reading, Series, ms_of
from collector.store.contract import Arrival, Gap
from collector.store.stretches import buckets_of
from tests.api.test_answers import EVENING, plate

MINUTE = 60_000
START = ms_of(EVENING)


def fill(workshop: Workshop, values: list[tuple[float, Mark]], channel: str = "vat-north") -> None:
    """A reading a minute from the evening on."""
    workshop.received.append(
        [
            Arrival("cellar", START, (Reading(channel, START + n * MINUTE, value, mark),))
            for n, (value, mark) in enumerate(values)
        ]
    )


def test_by_default_the_implausible_are_left_out_and_counted(
    workshop: Workshop, client: TestClient
) -> None:
    readings = [(20.0, Mark.NONE)] * 10
    readings[3] = (85.0, Mark.IMPLAUSIBLE)
    readings[6] = (23.0, Mark.JUMP)
    fill(workshop, readings)
    query = {"channel": "vat-north", "from": "2026-01-14T19:30:00Z"}
    query |= {"until": "2026-01-14T19:40:00Z", "n": "1"}

    def asked(**more: str) -> tuple[float, int, int]:
        found = client.get("/api/buckets", params={**query, **more}).json()
        return found["maxima"][0], found["counts"][0], found["left_out"]

    assert asked() == (23.0, 9, 1)
    assert asked(counted="plausible") == (23.0, 9, 1)
    assert asked(counted="unmarked") == (20.0, 8, 2)
    assert asked(counted="all") == (85.0, 10, 0)
    assert client.get("/api/buckets", params={**query, "counted": "some"}).status_code == 422
    every = client.get("/api/readings", params=query).json()["readings"]
    assert [one["value"] for one in every][3] == 85.0


def test_a_gap_over_an_edge_is_the_same_with_and_without_what_is_left_out(
    workshop: Workshop,
) -> None:
    fill(workshop, [(20.0, Mark.NONE)] * 10 + [(150.0, Mark.IMPLAUSIBLE)])
    late = START + 60 * MINUTE
    workshop.received.append([Arrival("cellar", late, (Reading("vat-north", late, 20.0),))])
    found = {
        counted: reduced(workshop, "vat-north", START, START + 12 * MINUTE, 1, counted).gaps
        for counted in (Counted.ALL, Counted.PLAUSIBLE)
    }
    end = START + 12 * MINUTE
    assert found[Counted.ALL] == (Gap(START + 10 * MINUTE, end),)
    assert found[Counted.PLAUSIBLE] == (Gap(START + 9 * MINUTE, end),)


def test_a_stretch_of_nothing_but_implausible_readings_is_a_gap(workshop: Workshop) -> None:
    doubtful = [(150.0, Mark.IMPLAUSIBLE)] * 10
    fill(workshop, [(20.0, Mark.NONE)] * 5 + doubtful + [(20.0, Mark.NONE)] * 5)
    found = reduced(workshop, "vat-north", START, START + 20 * MINUTE, 20)
    assert found.left_out_n == 10
    assert [(gap.start_ms, gap.end_ms) for gap in found.gaps] == [
        (START + 4 * MINUTE, START + 15 * MINUTE)
    ]
    assert found.buckets.counts.tolist() == [1] * 5 + [0] * 10 + [1] * 5
    assert len(found.marked) == 10


DOUBTS = st.sampled_from([Mark.NONE] * 8 + [Mark.JUMP, Mark.LATE])
VALUES = st.one_of(st.floats(15, 30), st.just(99.0))


@given(values=st.lists(VALUES, min_size=1, max_size=60), doubts=st.data(), n=st.integers(1, 9))
def test_a_long_window_is_reduced_from_its_extremes_to_the_same(
    values: list[float], doubts: st.DataObject, n: int
) -> None:
    """The way of long windows against the readings themselves, here with a short one."""
    rows = [(value, Mark.IMPLAUSIBLE if value > 80 else doubts.draw(DOUBTS)) for value in values]
    end = START + (len(rows) + 3) * MINUTE
    workshop = in_memory()
    fill(workshop, rows)
    quick = marks._reduced_by_extremes(workshop, "vat-north", START, end, n, Counted.PLAUSIBLE)
    kept = workshop.store.between("vat-north", START, end).without(Mark.IMPLAUSIBLE)
    plain = buckets_of(
        "vat-north", kept.times_ms, kept.values, START, end, n, gap_limit_ms=5 * MINUTE
    )
    for column in ("minima", "maxima", "means", "counts", "coverage"):
        np.testing.assert_allclose(getattr(quick.buckets, column), getattr(plain, column))
    assert quick.left_out_n == len(rows) - len(kept)


def in_memory() -> Workshop:
    """A workshop without files: five channels and no record."""
    from pathlib import Path

    from api.record import Record
    from collector.config import Settings
    from tests.stores import MemoryStore
    from tests.workshops import CHANNELS

    return Workshop(Settings(channels=CHANNELS), MemoryStore(), Record(Path(":memory:")))


def test_a_correction_moves_no_reading_across_the_limit_it_was_marked_by(
    workshop: Workshop, monkeypatch: pytest.MonkeyPatch
) -> None:
    from api.record import Calibration, CalibrationPair

    fill(workshop, [(20.0, Mark.NONE), (80.5, Mark.IMPLAUSIBLE), (20.0, Mark.NONE)])
    pair = CalibrationPair(read=20, true=18)
    workshop.record.calibrations.add(
        Calibration(channel="vat-north", valid_from=EVENING, pairs=(pair,))
    )
    monkeypatch.setattr(marks, "READ_AT_MOST_N", 0)
    found = reduced(workshop, "vat-north", START, START + 3 * MINUTE, 1)
    assert (found.left_out_n, found.buckets.maxima[0]) == (1, 18.0)
    assert found.marked.values.tolist() == [78.5]
    assert isinstance(workshop.believed, BelievedChains)
    assert isinstance(found.marked, Series)


@pytest.mark.parametrize("n", [1, 7, 60, 240])
def test_the_gaps_of_a_long_window_are_those_between_the_readings_that_count(
    workshop: Workshop, monkeypatch: pytest.MonkeyPatch, n: int
) -> None:
    """However buckets part it: nonsense over a bucket's edge, beside a hole, at both ends."""
    values: list[tuple[float, Mark] | None] = [(20.0 + i % 3, Mark.NONE) for i in range(480)]
    for first, last in ((0, 9), (50, 71), (118, 122), (200, 215), (230, 240), (470, 480)):
        values[first:last] = [(150.0, Mark.IMPLAUSIBLE)] * (last - first)
    values[215:230] = [None] * 15
    values[300:320] = [None] * 20
    for i, value in enumerate(values):
        if value is not None:
            moment = START + i * MINUTE
            reading = Reading("vat-north", moment, *value)
            workshop.received.append([Arrival("cellar", moment, (reading,))])
    short = reduced(workshop, "vat-north", START, START + 480 * MINUTE, n)
    monkeypatch.setattr(marks, "READ_AT_MOST_N", 0)
    long = reduced(workshop, "vat-north", START, START + 480 * MINUTE, n)
    assert long.gaps == short.gaps
    minutes = [((g.start_ms - START) / MINUTE, (g.end_ms - START) / MINUTE) for g in long.gaps]
    assert minutes == [(0, 9), (49, 71), (199, 240), (299, 320), (469, 480)]
    assert long.left_out_n == short.left_out_n


def test_a_reading_marked_through_a_calibration_that_was_taken_back_stays_left_out(
    workshop: Workshop, monkeypatch: pytest.MonkeyPatch
) -> None:
    """79 °C was believed to be 81 when it came; the long way finds it as the short one does."""
    from api.record import Calibration, CalibrationPair

    fill(workshop, [(20.0, Mark.NONE), (79.0, Mark.IMPLAUSIBLE), (20.0, Mark.NONE)])
    pair = CalibrationPair(read=20, true=22)
    book = workshop.record.calibrations
    kept = book.add(Calibration(channel="vat-north", valid_from=EVENING, pairs=(pair,)))
    book.change(
        kept.id,
        kept.entry.model_copy(update={"pairs": (CalibrationPair(read=20, true=19),)}),
    )
    assert [one.points for one in book.ever("vat-north")] == [((20, 19),), ((20, 22),)]
    assert book.ever("room-temp") == []
    book.delete(kept.id)
    short = reduced(workshop, "vat-north", START, START + 3 * MINUTE, 1)
    monkeypatch.setattr(marks, "READ_AT_MOST_N", 0)
    long = reduced(workshop, "vat-north", START, START + 3 * MINUTE, 1)
    for found in (short, long):
        assert (found.left_out_n, found.buckets.maxima[0]) == (1, 20.0)


def test_a_prints_conditions_count_what_was_asked_and_the_analyses_only_the_undoubted(
    workshop: Workshop, client: TestClient
) -> None:
    readings = [(20.0, Mark.NONE)] * 60
    readings[3] = (85.0, Mark.IMPLAUSIBLE)
    readings[6] = (23.0, Mark.JUMP)
    readings[9] = (21.0, Mark.LATE)
    fill(workshop, readings)
    kept = workshop.record.prints.add(plate(end=EVENING + timedelta(hours=1)))

    def asked(**more: str) -> tuple[float, int, int]:
        found = client.get(f"/api/prints/{kept.id}/conditions", params=more).json()
        vat = found["whole"]["measured"]["vat_temperature"]
        values.add(found["vat"]["value_c"])
        return vat["maximum"], vat["count"], vat["marked_out"]

    values: set[float] = set()
    assert asked() == (23.0, 59, 1)
    assert asked(counted="unmarked") == (20.0, 57, 3)
    assert asked(counted="all") == (85.0, 60, 0)
    (value_c,) = values
    late_share = 1 / 30  # the reading that came late is none to doubt
    assert value_c == pytest.approx(20.0 + late_share, abs=0.01)
