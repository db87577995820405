"""Bottles, plates, afterwork, places, photographs and dismissals on record."""

from __future__ import annotations

import sqlite3
from collections.abc import Iterator
from datetime import UTC, datetime, timedelta
from pathlib import Path

import pytest

from api.prints import (
    Afterwork,
    Cure,
    Drying,
    FailureMode,
    Outcome,
    Part,
    Print,
    Spot,
    Wash,
)
from api.record import (
    Bottle,
    Dismissal,
    Machine,
    Photograph,
    Plate,
    PlatePart,
    PrintFilter,
    Record,
    Resin,
)
from api.record.migrations import MIGRATIONS, m001_first_tables
from api.settings_check import Guidance, Limits
from collector.errors import ConflictError, InvalidError

EVENING = datetime(2026, 1, 14, 19, 30, tzinfo=UTC)
MORNING = EVENING + timedelta(hours=7)


@pytest.fixture
def record(tmp_path: Path) -> Iterator[Record]:
    kept = Record(tmp_path / "record.db")
    kept.resins.add(Resin(name="Harbour Grey"))
    kept.resins.add(Resin(name="Kiln Amber"))
    kept.machines.add(Machine(name="North"))
    yield kept
    kept.close()


def run(**fields: object) -> Print:
    return Print.model_validate({"start": EVENING, "resin": 1, "machine": 1, **fields})


def photograph(**fields: object) -> Photograph:
    return Photograph.model_validate(
        {
            "sha256": "0" * 64,
            "media_type": "image/jpeg",
            "width_px": 40,
            "height_px": 30,
            "bytes_n": 900,
            **fields,
        }
    )


def test_everything_of_a_print_comes_back_after_a_restart(record: Record, tmp_path: Path) -> None:
    bottle = record.bottles.add(
        Bottle(resin=1, lot="HG-0417", opened=EVENING, mixed=MORNING, price_per_kg=31)
    )
    plate = record.plates.add(
        Plate(
            name="Four collars",
            parts=(PlatePart(name="collar 1", place=Spot.BACK_LEFT), PlatePart(name="collar 2")),
            resin_ml=42.5,
        )
    )
    entry = run(
        end=MORNING,
        bottle=bottle.id,
        plate=plate.id,
        parts=plate.entry.fresh_parts(),
        resin_poured_ml=220,
        resin_used_ml=41.5,
        cut_short=True,
        afterwork=Afterwork(
            wash=Wash(start=MORNING, minutes=4, fluid="alcohol", power_level=6, fluid_used_ml=20),
            drying=Drying(minutes=30),
            cure=Cure(start=MORNING + timedelta(hours=1), minutes=6, wavelength_nm=405),
        ),
    )
    kept = record.prints.add(entry)
    assert kept.entry == entry
    again = Record(tmp_path / "record.db")
    assert again.prints.get(kept.id).entry == entry
    assert again.bottles.get(bottle.id).entry == bottle.entry
    assert again.plates.get(plate.id).entry == plate.entry
    again.close()


def test_printed_guidance_comes_back_and_is_corrected(record: Record) -> None:
    printed = Guidance(temperature_c=Limits(low=22, high=28))
    changed = record.resins.change(1, Resin(name="Harbour Grey", guidance=printed))
    assert record.resins.get(1).entry.guidance == printed
    assert changed.revision == 2
    assert Resin.model_validate(record.resins.revisions(1)[0].before).guidance == Guidance()


def test_a_bottle_holds_one_resin(record: Record) -> None:
    bottle = record.bottles.add(Bottle(resin=2)).id
    with pytest.raises(InvalidError, match="holds resin 2, not resin 1") as fault:
        record.prints.add(run(bottle=bottle))
    assert fault.value.where == "bottle"
    record.prints.add(run(resin=2, bottle=bottle))
    with pytest.raises(ConflictError, match="prints: 1"):
        record.bottles.change(bottle, Bottle(resin=1))
    with pytest.raises(ConflictError, match="prints: 1"):
        record.bottles.delete(bottle)
    with pytest.raises(ConflictError, match="in use"):
        record.resins.delete(2)
    with pytest.raises(InvalidError, match="no bottle 9"):
        record.prints.add(run(bottle=9))


def test_bottles_and_plates_are_found_by_what_one_knows(record: Record) -> None:
    record.bottles.add(Bottle(resin=1, lot="A", opened=EVENING, emptied=MORNING))
    full = record.bottles.add(Bottle(resin=1, lot="A"))
    other = record.bottles.add(Bottle(resin=2, lot="A"))
    assert record.bottles.of_lot(1, "A") == full
    assert record.bottles.which(emptied=False) == [full, other]
    assert record.bottles.which(resin=1, emptied=False) == [full]
    plate = record.plates.add(Plate(name="Four collars"))
    assert record.plates.named("four COLLARS") == plate
    with pytest.raises(ConflictError, match="named"):
        record.plates.add(Plate(name="FOUR collars"))
    record.prints.add(run(plate=plate.id))
    with pytest.raises(ConflictError, match="prints: 1"):
        record.plates.delete(plate.id)


def test_another_way_of_failing_needs_words(record: Record) -> None:
    part = Part(name="collar", outcome=Outcome.FAILED, modes=(FailureMode.OTHER,))
    with pytest.raises(InvalidError, match="no word says how") as fault:
        record.prints.add(run(parts=(part,)))
    assert fault.value.where == "parts.0.note"
    said = part.model_copy(update={"note": "the lid fell on it"})
    assert record.prints.add(run(parts=(said,))).entry.parts == (said,)


