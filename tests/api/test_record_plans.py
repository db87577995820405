"""Plans, results and limits on record: kept as they were, and linked to what came of them."""

from __future__ import annotations

from collections.abc import Iterator
from datetime import UTC, datetime, timedelta
from pathlib import Path

import pytest
from pydantic import ValidationError

from api.causes.planned import Arm
from api.prints import Print
from api.record import Limits, Machine, Plan, PlanRow, Question, Record, Resin, Result
from collector.errors import ConflictError, InvalidError

NOW = datetime(2026, 1, 14, 19, 30, tzinfo=UTC)


@pytest.fixture
def record(tmp_path: Path) -> Iterator[Record]:
    kept = Record(tmp_path / "record.db")
    kept.resins.add(Resin(name="Harbour Grey"))
    kept.machines.add(Machine(name="North"))
    yield kept
    kept.close()


def a_round(number: int = 1) -> Plan:
    rows = tuple(
        PlanRow(arm=arm, start_c=16.0 if arm is Arm.COLD else 24.0)
        for arm in (Arm.WARM, Arm.COLD, Arm.COLD, Arm.WARM, Arm.COLD, Arm.WARM)
    )
    return Plan(
        accepted=NOW,
        machine=1,
        resin=1,
        round_n=number,
        rows=rows,
        level=0.2,
        width_now_c=9.5,
        width_after_c=6.1,
        failures_expected=1.4,
    )


def a_print(record: Record, hours: int = 0) -> int:
    return record.prints.add(Print(start=NOW + timedelta(hours=hours), resin=1, machine=1)).id


def test_a_plan_keeps_the_order_that_was_drawn(record: Record) -> None:
    kept = record.plans.add(a_round())
    assert record.plans.get(kept.id).entry == a_round()
    assert kept.entry.open_rows == (0, 1, 2, 3, 4, 5)


def test_a_row_takes_one_print_and_is_open_again_when_that_is_taken_off(record: Record) -> None:
    kept = record.plans.add(a_round())
    plate = a_print(record)
    record.plans.change(kept.id, kept.entry.started(2, plate))
    found = record.plans.of_print(plate)
    assert found is not None
    assert found.entry.open_rows == (0, 1, 3, 4, 5)
    with pytest.raises(InvalidError, match="not waiting"):
        found.entry.started(2, a_print(record, 1))
    record.prints.delete(plate)
    assert record.plans.get(kept.id).entry.open_rows == (0, 1, 2, 3, 4, 5)
    assert record.plans.of_print(plate) is None


def test_one_print_belongs_to_one_row_of_one_plan(record: Record) -> None:
    first, second = record.plans.add(a_round()), record.plans.add(a_round(2))
    plate = a_print(record)
    record.plans.change(first.id, first.entry.started(0, plate))
    with pytest.raises(InvalidError, match="from plan 1 already"):
        record.plans.change(second.id, second.entry.started(0, plate))
    twice = first.entry.started(0, plate).started(1, plate).model_dump()
    with pytest.raises(ValidationError, match="two rows"):
        Plan.model_validate(twice)


def test_a_withdrawn_plan_waits_for_nothing(record: Record) -> None:
    kept = record.plans.add(a_round())
    record.plans.change(kept.id, kept.entry.model_copy(update={"withdrawn": True}))
    assert record.plans.open() == []


def test_what_a_plan_names_stays_on_record(record: Record) -> None:
    record.plans.add(a_round())
    with pytest.raises(ConflictError, match="plans: 1"):
        record.machines.delete(1)
    with pytest.raises(ConflictError, match="plans: 1"):
        record.resins.delete(1)


def test_a_result_comes_back_as_it_was_saved(record: Record) -> None:
    result = Result(
        question=Question.VAT_TEMPERATURE,
        asked={"level": 0.2},
        saved=NOW,
        sentences=("Failures go with cold resin in your log.",),
        method="a method",
        version="1",
        fingerprint="0123456789abcdef",
        answer={"threshold": {"lo_c": 17.5, "hi_c": None}},
    )
    assert record.results.get(record.results.add(result).id).entry == result


def test_the_limits_of_a_machine_are_kept(record: Record) -> None:
    limits = Limits(vat_from_c=20, humidity_to_pct=65)
    record.machines.change(1, Machine(name="North", limits=limits))
    assert record.machines.get(1).entry.limits == limits
    with pytest.raises(ValidationError, match="below its lower one"):
        Limits(vat_from_c=24, vat_to_c=20)
