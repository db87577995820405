"""A message that was no print waits on a page until somebody corrects or dismisses it."""

from __future__ import annotations

import html
import json

from starlette.testclient import TestClient

from api.answers import Workshop

TOPIC = "vatside/prints"
LOST = {"key": "n-1", "machine": "North", "resin": "Tar", "start": "2026-01-14T08:00:00Z"}


def lose(workshop: Workshop, payload: bytes = json.dumps(LOST).encode()) -> None:
    workshop.record.refused_prints.add(TOPIC, payload, "resin: there is no resin named Tar.")


def test_prints_and_health_say_so(filled: Workshop, client: TestClient) -> None:
    assert "made no sense" not in client.get("/prints").text
    lose(filled)
    assert 'href="/prints/refused"' in client.get("/prints").text
    health = client.get("/health").text
    assert "there is no resin named Tar" in health
    assert "See to 1 message" in health


def test_it_is_corrected_by_hand_and_nothing_typed_is_lost(
    filled: Workshop, client: TestClient
) -> None:
    lose(filled)
    page = html.unescape(client.get("/prints/refused").text)
    assert '"resin": "Tar"' in page
    typed = json.dumps({**LOST, "resin": "Pitch"})
    answer = client.post("/prints/refused/1/take", data={"message": typed})
    assert answer.status_code == 422
    assert "there is no resin named Pitch" in html.unescape(answer.text)
    assert typed in html.unescape(answer.text)
    answer = client.post(
        "/prints/refused/1/take", data={"message": json.dumps({**LOST, "resin": "Willow"})}
    )
    assert answer.url.path == "/prints/43"
    seen = client.get("/prints/refused").text
    assert "None. Every message" in seen
    assert 'href="/prints/43"' in seen
    answer = client.post("/prints/refused/1/take", data={"message": typed})
    assert answer.status_code == 409
    assert "was taken already" in answer.text


def test_it_is_dismissed(filled: Workshop, client: TestClient) -> None:
    lose(filled, b"\x00\xff")
    assert "00 ff" in client.get("/prints/refused").text
    assert "Nothing was put on record" in client.post("/prints/refused/1/dismiss").text
    assert filled.record.prints.count() == 42
    assert "made no sense" not in client.get("/prints").text
