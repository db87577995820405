"""The Causes page read aloud: every row of the table of what to say, and what else it answers."""

from __future__ import annotations

import dataclasses
import html
import re
from collections.abc import Sequence
from datetime import timedelta

import numpy as np
import pytest
from starlette.testclient import TestClient

from api.answers import Workshop
from api.causes import PrintRow
from api.plan_answers import planned_prints
from api.prints import Outcome, Part, Print
from api.record import Machine, Resin
from collector.readings import moment_of
from tests.api.causes.logs import rows_of, winter
from tests.dashboards import workshops


def said(client: TestClient, path: str = "/causes") -> str:
    """The page's text without tags."""
    page = client.get(path).text
    return re.sub(r"\s+", " ", html.unescape(re.sub(r"<[^>]+>", " ", page)))


def put_on_record(workshop: Workshop, rows: Sequence[PrintRow]) -> None:
    """Prints of these rows, their vats read by hand on a machine without a sensor."""
    record = workshop.record
    machine = record.machines.add(Machine(name="North")).id
    resins = {name: record.resins.add(Resin(name=name)).id for name in {r.resin for r in rows}}
    for row in rows:
        outcome = Outcome.FAILED if row.failed_share else Outcome.GOOD
        start = moment_of(row.start_ms) + timedelta(days=20_000)
        record.prints.add(
            Print(
                start=start,
                end=start + timedelta(hours=5),
                resin=resins[row.resin],
                machine=machine,
                parts=(Part(name="plate", outcome=outcome),),
                logged_vat_c=row.temperature_c,
            )
        )


def upside_down(rows: Sequence[PrintRow]) -> list[PrintRow]:
    """The same log with failures on the warm side."""
    return [dataclasses.replace(row, temperature_c=38.0 - row.temperature_c) for row in rows]


def wearing_machine() -> list[PrintRow]:
    """The cellar cools over the autumn while a machine wears: failures rise with time alone."""
    rng = np.random.default_rng(0)
    passed = np.arange(60) / 59
    temperatures = 25.0 - 9.0 * passed + rng.normal(0.0, 1.5, 60)
    failed = rng.random(60) < 0.6 * passed**2
    return rows_of(temperatures.tolist(), failed.astype(float).tolist())


def both_ends() -> list[PrintRow]:
    """Failures on the cold side, and again from 26.5 °C on."""
    rng = np.random.default_rng(1)
    temperatures = rng.uniform(12.0, 29.0, 150)
    risk = np.where(temperatures < 18.0, 0.8, np.where(temperatures > 26.5, 0.5, 0.03))
    failed = rng.random(150) < risk
    return rows_of(temperatures.tolist(), failed.astype(float).tolist())


ROWS = {
    "too few": (winter(9, seed=1), ["Not enough yet: 9 prints", "Needs "], ["1 in 5 fails"]),
    "not linked": (
        winter(60, seed=5, slope_per_c=0.0),
        [
            "In these 60 prints failures do not go with vat temperature",
            "clearly enough to tell from chance",
            "Over all, ",
            "95 % interval",
            "see what to print next",
        ],
        ["1 in 5 fails", "Failures go with cold"],
    ),
    "warm side worse": (
        upside_down(winter(150, seed=3)),
        ["Failures go with warm resin", "No cold limit is given."],
        ["1 in 5 fails somewhere"],
    ),
    "between two bounds": (
        winter(150, seed=3),
        ["1 in 5 fails somewhere between", "the warmest you have logged", "typical print"],
        ["not known yet"],
    ),
    "safe above only": (
        winter(60, seed=13, slope_per_c=-0.2, shift=0.5),
        [
            "a typical print fails less than 1 in 5",
            "How much colder would do: not known yet.",
            "may lie colder than anything you logged",
        ],
        ["fails somewhere between"],
    ),
    "unsafe below only": (
        winter(60, seed=1, slope_per_c=-0.2, shift=0.5),
        [
            "more than 1 in 5 fails",
            "A safe temperature: not known yet.",
            "may lie warmer than anything you logged",
        ],
        ["fails somewhere between"],
    ),
    "no limit yet": (
        winter(25, seed=1, slope_per_c=-0.3, shift=0.5),
        ["Failures go with cold resin, but no limit can be given yet"],
        ["1 in 5 fails"],
    ),
    "warm side rises again": (
        both_ends(),
        ["Failures go with cold resin", "Failures rise again on the warm side", "not estimated"],
        ["Failures go with warm"],
    ),
    "only seasonal": (
        wearing_machine(),
        ["The link is mostly between parts of the year: the season or a slow change"],
        ["Not enough yet: 60"],
    ),
}


@pytest.mark.parametrize("situation", ROWS)
def test_every_row_of_the_table_is_said_on_the_page(
    empty: Workshop, empty_client: TestClient, situation: str
) -> None:
    # The rows are those of the specification's table "what to say".
    rows, phrases, never = ROWS[situation]
    put_on_record(empty, rows)
    text = said(empty_client)
    answer = text[text.index("In words") : text.index("How much risk is too much?")]
    for phrase in phrases:
        assert phrase in answer
    for phrase in never:
        assert phrase not in answer
    assert "“Goes with” is what a log can say" in answer


