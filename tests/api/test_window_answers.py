"""Figures that are kept are those that would be computed, whatever comes late or is corrected."""

from __future__ import annotations

import threading
from collections.abc import Iterator, Mapping
from datetime import UTC, datetime, timedelta
from functools import partial
from pathlib import Path

import numpy as np
import pytest

from api.answers import Workshop, print_rows
from api.causes_answers import condition_log
from api.found_prints import found_prints
from api.prints import Print
from api.record import Calibration, ChannelLink, Machine, Record, Resin
from api.window_answers import Span, WindowAnswers
from collector.calibration import Chain
from collector.channels import Channel
from collector.config import Settings
from collector.readings import Role, ms_of
from collector.store.sqlite import SqliteStore
from tests.stores import arrivals

BEGIN = datetime(2026, 1, 5, tzinfo=UTC)
HOUR = timedelta(hours=1)
CHANNELS = {
    "vat-1": Role.VAT_TEMPERATURE,
    "vat-2": Role.VAT_TEMPERATURE,
    "room-temp": Role.ROOM_TEMPERATURE,
    "room-humid": Role.ROOM_HUMIDITY,
    "power": Role.PRINTER_POWER,
}
SETTINGS = Settings(
    channels=tuple(Channel(id=n, role=r, topic=n, place=n) for n, r in CHANNELS.items())
)


@pytest.fixture
def cellar(tmp_path: Path) -> Iterator[Workshop]:
    """Ten days of five channels, thirty prints, one night that nobody logged."""
    store, record = SqliteStore(tmp_path / "readings.db"), Record(tmp_path / "record.db")
    rng = np.random.default_rng(3)
    times = ms_of(BEGIN) + np.arange(10 * 24 * 60) * 60_000
    for number, channel in enumerate(CHANNELS):
        values = 20 + number + np.sin(times / 9e6) + rng.normal(0, 0.1, len(times))
        if channel == "power":
            hours = (times - ms_of(BEGIN)) / 3_600_000
            values = np.where((hours > 200) & (hours < 204), 48.0, 6.0) + rng.normal(
                0, 0.5, len(times)
            )
        store.append(arrivals(channel, zip(times.tolist(), values.tolist(), strict=True)))
    record.resins.add(Resin(name="Willow"))
    links = (
        ChannelLink(channel="vat-1", role=Role.VAT_TEMPERATURE),
        ChannelLink(channel="power", role=Role.PRINTER_POWER),
    )
    record.machines.add(Machine(name="North", channels=links))
    for number in range(30):
        start = BEGIN + 6 * HOUR * number + HOUR
        record.prints.add(
            Print.model_validate(
                {
                    "start": start,
                    "end": start + 4 * HOUR,
                    "resin": 1,
                    "machine": 1,
                    "parts": [{"name": "a", "outcome": "failed" if number % 4 else "good"}],
                }
            )
        )
    yield Workshop(SETTINGS, store, record)
    record.close()
    store.close()


def answers_of(workshop: Workshop, now: datetime) -> tuple[object, ...]:
    return (
        print_rows(workshop, now),
        condition_log(workshop, now),
        found_prints(workshop, now),
        found_prints(workshop, now, since=BEGIN, until=now),
    )


def is_the_fold(workshop: Workshop, now: datetime) -> tuple[object, ...]:
    """What is answered now, twice, equals what a workshop that keeps nothing answers."""
    bare = Workshop(workshop.settings, workshop.received, workshop.record)
    expected = answers_of(bare, now)
    assert answers_of(workshop, now) == expected
    assert answers_of(workshop, now) == expected
    return expected


def test_kept_is_computed_whatever_comes_late_moves_or_is_corrected(cellar: Workshop) -> None:
    now = BEGIN + timedelta(days=10)
    record, store = cellar.record, cellar.received
    before = is_the_fold(cellar, now)
    kept_n = len(cellar.windows)
    assert kept_n > 60

    # A reading in the first layers of the third print, two days late.
    late_ms = ms_of(BEGIN + 13 * HOUR) + 30_000
    store.append(arrivals("vat-1", [(late_ms, 35.0)]))
    after = is_the_fold(cellar, now)
    assert after[0] != before[0]

    # A calibration of the room, dated back; then it is taken back.
    calibration = record.calibrations.add(
        Calibration.model_validate(
            {
                "channel": "room-temp",
                "valid_from": BEGIN,
                "pairs": [{"read": 20.0, "true": 21.5}],
            }
        )
    )
    corrected = is_the_fold(cellar, now)
    assert corrected[1] != after[1]
    assert corrected[0] == after[0]
    record.calibrations.delete(calibration.id)
    assert is_the_fold(cellar, now) == after

    # The vat's sensor turns out to have been another one from the fifth day on.
    moved = BEGIN + timedelta(days=4)
    machine = record.machines.get(1)
    links = (
        ChannelLink(channel="vat-1", role=Role.VAT_TEMPERATURE, until=moved),
        ChannelLink(channel="vat-2", role=Role.VAT_TEMPERATURE, since=moved),
        ChannelLink(channel="power", role=Role.PRINTER_POWER),
    )
    record.machines.change(1, machine.entry.model_copy(update={"channels": links}))
    elsewhere = is_the_fold(cellar, now)
    assert elsewhere[0] != after[0]

    # Settings of a print that make its first layers longer.
    plate = record.prints.get(4).entry
    longer = plate.settings.model_copy(update={"bottom_layer_count": 9, "bottom_exposure_s": 80})
    record.prints.change(4, plate.model_copy(update={"settings": longer}))
    assert is_the_fold(cellar, now)[0] != elsewhere[0]

    # The unlogged night loses its power, then gets it back with a pause.
    hours = ms_of(BEGIN + 200 * HOUR), ms_of(BEGIN + 204 * HOUR)
    seen = is_the_fold(cellar, now)
    assert store.delete_range("power", *hours) > 200
    without = is_the_fold(cellar, now)
    assert without[2] != seen[2]
    assert kept_n - len(cellar.windows) < 5  # nothing but what was touched was forgotten


