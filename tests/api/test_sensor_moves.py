"""A sensor moves between machines: before and after, each reading belongs to the right one."""

from __future__ import annotations

from collections.abc import Iterator
from datetime import UTC, datetime, timedelta
from pathlib import Path

import pytest

from api.record import ChannelLink, Machine, Record
from api.sensor_moves import move_sensor
from collector.errors import ConflictError, InvalidError, NotFoundError
from collector.readings import Role

JANUARY = datetime(2026, 1, 5, 9, 0, tzinfo=UTC)
DAY = timedelta(days=1)
VAT = Role.VAT_TEMPERATURE


@pytest.fixture
def record(tmp_path: Path) -> Iterator[Record]:
    """North with the vat sensor that will move; South with one of its own."""
    kept = Record(tmp_path / "record.db")
    for name, channel in (("North", "vat-1"), ("South", "vat-2")):
        kept.machines.add(Machine(name=name, channels=(ChannelLink(channel=channel, role=VAT),)))
    yield kept
    kept.close()


def measured(record: Record, machine: int, at: datetime) -> str | None:
    return record.machines.get(machine).entry.channel(VAT, at)


def test_a_sensor_belongs_to_one_machine_before_and_to_the_other_after(record: Record) -> None:
    assert move_sensor(record, "vat-1", VAT, to=2, at=JANUARY) == 1
    assert measured(record, 1, JANUARY - DAY) == "vat-1"
    assert measured(record, 1, JANUARY) is None
    assert measured(record, 2, JANUARY - DAY) == "vat-2"
    assert measured(record, 2, JANUARY) == "vat-1"


def test_a_move_that_is_told_late_ends_when_the_sensor_moved_back(record: Record) -> None:
    move_sensor(record, "vat-1", VAT, to=2, at=JANUARY + 10 * DAY)
    move_sensor(record, "vat-1", VAT, to=1, at=JANUARY + 20 * DAY)
    assert [measured(record, 1, JANUARY + n * DAY) for n in (0, 10, 20)] == ["vat-1", None, "vat-1"]
    assert [measured(record, 2, JANUARY + n * DAY) for n in (0, 10, 20)] == ["vat-2", "vat-1", None]


def test_a_sensor_that_sat_nowhere_comes_from_nowhere(record: Record) -> None:
    assert move_sensor(record, "power-1", Role.PRINTER_POWER, to=1, at=JANUARY) is None
    assert record.machines.get(1).entry.channel(Role.PRINTER_POWER, JANUARY) == "power-1"
    assert measured(record, 1, JANUARY) == "vat-1"


def test_what_stands_in_the_way_changes_neither_machine(record: Record) -> None:
    move_sensor(record, "vat-3", VAT, to=2, at=JANUARY + 10 * DAY)
    before = [kept.entry for kept in record.machines.all()]
    with pytest.raises(InvalidError, match="over the same time"):
        move_sensor(record, "vat-1", VAT, to=2, at=JANUARY)
    with pytest.raises(ConflictError, match="since revision 1"):
        move_sensor(record, "vat-1", VAT, to=2, at=JANUARY + 20 * DAY, revision=1)
    with pytest.raises(NotFoundError):
        move_sensor(record, "vat-1", VAT, to=99, at=JANUARY + DAY)
    assert [kept.entry for kept in record.machines.all()] == before
