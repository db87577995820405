"""The resin sheet: what stands on it, sorted and narrowed down, and the same as CSV and JSON."""

from __future__ import annotations

import csv
import html
import io
import re
from collections.abc import Sequence
from datetime import timedelta

import pytest
from starlette.testclient import TestClient

from api.answers import Workshop
from api.causes.proportions import wilson
from api.prints import Print
from api.record import BreakOutcome, BreakTest, Fixture, Gauge, Load, Resin
from api.resin_sheet import FIGURES
from api.strength import Holding, LoadUnit
from tests.dashboards import workshops


@pytest.fixture
def broken(filled: Workshop, client: TestClient) -> TestClient:
    """The filled workshop with five broken pieces of one resin and three that held of another."""
    record = filled.record
    fixture = record.fixtures.add(Fixture(name="Hooks", holding=Holding.CANTILEVER)).id
    gauge = record.gauges.add(Gauge(name="Hand gauge", limit=Load(value=100))).id
    for number, load in enumerate((40, 42, 45, 47, 50, None, None, None)):
        record.breaks.add(
            BreakTest(
                piece=f"piece {number}",
                resin=1 if load else 2,
                fixture=fixture,
                gauge=gauge,
                outcome=BreakOutcome.BROKE if load else BreakOutcome.HELD,
                load=Load(value=load, unit=LoadUnit.NEWTON) if load else None,
                tested=workshops.NOW - timedelta(hours=1),
            )
        )
    return client


def rows_of(page: str) -> dict[str, list[str]]:
    """The cells of each resin, as text."""
    found = {}
    for row in re.findall(r"<tr role=\"row\"><th role=\"rowheader\".*?</tr>", page, re.S):
        cells = [
            html.unescape(re.sub(r"<[^>]+>", " ", cell)).split()
            for cell in re.findall(r"<t[hd][^>]*>(.*?)</t[hd]>", row, re.S)
        ]
        found[" ".join(cells[0])] = [" ".join(cell) for cell in cells[1:]]
    return found


def test_figures_stand_with_their_interval_and_what_they_rest_on(
    filled: Workshop, broken: TestClient
) -> None:
    resins = {kept.id: kept.entry.name for kept in filled.record.resins.all()}
    found = broken.get("/api/resin-sheet").json()
    assert [line["name"] for line in found["resins"]] == sorted(resins.values())
    by_name = {line["name"]: line for line in found["resins"]}
    for number, name in resins.items():
        shares = [
            share
            for kept in filled.record.prints.all()
            if kept.entry.resin == number and (share := kept.entry.failed_share) is not None
        ]
        figure = by_name[name]["figures"]["failed_share"]
        assert figure["tests_n"] == len(shares)
        if shares:
            expected = wilson(sum(shares), len(shares))
            assert (figure["value"], figure["low"]) == (expected.share, expected.lo)
        else:
            assert figure["value"] is None
    first, second = by_name[resins[1]]["figures"]["load_n"], by_name[resins[2]]["figures"]["load_n"]
    assert first["value"] == pytest.approx(45, rel=0.05)
    assert first["low"] < 45 < first["high"]
    # Pieces that held have no load: a blank with its reason, never the limit as a number.
    assert (second["value"], second["tests_n"]) == (None, 3)
    assert second["why_not"]

    page = rows_of(broken.get("/resins").text)
    assert any("from 5 pieces" in cell for cell in page[resins[1]])
    assert any(second["why_not"] in cell for cell in page[resins[2]])
    untested = [
        name for name in resins.values() if not by_name[name]["figures"]["load_n"]["tests_n"]
    ]
    assert untested
    place = list(FIGURES).index("load_n")
    assert all(page[name][place] == "" for name in untested)


def test_it_is_sorted_with_blanks_last_and_narrowed_down(broken: TestClient) -> None:
    named = list(rows_of(broken.get("/resins").text))
    assert named == sorted(named)
    assert list(rows_of(broken.get("/resins?down=true").text)) == named[::-1]
    values = {
        line["name"]: line["figures"]["failed_share"]["value"]
        for line in broken.get("/api/resin-sheet").json()["resins"]
    }
    known = sorted((name for name in named if values[name] is not None), key=lambda n: values[n])
    blank = [name for name in named if values[name] is None]
    up = list(rows_of(broken.get("/resins?sort=failed_share").text))
    down = list(rows_of(broken.get("/resins?sort=failed_share&down=true").text))
    assert [values[name] for name in up[: len(known)]] == [values[name] for name in known]
    assert [values[name] for name in down[: len(known)]] == [values[n] for n in known[::-1]]
    assert up[len(known) :] == down[len(known) :] == blank
    narrow = broken.get("/resins?column=load_n&column=cost")
    assert {len(cells) for cells in rows_of(narrow.text).values()} == {2}
    assert "sort=load_n&amp;column=load_n&amp;column=cost" in narrow.text
    # What an old address names is passed over.
    assert broken.get("/resins?column=gone&sort=gone").status_code == 200


