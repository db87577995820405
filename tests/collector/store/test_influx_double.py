"""The double refuses what the real server refuses, so that what passes it means something."""

from __future__ import annotations

import base64
import contextlib
import gzip
import json
from collections.abc import Iterator
from http.client import HTTPConnection
from typing import Any
from urllib.parse import urlencode, urlsplit

import pytest

from collector.errors import PayloadError
from collector.store.line_reader import points_in
from tests.influx_double import BUCKET, ORG, TOKEN, Bucket, InfluxDouble, Rights
from tests.recordings import recording

KINDS = {"int": "integer", "uint": "unsigned", "float": "float", "string": "string"}


@pytest.mark.recordings
def test_its_reader_agrees_with_all_240_decode_cases_of_the_corpus() -> None:
    """influxdata/line-protocol-corpus (MIT): errors are errors, and points are equal."""
    path = recording("line_protocol_corpus_nofuzz.json")
    cases = json.loads(path.read_text(encoding="utf-8"))["decode"]
    agreed = 0
    for case in cases.values():
        text, wanted = case["input"]["text"], case["output"]
        raw = text.encode() if isinstance(text, str) else base64.b64decode(text["binary"])
        if "error" in wanted:
            with pytest.raises((PayloadError, UnicodeDecodeError)):
                list(points_in(raw.decode()))
        else:
            assert [
                (p.name, p.tags, [(f.key, f.kind, f.value) for f in p.fields])
                for p in points_in(raw.decode())
            ] == [expected(point) for point in wanted["result"]]
        agreed += 1
    assert agreed == 240


def expected(point: dict[str, Any]) -> tuple[str, tuple[tuple[str, str], ...], list[Any]]:
    fields = []
    for field in point["fields"]:
        ((kind, value),) = field["value"].items()
        fields.append((field["key"], KINDS.get(kind, "boolean"), value))
    return point["name"], tuple((tag["key"], tag["value"]) for tag in point["tags"]), fields


@pytest.fixture
def double() -> Iterator[InfluxDouble]:
    with InfluxDouble() as running:
        running.tokens["readers-t0ken"] = Rights(write=frozenset())
        yield running


def write(double: InfluxDouble, body: bytes, **changed: str) -> tuple[int, str]:
    """A write by hand: its status and the server's words."""
    query = {"org": ORG, "bucket": BUCKET, "precision": "ms"}
    query |= {key: value for key, value in changed.items() if key in query}
    headers = {"Authorization": f"Token {changed.get('token', TOKEN)}"}
    if "encoding" in changed:
        headers["Content-Encoding"] = changed["encoding"]
    server = urlsplit(double.url)
    assert server.hostname
    with contextlib.closing(HTTPConnection(server.hostname, server.port, timeout=10)) as link:
        link.request("POST", f"/api/v2/write?{urlencode(query)}", body, headers)
        answer = link.getresponse()
        return answer.status, answer.read().decode()


GOOD = b"reading,channel=vat-north value=20.5,marks=0i 1000"


@pytest.mark.parametrize(
    ("body", "changed", "status"),
    [
        (GOOD, {}, 204),
        (gzip.compress(GOOD, mtime=0), {"encoding": "gzip"}, 204),
        (GOOD, {"encoding": "gzip"}, 400),
        (gzip.compress(GOOD, mtime=0)[:-4], {"encoding": "gzip"}, 400),
        (GOOD, {"precision": "h"}, 400),
        (GOOD, {"token": "nobody"}, 401),
        (GOOD, {"token": "readers-t0ken"}, 403),
        (GOOD, {"bucket": "attic"}, 404),
        (GOOD, {"org": "attic"}, 404),
        (b"", {}, 400),
        (b"reading,channel= value=1 1", {}, 400),
        (b"reading,channel=x value=nan 1", {}, 400),
        (b"reading,channel=x value=1 99999999999999999", {}, 400),
        (b"\xff value=1 1", {}, 400),
    ],
)
def test_a_write_is_answered_as_the_server_answers(
    double: InfluxDouble, body: bytes, changed: dict[str, str], status: int
) -> None:
    assert write(double, body, **changed)[0] == status
    assert bool(double.bucket.series) == (status == 204)


def test_of_a_batch_with_a_line_that_does_not_parse_nothing_is_kept(double: InfluxDouble) -> None:
    status, words = write(double, GOOD + b"\nreading value=\n")
    assert (status, "unable to parse" in words) == (400, True)
    assert double.bucket.series == {}


def test_of_a_batch_with_another_type_the_rest_is_kept(double: InfluxDouble) -> None:
    write(double, GOOD)
    status, words = write(
        double,
        b"reading,channel=vat-north value=21i 2000\nreading,channel=vat-north value=22 3000",
    )
    assert status == 422
    assert "partial write: field type conflict" in words
    assert "dropped=1" in words
    assert double.values("vat-north") == {1000: 20.5, 3000: 22.0}


def test_what_is_older_than_the_retention_is_dropped(double: InfluxDouble) -> None:
    double.buckets["short"] = Bucket("9", "short", retention_s=3_600)
    double.tokens[TOKEN] = Rights(write=frozenset({"short"}))
    status, words = write(double, GOOD, bucket="short")
    assert (status, "beyond retention" in words) == (422, True)


def test_too_large_and_too_many_are_refused(double: InfluxDouble) -> None:
    double.most_bytes = 60
    assert write(double, GOOD)[0] == 204
    assert write(double, gzip.compress(GOOD + b"\n" + GOOD, mtime=0), encoding="gzip")[0] == 413
    double.writes_left = 0
    assert write(double, GOOD)[0] == 429


def test_the_same_series_and_time_again_takes_the_place_of_the_first(double: InfluxDouble) -> None:
    write(double, GOOD)
    write(double, GOOD.replace(b"20.5", b"30"))
    assert double.values("vat-north") == {1000: 30.0}
