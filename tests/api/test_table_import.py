"""A table of past prints comes in whole or not at all, and the sums agree with print.

The table is the published record of 23 flights (A: any distress, 0/1) that statistics
textbooks use for failure against cold; each flight stands for a plate here.
"""

from __future__ import annotations

from datetime import UTC, datetime
from pathlib import Path

import pytest
from fastapi.testclient import TestClient

from api.answers import Workshop, cold_answer
from api.causes.classical import ClassicalFit
from api.record.table_import import Imported, Mapped, import_prints
from collector.errors import InvalidError

Query = list[tuple[str, str | int | float | bool | None]]

NOW = datetime(2026, 2, 1, tzinfo=UTC)

#: Dalal, Fowlkes & Hoadley (1989), J. Am. Stat. Assoc. 84(408), 945-957: joint temperature
#: [°F] of 23 flights in order of temperature, and whether any O-ring was distressed.
TEMPERATURE_F = (
    *(53, 57, 58, 63, 66, 67, 67, 67, 68, 69, 70, 70, 70, 70, 72, 73, 75, 75, 76, 76, 78, 79, 81),
)
DISTRESS = (*(1, 1, 1, 1, 0, 0, 0, 0, 0, 0, 1, 1, 0, 0, 0, 0, 1, 0, 0, 0, 0, 0, 0),)

TABLE_A = "Order,Temp F,Distress\n" + "".join(
    f"{n},{t},{y}\n" for n, (t, y) in enumerate(zip(TEMPERATURE_F, DISTRESS, strict=True), 1)
)
MAPPED_A = Mapped(
    {"Order": "order", "Temp F": "logged_vat", "Distress": "failed"},
    fahrenheit=True,
    resin="Harbour Grey",
    machine="South",
)


def test_table_a_in_fahrenheit_gives_the_published_fit_in_both_units(workshop: Workshop) -> None:
    done = import_prints(workshop.record, TABLE_A, MAPPED_A)
    assert (done.rows_n, len(done.prints), done.faults) == (23, 23, ())
    report = cold_answer(workshop, 0.2, NOW)
    assert (len(report.rows), report.noted_n, report.left_out) == (23, 23, {})
    fit = report.answer.classical
    assert isinstance(fit, ClassicalFit)
    # glm output in the BYU-Idaho Statistics Notebook, "Challenger Logistic Regression", long
    # digits recomputed from the data.
    f = fit.fahrenheit
    assert f.intercept == pytest.approx(15.04290165, rel=1e-6)
    assert f.slope == pytest.approx(-0.23216274, rel=1e-6)
    assert f.intercept_error == pytest.approx(7.37863638, rel=1e-6)
    assert f.slope_error == pytest.approx(0.10823652, rel=1e-6)
    assert fit.null_deviance == pytest.approx(28.2671527, rel=1e-6)
    assert fit.deviance == pytest.approx(20.3151927, rel=1e-6)
    assert (fit.null_df, fit.df) == (22, 21)
    # Computed separately by delta method, Fieller's theorem and profile likelihood.
    assert f.t50 == pytest.approx(64.7946, abs=1e-3)
    assert f.t50_profile.lo == pytest.approx(52.4873, abs=1e-3)
    assert f.t50_profile.hi == pytest.approx(69.2699, abs=1e-3)
    # The same in °C: slope times 1.8, T50 by (F - 32) / 1.8.
    c = fit.celsius
    assert c.intercept == pytest.approx(7.6136940, rel=1e-6)
    assert c.slope == pytest.approx(-0.417893, abs=1e-6)
    assert c.t50 == pytest.approx(18.219245, abs=1e-5)


def test_the_api_reports_the_same_and_marks_what_lies_beyond_the_log(client: TestClient) -> None:
    columns: Query = [
        ("column", pair) for pair in ("Order=order", "Temp F=logged_vat", "Distress=failed")
    ]
    query: Query = [
        *columns,
        ("temperature_unit", "F"),
        ("resin", "Fathom Clear"),
        ("machine", "West"),
        ("make", "true"),
    ]
    csv = {"Content-Type": "text/csv"}
    dry = client.post(
        "/api/prints/import", params=[*query, ("dry_run", "true")], content=TABLE_A, headers=csv
    )
    assert dry.status_code == 200, dry.text
    assert (dry.json()["rows_n"], dry.json()["prints"]) == (23, [])
    assert client.get("/api/prints").json()["count"] == 0
    assert len(client.get("/api/resins").json()) == 2
    done = client.post("/api/prints/import", params=query, content=TABLE_A, headers=csv).json()
    assert (len(done["prints"]), done["resins_made"]) == (23, ["Fathom Clear"])

    found = client.get("/api/causes/vat-temperature", params={"at": 31, "unit": "F"}).json()
    assert (found["measured_n"], found["noted_n"]) == (0, 23)
    classical = found["answer"]["classical"]
    assert classical["fahrenheit"]["slope"] == pytest.approx(-0.23216274, rel=1e-6)
    assert classical["celsius"]["t50"] == pytest.approx(18.219245, abs=1e-5)
    # P(fail) at 31 °F: 0.9996 in Agresti, Categorical Data Analysis (from memory), recomputed;
    # the coldest flight was at 53 °F.
    assert found["asked"]["risk"] == pytest.approx(0.99961, abs=1e-5)
    assert (found["asked"]["lo"], found["asked"]["hi"]) == (
        pytest.approx(0.48157, abs=1e-4),
        pytest.approx(1.0, abs=1e-4),
    )
    assert found["asked"]["extrapolated"] is True
    assert "do not rely" in found["asked"]["note"]
    within = client.get("/api/causes/vat-temperature", params={"at": 65, "unit": "F"}).json()
    assert within["asked"]["risk"] == pytest.approx(0.488083, abs=1e-5)
    assert within["asked"]["extrapolated"] is False

    again = client.post("/api/prints/import", params=query, content=TABLE_A, headers=csv)
    assert again.status_code == 422
    assert again.headers["Content-Type"] == "application/problem+json"
    assert "on record already" in again.json()["faults"][0]["detail"]
    assert client.get("/api/prints").json()["count"] == 23


