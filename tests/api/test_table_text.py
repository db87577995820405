"""Tables as spreadsheets of several countries save them."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta, timezone
from zoneinfo import ZoneInfo

import pytest
from fastapi.testclient import TestClient

from api.answers import Workshop
from api.record.table_guess import guess, plain
from api.record.table_import import Mapped, import_prints
from api.record.table_text import (
    decoded,
    delimiter_of,
    is_decimal_comma,
    moment_in,
    with_point,
    without_unit,
)
from collector.errors import InvalidError

BERLIN = ZoneInfo("Europe/Berlin")

SEMICOLONS = """\
Datum;Printer;Resin;Result;Exposure (s);Resin temperature (°C);Notes
14.1.2026 20:30;North;Willow;good;2,6;21,5;"a; b"
15.1.2026 20:30;South;Willow;failed;3;18,0;
"""
COLUMNS = {
    "Datum": "start",
    "Printer": "machine",
    "Resin": "resin",
    "Result": "outcome",
    "Exposure (s)": "normal_exposure_s",
    "Resin temperature (°C)": "logged_vat",
    "Notes": "note",
}


@pytest.mark.parametrize(
    ("content", "text", "encoding"),
    [
        (b"\xef\xbb\xbfa,\xc2\xb0", "a,°", "utf-8"),
        ("a;°".encode("cp1252"), "a;°", "cp1252"),
        ("a\t°".encode("utf-16"), "a\t°", "utf-16"),
    ],
)
def test_text_however_it_was_saved(content: bytes, text: str, encoding: str) -> None:
    assert decoded(content) == (text, encoding)


def test_bytes_that_are_no_text_are_refused() -> None:
    with pytest.raises(InvalidError):
        decoded(b"\xff\xfe\x00")
    with pytest.raises(InvalidError):
        decoded(b"PK\x03\x04\x81\x8d")


@pytest.mark.parametrize(
    ("text", "sign"),
    [("a,b\n1;2;3;4", ","), ("a;b;c\n1,5;2,5;3,5", ";"), ("a\tb", "\t"), ('"a;b;c",d', ","),
     ("alone", ","), ("", ",")],
)  # fmt: skip
def test_the_sign_between_cells_is_told_by_the_header(text: str, sign: str) -> None:
    assert delimiter_of(text) == sign


@pytest.mark.parametrize(
    ("cell", "number"),
    [("18,5", "18.5"), ("-0,05", "-0.05"), ("1.234,5", "1234.5"), (",5", ".5"), ("18.5", "18.5"),
     ("1,2,3", "1,2,3"), ("warm, dry", "warm, dry"), ("1,234.5", "1,234.5")],
)  # fmt: skip
def test_decimal_commas(cell: str, number: str) -> None:
    assert with_point(cell) == number
    assert is_decimal_comma(cell) == (cell != number)


@pytest.mark.parametrize(
    ("cell", "moment"),
    [
        ("2026-01-14 20:30", datetime(2026, 1, 14, 19, 30, tzinfo=UTC)),
        ("2026-07-14T20:30:15", datetime(2026, 7, 14, 18, 30, 15, tzinfo=UTC)),
        ("14.1.2026 20:30", datetime(2026, 1, 14, 19, 30, tzinfo=UTC)),
        ("14.01.2026  6:05:07", datetime(2026, 1, 14, 5, 5, 7, tzinfo=UTC)),
        ("2026-01-14T20:30:00Z", datetime(2026, 1, 14, 20, 30, tzinfo=UTC)),
        ("2026-01-14T20:30:00+05:00", datetime(2026, 1, 14, 15, 30, tzinfo=UTC)),
        # The hour that comes twice in autumn is taken as the first of both.
        ("2026-10-25 02:30", datetime(2026, 10, 25, 0, 30, tzinfo=UTC)),
    ],
)
def test_times(cell: str, moment: datetime) -> None:
    assert moment_in(cell, BERLIN) == moment


@pytest.mark.parametrize(
    "cell",
    ["", "yesterday", "2026-01-14", "14/01/2026 20:30", "32.1.2026 20:30", "2026-03-29 02:30"],
)
def test_times_that_are_none(cell: str) -> None:
    with pytest.raises(ValueError, match=r"."):
        moment_in(cell, BERLIN)


def test_a_table_with_semicolons_and_commas_comes_in(workshop: Workshop) -> None:
    mapped = Mapped(COLUMNS, zone=BERLIN, decimal_comma=True)
    done = import_prints(workshop.record, SEMICOLONS, mapped)
    assert done.faults == ()
    first, second = (kept.entry for kept in workshop.record.prints.all())
    assert first.start == datetime(2026, 1, 14, 19, 30, tzinfo=UTC)
    assert (first.settings.normal_exposure_s, first.logged_vat_c) == (2.6, 21.5)
    assert (first.note, second.machine) == ("a; b", 2)


def test_a_comma_is_never_read_as_something_else_silently(workshop: Workshop) -> None:
    done = import_prints(workshop.record, SEMICOLONS, Mapped(COLUMNS, zone=BERLIN))
    assert {(fault.row, fault.what[:4]) for fault in done.faults} >= {(3, "18,0")}
    assert "decimal comma" in (done.faults[0].remedy or "")
    assert workshop.record.prints.all() == []
    without = import_prints(workshop.record, SEMICOLONS, Mapped(COLUMNS, decimal_comma=True))
    assert [fault.field for fault in without.faults] == ["start", "start"]


def test_fahrenheit_with_a_comma(workshop: Workshop) -> None:
    table = SEMICOLONS.replace("21,5", "70,7")
    mapped = Mapped(COLUMNS, zone=timezone(timedelta(hours=1)), decimal_comma=True, fahrenheit=True)
    import_prints(workshop.record, table, mapped)
    found = workshop.record.prints.all()[0].entry.logged_vat_c
    assert found == pytest.approx((70.7 - 32) / 1.8)


@pytest.mark.parametrize(
    ("cell", "unit", "bare"),
    [("2.6 s", "s", "2.6"), ("0,05mm", "mm", "0,05"), ("18.5 °C", "°C", "18.5"),
     ("2.6", "s", "2.6"),
     ("65 °F", "°C", "65 °F"), ("mess", "s", "mess"), ("3 mm", "s", "3 mm")],
)  # fmt: skip
def test_a_unit_behind_a_number_is_no_fault_where_it_is_the_fields_own(
    cell: str, unit: str, bare: str
) -> None:
    assert without_unit(cell, unit) == bare


DAYS = """\
Day,Time,Result,Vat,Exposure
14.1.2026,20:30,good,18.5 °C,2.6 s
2026-01-15,,failed,,
2026-01-15,,good,,
"""


def test_days_with_and_without_a_time(workshop: Workshop) -> None:
    assert guess(DAYS.replace("Day,", "Date,")).columns["Date"] == "day"
    found = guess(DAYS)
    assert found.columns["Time"] == "time"
    mapped = Mapped(found.columns, zone=BERLIN, resin="Willow", machine="North")
    assert import_prints(workshop.record, DAYS, mapped).faults == ()
    timed, first, second = (kept.entry for kept in workshop.record.prints.all())
    assert timed.start == datetime(2026, 1, 14, 19, 30, tzinfo=UTC)
    assert (timed.logged_vat_c, timed.settings.normal_exposure_s) == (18.5, 2.6)
    # Without a time nothing is made up: the prints only keep their order within that day.
    assert [one.order_only for one in (timed, first, second)] == [False, True, True]
    assert first.start < second.start
    assert first.start.astimezone(BERLIN).date() == datetime(2026, 1, 15, tzinfo=UTC).date()
    again = import_prints(workshop.record, DAYS, mapped)
    assert again.faults_n == 3  # the same table is never taken twice
    wrong = import_prints(workshop.record, DAYS.replace("18.5 °C", "65 °F"), mapped, dry_run=True)
    assert wrong.faults[0].field == "logged_vat"


def test_the_same_over_http(client: TestClient) -> None:
    query: dict[str, str | list[str]] = {"column": [f"{k}={v}" for k, v in COLUMNS.items()]}
    query |= {"zone": "Europe/Berlin", "decimal_comma": "true"}
    done = client.post("/api/prints/import", params=query, content=SEMICOLONS.encode())
    assert done.status_code == 200, done.text
    assert client.get("/api/prints").json()["prints"][1]["start"] == "2026-01-14T19:30:00Z"
    nowhere = client.post("/api/prints/import?column=a=start&zone=Moon", content=b"a\n")
    assert nowhere.status_code == 422
    assert "zone" in nowhere.json()["where"]


def test_a_guess_at_what_the_columns_mean() -> None:
    found = guess(SEMICOLONS.replace("Datum", "Date"))
    assert {found.columns[name] for name in found.header} == set(COLUMNS.values())
    assert (found.decimal_comma, found.fahrenheit, found.own) == (True, False, False)


@pytest.mark.parametrize(
    ("heading", "told"),
    [("Exposure (s)", "exposure"), ("Layer height mm", "layer height"), ("Temp [°F]", "temp"),
     ("Light-off delay", "light off delay"), ("°", "")],
)  # fmt: skip
def test_headings_are_compared_without_units(heading: str, told: str) -> None:
    assert plain(heading) == told


def test_a_guess_takes_one_outcome_and_no_order_beside_a_start() -> None:
    found = guess("No,Date,Result,Failed,Temp F\n1,2026-01-01 10:00,good,0,70\n")
    assert found.columns == {"Date": "start", "Result": "outcome", "Temp F": "logged_vat"}
    assert found.fahrenheit
    assert guess("Order,Temp F,Distress\n1,66,0\n").columns["Order"] == "order"