@pytest.mark.parametrize(
    "wrong",
    [
        {"afterwork": {"wash": {"start": EVENING - timedelta(minutes=1), "minutes": 3}}},
        {"afterwork": {"cure": {"minutes": 0}}},
        {"afterwork": {"cure": {"wavelength_nm": 40}}},
        {"resin_used_ml": -1},
        {"parts": [{"name": "a", "place": "ceiling"}]},
    ],
)
def test_a_print_that_makes_no_sense_cannot_be_made(wrong: dict[str, object]) -> None:
    with pytest.raises(ValueError, match=r"\w"):
        run(**wrong)


def test_prints_are_found_by_bottle_plate_and_failure_mode(record: Record) -> None:
    bottle = record.bottles.add(Bottle(resin=1)).id
    plate = record.plates.add(Plate(name="Four collars")).id
    warped = Part(name="a", outcome=Outcome.FAILED, modes=(FailureMode.WARPED,))
    first = record.prints.add(run(bottle=bottle, parts=(warped,)))
    second = record.prints.add(run(start=MORNING, plate=plate))
    for only, expected in (
        (PrintFilter(bottle=bottle), [first]),
        (PrintFilter(plate=plate), [second]),
        (PrintFilter(mode=FailureMode.WARPED), [first]),
        (PrintFilter(mode=FailureMode.CRACKED), []),
        (PrintFilter(resin=1), [second, first]),
    ):
        assert record.prints.newest(10, only=only) == expected
        assert record.prints.count(only) == len(expected)


def test_a_photograph_belongs_to_what_is_on_record(record: Record) -> None:
    plate = record.prints.add(run(parts=(Part(name="collar"),))).id
    kept = record.photographs.add(photograph(print=plate, part="collar"))
    assert record.photographs.of(print_id=plate) == [kept]
    assert record.photographs.of(after=kept.id) == []
    for wrong in ({"print": 9}, {"look": 9}, {"print": plate, "part": "lid"}):
        with pytest.raises(InvalidError):
            record.photographs.add(photograph(**wrong))
    for senseless in ({}, {"print": 1, "look": 1}, {"look": 1, "part": "collar"}):
        with pytest.raises(ValueError, match="print"):
            photograph(**senseless)
    with pytest.raises(ConflictError, match="photographs: 1"):
        record.prints.delete(plate)
    with pytest.raises(InvalidError, match="does not change"):
        record.photographs.change(kept.id, photograph(print=plate, sha256="1" * 64))
    record.photographs.delete(kept.id)
    record.prints.delete(plate)
    assert record.photographs.revisions(kept.id)[0].change == "deleted"


def test_a_dismissal_is_kept_with_its_revisions(record: Record) -> None:
    kept = record.dismissals.add(Dismissal(machine=1, start=EVENING, end=MORNING))
    record.dismissals.change(kept.id, kept.entry.model_copy(update={"note": "levelling the bed"}))
    assert record.dismissals.of(1)[0].entry.note == "levelling the bed"
    assert record.dismissals.of(2) == []
    assert [r.change for r in record.dismissals.revisions(kept.id)] == ["corrected"]
    with pytest.raises(ConflictError, match="dismissed"):
        record.machines.delete(1)


def test_a_record_of_the_first_form_is_brought_up_to_date(tmp_path: Path) -> None:
    path = tmp_path / "record.db"
    old = sqlite3.connect(path, isolation_level=None)
    old.execute("CREATE TABLE migration (name TEXT PRIMARY KEY, applied_ms INTEGER NOT NULL)")
    m001_first_tables(old)
    old.execute("INSERT INTO migration VALUES ('m001_first_tables', 1)")
    old.execute("INSERT INTO resin VALUES (1, 1, 0, 'Willow', 'tough', 1.1, 30, '')")
    old.execute("INSERT INTO machine VALUES (1, 1, 0, 'South', '')")
    old.execute(
        "INSERT INTO print VALUES (1, 1, 0, ?, NULL, 0, 1, 1, ?, 18, '')",
        (int(EVENING.timestamp() * 1_000), '{"layer_height_mm":0.05}'),
    )
    old.execute("INSERT INTO part VALUES (1, 0, 'lid', 'failed', '[\"other\"]', '')")
    entry = '{"category": "", "density_g_cm3": null, "name": "Willow", "note": ""}'
    old.execute("INSERT INTO creation_key VALUES ('k', 'resin', 1, ?, 0)", (entry,))
    old.close()
    record = Record(path)
    kept = record.prints.get(1).entry
    assert kept.parts == (Part(name="lid", outcome=Outcome.FAILED, modes=(FailureMode.OTHER,)),)
    assert (kept.afterwork, kept.bottle, kept.cut_short) == (Afterwork(), None, False)
    assert record.resins.get(1).entry == Resin(
        name="Willow", category="tough", density_g_cm3=1.1, price_per_kg=30
    )
    # A creation sent again after the update is still known by its key.
    assert record.resins.add(Resin(name="Willow"), key="k").id == 1
    record.close()
    with sqlite3.connect(path) as raw:
        names = [name for (name,) in raw.execute("SELECT name FROM migration ORDER BY name")]
    raw.close()
    assert names == [step.__name__ for step in MIGRATIONS]
