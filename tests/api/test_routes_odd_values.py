"""An odd value in any place of a request is answered with a problem, never a fault of ours."""

from __future__ import annotations

import copy
import json
import re
from collections.abc import Iterator
from typing import Any
from urllib.parse import quote

import pytest
from fastapi.testclient import TestClient

from api.answers import Workshop
from api.app import create_app

#: Too large for a table, no text for one, another kind, and a moment at the end of the calendar.
ODD = [10**30, "\u0000", [], "9999-12-31T23:59:59.999999Z"]

Step = str | int


def places(
    value: Any, schema: Any, document: Any, way: tuple[Step, ...] = ()
) -> Iterator[tuple[Step, ...]]:
    """The way to every value within a JSON value, to itself, and to what its schema has beside."""
    for one in (schema, *schema.get("anyOf", ())):
        if "$ref" in one:
            schema = document["components"]["schemas"][one["$ref"].rpartition("/")[2]]
    if isinstance(value, dict):
        known = schema.get("properties", {})
        for name in {**known, **value}:
            inner = value.get(name)
            yield from places(inner, known.get(name, {}), document, (*way, name))
    if isinstance(value, list):
        for number, inner in enumerate(value):
            yield from places(inner, schema.get("items", {}), document, (*way, number))
    yield way


def put(value: Any, way: tuple[Step, ...], odd: object) -> Any:
    """A copy of a JSON value with another one in a place."""
    if not way:
        return odd
    changed = copy.deepcopy(value)
    inner = changed
    for step in way[:-1]:
        inner = inner[step]
    inner[way[-1]] = odd
    return changed


def operations(document: Any) -> Iterator[tuple[str, str, Any]]:
    for path, verbs in document["paths"].items():
        for verb, operation in verbs.items():
            if path != "/api/live":  # goes on for ever
                yield path, verb, operation


def body_of(operation: Any) -> Any:
    """What an operation takes as JSON: the schema of its body, with an example."""
    return operation.get("requestBody", {}).get("content", {}).get("application/json")


def example_of(operation: Any) -> Any:
    body = body_of(operation)
    return None if body is None else body.get("example") or body["schema"]["examples"][0]


def filled(path: str, name: str = "", odd: str = "") -> str:
    """A path with an odd value in one place and ids in the others."""
    path = path.replace(f"{{{name}}}", quote(odd, safe=""))
    return re.sub(r"\{[a-z_]+\}", "1", path.replace("{found}", "1-1768419000000"))


@pytest.fixture
def careful(workshop: Workshop) -> Iterator[TestClient]:
    """A client that is told of our faults as anybody is."""
    with TestClient(create_app(workshop), raise_server_exceptions=False) as client:
        yield client


def make_one_of_each(client: TestClient, document: Any) -> None:
    for path, verb, operation in operations(document):
        example = example_of(operation)
        if verb == "post" and example is not None and "{" not in path:
            example = {**example, "channels": []} if "channels" in example else example
            assert client.post(path, json=example).status_code < 500


def test_in_every_field_of_every_body(careful: TestClient) -> None:
    document = careful.get("/api/openapi.json").json()
    sent_n = made_n = 0
    # What is new is tried while nothing stands in its way, and taken off the record again.
    for new in (True, False):
        for path, verb, operation in operations(document):
            example = example_of(operation)
            if example is None or new != (verb == "post" and "{" not in path):
                continue
            for way in places(example, body_of(operation)["schema"], document):
                for odd in ODD:
                    content = json.dumps(put(example, way, odd))
                    headers = {"Content-Type": "application/json"}
                    answer = careful.request(verb, filled(path), content=content, headers=headers)
                    assert answer.status_code < 500, (verb, path, way, odd)
                    sent_n += 1
                    if new and answer.status_code == 201:
                        assert careful.delete(answer.headers["Location"]).status_code == 204
                        made_n += 1
        make_one_of_each(careful, document)
    assert sent_n > 500
    assert made_n > 0


def test_in_every_part_of_every_address(careful: TestClient) -> None:
    document = careful.get("/api/openapi.json").json()
    make_one_of_each(careful, document)
    sent_n = 0
    for path, verb, operation in operations(document):
        for parameter in operation.get("parameters", []):
            name, place = parameter["name"], parameter["in"]
            for odd in map(str, ODD[:2]):
                if place == "header":
                    continue
                address = filled(path, name, odd) if place == "path" else filled(path)
                query = {name: odd} if place == "query" else {}
                answer = careful.request(verb, address, params=query)
                assert answer.status_code < 500, (verb, path, name, odd)
                if answer.status_code >= 400:
                    assert answer.headers["Content-Type"] == "application/problem+json"
                sent_n += 1
    assert sent_n > 200
