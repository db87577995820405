"""Whatever is sent, the answer is a problem that says what to do, and never a traceback."""

from __future__ import annotations

import json
import logging
import subprocess
import sys
from collections.abc import Iterator
from html.parser import HTMLParser
from typing import Any

import pytest
from fastapi import FastAPI
from fastapi.testclient import TestClient

from api.answers import Workshop
from api.app import create_app
from api.problems import BODY_MAX
from collector.errors import InvalidError, NotFoundError

JSON = {"Content-Type": "application/json"}


def problem(answer: Any, status: int) -> dict[str, Any]:
    assert answer.status_code == status, answer.text
    assert answer.headers["Content-Type"] == "application/problem+json"
    found: dict[str, Any] = answer.json()
    assert (found["status"], bool(found["title"])) == (status, True)
    assert found["type"].startswith("urn:vatside:")
    assert found["detail"]
    assert found["remedy"]
    assert "Traceback" not in answer.text
    return found


@pytest.mark.parametrize(
    "body",
    [b"", b"{", b"{'start': 1}", b'{"start": }', b"\xff\xfe", b'{"a": "\xe9"}', b"[" * 100_000],
)
def test_a_body_that_is_no_json(client: TestClient, body: bytes) -> None:
    answer = client.post("/api/prints", content=body, headers=JSON)
    problem(answer, answer.status_code)
    assert answer.status_code in (400, 422)


@pytest.mark.parametrize(
    "body",
    [
        "null",
        "[]",
        "7",
        '"print"',
        "{}",
        '{"start": NaN, "resin": 1, "machine": 1}',
        '{"start": 1e400, "resin": 1, "machine": 1}',
        '{"start": "2026-01-14T19:30:00Z", "resin": 1.5, "machine": 1}',
        '{"start": "2026-01-14T19:30:00Z", "resin": 1e30, "machine": 1}',
        '{"start": "2026-01-14T19:30:00Z", "resin": -1, "machine": 1}',
        '{"start": "2026-02-30T19:30:00Z", "resin": 1, "machine": 1}',
        '{"start": "2026-01-14T25:30:00Z", "resin": 1, "machine": 1}',
        '{"start": "2026-01-14T19:30:00Z", "resin": 1, "machine": 1, "note": "\\ud800"}',
        '{"start": "2026-01-14T19:30:00Z", "resin": 1, "machine": 1, "logged_vat_c": Infinity}',
        '{"start": "2026-01-14T19:30:00Z", "resin": 1, "machine": 1, "unknown": 1}',
        '{"start": "2026-01-14T19:30:00Z", "resin": 1, "machine": 1, "parts": {"a": 1}}',
        '{"start": "2026-01-14T19:30:00Z", "resin": 1, "machine": 1, "settings": []}',
    ],
)
def test_json_that_is_no_print(client: TestClient, workshop: Workshop, body: str) -> None:
    problem(client.post("/api/prints", content=body, headers=JSON), 422)
    made = client.post(
        "/api/prints", json={"start": "2026-01-14T19:30:00Z", "resin": 1, "machine": 1}
    )
    if body != "{}":
        refused = client.patch(made.headers["Location"], content=body, headers=JSON)
        problem(refused, 422)
    assert [kept.revision for kept in workshop.record.prints.all()] == [1]


def test_an_id_that_no_record_can_hold_is_one_that_is_not_there(
    client: TestClient, workshop: Workshop
) -> None:
    run = {
        "name": "Lamp collars",
        "started": "2026-01-14T19:30:00Z",
        "chamber_channels": ["chamber"],
        "program": {"name": "One", "steps": [{"setpoint_c": 50}]},
        "specimens": [{"name": "A", "resin": 10**30}],
    }
    refused = problem(client.post("/api/soaks", json=run), 422)
    assert refused["where"] == "specimens.0.resin"
    assert workshop.record.soaks.all() == []
    # Whatever else is as large is refused too, and nothing of it is kept.
    with pytest.raises(InvalidError, match="larger than anything"), workshop.record.transaction():
        workshop.record.soaks._database.change("UPDATE resin SET revision = ?", (2**63,))
    assert [kept.revision for kept in workshop.record.resins.all()] == [1, 1]


@pytest.mark.parametrize("body", ['{"colour": 1}', '{"since": "x"}', '{"name": ""}', "[1]"])
@pytest.mark.parametrize("kind", ["resins", "machines"])
def test_json_that_is_no_correction(client: TestClient, kind: str, body: str) -> None:
    problem(client.patch(f"/api/{kind}/1", content=body, headers=JSON), 422)


