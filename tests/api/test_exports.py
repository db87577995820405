"""Tables and whole records go out and come back exactly; a crash on the way leaves nothing."""

from __future__ import annotations

import csv
import io
import os
import signal
import subprocess
import sys
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from fastapi.testclient import TestClient

from api.answers import Workshop
from api.prints import FailureMode, Outcome, Print, Spot
from api.record import (
    Bottle,
    BreakTest,
    Dismissal,
    Fixture,
    Gauge,
    LoggedLook,
    Photograph,
    Plate,
    PlatePart,
    Record,
    Resin,
)
from api.record.table_export import prints_as_table
from api.record.table_import import OWN_FIELDS, Mapped, import_prints
from api.record.whole import everything, put_back
from api.routes.shapes import BREAK, FIXTURE, GAUGE, SOAK
from api.soak.program import Finding, SoakRun
from collector.errors import ConflictError, InvalidError
from tests.recordings import ROOT

EVENING = datetime(2026, 1, 14, 19, 30, tzinfo=UTC)
HARD_WORDS = ('  "draught", from\nthe stairs; ', "=1+1", "żółć, 80 °C\r\n", "", "'", " ")


def fill(record: Record, prints: int = 60) -> None:
    """Prints with and without everything that can be noted of one."""
    rng = np.random.default_rng(2)
    for lot in ("HG-1", "HG-2", "HG-2", "", "#3"):
        record.bottles.add(Bottle(resin=1, lot=lot))
    record.plates.add(Plate(name="Four collars", parts=(PlatePart(name="collar 1"),)))

    def maybe(value: object) -> object:
        return value if rng.random() < 0.6 else None

    for number in range(prints):
        start = EVENING + timedelta(hours=9 * number, milliseconds=int(rng.integers(0, 1_000)))
        resin = int(rng.integers(1, 3))
        parts = [
            {
                "name": f"collar {n}",
                "outcome": outcome,
                "modes": ["warped", "cracked"] if outcome == "failed" else [],
                "place": maybe(str(rng.choice(list(Spot)))),
                "note": str(rng.choice(HARD_WORDS)),
            }
            for n, outcome in enumerate(
                rng.choice(["good", "flawed", "failed"], rng.integers(0, 4))
            )
        ]
        record.prints.add(
            Print.model_validate(
                {
                    "start": start,
                    "end": maybe(start + timedelta(hours=float(rng.uniform(1, 8)))),
                    "resin": resin,
                    "machine": int(rng.integers(1, 3)),
                    "bottle": maybe(int(rng.integers(1, 6))) if resin == 1 else None,
                    "plate": maybe(1),
                    "parts": parts,
                    "settings": {
                        "layer_height_mm": maybe(float(rng.uniform(0.01, 0.2))),
                        "layer_count": maybe(int(rng.integers(10, 3_000))),
                        "normal_exposure_s": maybe(float(rng.uniform(1, 4))),
                        "transition_layer_count": maybe(4),
                        "retract_speed_mm_min": maybe(float(rng.uniform(60, 300))),
                    },
                    "resin_poured_ml": maybe(float(rng.uniform(50, 300))),
                    "resin_used_ml": maybe(float(rng.uniform(1, 50))),
                    "cut_short": bool(rng.random() < 0.2),
                    "order_only": bool(rng.random() < 0.1),
                    "logged_vat_c": maybe(float(rng.uniform(15, 30))),
                    "note": str(rng.choice(HARD_WORDS)),
                    "afterwork": {
                        "wash": maybe({"minutes": 4.5, "fluid": "wash alcohol", "power_level": 3}),
                        "drying": maybe({"start": start, "minutes": float(rng.uniform(1, 60))}),
                        "cure": maybe({"wavelength_nm": 405, "temperature_c": 45.5}),
                    },
                }
            )
        )


def entries(record: Record) -> list[Print]:
    return [kept.entry for kept in record.prints.all()]


def test_a_table_goes_out_and_comes_back_exactly(workshop: Workshop, client: TestClient) -> None:
    fill(workshop.record)
    before, table = entries(workshop.record), prints_as_table(workshop.record)
    sent = client.get("/api/prints/export")
    assert sent.text == table
    assert sent.headers["content-type"] == "text/csv; charset=utf-8"
    rows = list(csv.DictReader(io.StringIO(table, newline="")))
    assert len(rows) == 60
    assert tuple(rows[0]) == OWN_FIELDS
    for kept in workshop.record.prints.all():
        workshop.record.prints.delete(kept.id)
    query = {"own": "true"}
    done = client.post("/api/prints/import", params=query, content=table.encode()).json()
    assert (done["rows_n"], done["faults"]) == (60, [])
    assert entries(workshop.record) == before
    assert prints_as_table(workshop.record) == table


