"""Marks: what raises a doubt, from when on, and what does not."""

from __future__ import annotations

import csv
import gzip
import random
from collections import Counter
from collections.abc import Iterable, Sequence
from datetime import UTC, datetime
from importlib.resources import files
from itertools import pairwise
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from collector.calibration import Chain, Correction
from collector.channels import Channel
from collector.clocks import Clocks
from collector.payload import Decoder
from collector.quality import (
    DAY_MS,
    HISTORY_MS,
    HOUR_MS,
    LEAST_HOLD_MS,
    LIMITS,
    MINUTE_MS,
    REMEMBERED_MS,
    Limits,
    Watcher,
    Watchers,
)
from collector.readings import Mark, Reading, Role, Series, ms_of
from collector.signals import Platinum
from collector.store.contract import Arrival
from collector.store.sqlite import SqliteStore
from tests.recordings import recording

NOON_MS = 1_767_268_800_000  # 2026-01-01T12:00:00Z
VAT = LIMITS[Role.VAT_TEMPERATURE]
NONE = Mark.NONE


def live(watcher: Watcher, rows: Iterable[tuple[int, float]]) -> list[Mark]:
    """Marks of ``(ms after noon, value)`` rows that arrive a fifth of a second later."""
    return [watcher.marks(NOON_MS + at, value, NOON_MS + at + 200) for at, value in rows]


def minutes(values: Sequence[float], start: int = 0) -> list[tuple[int, float]]:
    return [((start + i) * MINUTE_MS, value) for i, value in enumerate(values)]


# -- implausible -------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("role", "good", "bad"),
    [
        (Role.VAT_TEMPERATURE, [18.0, 55.0], [-127.0, 85.0]),
        (Role.ROOM_TEMPERATURE, [-5.0, 38.0], [-127.0, 85.0]),
        (Role.ROOM_HUMIDITY, [4.0, 100.0, 103.0], [0.0, 120.0]),
        (Role.CHAMBER_TEMPERATURE, [20.0, 250.0], [-127.0, 850.0]),
        (Role.SPECIMEN_TEMPERATURE, [20.0, 120.0], [-200.0, 1_372.0]),
        (Role.PRINTER_POWER, [-0.5, 0.0, 400.0], [-50.0, 65_535.0]),
    ],
)
def test_values_that_a_role_cannot_show(role: Role, good: list[float], bad: list[float]) -> None:
    for value in good:
        assert live(Watcher(LIMITS[role]), [(0, value)]) == [NONE]
    for value in bad:
        assert live(Watcher(LIMITS[role]), [(0, value)]) == [Mark.IMPLAUSIBLE]


def test_every_role_has_limits_and_a_channel_may_have_its_own() -> None:
    assert set(LIMITS) == set(Role)
    cold_store = Limits(lowest=-90, highest=0)
    assert live(Watcher(cold_store), [(0, -80.0), (1, 5.0)]) == [NONE, Mark.IMPLAUSIBLE]


# -- jump --------------------------------------------------------------------------------------


def test_a_spike_is_marked_and_the_return_from_it_is_not() -> None:
    found = live(Watcher(VAT), minutes([22.0, 22.1, 60.0, 22.2, 22.1]))
    assert found == [NONE, NONE, Mark.JUMP, NONE, NONE]


def test_a_lasting_step_is_believed_once_there_was_time_for_it() -> None:
    # 30 K at no more than 10 K/min: three minutes.
    found = live(Watcher(VAT), minutes([20.0, 50.0, 50.0, 50.0, 50.1]))
    assert found == [NONE, Mark.JUMP, Mark.JUMP, NONE, NONE]


def test_a_coarse_sensor_read_every_second_does_not_jump() -> None:
    flicker = [(i * 1_000, 20.0 + i % 2) for i in range(60)]
    assert set(live(Watcher(VAT), flicker)) == {NONE}


def test_a_change_over_a_gap_is_no_jump() -> None:
    assert live(Watcher(VAT), [(0, 20.0), (3 * HOUR_MS, 45.0)]) == [NONE, NONE]


def test_power_may_jump() -> None:
    assert set(live(Watcher(LIMITS[Role.PRINTER_POWER]), minutes([0.4, 380.0, 0.4]))) == {NONE}


