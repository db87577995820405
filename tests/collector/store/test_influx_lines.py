"""Line protocol as we write it, against the public corpus and the reference client."""

from __future__ import annotations

import json
import math
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from collector.errors import InvalidError
from collector.store.lines import Field, float_text, line
from tests.recordings import recording


def encode_cases() -> dict[str, Any]:
    """The encode cases of influxdata/line-protocol-corpus (MIT), read in place."""
    path = recording("line_protocol_corpus_nofuzz.json")
    cases: dict[str, Any] = json.loads(path.read_text(encoding="utf-8"))["encode"]
    return cases


def field_of(value: dict[str, Any]) -> Field:
    ((kind, given),) = value.items()
    return float(given) if kind == "float" else given


@pytest.mark.recordings
def test_all_115_encode_cases_are_equal() -> None:
    """Without exception, the one that has to be an error included."""
    results = errors = 0
    for case in encode_cases().values():
        point, wanted = case["input"]["point"], case["output"]
        assert case["input"]["precision"] == "1ns"
        tags = {tag["key"]: tag["value"] for tag in point["tags"]}
        fields = {field["key"]: field_of(field["value"]) for field in point["fields"]}
        assert len(tags) == len(point["tags"])
        assert len(fields) == len(point["fields"])
        if "error" in wanted:
            with pytest.raises(InvalidError):
                line(point["name"], tags, fields, point["time"])
            errors += 1
        else:
            assert line(point["name"], tags, fields, point["time"]) == wanted["result"]
            results += 1
    assert (results, errors) == (114, 1)


@pytest.mark.parametrize(
    ("written", "wanted"),
    [  # the corpus again, typed in, for a machine without it (checks.md 8.4)
        (
            line("cpu,main", {"tag,bar": "value"}, {"name,bar": 1.0}, 0),
            r"cpu\,main,tag\,bar=value name\,bar=1 0",
        ),
        (
            line("cpu main", {"tag bar": "value"}, {"name bar": 1.0}, 0),
            r"cpu\ main,tag\ bar=value name\ bar=1 0",
        ),
        (
            line("cpu=load", {"equals=foo": "tag=value"}, {"value": 1}, 0),
            r"cpu=load,equals\=foo=tag\=value value=1i 0",
        ),
        (
            line("t", {}, {"s": r'backslash \ then quote " .'}, 0),
            r't s="backslash \\ then quote \" ." 0',
        ),
        (line("cpu", {}, {"value": "test\\"}, 10**9), r'cpu value="test\\" 1000000000'),
        (line("test", {}, {"a": 42.0}, -34_526_000_000_000), "test a=42 -34526000000000"),
        (line("cpu", {}, {"value": 6_632_243.0}, 1), "cpu value=6.632243e+06 1"),
        (line("cpu", {}, {"value": True}, None), "cpu value=true"),
    ],
)
def test_the_cases_worth_typing_in(written: str, wanted: str) -> None:
    assert written == wanted


@pytest.mark.parametrize(
    "point",
    [
        ("", {}, {"v": 1.0}),
        ("#note", {}, {"v": 1.0}),
        ("two\nlines", {}, {"v": 1.0}),
        ("m\\", {}, {"v": 1.0}),
        ("m", {"k": ""}, {"v": 1.0}),
        ("m", {"": "x"}, {"v": 1.0}),
        ("m", {"k": "x\n"}, {"v": 1.0}),
        ("m", {"k": "x\\"}, {"v": 1.0}),
        ("m", {}, {}),
        ("m", {}, {"v": math.nan}),
        ("m", {}, {"v": math.inf}),
        ("m", {}, {"v": 2**63}),
        ("m", {}, {"": 1.0}),
    ],
)
def test_what_the_protocol_cannot_say_is_refused(
    point: tuple[str, dict[str, str], dict[str, Field]],
) -> None:
    with pytest.raises(InvalidError, match="Line protocol cannot say"):
        line(*point, 0)


@given(st.floats(allow_nan=False, allow_infinity=False))
def test_every_float_comes_back_and_reads_as_a_float(value: float) -> None:
    text = float_text(value)
    assert float(text) == value
    assert math.copysign(1, float(text)) == math.copysign(1, value)
    assert text[-1].isdigit()  # neither i nor u: the server keeps it as a float


@given(st.floats(allow_nan=False, allow_infinity=False), st.integers(-(2**63), 2**63 - 1))
def test_the_reference_client_writes_the_same_point(value: float, time: int) -> None:
    """influxdb-client 1.50: equal but for the form of numbers, which we compare as numbers."""
    from influxdb_client import Point

    ours = line("reading", {"channel": "vat-north"}, {"marks": 3, "value": value}, time)
    theirs = (
        Point("reading").tag("channel", "vat-north").field("value", value).field("marks", 3)
    ).time(time)
    name, fields, at = ours.split(" ")
    their_name, their_fields, their_at = theirs.to_line_protocol().split(" ")
    assert (name, at) == (their_name, their_at)
    marks, number = fields.split(",value=")
    their_marks, their_number = their_fields.split(",value=")
    assert (marks, float(number)) == (their_marks, float(their_number))