@pytest.mark.parametrize("kind", ["resins", "machines", "prints", "soaks"])
@pytest.mark.parametrize("wanted", ["0", "-1", "x", "1.5", "9" * 30, "%00", "1%20OR%201=1"])
def test_ids_that_are_none(client: TestClient, kind: str, wanted: str) -> None:
    for answer in (
        client.get(f"/api/{kind}/{wanted}"),
        client.get(f"/api/{kind}/{wanted}/revisions"),
        client.patch(f"/api/{kind}/{wanted}", json={}),
        client.delete(f"/api/{kind}/{wanted}"),
    ):
        problem(answer, 422)
    problem(client.get(f"/api/{kind}/9999"), 404)


@pytest.mark.parametrize(
    "query",
    [
        "limit=0",
        "limit=501",
        "limit=x",
        "cursor=x",
        "cursor=1-",
        "resin=x",
        "outcome=splendid",
        "from=yesterday",
        "until=2026-01-01",
        "from=0001-01-01T00:00:00Z",
    ],
)
def test_filters_that_make_no_sense(client: TestClient, query: str) -> None:
    assert problem(client.get(f"/api/prints?{query}"), 422)["where"] == query.split("=")[0]


def test_etags_that_are_none_of_ours(client: TestClient) -> None:
    for bad in ("x", '"', "-1", '"1", "2"', "9" * 40):
        answer = client.patch("/api/resins/1", json={"note": "x"}, headers={"If-Match": bad})
        assert problem(answer, 422)["where"] == "If-Match"
    for good in ('"1"', "*", 'W/"1"'):
        answer = client.patch("/api/resins/1", json={}, headers={"If-Match": good})
        assert answer.status_code == 200


def test_addresses_and_methods_that_are_not_there(client: TestClient) -> None:
    assert problem(client.get("/api/nothing"), 404)["type"] == "urn:vatside:not-found"
    problem(client.get("/"), 404)
    for verb, address, allowed in (
        ("PUT", "/api/prints", {"GET", "POST"}),
        ("OPTIONS", "/api/prints/1", {"GET", "PATCH", "DELETE"}),
        ("PUT", "/api/soaks/1/looks/2", {"PATCH", "DELETE"}),
        # An address of its own, though the methods of an id would take it for one.
        ("PATCH", "/api/breaks/groups", {"GET"}),
        ("DELETE", "/api/prints/import", {"POST"}),
    ):
        refused = client.request(verb, address)
        assert problem(refused, 405)
        assert set(refused.headers["Allow"].split(", ")) == allowed


@pytest.mark.parametrize("number", ["1768419000", '"1768419000"', "0", "1768419000000.5"])
def test_a_time_is_written_out(client: TestClient, workshop: Workshop, number: str) -> None:
    body = f'{{"start": {number}, "resin": 1, "machine": 1}}'
    refused = problem(client.post("/api/prints", content=body, headers=JSON), 422)
    assert "2026-01-14T19:30:00Z" in refused["detail"]
    assert problem(client.get("/api/prints?until=0.5"), 422)["where"] == "until"
    assert workshop.record.prints.all() == []


@pytest.mark.parametrize("field", ["ramp_limit_k_per_min", "tolerance_k"])
def test_a_program_that_no_calendar_has_room_for(client: TestClient, field: str) -> None:
    step = {"setpoint_c": 500, field: 1e-300}
    answer = client.post("/api/soaks/estimate", json={"name": "Slow", "steps": [step]})
    assert problem(answer, 422)["where"] == f"steps.0.{field}"
    program = {"name": "Slow", "steps": [{**step, field: 0.001}] * 100}
    assert client.post("/api/soaks/estimate", json=program).status_code == 200


def test_a_body_that_is_too_large_declared_or_not(client: TestClient, workshop: Workshop) -> None:
    large = b'{"note": "' + b"x" * BODY_MAX + b'"}'
    problem(client.post("/api/prints", content=large, headers=JSON), 413)

    def pieces(times: int = 1) -> Iterator[bytes]:
        for at in range(0, len(large), 65_536):
            for _ in range(times):
                yield large[at : at + 65_536]

    problem(client.post("/api/prints", content=pieces(), headers=JSON), 413)
    address = "/api/prints/import?column=a=start&resin=Willow&machine=North"
    problem(client.post(address, content=pieces(times=16)), 413)
    assert workshop.record.prints.all() == []