def test_a_table_makes_what_is_missing_where_that_is_wanted(
    workshop: Workshop, tmp_path: Path
) -> None:
    fill(workshop.record, 12)
    table = prints_as_table(workshop.record)
    other = Record(tmp_path / "other.db")
    faulty = import_prints(other, table, Mapped.own())
    assert faulty.faults_n == 12
    assert other.resins.all() == []
    dry = import_prints(other, table, Mapped.own(make=True), dry_run=True)
    assert set(dry.resins_made) == {"Harbour Grey", "Willow"}
    assert dry.plates_made == ("Four collars",)
    assert other.prints.all() == []
    other.close()


def test_a_spreadsheet_with_a_column_for_each_part(workshop: Workshop) -> None:
    text = (
        "Day,What,Left,Right,Lot,Washed,Lamp,Poured,Transition\n"
        "2026-01-14T19:30:00Z,Lids,good,failed: layers parted,HG-9,4.5,405,210,6\n"
        "2026-01-15T19:30:00Z,Lids,Flawed: other,,HG-9,,,,\n"
    )
    columns = {
        "Day": "start",
        "What": "plate",
        "Left": "part:left lid",
        "Right": "part:right lid",
        "Lot": "bottle",
        "Washed": "wash.minutes",
        "Lamp": "cure.wavelength_nm",
        "Poured": "resin_poured_ml",
        "Transition": "transition_layer_count",
    }
    mapped = Mapped(columns, resin="Willow", machine="South", make=True)
    done = import_prints(workshop.record, text, mapped)
    assert done.faults == ()
    assert (done.plates_made, done.bottles_made) == (("Lids",), ("HG-9",))
    first, second = entries(workshop.record)
    left, right = first.parts
    assert (left.outcome, right.outcome) == (Outcome.GOOD, Outcome.FAILED)
    assert right.modes == (FailureMode.LAYERS_PARTED,)
    assert (first.plate, first.bottle, first.resin_poured_ml) == (1, 1, 210)
    assert first.settings.transition_layer_count == 6
    assert first.afterwork.wash is not None
    assert first.afterwork.cure is not None
    assert first.afterwork.wash.minutes == 4.5
    assert first.afterwork.cure.wavelength_nm == 405
    assert [part.note for part in second.parts] == ["Flawed: other"]
    assert second.afterwork.wash is None


@pytest.mark.parametrize(
    ("row", "field"),
    [
        ("2026-01-14T19:30:00Z,fine,,", "part:lid"),
        ("2026-01-14T19:30:00Z,failed: sulking,,", "part:lid"),
        ("2026-01-14T19:30:00Z,good,maybe,", "cut_short"),
        ("2026-01-14T19:30:00Z,good,,-3", "afterwork.wash.minutes"),
        ("yesterday,good,,", "start"),
    ],
)
def test_a_row_at_fault_is_named_and_nothing_is_taken(
    workshop: Workshop, row: str, field: str
) -> None:
    text = f"Day,Lid,Cut,Wash\n2026-01-13T19:30:00Z,good,no,3\n{row}\n"
    columns = {"Day": "start", "Lid": "part:lid", "Cut": "cut_short", "Wash": "wash.minutes"}
    done = import_prints(workshop.record, text, Mapped(columns, resin="Willow", machine="South"))
    assert [(fault.row, fault.field) for fault in done.faults] == [(3, field)]
    assert workshop.record.prints.all() == []


def test_columns_that_contradict_each_other_are_refused() -> None:
    for columns in (
        {"a": "start", "b": "part:x", "c": "outcome"},
        {"a": "start", "b": "parts", "c": "failed"},
        {"a": "start", "b": "part:"},
    ):
        with pytest.raises(InvalidError):
            Mapped(columns, resin="Willow", machine="South")


CRASHING = """
import os, signal, sys
from pathlib import Path
from api.record import Record
from api.record.table_import import Mapped, import_prints
record = Record(Path(sys.argv[1]))
adding, added = record.prints.add, []
def add(entry):
    if len(added) == 20:
        os.kill(os.getpid(), signal.SIGKILL)
    added.append(entry)
    return adding(entry)
record.prints.add = add
import_prints(record, Path(sys.argv[2]).read_text(), Mapped.own(make=True))
"""


