"""Conditions, next prints, plans, small tables, saved results and readiness over HTTP."""

from __future__ import annotations

import math
from datetime import UTC, datetime, timedelta
from typing import Any

import numpy as np
import pytest
from fastapi.testclient import TestClient

from api.answers import Workshop
from api.prints import Outcome, Part, Print, Settings
from api.record import ChannelLink, Limits, Machine
from collector.readings import Reading, Role, ms_of
from collector.store.contract import Arrival
from tests.workshops import INSTALLED

FIRST = datetime(2025, 11, 10, 18, 0, tzinfo=UTC)


def log_winter(workshop: Workshop, prints_n: int = 60, *, seed: int = 5) -> None:
    """A winter of prints with readings of vat and room; cold ones fail more often."""
    rng = np.random.default_rng(seed)
    arrivals = []
    for number in range(prints_n):
        start = FIRST + timedelta(hours=24 * number)
        vat_c = 20.0 + 4.0 * math.sin(number * 1.7) + rng.normal(0, 0.5)
        risk = 1 / (1 + math.exp(0.9 * (vat_c - 18.5)))
        humidity = 55 + rng.normal(0, 6)
        for minute in range(0, 40, 2):
            at_ms = ms_of(start + timedelta(minutes=minute))
            readings = (
                Reading("vat-north", at_ms, vat_c),
                Reading("room-temp", at_ms, vat_c - 2.0 + rng.normal(0, 0.05)),
                Reading("room-humid", at_ms, humidity),
            )
            arrivals += [Arrival("cellar", at_ms, (reading,)) for reading in readings]
        failed = bool(rng.random() < risk)
        workshop.record.prints.add(
            Print(
                start=start,
                end=start + timedelta(hours=4),
                resin=1 + number % 2,
                machine=1,
                settings=Settings(
                    layer_count=900 + 7 * number,
                    bottom_layer_count=30,
                    bottom_exposure_s=30,
                    normal_exposure_s=2.4 + 0.2 * (number % 3),
                ),
                parts=(Part(name="collar", outcome=Outcome.FAILED if failed else Outcome.GOOD),),
            )
        )
    workshop.received.append(arrivals)


@pytest.fixture
def winter(workshop: Workshop) -> Workshop:
    log_winter(workshop)
    return workshop


def got(client: TestClient, path: str, status: int = 200) -> Any:
    answer = client.get(path)
    assert answer.status_code == status, answer.text
    return answer.json()


def test_the_conditions_are_ranked_as_one_finding(client: TestClient, winter: Workshop) -> None:
    found = got(client, "/api/causes/conditions")
    ranking = found["ranking"]
    assert ranking["answered"]
    assert ranking["prints_n"] == 60
    assert {"vat temperature", "room temperature"} <= set(ranking["lead_set"])
    assert "which of them matters cannot be told apart" in " ".join(ranking["sentences"])
    names = {candidate["name"] for candidate in ranking["candidates"]}
    assert {"room humidity", "dew point", "normal exposure"} <= names
    assert "layer count" not in names
    assert ranking["dropped"]["age of the bottle"] == "not on record for any print"
    assert found["units"]["vat temperature"] == "°C"
    assert (ranking["method"], ranking["version"], len(ranking["fingerprint"])) != ("", "", 0)


def test_an_empty_log_is_refused_in_words(client: TestClient) -> None:
    said = " ".join(got(client, "/api/causes/conditions")["ranking"]["sentences"])
    assert "Not enough yet: 0 prints" in said
    plan = got(client, "/api/causes/next-prints")["suggestion"]
    assert not plan["answered"]
    assert got(client, "/api/causes/bands")["bands"] == []


def test_the_next_prints_are_six_in_random_order(client: TestClient, winter: Workshop) -> None:
    found = got(client, "/api/causes/next-prints?coldest_c=15&warmest_c=26")
    plan = found["suggestion"]
    assert sorted(plan["order_c"]) == [plan["cold_c"]] * 3 + [plan["warm_c"]] * 3
    assert 15 <= plan["cold_c"] <= plan["warm_c"] - 3 <= 23
    narrower = plan["width_after_c"] < plan["width_now_c"]
    assert narrower == plan["sentences"][0].startswith("Print six:")
    assert narrower or "not expected to narrow it" in plan["sentences"][0]
    assert found["comparison"] is None
    again = got(client, "/api/causes/next-prints?coldest_c=15&warmest_c=26")
    assert again == found


def test_a_reach_that_leaves_nothing_is_refused(client: TestClient, winter: Workshop) -> None:
    answer = client.get("/api/causes/next-prints?coldest_c=20&warmest_c=21")
    assert answer.status_code == 422
    assert answer.json()["remedy"]