def test_the_page_answers_the_questions_that_are_asked_of_it(
    empty: Workshop, empty_client: TestClient
) -> None:
    put_on_record(empty, winter(150, seed=3))
    text = said(empty_client)
    for question in (
        "Was it the cold?",
        "How much risk is too much?",
        "What else goes with failures?",
        "What should I print next?",
        "What vat temperatures can you reach?",
        "Compare two resins",
        "Compare two ranges of a setting",
    ):
        assert question in text
    # From how many prints, how many were left out, and why?
    assert "Prints used 150" in text
    # What was not looked at, and why not?
    assert "Not on record for any print, so not looked at: room temperature, room humidity" in text
    # How often at each temperature, without a model?
    assert "Prints by vat temperature in their first layers" in text
    # What is expected of the next six?
    assert "in the order listed, with the same resin and settings throughout" in text
    assert "rough forecast" in text
    assert "vat at " in text


def test_one_condition_alone_is_named_with_its_unit(
    empty: Workshop, empty_client: TestClient
) -> None:
    put_on_record(empty, winter(150, seed=3))
    text = said(empty_client)
    assert "Failures go with low vat temperature in your log (150 prints" in text
    assert re.search(r"vat temperature: [\d.]+ °C less goes with [\d.]+ times the odds", text)


def test_a_reach_that_leaves_nothing_is_said(empty: Workshop, empty_client: TestClient) -> None:
    put_on_record(empty, winter(60, seed=3))
    answer = empty_client.get("/causes?coldest=20&warmest=21")
    assert answer.status_code == 422
    assert "leave nothing to compare" in answer.text
    assert empty_client.get("/causes?coldest=15&warmest=26").status_code == 200


def test_two_resins_are_compared_on_the_page(filled: Workshop, client: TestClient) -> None:
    text = said(client, "/causes?first=1&second=2")
    assert "Harbour Grey:" in text
    assert "Harbour Grey less Kiln Amber:" in text
    assert client.get("/causes?first=1&second=1").status_code == 422
    assert "Not enough yet" in said(client, "/causes?setting=normal+exposure&above=9")


def test_a_plan_is_accepted_started_in_order_and_judged(
    filled: Workshop, client: TestClient
) -> None:
    page = client.get("/causes").text
    mark = re.search(r'name="fingerprint" value="(\w+)"', page)
    assert mark is not None
    form = {"machine": "3", "resin": "1", "level": "0.2", "fingerprint": mark[1]}
    onto = client.post("/causes/plans", data=form)
    assert onto.status_code == 200
    assert "Planned, round 1" in onto.text
    plan = filled.record.plans.all()[0]
    for position, row in enumerate(plan.entry.rows):
        text = said(client, "/prints")
        assert f"Start the next: vat at {row.start_c:.0f} °C" in text
        shown = client.get(f"/prints/new?plan=1&row={position}").text
        assert f"Planned print {position + 1} of 6" in shown
        assert re.search(r'name="normal_exposure_s"[^>]* value="2\.6"', shown)
        start = workshops.NOW - timedelta(hours=40 - 5 * position)
        started = client.post(
            "/prints",
            data={
                "machine": "3",
                "resin": "1",
                "parts": "collar",
                "normal_exposure_s": "2.6",
                "start": start.isoformat(),
                "end": (start + timedelta(hours=4)).isoformat(),
                "plan": "1",
                "plan_row": str(position),
                "key": f"row-{position}",
            },
        )
        assert started.status_code == 200, started.text
    assert filled.record.plans.open() == []
    assert len(planned_prints(filled)) == 6
    assert "Needs 2." in said(client)
    again = client.get("/prints/new?plan=1&row=0")
    assert again.status_code == 422


def test_a_planned_print_keeps_its_resin_and_a_plan_may_be_withdrawn(
    filled: Workshop, client: TestClient
) -> None:
    client.post("/causes/plans", data={"machine": "3", "resin": "1"})
    other = {"machine": "3", "resin": "2", "plan": "1", "plan_row": "0"}
    before = filled.record.prints.count()
    refused = client.post("/prints", data=other)
    assert refused.status_code == 422
    assert "keeps the plan’s" in refused.text.replace("&#39;", "’")
    assert filled.record.prints.count() == before
    client.post("/prints/plans/1/withdraw", data={"revision": "1"})
    assert "Planned, round" not in client.get("/prints").text


def test_a_saved_answer_says_when_the_log_has_changed(filled: Workshop, client: TestClient) -> None:
    page = client.post("/causes/results", data={"question": "vat_temperature", "level": "0.2"})
    assert "The log has not changed since." in page.text
    filled.record.prints.delete(4)
    assert "The log has changed since." in said(client, "/causes/results/1")
    assert "As it is now" in said(client, "/causes/results/1")
    assert "Saved answers" in said(client)
    assert client.post("/causes/results", data={"question": "who"}).status_code == 422
