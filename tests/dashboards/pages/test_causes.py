"""Causes: the words come first and say what the numbers below them say."""

from __future__ import annotations

import html
import json
import re
import threading
from datetime import datetime, timedelta
from typing import Any

import pytest
from starlette.testclient import TestClient

from api.answers import Workshop, cold_answer
from api.prints import Outcome, Part, Print
from api.sums import At, State
from dashboards.pages import causes
from tests.dashboards import workshops


def text_of(page: str) -> str:
    """A page's text without tags, blanks run together."""
    return re.sub(r"\s+", " ", html.unescape(re.sub(r"<[^>]+>", " ", page)))


def rows_of(page: str) -> dict[str, dict[str, list[float]]]:
    found = re.search(r'<script type="application/json">(.*?)</script>', page, re.DOTALL)
    assert found is not None
    rows: dict[str, dict[str, list[float]]] = json.loads(found[1])
    return rows


def test_the_answer_is_in_words_before_anything_else(filled: Workshop, client: TestClient) -> None:
    found = cold_answer(filled, 0.2, workshops.NOW).answer
    page = client.get("/causes").text
    text = text_of(page)
    for sentence in found.sentences:
        assert sentence in text
        assert page.index(html.escape(sentence)) < page.index("<figure")
    assert "Failures go with cold resin in your log" in text


def test_no_bare_p_value_and_no_word_of_cause_is_on_the_page(client: TestClient) -> None:
    text = text_of(client.get("/causes").text)
    assert not re.search(r"\bp\s*[=<]", text)
    assert not re.search(r"\b(because|due to|causes)\b", text)


def test_points_curve_and_threshold_are_those_of_the_answer(
    filled: Workshop, client: TestClient
) -> None:
    found = cold_answer(filled, 0.2, workshops.NOW).answer
    drawn = rows_of(client.get("/causes").text)
    assert found.curve is not None
    assert found.threshold is not None
    assert found.threshold.lo_c is not None
    assert found.threshold.hi_c is not None
    assert drawn["points"]["temperature"] == [round(p.temperature_c, 3) for p in found.points]
    assert drawn["curve"]["mid"] == [round(mid, 4) for mid in found.curve.mid]
    assert drawn["band"] == {
        "low": [round(found.threshold.lo_c, 3)],
        "high": [round(found.threshold.hi_c, 3)],
    }
    assert drawn["level"] == {"risk": [0.2]}


@pytest.mark.parametrize(("level", "said"), [("0.05", "1 in 20"), ("0.5", "1 in 2")])
def test_the_level_is_chosen_in_the_address(client: TestClient, level: str, said: str) -> None:
    page = client.get(f"/causes?level={level}").text
    assert re.search(rf'aria-current="true">{said}<', page)
    assert rows_of(page)["level"] == {"risk": [float(level)]}


def test_what_was_used_and_left_out_is_counted(client: TestClient) -> None:
    text = text_of(client.get("/causes").text)
    assert "Prints used 40" in text
    assert "1: no part looked at" in text
    assert "1: still running" in text
    assert "40 prints used a vat temperature read by hand" in text


def test_the_classical_fit_is_there_for_those_who_know_it(client: TestClient) -> None:
    text = text_of(client.get("/causes").text)
    assert "Half risk at (T50)" in text
    assert "Fieller interval" in text


def test_an_empty_log_says_what_it_needs(empty_client: TestClient) -> None:
    page = empty_client.get("/causes").text
    assert "Not enough yet: 0 prints, 0 failures." in page
    assert "<figure" not in page


def test_a_log_without_a_failure_says_so_and_draws_what_there_is(
    filled: Workshop, client: TestClient
) -> None:
    for kept in filled.record.prints.all():
        filled.record.prints.delete(kept.id)
    for number in range(20):
        filled.record.prints.add(
            Print(
                start=workshops.NOW - timedelta(days=number + 1),
                end=workshops.NOW - timedelta(days=number + 1) + timedelta(hours=3),
                resin=1,
                machine=3,
                logged_vat_c=18.0 + 0.4 * number,
                parts=(Part(name="plate", outcome=Outcome.GOOD),),
            )
        )
    page = client.get("/causes").text
    assert "Needs 3 failures." in page
    assert len(rows_of(page)["points"]["risk"]) == 20


def test_a_long_log_shows_how_far_it_is_and_can_be_cancelled(
    filled: Workshop, client: TestClient, monkeypatch: pytest.MonkeyPatch
) -> None:
    expected = client.get("/causes").text
    monkeypatch.setattr(causes, "LONG_LOG_N", 0)
    monkeypatch.setattr(causes, "PATIENCE_S", 0.0)
    begun, go_on = threading.Event(), threading.Event()

    def slow(workshop: Workshop, now: datetime, asked: causes.Address, at: At) -> dict[str, Any]:
        at("the conditions of every print", 2, 4)
        begun.set()
        go_on.wait(30)
        at("the counts", 3, 4)
        return content_of(workshop, now, asked, at)

    content_of = causes.content_of
    monkeypatch.setattr(causes, "content_of", slow)
    client.get("/causes")
    begun.wait(30)
    waiting = client.get("/causes").text
    assert "Step 3 of 4: the conditions of every print" in text_of(waiting)
    assert '<progress id="far" max="4" value="2">' in waiting
    assert 'http-equiv="refresh"' in waiting
    found = re.search(r'action="(/causes/sums/(\d+)/cancel)"', waiting)
    assert found is not None
    # Another page is answered meanwhile.
    assert client.get("/prints").status_code == 200
    cancelled = client.post(found[1]).text
    assert "Cancelled" in text_of(cancelled)
    assert 'http-equiv="refresh"' not in cancelled
    go_on.set()
    first = filled.sums.get(int(found[2]))
    assert first.ended.wait(30)
    assert first.progress.state is State.CANCELLED
    # Asked again it is worked out, and is the page that a short log gives at once.
    monkeypatch.setattr(causes, "PATIENCE_S", 30.0)
    assert client.get("/causes").text == expected
