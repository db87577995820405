"""Which readings belong to a print or a soak run, as the record has it at that moment."""

from __future__ import annotations

import sqlite3
from collections.abc import Iterator
from contextlib import closing
from datetime import UTC, datetime, timedelta
from pathlib import Path

import pytest

from api.prints import Afterwork, Cure, Part, Print, Wash
from api.protected import LONGEST_PRINT_MS, NO_END_MS, protected_windows
from api.record import Machine, Record, Resin
from api.soak.program import READY_MADE, SoakRun, Specimen
from collector.errors import StoreError
from collector.readings import ms_of

START = datetime(2025, 3, 1, 20, 0, tzinfo=UTC)
TWO_HOURS_MS = 2 * 3_600_000


@pytest.fixture
def record(tmp_path: Path) -> Iterator[Record]:
    opened = Record(tmp_path / "record.db")
    opened.resins.add(Resin(name="Harbour Grey"))
    opened.machines.add(Machine(name="North"))
    yield opened
    opened.close()


def add_print(record: Record, **fields: object) -> int:
    entry = Print(start=START, resin=1, machine=1, parts=(Part(name="collar"),))
    return record.prints.add(entry.model_copy(update=fields)).id


def windows(tmp_path: Path) -> list[tuple[int, int]]:
    return protected_windows(tmp_path / "record.db")


def test_a_print_with_the_hours_before_it_and_its_afterwork(record: Record, tmp_path: Path) -> None:
    end = START + timedelta(hours=9)
    cured = START + timedelta(days=3)
    add_print(
        record,
        end=end,
        afterwork=Afterwork(wash=Wash(minutes=8), cure=Cure(start=cured, minutes=30)),
    )
    assert windows(tmp_path) == [
        (ms_of(START) - TWO_HOURS_MS, ms_of(end) + 1),
        (ms_of(cured), ms_of(cured) + 30 * 60_000 + 1),
    ]


def test_an_end_that_nobody_noted_protects_the_longest_a_print_may_take(
    record: Record, tmp_path: Path
) -> None:
    add_print(record)
    assert windows(tmp_path) == [(ms_of(START) - TWO_HOURS_MS, ms_of(START) + LONGEST_PRINT_MS + 1)]


def test_a_start_that_nobody_noted_protects_both_sides(record: Record, tmp_path: Path) -> None:
    add_print(record, order_only=True)
    assert windows(tmp_path) == [
        (ms_of(START) - LONGEST_PRINT_MS, ms_of(START) + LONGEST_PRINT_MS + 1)
    ]


def test_soak_runs_and_what_is_deleted(record: Record, tmp_path: Path) -> None:
    print_id = add_print(record)
    run = SoakRun(
        name="collars",
        program=READY_MADE[0],
        chamber_channels=("chamber",),
        specimens=(Specimen(name="a"),),
        started=START,
    )
    kept = record.soaks.add(run)
    assert (ms_of(START), NO_END_MS) in windows(tmp_path)
    end = START + timedelta(days=2)
    record.soaks.change(kept.id, run.model_copy(update={"ended": end}))
    record.prints.delete(print_id)
    assert windows(tmp_path) == [(ms_of(START), ms_of(end) + 1)]


def test_a_record_that_is_not_there_or_not_understood_protects_by_an_error(
    record: Record, tmp_path: Path
) -> None:
    with pytest.raises(StoreError, match="cannot be read"):
        protected_windows(tmp_path / "elsewhere.db")
    add_print(record)
    with closing(sqlite3.connect(tmp_path / "record.db")) as harmed, harmed:
        harmed.execute("UPDATE print SET afterwork = '{\"cure\": 7}'")
    with pytest.raises(StoreError, match="cannot be read"):
        windows(tmp_path)
