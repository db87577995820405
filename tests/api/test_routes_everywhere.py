"""What holds of every kind on record over HTTP: pages, keys of creation, and two writers."""

from __future__ import annotations

from typing import Any

import pytest
from fastapi.testclient import TestClient

#: Kinds whose example stands by itself in the workshop of the tests.
KINDS = ("resins", "bottles", "plates", "machines", "prints", "fixtures", "gauges", "calibrations")


def document(client: TestClient) -> Any:
    return client.get("/api/openapi.json").json()


def example_of(client: TestClient, kind: str, verb: str) -> Any:
    path = f"/api/{kind}" + ("/{id}" if verb == "patch" else "")
    body = document(client)["paths"][path][verb]["requestBody"]["content"]["application/json"]
    example = body.get("example") or body["schema"]["examples"][0]
    if verb == "post" and "name" in example:
        example = {**example, "name": "One more"}
    if kind == "machines" and verb == "post":
        example["channels"] = []
    return example


def test_everything_that_is_made_can_be_made_once_by_a_key_and_changed_by_a_revision(
    client: TestClient,
) -> None:
    made = changed = 0
    for path, verbs in document(client)["paths"].items():
        for verb, one in verbs.items():
            headers = {h["name"] for h in one.get("parameters", []) if h["in"] == "header"}
            if verb == "post" and "201" in one["responses"] and "{found}" not in path:
                assert "Idempotency-Key" in headers, path
                made += 1
            if verb in ("patch", "delete"):
                assert "If-Match" in headers, path
                changed += 1
    assert made >= 12
    assert changed >= 20


@pytest.mark.parametrize("kind", KINDS)
def test_the_same_key_makes_one_thing(client: TestClient, kind: str) -> None:
    example, key = example_of(client, kind, "post"), {"Idempotency-Key": "gloves-on"}
    first = client.post(f"/api/{kind}", json=example, headers=key)
    again = client.post(f"/api/{kind}", json=example, headers=key)
    assert (first.status_code, again.status_code) == (201, 201), first.text
    assert first.json() == again.json()
    assert first.headers["Location"] == again.headers["Location"]


@pytest.mark.parametrize("kind", KINDS)
def test_the_second_of_two_writers_overwrites_nothing(client: TestClient, kind: str) -> None:
    made = client.post(f"/api/{kind}", json=example_of(client, kind, "post"))
    address, tag = made.headers["Location"], {"If-Match": made.headers["ETag"]}
    mine = client.patch(address, json={"note": "mine"}, headers=tag)
    assert mine.status_code == 200, mine.text
    theirs = client.patch(address, json={"note": "theirs"}, headers=tag)
    gone = client.delete(address, headers=tag)
    for refused in (theirs, gone):
        assert refused.status_code == 409
        assert "Nothing was overwritten" in refused.json()["remedy"]
    shown = client.get(address)
    assert shown.json()["note"] == "mine"
    assert shown.headers["ETag"] == mine.headers["ETag"] != made.headers["ETag"]
    (before,) = client.get(f"{address}/revisions").json()
    assert before["before"].get("note", "") != "mine"


@pytest.mark.parametrize("kind", ["resins", "bottles", "plates", "machines"])
def test_lists_come_page_by_page(client: TestClient, kind: str) -> None:
    named = {"bottles": "lot"}.get(kind, "name")
    for number in range(7):
        entry: dict[str, object] = {named: f"one {number}"}
        if kind == "bottles":
            entry["resin"] = 1
        assert client.post(f"/api/{kind}", json=entry).status_code == 201
    whole = client.get(f"/api/{kind}")
    assert "Link" not in whole.headers
    pages, address = [], f"/api/{kind}?limit=3" + ("&resin=1" if kind == "bottles" else "")
    while address:
        page = client.get(address)
        assert len(page.json()) <= 3
        pages += page.json()
        following = page.links.get("next")
        address = following["url"] if following else ""
    assert pages == [one for one in whole.json() if kind != "bottles" or one["resin"] == 1]
    assert len(pages) >= 7
    lost = client.get(f"/api/{kind}?after=9999")
    assert (lost.status_code, lost.json()["where"]) == (422, "after")
    assert client.get(f"/api/{kind}?limit=0").status_code == 422