# -- stuck -------------------------------------------------------------------------------------


def test_a_stuck_sensor_is_marked_from_then_on_only() -> None:
    watcher = Watcher(VAT)
    assert set(live(watcher, minutes([20.0 + 0.0625 * (i % 3) for i in range(60)]))) == {NONE}
    # 60 h per kelvin of resolution and steps of 1/16 K: 3.75 h.
    found = live(watcher, minutes([20.5] * 300, start=60))
    first = found.index(Mark.STUCK)
    assert first == 226  # the first minute after 225 min
    assert set(found[first:]) == {Mark.STUCK}
    assert live(watcher, minutes([20.6], start=360)) == [NONE]


def test_a_coarse_sensor_may_hold_its_value_longer() -> None:
    coarse = Watcher(VAT)
    live(coarse, minutes([20.0, 20.5, 20.0]))  # half a kelvin: 30 h, 24 at most
    assert set(live(coarse, minutes([20.0] * (23 * 60), start=3))) == {NONE}
    told = Watcher(Limits(lowest=-10, highest=80, hold_h_per_unit=60, resolution=0.01))
    found = live(told, minutes([20.0] * 300))
    assert found.index(Mark.STUCK) == LEAST_HOLD_MS // MINUTE_MS + 1


def test_power_may_rest_and_silence_is_not_stuck() -> None:
    assert set(live(Watcher(LIMITS[Role.PRINTER_POWER]), minutes([0.0] * 4_000))) == {NONE}
    seldom = [(i * 6 * HOUR_MS, 20.0) for i in range(40)]
    told = Watcher(Limits(lowest=-10, highest=80, hold_h_per_unit=60, resolution=0.01))
    assert set(live(told, seldom)) == {NONE}


# -- late, history and the clock ---------------------------------------------------------------


def test_a_message_held_up_is_late() -> None:
    watcher = Watcher(VAT)
    live(watcher, minutes([20.0]))
    held_ms = NOON_MS + MINUTE_MS
    assert watcher.marks(held_ms, 20.1, held_ms + 5 * MINUTE_MS) == NONE
    assert watcher.marks(held_ms + 1, 20.1, held_ms + 5 * MINUTE_MS + 2) == Mark.LATE


def test_a_backlog_after_an_outage_is_late_and_not_a_wrong_clock() -> None:
    watcher = Watcher(VAT)
    live(watcher, minutes([20.0]))
    back_ms = NOON_MS + 6 * HOUR_MS
    found = [
        watcher.marks(NOON_MS + i * MINUTE_MS, 20.0 + i % 2 * 0.1, back_ms + 20 * i)
        for i in range(1, 350)
    ]
    assert set(found) == {Mark.LATE}
    assert watcher.marks(back_ms + 10_000, 20.0, back_ms + 10_200) == NONE


@pytest.mark.parametrize("pace", [0.0, 0.0001, 1 / 60, 0.5, 1.0])
def test_history_in_order_carries_no_mark(pace: float) -> None:
    """Years brought in at once, a recording played faster, or at its own speed."""
    watcher = Watcher(VAT)
    long_ago_ms = NOON_MS - 3 * 365 * DAY_MS
    found = [
        watcher.marks(
            long_ago_ms + i * MINUTE_MS, 20.0 + i % 2 * 0.1, NOON_MS + int(i * MINUTE_MS * pace)
        )
        for i in range(2_000)
    ]
    assert set(found) == {NONE}