def accepted(client: TestClient, **given: Any) -> Any:
    answer = client.post("/api/causes/plans", json={"machine": 1, "resin": 1, **given})
    assert answer.status_code == 201, answer.text
    return answer.json()


def test_an_accepted_plan_keeps_its_order_and_may_be_withdrawn(
    client: TestClient, winter: Workshop
) -> None:
    shown = got(client, "/api/causes/next-prints")["suggestion"]
    plan = accepted(client, fingerprint=shown["fingerprint"])
    assert [row["start_c"] for row in plan["rows"]] == shown["order_c"]
    assert {row["arm"] for row in plan["rows"]} == {"cold", "warm"}
    where = f"/api/causes/plans/{plan['id']}"
    assert client.patch(where, json={"withdrawn": True}).json()["withdrawn"]
    redrawn = client.patch(where, json={"rows": plan["rows"][::-1]})
    assert redrawn.status_code == 422
    assert redrawn.json()["where"] == "rows"
    assert len(got(client, f"{where}/revisions")) == 1


def test_a_plan_shown_before_the_log_changed_is_not_accepted(
    client: TestClient, winter: Workshop
) -> None:
    shown = got(client, "/api/causes/next-prints")["suggestion"]
    winter.record.prints.delete(3)
    answer = client.post(
        "/api/causes/plans",
        json={"machine": 1, "resin": 1, "fingerprint": shown["fingerprint"]},
    )
    assert answer.status_code == 409


def test_without_a_plan_there_is_nothing_to_accept(client: TestClient) -> None:
    assert client.post("/api/causes/plans", json={"machine": 1, "resin": 1}).status_code == 422


def print_a_round(client: TestClient, winter: Workshop, day: int, *, cold_fails: bool) -> None:
    """Accept a plan and log its six prints."""
    plan = accepted(client)
    rows = plan["rows"]
    for position, row in enumerate(rows):
        bad = cold_fails and row["arm"] == "cold"
        outcome = Outcome.FAILED if bad else Outcome.GOOD
        kept = winter.record.prints.add(
            Print(
                start=FIRST + timedelta(days=day, hours=4 * position),
                end=FIRST + timedelta(days=day, hours=4 * position + 3),
                resin=1,
                machine=1,
                parts=(Part(name="collar", outcome=outcome),),
            )
        )
        rows[position]["print"] = kept.id
    answer = client.patch(f"/api/causes/plans/{plan['id']}", json={"rows": rows})
    assert answer.status_code == 200, answer.text


def test_planned_prints_are_judged_as_the_randomised_comparison(
    client: TestClient, winter: Workshop
) -> None:
    print_a_round(client, winter, 70, cold_fails=True)
    early = got(client, "/api/causes/next-prints")["comparison"]
    assert early["p"] is None
    assert "Needs 2." in early["sentences"][0]
    print_a_round(client, winter, 72, cold_fails=True)
    found = got(client, "/api/causes/next-prints")
    compared = found["comparison"]
    assert (compared["cold_failed"], compared["warm_failed"]) == (6, 0)
    # Fisher's exact test of 6 of 6 against 0 of 6: 2 / C(12, 6).
    assert compared["p"] == pytest.approx(2 / math.comb(12, 6))
    assert "Colder resin made prints fail more often" in " ".join(compared["sentences"])
    assert found["round_n"] == 3


def test_bands_count_every_print_that_was_used(client: TestClient, winter: Workshop) -> None:
    found = got(client, "/api/causes/bands?width_c=2")
    assert sum(band["prints_n"] for band in found["bands"]) == found["rests"]["prints_n"] == 60
    assert found["sentences"][0].endswith("%).")
    assert client.get("/api/causes/bands?width_c=0").status_code == 422


def test_two_resins_and_two_settings_are_compared(client: TestClient, winter: Workshop) -> None:
    found = got(client, "/api/causes/two-groups?first=1&second=2")["compared"]["found"]
    assert (found["first"], found["second"]) == ("Harbour Grey", "Willow")
    assert sum(map(sum, found["table"])) == 60
    assert found["strata"] is not None
    split = got(client, "/api/causes/two-groups?setting=normal%20exposure&above=2.5")
    assert sum(map(sum, split["compared"]["found"]["table"])) == 60
    none = got(client, "/api/causes/two-groups?setting=normal%20exposure&above=9")
    assert "Not enough yet" in none["compared"]["found"]["sentences"][0]