LOG = """\
Date,Printer,Resin,Result,Exposure,Vat
2026-01-03T20:00:00Z,North,Willow,good,2.5,21
2026-01-04T20:00:00Z,South,harbour grey,FAILED,2.5,
"2026-01-05T20:00:00+01:00",North,Willow,flawed,3.0,18.5
2026-01-06T20:00:00Z,North,Willow,,3.0,18.5
"""
COLUMNS = {
    "Date": "start",
    "Printer": "machine",
    "Resin": "resin",
    "Result": "outcome",
    "Exposure": "normal_exposure_s",
    "Vat": "logged_vat",
}


def test_an_old_log_comes_in_with_its_settings(workshop: Workshop) -> None:
    done = import_prints(workshop.record, "\ufeff" + LOG + "\n\n", Mapped(COLUMNS))
    assert done == Imported(rows_n=4, prints=(1, 2, 3, 4))
    plates = [kept.entry for kept in workshop.record.prints.all()]
    assert [plate.outcome for plate in plates] == ["good", "failed", "flawed", None]
    assert [plate.logged_vat_c for plate in plates] == [21, None, 18.5, 18.5]
    assert plates[2].settings.normal_exposure_s == 3.0
    assert plates[2].start == datetime(2026, 1, 5, 19, tzinfo=UTC)
    assert not plates[0].order_only
    assert (plates[1].machine, plates[1].resin) == (2, 1)


@pytest.mark.parametrize(
    ("old", "new", "row", "field"),
    [
        ("South", "West", 3, "machine"),
        ("FAILED", "1", 3, "outcome"),
        ("2026-01-05T20:00:00+01:00", "2026-01-05 20:00", 4, "start"),
        ("2026-01-05T20:00:00+01:00", "2026-01-03T20:00:00Z", 4, "start"),
        ("2026-01-05T20:00:00+01:00", "", 4, "start"),
        ("flawed,3.0", "flawed,-3", 4, "settings.normal_exposure_s"),
        ("flawed,3.0,18.5", "flawed,3.0,warm", 4, "logged_vat"),
        ("flawed,3.0,18.5", "flawed,3.0,nan", 4, "logged_vat_c"),
    ],
)
def test_one_row_at_fault_and_nothing_comes_in(
    workshop: Workshop, old: str, new: str, row: int, field: str
) -> None:
    done = import_prints(workshop.record, LOG.replace(old, new), Mapped(COLUMNS, make=False))
    assert [(fault.row, fault.field) for fault in done.faults] == [(row, field)]
    assert done.faults[0].remedy
    assert (done.prints, workshop.record.prints.all()) == ((), [])


@pytest.mark.parametrize(
    "text",
    ["", "\n", "Date,Printer\n", LOG + "a,b\n", LOG.replace("Result", "Vat"), LOG + '"open'],
)
def test_a_table_that_cannot_be_read_is_told(workshop: Workshop, text: str) -> None:
    with pytest.raises(InvalidError) as caught:
        import_prints(workshop.record, text, Mapped(COLUMNS))
    assert caught.value.where
    assert caught.value.remedy
    assert workshop.record.prints.all() == []


@pytest.mark.parametrize(
    "columns",
    [
        {},
        {"a": "start", "b": "order"},
        {"a": "start", "b": "colour"},
        {"a": "start", "b": "start"},
        {"a": "start", "b": "failed", "c": "good"},
        {"a": "start", "b": "machine"},
    ],
)
def test_a_mapping_that_makes_no_sense_is_refused(columns: dict[str, str]) -> None:
    with pytest.raises(InvalidError) as caught:
        Mapped(columns)
    assert caught.value.where == "column"


def test_a_crash_in_the_middle_leaves_nothing(
    workshop: Workshop, monkeypatch: pytest.MonkeyPatch, tmp_path: Path
) -> None:
    add = workshop.record.prints.add

    def crash(entry: object, **_: object) -> object:
        if workshop.record.prints.count() == 2:
            raise KeyboardInterrupt
        return add(entry)  # type: ignore[arg-type]

    monkeypatch.setattr(workshop.record.prints, "add", crash)
    with pytest.raises(KeyboardInterrupt):
        import_prints(workshop.record, LOG, Mapped(COLUMNS))
    assert workshop.record.prints.all() == []