def test_a_crash_in_the_middle_of_an_import_leaves_nothing(
    workshop: Workshop, tmp_path: Path
) -> None:
    fill(workshop.record, 40)
    table = prints_as_table(workshop.record).replace(",#", ",lot ")
    (tmp_path / "table.csv").write_text(table, encoding="utf-8", newline="")
    path = tmp_path / "crashed.db"
    Record(path).close()
    done = subprocess.run(
        [sys.executable, "-c", CRASHING, str(path), str(tmp_path / "table.csv")],
        cwd=ROOT,
        env={**os.environ, "PYTHONPATH": str(ROOT), "PYTHONUTF8": "1"},
        capture_output=True,
        text=True,
        check=False,
    )
    assert done.returncode == -signal.SIGKILL, done.stderr
    after = Record(path)
    assert after.prints.all() == []
    assert (after.resins.all(), after.machines.all(), after.plates.all()) == ([], [], [])
    after.close()


def whole_workshop(record: Record) -> None:
    """Something of every kind, corrected and deleted things among them."""
    fill(record, 10)
    record.resins.change(1, Resin(name="Harbour Grey", price_per_kg=30))
    record.prints.delete(10)
    record.soaks.add(SoakRun.model_validate(SOAK))
    record.looks.add(
        LoggedLook(soak=1, specimen="A", time=EVENING + timedelta(hours=1), finding=Finding.SOUND)
    )
    record.fixtures.add(Fixture.model_validate(FIXTURE))
    record.gauges.add(Gauge.model_validate(GAUGE))
    record.breaks.add(BreakTest.model_validate(BREAK))
    held = {"outcome": "no_break_at_the_limit", "load": None, "cured": None}
    soaked = {"soaked": [{"soak": 1, "specimen": "A"}]}
    record.breaks.add(BreakTest.model_validate({**BREAK, **held, **soaked}))
    record.breaks.delete(1)
    record.photographs.add(
        Photograph(
            break_test=2,
            sha256="1" * 64,
            media_type="image/png",
            width_px=1,
            height_px=1,
            bytes_n=1,
        )
    )
    record.photographs.add(
        Photograph(
            look=1, sha256="0" * 64, media_type="image/png", width_px=1, height_px=1, bytes_n=1
        )
    )
    record.dismissals.add(
        Dismissal(machine=1, start=EVENING, end=EVENING + timedelta(hours=1), note="test")
    )


def test_the_whole_record_goes_out_and_comes_back_exactly(
    workshop: Workshop, client: TestClient, tmp_path: Path
) -> None:
    whole_workshop(workshop.record)
    document: dict[str, Any] = client.get("/api/record").json()
    assert len(document["entries"]["print"]) == 9
    other = Record(tmp_path / "other" / "record.db")
    counts = put_back(other, type(everything(other)).model_validate(document))
    assert counts["print"] == 9
    assert everything(other) == everything(workshop.record)
    assert other.prints.revisions(10)[0].change == "deleted"
    # The id of what was deleted is never given again, there either.
    assert other.prints.add(entries(workshop.record)[0]).id == 11
    assert other.resins.change(1, Resin(name="Harbour Grey")).revision == 3
    other.close()


def test_a_whole_record_goes_into_an_empty_one_or_not_at_all(
    workshop: Workshop, client: TestClient, tmp_path: Path
) -> None:
    whole_workshop(workshop.record)
    whole = everything(workshop.record)
    assert client.post("/api/record", json=whole.model_dump(mode="json")).status_code == 409
    other = Record(tmp_path / "other.db")
    broken = whole.model_copy(deep=True)
    broken.entries["print"][3].entry["resin"] = "grey"
    with pytest.raises(InvalidError) as fault:
        put_back(other, broken)
    assert fault.value.where == "entries.print, id 4, resin"
    dangling = whole.model_copy(update={"entries": {**whole.entries, "machine": []}})
    with pytest.raises(ConflictError):
        put_back(other, dangling)
    strange: list[dict[str, Any]] = [{"form": "another"}, {"entries": {"broom": []}}]
    for wrong in strange:
        with pytest.raises(InvalidError):
            put_back(other, whole.model_copy(update=wrong))
    assert not any(everything(other).entries.values())
    other.close()