def test_a_fault_of_ours_is_told_with_a_reference_that_the_log_has(
    workshop: Workshop, caplog: pytest.LogCaptureFixture
) -> None:
    app: FastAPI = create_app(workshop)

    @app.get("/api/broken")
    def broken() -> None:
        raise ZeroDivisionError("secret")

    with caplog.at_level(logging.ERROR), TestClient(app) as client:
        found = problem(client.get("/api/broken"), 500)
    assert "secret" not in json.dumps(found)
    assert found["reference"] in found["remedy"]
    assert found["reference"] in caplog.text
    assert "ZeroDivisionError: secret" in caplog.text


def test_problems_of_pages_may_be_shown_as_pages(workshop: Workshop) -> None:
    from starlette.responses import PlainTextResponse

    app = create_app(workshop, shown=lambda _, told: PlainTextResponse(told.detail, told.status))

    @app.get("/page")
    def page() -> None:
        raise NotFoundError("no such page")

    with TestClient(app) as client:
        assert client.get("/page").text == "no such page"
        problem(client.get("/api/prints/7"), 404)


class Links(HTMLParser):
    """Every address that a page loads or points to."""

    def __init__(self) -> None:
        super().__init__()
        self.found: list[str] = []

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.found += [value or "" for name, value in attrs if name in ("href", "src")]


def test_the_docs_page_needs_no_other_host(client: TestClient) -> None:
    page = client.get("/api/docs")
    assert page.status_code == 200
    assert "://" not in page.text
    links = Links()
    links.feed(page.text)
    assert len(links.found) >= 3
    for link in links.found:
        assert link.startswith("/api/")
        assert client.get(link).status_code == 200
    assert client.get("/api/docs-redirect").status_code == 200


def operations(client: TestClient) -> list[tuple[str, str, dict[str, Any]]]:
    paths = client.get("/api/openapi.json").json()["paths"]
    return [(path, verb, one) for path, verbs in paths.items() for verb, one in verbs.items()]


def test_every_route_is_described_with_examples_and_problems(client: TestClient) -> None:
    found = operations(client)
    assert len(found) > 30
    for path, verb, one in found:
        where = f"{verb} {path}"
        assert path.startswith("/api/"), where
        assert one["summary"], where
        assert one["description"], where
        problems = {
            status
            for status, answer in one["responses"].items()
            if "application/problem+json" in answer.get("content", {})
        }
        assert {"500", "503"} <= problems, where
        if "{id}" in path:
            assert "404" in problems, where
        if one.get("parameters") or "requestBody" in one:
            assert "422" in problems, where
            assert "application/json" not in one["responses"]["422"]["content"], where
        if "requestBody" in one:
            assert "400" in problems, where
        for content in one.get("requestBody", {}).get("content", {}).values():
            assert "example" in content or "examples" in content["schema"], where
        if "200" in one["responses"] and "204" not in one["responses"]:
            assert one["responses"]["200"]["content"], where


def test_the_document_refers_to_nothing_that_is_missing(client: TestClient) -> None:
    document = client.get("/api/openapi.json").json()
    text = json.dumps(document)
    for piece in text.split('"#/components/schemas/')[1:]:
        assert piece.split('"')[0] in document["components"]["schemas"]
    assert "HTTPValidationError" not in text


#: Of an operation that takes none.
NO_BODY: dict[str, dict[str, object]] = {"content": {}}


def test_the_examples_of_bodies_are_taken_as_they_stand(client: TestClient) -> None:
    made = 0
    for path, verb, one in operations(client):
        if verb != "post" or "application/json" not in one.get("requestBody", NO_BODY)["content"]:
            continue
        if "{found}" in path or "refused" in path or path in ("/api/causes/plans", "/api/record"):
            # Nothing was found or refused, nothing can be planned, and a whole record goes into
            # an empty one only: each has tests of its own.
            continue
        body = one["requestBody"]["content"]["application/json"]
        example = body.get("example") or body["schema"]["examples"][0]
        example = {**example, "name": "New"} if "name" in example else example
        if "channels" in example:
            example["channels"] = []
        answer = client.post(path.replace("{id}", "1"), json=example)
        assert answer.status_code == min(map(int, one["responses"])), (path, answer.text)
        made += 1
    assert made >= 8


def test_the_api_starts_without_the_heavy_libraries() -> None:
    script = (
        "import sys, api.app\n"
        "heavy = {'scipy', 'altair', 'statsmodels', 'pandas', 'vl_convert', 'sklearn'}\n"
        "print(sorted(heavy & set(sys.modules)))"
    )
    done = subprocess.run([sys.executable, "-c", script], capture_output=True, text=True)
    assert (done.stdout, done.returncode) == ("[]\n", 0), done.stderr