@pytest.mark.parametrize(
    ("query", "where"),
    [
        ("", "second"),
        ("first=1", "second"),
        ("first=1&second=1", "second"),
        ("setting=colour&above=1", "setting"),
        ("setting=normal%20exposure", "above"),
    ],
)
def test_a_comparison_of_nothing_names_the_field(
    client: TestClient, winter: Workshop, query: str, where: str
) -> None:
    answer = client.get(f"/api/causes/two-groups?{query}")
    assert answer.status_code == 422
    assert answer.json()["where"] == where


QUESTIONS = [
    ("vat_temperature", {}),
    ("conditions", {}),
    ("next_prints", {"coldest_c": 15}),
    ("bands", {"width_c": 3}),
    ("two_groups", {"first": "Harbour Grey", "second": "Willow"}),
]


@pytest.mark.parametrize(("question", "asked"), QUESTIONS)
def test_a_saved_result_says_when_the_log_has_changed(
    client: TestClient, winter: Workshop, question: str, asked: dict[str, Any]
) -> None:
    body = {"question": question, "asked": asked}
    saved = client.post("/api/causes/results", json=body)
    assert saved.status_code == 201, saved.text
    assert saved.json()["sentences"]
    where = saved.headers["Location"]
    same = got(client, where)
    assert (same["log_changed"], same["said"]) == (False, "The log has not changed since.")
    winter.record.prints.delete(7)
    changed = got(client, where)
    assert (changed["log_changed"], changed["said"]) == (True, "The log has changed since.")
    assert changed["result"]["sentences"] == saved.json()["sentences"]
    assert changed["sentences_now"]
    assert client.delete(where).status_code == 204
    assert got(client, "/api/causes/results") == []


def test_readiness_takes_the_owners_limit_until_the_log_has_one(
    client: TestClient, workshop: Workshop
) -> None:
    none = got(client, "/api/machines/2/readiness")
    assert none["advice"] == "not known"
    link = ChannelLink(channel="vat-north", role=Role.VAT_TEMPERATURE, since=INSTALLED)
    north = Machine(name="North", channels=(link,), limits=Limits(vat_from_c=19))
    workshop.record.machines.change(1, north)
    now = datetime.now(UTC)
    workshop.received.append(
        [
            Arrival("cellar", at, (Reading("vat-north", at, 20.0),))
            for at in (ms_of(now - timedelta(minutes=m)) for m in range(30, 0, -1))
        ]
    )
    found = got(client, "/api/machines/1/readiness")
    assert found["advice"] == "start"
    assert found["limit"]["source"] == "owner"
    log_winter(workshop, 100)
    assert got(client, "/api/machines/1/readiness")["limit"]["source"] == "log"
    assert client.get("/api/machines/9/readiness").status_code == 404


def test_a_vat_that_fell_silent_keeps_no_limit_by_its_last_reading(
    client: TestClient, workshop: Workshop
) -> None:
    link = ChannelLink(channel="vat-north", role=Role.VAT_TEMPERATURE, since=INSTALLED)
    limits = Limits(vat_from_c=19, vat_to_c=30)
    workshop.record.machines.change(1, Machine(name="North", channels=(link,), limits=limits))
    long_ago = ms_of(datetime.now(UTC) - timedelta(hours=3))
    workshop.received.append([Arrival("cellar", long_ago, (Reading("vat-north", long_ago, 20.0),))])
    found = got(client, "/api/machines/1/readiness")
    assert found["advice"] == "not known"
    assert "Vat: not being read; you want at most 30 °C." in found["sentences"]


def test_a_failed_print_is_held_against_the_good_ones_like_it(
    client: TestClient, winter: Workshop
) -> None:
    failed = [k.id for k in winter.record.prints.all() if k.entry.failed_share == 1.0]
    found = got(client, f"/api/prints/{failed[0]}/unusual")
    assert found["oddities"]
    sizes = [abs(odd["distance"]) for odd in found["oddities"]]
    assert sizes == sorted(sizes, reverse=True)
    assert {odd["coverage"] for odd in found["oddities"] if odd["name"] == "room humidity"} != {
        None
    }
    assert client.get("/api/prints/999/unusual").status_code == 404


def test_a_comparison_with_a_resin_nobody_keeps_is_not_saved(
    client: TestClient, winter: Workshop
) -> None:
    asked = {"first": "Harbour Grey", "second": "Nobody's Grey"}
    refused = client.post("/api/causes/results", json={"question": "two_groups", "asked": asked})
    assert (refused.status_code, refused.json()["where"]) == (422, "second")
    assert "Nobody's Grey" in refused.json()["detail"]
    assert got(client, "/api/causes/results") == []