def test_history_that_reaches_the_present_becomes_live_without_a_mark() -> None:
    watcher = Watcher(VAT)
    start_ms = NOON_MS - 10 * DAY_MS
    for i in range(10 * 24 * 60):
        assert watcher.marks(start_ms + i * MINUTE_MS, 20.0 + i % 2, NOON_MS + i // 10) == NONE
    assert live(watcher, minutes([20.0, 20.1])) == [NONE, NONE]


def test_history_brought_in_beside_live_readings_is_late_and_spoils_nothing() -> None:
    watcher = Watcher(VAT)
    live(watcher, minutes([20.0, 20.1]))
    last_winter_ms = NOON_MS - 300 * DAY_MS
    for i in range(1_000):
        found = watcher.marks(
            last_winter_ms + i * MINUTE_MS, 14.0 + i % 2 * 0.1, NOON_MS + 120_000 + i
        )
        assert found == Mark.LATE
    assert live(watcher, minutes([20.1, 20.2], start=5)) == [NONE, NONE]


def test_history_of_every_second_brought_in_at_once_keeps_no_pace() -> None:
    watcher = Watcher(VAT)
    live(watcher, minutes([20.0]))
    found = [
        watcher.marks(NOON_MS - DAY_MS + i * 1_000, 20.0, NOON_MS + i // 20) for i in range(4_000)
    ]
    assert set(found) == {Mark.LATE}


def test_an_older_winter_brought_in_after_a_newer_one_is_judged_too() -> None:
    watcher = Watcher(VAT)
    for years in (1, 2):
        found = [
            watcher.marks(NOON_MS - years * 365 * DAY_MS + at, value, NOON_MS)
            for at, value in minutes([20.0, 20.1, 60.0, 20.1])
        ]
        assert found == [NONE, NONE, Mark.JUMP, NONE]


def test_a_time_in_the_future_is_a_wrong_clock() -> None:
    watcher = Watcher(VAT)
    assert watcher.marks(NOON_MS + MINUTE_MS, 20.0, NOON_MS) == NONE
    assert watcher.marks(NOON_MS + HOUR_MS, 20.0, NOON_MS + 1) == Mark.CLOCK
    # Set right again, it is compared with what it says now, not with the future.
    assert live(watcher, minutes([20.0, 60.0], start=2)) == [NONE, Mark.JUMP]


def test_a_time_in_1970_is_a_wrong_clock_and_each_such_reading_is_marked() -> None:
    watcher = Watcher(VAT)
    live(watcher, minutes([20.0]))
    found = [
        watcher.marks(up_ms, 20.0, NOON_MS + up_ms) for up_ms in range(60_000, 300_000, 10_000)
    ]
    assert set(found) == {Mark.CLOCK}


def test_a_clock_that_steps_back_is_told_from_the_second_reading_on() -> None:
    watcher = Watcher(VAT)
    live(watcher, minutes([20.0] * 3))
    back_ms = 55 * MINUTE_MS
    found = [
        watcher.marks(
            NOON_MS + i * MINUTE_MS - back_ms, 20.0 + i % 2 * 0.1, NOON_MS + i * MINUTE_MS
        )
        for i in range(3, 200)
    ]
    assert found[0] == Mark.LATE  # it may have been held up
    assert set(found[1:]) == {Mark.CLOCK}
    assert live(watcher, minutes([20.0, 20.1], start=200)) == [NONE, NONE]


def test_a_clock_that_is_behind_and_drifts_stays_marked() -> None:
    watcher = Watcher(VAT)
    live(watcher, minutes([20.0]))
    found = [
        watcher.marks(NOON_MS + i * MINUTE_MS - HOUR_MS + 2_000 * i, 20.0, NOON_MS + i * MINUTE_MS)
        for i in range(1, 120)
    ]
    assert set(found[1:]) == {Mark.CLOCK}


def test_jumps_are_still_seen_while_the_clock_is_behind() -> None:
    watcher = Watcher(VAT)
    live(watcher, minutes([20.0]))
    found = [
        watcher.marks(NOON_MS + (i - 55) * MINUTE_MS, value, NOON_MS + i * MINUTE_MS)
        for i, value in enumerate([20.0, 20.0, 20.0, 70.0, 20.0], start=1)
    ]
    assert found[2:] == [Mark.CLOCK, Mark.CLOCK | Mark.JUMP, Mark.CLOCK]


def test_a_clock_in_the_wrong_zone_from_the_start_is_marked() -> None:
    watcher = Watcher(VAT)
    found = [
        watcher.marks(NOON_MS + i * MINUTE_MS - HOUR_MS, 20.0, NOON_MS + i * MINUTE_MS)
        for i in range(5)
    ]
    assert found == [NONE, *[Mark.CLOCK] * 4]


# -- deterministic, and rebuilt after a restart ------------------------------------------------


def wandering(seed: int, days: float) -> list[tuple[int, float]]:
    """A vat with every kind of trouble but late ones: noise, spikes, a stuck day, gaps."""
    dice = random.Random(seed)
    rows: list[tuple[int, float]] = []
    at, value, stuck_until = 0, 22.0, -1
    while at < days * DAY_MS:
        at += dice.choice([30_000, MINUTE_MS, MINUTE_MS, 10 * MINUTE_MS])
        if dice.random() < 0.0005:
            at += dice.randrange(8 * HOUR_MS)
        if dice.random() < 0.0005:
            stuck_until = at + dice.randrange(DAY_MS)
        if at > stuck_until:
            value = round(min(max(value + dice.gauss(0, 0.1), 15.0), 40.0) * 16) / 16
        rows.append((at, dice.choice([85.0, 60.0]) if dice.random() < 0.003 else value))
    return rows


@given(seed=st.integers(0, 10_000), share=st.floats(0.3, 0.95))
def test_after_a_restart_the_marks_go_on_as_if_there_had_been_none(seed: int, share: float) -> None:
    rows = wandering(seed, 5.0)
    watcher = Watcher(VAT)
    marks = live(watcher, rows)
    assert marks == live(Watcher(VAT), rows)  # deterministic
    cut = int(len(rows) * share)
    while marks[cut - 1] & (Mark.IMPLAUSIBLE | Mark.JUMP):
        cut -= 1
    last_ms = rows[cut - 1][0]
    kept = [
        (NOON_MS + at, value, int(mark))
        for (at, value), mark in zip(rows[:cut], marks[:cut], strict=True)
        if at >= last_ms - REMEMBERED_MS
    ]
    again = Watcher(VAT)
    again.resume(Series.of("vat-north", kept), NOON_MS + last_ms + 5_000)
    assert live(again, rows[cut:]) == marks[cut:]


def test_the_smallest_step_of_the_day_before_counts_after_a_restart_too() -> None:
    # Just after midnight it moves by 1/16 K (3.75 h), then by half a kelvin (24 h) for two
    # days, and holds from 18:00 of the second day on.
    midnight = DAY_MS // 2 // MINUTE_MS  # in minutes after the noon that all is counted from
    values = [20.0, 20.0625]
    values += [20.0 + 0.5 * (i // 30 % 2) for i in range(2 * 1_440 - 6 * 60 - 2)]
    values += [21.0] * 6 * 60
    rows = minutes(values, start=midnight)
    watcher = Watcher(VAT)
    marks = live(watcher, rows)
    assert marks.index(Mark.STUCK) == 2 * 1_440 - 6 * 60 + 226
    cut = len(rows) - 60
    kept = [
        (NOON_MS + at, value, int(mark))
        for (at, value), mark in zip(rows[:cut], marks[:cut], strict=True)
        if at >= rows[cut - 1][0] - REMEMBERED_MS
    ]
    again = Watcher(VAT)
    again.resume(Series.of("vat-north", kept), NOON_MS + rows[cut][0])
    assert live(again, rows[cut:]) == [Mark.STUCK] * 60


def test_after_a_restart_readings_with_wrong_times_are_passed_over() -> None:
    on_disk = [
        (NOON_MS, 20.0, 0),
        (NOON_MS + 1, 60.0, int(Mark.LATE)),
        (NOON_MS + 3 * HOUR_MS, 20.0, int(Mark.CLOCK)),
    ]
    watcher = Watcher(VAT)
    watcher.resume(Series.of("vat-north", on_disk), NOON_MS + MINUTE_MS)
    assert live(watcher, minutes([20.1, 60.0], start=1)) == [NONE, Mark.JUMP]


def test_after_a_restart_what_the_broker_held_is_late() -> None:
    watcher = Watcher(VAT)
    watcher.resume(Series.of("vat-north", [(NOON_MS, 20.0, 0)]), NOON_MS + 8 * HOUR_MS)
    assert watcher.marks(NOON_MS + MINUTE_MS, 20.0, NOON_MS + 8 * HOUR_MS) == Mark.LATE


def test_a_channel_long_silent_is_open_to_history_again() -> None:
    watcher = Watcher(VAT)
    watcher.resume(Series.of("vat-north", [(NOON_MS, 20.0, 0)]), NOON_MS + 2 * HISTORY_MS)
    assert watcher.marks(NOON_MS + MINUTE_MS, 20.0, NOON_MS + 2 * HISTORY_MS) == NONE


times = st.integers(-10 * DAY_MS, 10 * DAY_MS)


@given(
    st.lists(
        st.tuples(
            st.one_of(times, st.integers(-NOON_MS, -NOON_MS + DAY_MS)),
            st.floats(allow_nan=False),
            st.integers(0, 10**9),
        ),
        max_size=60,
    )
)
def test_any_order_of_anything_gets_marks(rows: list[tuple[int, float, int]]) -> None:
    watcher = Watcher(VAT)
    for at, value, later in rows:
        found = watcher.marks(NOON_MS + at, value, NOON_MS + later)
        assert isinstance(found, Mark)
        assert bool(found & Mark.IMPLAUSIBLE) == (not VAT.lowest <= value <= VAT.highest)
        assert not found & Mark.CONFLICT


# -- whole messages ----------------------------------------------------------------------------


CHANNELS = (
    Channel(id="vat-north", role=Role.VAT_TEMPERATURE, topic="cellar/vat", value="/c", time="/at"),
    Channel(id="chamber", role=Role.CHAMBER_TEMPERATURE, topic="cellar/oven"),
)


def test_a_signal_is_judged_in_degrees_and_kept_in_ohms() -> None:
    chains = {"chamber": Chain(Platinum(), (Correction.offset(0, 0.5),))}
    watchers = Watchers(CHANNELS)
    sent = [119.4, 119.5, 1e9, 119.4]
    found = [
        watchers.marked(Arrival("cellar/oven", at, (Reading("chamber", at, ohm),)), chains)
        for at, ohm in zip(range(NOON_MS, NOON_MS + 4_000, 1_000), sent, strict=True)
    ]
    readings = [reading for arrival in found for reading in arrival.readings]
    assert [reading.value for reading in readings] == sent
    assert [reading.marks for reading in readings] == [
        NONE, NONE, Mark.IMPLAUSIBLE | Mark.JUMP, NONE
    ]  # fmt: skip


def test_a_message_that_is_fine_or_refused_passes_through() -> None:
    watchers = Watchers(CHANNELS)
    arrival = Arrival("cellar/oven", NOON_MS, (Reading("chamber", NOON_MS, 20.0),))
    assert watchers.marked(arrival) == arrival
    refused = Decoder(CHANNELS).arrival("cellar/oven", b"warm", NOON_MS)
    assert refused.refusals
    assert watchers.marked(refused) == refused
    stranger = Arrival("x", NOON_MS, (Reading("gone", 0, 1e9),))
    assert watchers.marked(stranger) == stranger


def test_watchers_take_up_from_what_is_on_disk(tmp_path: Path) -> None:
    chains = {"chamber": Chain(Platinum())}
    ohms = [(NOON_MS + i * MINUTE_MS, Platinum().at(60.0), 0) for i in range(30 * 60)]
    watchers = Watchers(CHANNELS)
    end_ms = ohms[-1][0] + MINUTE_MS
    watchers.resume("chamber", Series.of("chamber", ohms), end_ms, chains)
    (reading,) = watchers.marked(
        Arrival("cellar/oven", end_ms, (Reading("chamber", end_ms, Platinum().at(60.0)),)), chains
    ).readings
    assert reading.marks == Mark.STUCK


# -- real recordings ---------------------------------------------------------------------------


def doubts(role: Role, rows: list[tuple[int, float]], *, as_history: bool) -> Counter[Mark]:
    watcher = Watcher(LIMITS[role])
    end_ms = rows[-1][0] + 100 * DAY_MS
    return Counter(
        watcher.marks(time_ms, value, end_ms if as_history else time_ms + 200)
        for time_ms, value in rows
    )


@pytest.mark.parametrize("as_history", [False, True])
@pytest.mark.recordings
def test_an_office_raises_no_doubt(as_history: bool) -> None:
    # Candanedo & Feldheim 2016, datatest.txt (checks.md 9): it holds 23.7 °C for 1.8 h.
    with recording("room_climate_office_1min.csv").open() as handle:
        table = list(csv.DictReader(handle))
    for column, role in (("Temperature", Role.ROOM_TEMPERATURE), ("Humidity", Role.ROOM_HUMIDITY)):
        rows = [
            (ms_of(datetime.fromisoformat(row["date"]).replace(tzinfo=UTC)), float(row[column]))
            for row in table
        ]
        assert doubts(role, rows, as_history=as_history) == {NONE: 2_665}


def test_a_buoy_raises_no_doubt() -> None:
    # NERACOOS station B01, water temperature every 30 min, in the package bokeh-sampledata.
    path = Path(str(files("bokeh_sampledata") / "_data" / "sea_surface_temperature.csv.gz"))
    with gzip.open(path, "rt") as handle:
        table = list(csv.reader(handle))[1:]
    rows = [(ms_of(datetime.fromisoformat(time)), float(value)) for time, value in table]
    for as_history in (False, True):
        assert doubts(Role.VAT_TEMPERATURE, rows, as_history=as_history) == {NONE: 19_226}


def stepped_back(
    rows: list[tuple[int, float]], at: int, back_ms: int
) -> list[tuple[int, int, float]]:
    """``(own time, arrival, value)`` of a recording whose sensor's clock steps back at a row."""
    return [
        (time_ms - (back_ms if i >= at else 0), time_ms + 200, value)
        for i, (time_ms, value) in enumerate(rows)
    ]


@pytest.mark.recordings
def test_a_recording_whose_clock_steps_back_by_55_minutes(tmp_path: Path) -> None:
    """Nothing vanishes, the step is marked, and no length of time is negative."""
    with recording("room_climate_office_1min.csv").open() as handle:
        table = list(csv.DictReader(handle))
    recorded = [
        (ms_of(datetime.fromisoformat(row["date"]).replace(tzinfo=UTC)), float(row["Temperature"]))
        for row in table
    ]
    back_ms, at = 55 * MINUTE_MS, 1_300
    sent = stepped_back(recorded, at, back_ms)
    decoder, watchers = Decoder(CHANNELS), Watchers(CHANNELS)
    clocks = Clocks(frozenset({"vat-north"}))
    arrivals = []
    for time_ms, received_ms, value in sent:
        moment = datetime.fromtimestamp(time_ms / 1_000, UTC).isoformat()
        payload = f'{{"c": {value!r}, "at": "{moment}"}}'.encode()
        arrivals.append(watchers.marked(decoder.arrival("cellar/vat", payload, received_ms)))
        clocks.note(arrivals[-1])
    marks = [reading.marks for arrival in arrivals for reading in arrival.readings]
    assert set(marks[:at]) == {NONE}
    assert marks[at] == Mark.LATE
    assert set(marks[at + 1 :]) == {Mark.CLOCK}
    clock = clocks.states["vat-north"]
    assert clock.offset_ms == back_ms + 200
    assert clock.since_ms == sent[at][1]
    assert clock.words(sent[at][1]) == f"55 min behind since {table[at]['date'][11:16]}"
    assert clock.step is not None
    assert clock.step.back_ms == back_ms

    with SqliteStore(tmp_path / "readings.db") as store:
        for start in range(0, len(arrivals), 500):
            store.append(arrivals[start : start + 500])
        accounts = store.accounts()
        assert accounts.balanced
        assert accounts.readings_received == len(sent)
        assert accounts.readings_refused == 0
        first, last = min(t for t, _, _ in sent), max(t for t, _, _ in sent)
        series = store.between("vat-north", first, last + 1)
        beside = store.conflicts("vat-north", first, last + 1)
        kept = {(r.time_ms, r.value) for r in series} | {(r.time_ms, r.value) for r in beside}
        assert kept == {(time_ms, value) for time_ms, _, value in sent}
        repeated = len(sent) - len({(time_ms, value) for time_ms, _, value in sent})
        assert accounts.readings_duplicate == repeated
        assert accounts.readings_stored == len(series) + len(beside)
        assert accounts.conflicts == len(beside) > 0
        assert all(before < after for before, after in pairwise(series.times_ms.tolist()))
        coverage = store.coverage("vat-north", first, last + 1, gap_limit_ms=90_000)
        assert coverage.gaps == ()
        buckets = store.buckets("vat-north", first, last + 1, 50, gap_limit_ms=90_000)
        assert np.isfinite(buckets.means).all()
        assert ((buckets.coverage >= 0) & (buckets.coverage <= 1)).all()
