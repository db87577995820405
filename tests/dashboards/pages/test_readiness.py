"""May I start, and what was unusual: the Room page and a failed print's own page in words."""

from __future__ import annotations

import html
from datetime import timedelta
from typing import cast

from fastapi import FastAPI
from starlette.testclient import TestClient

from api.answers import Workshop
from api.prints import Outcome, Part, Print, Settings
from dashboards import sheet
from tests.dashboards import workshops
from tests.dashboards.pages.test_causes_in_words import said


def test_the_room_says_whether_a_free_machine_may_be_started(client: TestClient) -> None:
    text = said(client, "/")
    assert "May I start?" in text
    # South prints; North's vat reads 23.2 °C, and the old machine has no sensor.
    assert "The vat of North is at 23.2 °C" in text
    assert "North: Yes" in text
    assert "above this your log keeps a typical print" in text
    assert "The vat of Old machine is not being read." in text
    assert "The vat of South" not in text
    assert "vatside starts nothing" in text


def test_the_live_answer_says_what_the_page_says_and_follows_the_readings(
    filled: Workshop, client: TestClient
) -> None:
    page = client.get("/").text
    told = client.get("/room/ready").json()
    assert 'data-ready="/room/ready"' in page
    for place in ("ready-1", "short-1"):  # below with its reasons, and at the top
        assert f'data-live="{place}">{told["texts"][place]}<' in page
    for sentence in told["paragraphs"]["advice-1"]:
        assert f"<p>{html.escape(sentence)}</p>" in page
    # A print runs on South.
    assert told["texts"]["ready-2"] == "A print runs on it"
    assert told["paragraphs"]["advice-2"] == []
    later = workshops.NOW + timedelta(seconds=30)
    workshops.append(filled, "vat-north", [(later, 14.9)])
    cast(FastAPI, client.app).dependency_overrides[sheet.clock] = lambda: later
    now = client.get("/room/ready").json()
    assert "The vat of North is at 14.9 °C" in now["paragraphs"]["advice-1"][0]
    assert now["texts"]["ready-1"] != "Yes"


def test_an_empty_workshop_says_what_an_answer_needs(empty_client: TestClient) -> None:
    text = said(empty_client, "/")
    assert "May I start? Put a machine on record and say which sensor is in its vat." in text
    assert "/room/ready" not in empty_client.get("/").text


def test_the_owners_limits_are_set_on_the_page(filled: Workshop, client: TestClient) -> None:
    onto = client.post("/room/limits/1", data={"vat_from_c": "19,5", "humidity_to_pct": "60"})
    assert onto.status_code == 200
    limits = filled.record.machines.get(1).entry.limits
    assert (limits.vat_from_c, limits.humidity_to_pct, limits.vat_to_c) == (19.5, 60, None)
    text = said(client, "/")
    # The room's humidity reads 64 %RH.
    assert "Room humidity: 64.0 %RH; you want at most 60 %RH." in text
    assert "North: No: outside your limits" in text
    assert client.post("/room/limits/1", data={"vat_from_c": "warm"}).status_code == 422


def test_a_failed_print_says_what_was_unusual_without_blaming(
    filled: Workshop, client: TestClient
) -> None:
    for number in range(12):
        failed = number == 11
        start = workshops.NOW - timedelta(days=20 - number)
        filled.record.prints.add(
            Print(
                start=start,
                end=start + timedelta(hours=3),
                resin=3,
                machine=3,
                settings=Settings(normal_exposure_s=2.6),
                logged_vat_c=15.0 if failed else 22.0 + 0.1 * (number % 5),
                parts=(Part(name="a", outcome=Outcome.FAILED if failed else Outcome.GOOD),),
            )
        )
    newest = max(kept.id for kept in filled.record.prints.all())
    text = said(client, f"/prints/{newest}")
    assert "What was unusual?" in text
    assert "vat temperature was 15 °C, lower than usual: 22 to 22.4 °C in most of 11 good" in text
    assert "Unusual does not mean that it had to do with the failure." in text
    assert "What was unusual?" not in said(client, f"/prints/{newest - 1}")