def test_new_readings_forget_nothing_that_is_over(cellar: Workshop) -> None:
    now = BEGIN + timedelta(days=10)
    print_rows(cellar, now)
    reads = 0
    between = cellar.store.between

    def counted(*asked: object) -> object:
        nonlocal reads
        reads += 1
        return between(*asked)  # type: ignore[arg-type]

    object.__setattr__(cellar.store, "between", counted)
    for second in range(5):
        cellar.received.append(arrivals("vat-1", [(ms_of(now) + 1_000 * second, 21.0)]))
        print_rows(cellar, now)
    assert reads == 0
    cellar.received.append(arrivals("vat-1", [(ms_of(BEGIN + HOUR) + 1, 21.0)]))
    print_rows(cellar, now)
    assert reads == 1


def test_random_workshops_are_answered_the_same_with_and_without_memory(cellar: Workshop) -> None:
    rng = np.random.default_rng(11)
    now = BEGIN + timedelta(days=10)
    for step in range(25):
        channel = list(CHANNELS)[int(rng.integers(len(CHANNELS)))]
        at_ms = ms_of(BEGIN) + int(rng.integers(0, 10 * 86_400_000))
        match int(rng.integers(3)):
            case 0:
                cellar.received.append(arrivals(channel, [(at_ms, float(rng.uniform(15, 60)))]))
            case 1:
                cellar.received.delete_range(channel, at_ms, at_ms + 3_600_000)
            case _:
                number = int(rng.integers(1, 31))
                plate = cellar.record.prints.get(number).entry
                shift = timedelta(minutes=float(rng.integers(-40, 40)))
                end = None if plate.end is None else plate.end + shift
                cellar.record.prints.change(
                    number, plate.model_copy(update={"start": plate.start + shift, "end": end})
                )
        if step % 2:
            is_the_fold(cellar, now)
    is_the_fold(cellar, now)


# ---- the memory itself -----------------------------------------------------------------------


@pytest.fixture
def store(tmp_path: Path) -> Iterator[SqliteStore]:
    with SqliteStore(tmp_path / "readings.db") as found:
        yield found


SPAN = Span("vat", 0, 1_000)


def sum_of(store: SqliteStore, span: Span) -> float:
    return float(store.between(span.channel, span.start_ms, span.end_ms).values.sum())


def test_it_is_bounded_and_forgets_the_longest_unused(store: SqliteStore) -> None:
    chains: Mapping[str, Chain] = {}
    answers = WindowAnswers(store, lambda: chains, most=3)
    made: list[int] = []
    for number in (1, 2, 3, 1, 4, 1, 2):
        answers.snapshot().answer([SPAN], number, partial(made.append, number))
    assert made == [1, 2, 3, 4, 2]
    assert len(answers) == 3


@pytest.mark.parametrize("time_ms", [-1, 0, 999, 1_000])
def test_only_what_lies_within_is_forgotten(store: SqliteStore, time_ms: int) -> None:
    store.append(arrivals("vat", [(5_000_000, 1.0)]))
    moved = Span("vat", SPAN.start_ms + 1_000_000, SPAN.end_ms + 1_000_000)
    chains: Mapping[str, Chain] = {}
    answers = WindowAnswers(store, lambda: chains)
    assert answers.snapshot().answer([moved], "sum", lambda: sum_of(store, moved)) == 0.0
    store.append(arrivals("vat", [(1_000_000 + time_ms, 7.0)]))
    found = answers.snapshot().answer([moved], "sum", lambda: sum_of(store, moved))
    assert found == (7.0 if 0 <= time_ms < 1_000 else 0.0)


def test_what_was_begun_before_a_late_reading_is_not_kept(store: SqliteStore) -> None:
    """One asks, the readings change and another is answered, and only then the first is done."""
    chains: Mapping[str, Chain] = {}
    answers = WindowAnswers(store, lambda: chains)

    def slow() -> float:
        before = sum_of(store, SPAN)
        store.append(arrivals("vat", [(500, 7.0)]))
        other = threading.Thread(
            target=lambda: answers.snapshot().answer([Span("room", 0, 9)], "", lambda: None)
        )
        other.start()
        other.join()
        return before

    assert answers.snapshot().answer([SPAN], "sum", slow) == 0.0
    assert answers.snapshot().answer([SPAN], "sum", lambda: sum_of(store, SPAN)) == 7.0


def test_a_chain_that_changes_on_the_way_keeps_nothing(store: SqliteStore) -> None:
    chains: list[Mapping[str, Chain]] = [{}]
    answers = WindowAnswers(store, lambda: chains[0])

    def slow() -> str:
        chains[0] = {"vat": Chain()}
        return "of which chain?"

    answers.snapshot().answer([SPAN], "sum", slow)
    assert len(answers) == 0


def test_a_journal_that_does_not_reach_back_forgets_everything(store: SqliteStore) -> None:
    chains: Mapping[str, Chain] = {}
    answers = WindowAnswers(store, lambda: chains)
    answers.snapshot().answer([SPAN], "sum", lambda: 0.0)
    other = WindowAnswers(store, lambda: chains)
    other.snapshot().answer([SPAN], "sum", lambda: 0.0)
    other._cursor = 10**9  # of another file
    assert other.snapshot().answer([SPAN], "sum", lambda: 1.0) == 1.0
    assert answers.snapshot().answer([SPAN], "sum", lambda: 1.0) == 0.0