def test_csv_and_json_say_the_same(broken: TestClient) -> None:
    answer = broken.get("/api/resin-sheet.csv")
    assert "resin-sheet.csv" in answer.headers["content-disposition"]
    table = list(csv.DictReader(io.StringIO(answer.text)))
    resins = broken.get("/api/resin-sheet").json()["resins"]
    assert [row["resin"] for row in table] == [line["name"] for line in resins]
    for row, line in zip(table, resins, strict=True):
        for name, figure in line["figures"].items():
            for end, key in (("value", name), ("low", f"{name}_low"), ("high", f"{name}_high")):
                text = row[key]
                assert (None if text == "" else float(text)) == figure[end]
            assert int(row[f"{name}_tests"]) == figure["tests_n"]


def priced(filled: Workshop, name: str, noted: Sequence[tuple[float | None, float | None]]) -> int:
    """A resin of which a ml costs 1, as does its fluid; prints of 1 to n h with what each used."""
    resin = filled.record.resins.add(Resin(name=name, density_g_cm3=1, price_per_kg=1_000)).id
    for number, (resin_ml, fluid_ml) in enumerate(noted):
        start = workshops.NOW - timedelta(days=80 + number)
        wash = {"fluid_used_ml": fluid_ml, "fluid_price_per_l": 1_000}
        entry = {
            "start": start,
            "end": start + timedelta(hours=number + 1),
            "cut_short": number == 1,
            "resin": resin,
            "machine": 1,
            "resin_used_ml": resin_ml,
            "afterwork": {"wash": wash} if fluid_ml is not None else {},
        }
        filled.record.prints.add(Print.model_validate(entry))
    return resin


def test_what_was_not_noted_is_left_out_and_told_never_taken_for_nothing(
    filled: Workshop, client: TestClient
) -> None:
    noted = [(10, 1), (20, 2), (30, 3), (None, 4), (40, None), (50, None)]
    priced(filled, "Test Resin", noted)
    priced(filled, "Unwashed", [(10, None), (20, None), (30, None), (None, None)])
    page = client.get("/resins").text
    assert "The costs do not compare: that of Unwashed is of the resin alone" in page
    assert "do not compare" not in client.get("/resins?column=load_n").text
    cells = rows_of(page)
    place = list(FIGURES).index("cost")
    # 11, 22 and 33 by hand; the two without wash fluid would have made it 33 or less.
    assert cells["Test Resin"][place] == (
        "22.00 16.50 to 27.50 from 3 of 6 prints left out 2: wash fluid used not noted "
        "left out 1: resin used not noted"
    )
    assert cells["Unwashed"][place] == (
        "20.00 15.00 to 25.00 resin alone: no print has its wash fluid noted "
        "from 3 of 4 prints left out 1: resin used not noted"
    )
    # 1, 3, 4, 5 and 6 hours: the second was cut short.
    time = cells["Test Resin"][list(FIGURES).index("print_time_h")]
    assert time == "4.0 h 3.0 to 5.0 from 5 of 6 prints left out 1: cut short"
    found = {line["name"]: line for line in client.get("/api/resin-sheet").json()["resins"]}
    cost = found["Test Resin"]["figures"]["cost"]
    assert cost["left_out"] == {"resin used not noted": 1, "wash fluid used not noted": 2}
    table = csv.DictReader(io.StringIO(client.get("/api/resin-sheet.csv").text))
    lines = {line["resin"]: line for line in table}
    assert lines["Test Resin"]["cost_left_out"] == "3"
    assert lines["Test Resin"]["cost_covers"] == "resin and wash fluid"
    assert lines["Unwashed"]["cost_covers"] == "resin alone"


def test_heat_that_all_held_says_how_sure_that_is(filled: Workshop, client: TestClient) -> None:
    """n of n held: with 95 % confidence 0.05^(1/n) of such pieces would (Clopper and Pearson)."""
    found = {line["name"]: line for line in client.get("/api/resin-sheet").json()["resins"]}
    held = found["Harbour Grey"]["figures"]["heat_held_c"]
    assert held["value"] is not None
    share = 100 * 0.05 ** (1 / held["tests_n"])
    remark = f"with 95 % confidence at least {share:.0f} % of such pieces would"
    assert held["remark"] == remark
    place = list(FIGURES).index("heat_held_c")
    assert remark in rows_of(client.get("/resins").text)["Harbour Grey"][place]


def test_an_empty_workshop_says_where_to_begin(empty_client: TestClient) -> None:
    assert "No resin is on record yet" in empty_client.get("/resins").text
    assert empty_client.get("/api/resin-sheet").json()["resins"] == []
    assert empty_client.get("/api/resin-sheet.csv").text.count("\n") == 1
