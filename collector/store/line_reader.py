"""A strict reader of InfluxDB line protocol, written from its reference, not our writer. Pure.

Held against the decode cases of the public line-protocol-corpus in
tests/collector/store/test_influx_double.py.
"""

from __future__ import annotations

import re
from collections.abc import Iterator
from dataclasses import dataclass

from collector.errors import PayloadError

# Possessive: an escaped character is never taken apart again. Controls are no part of a name.
_KEY = r"(?:\\[,= ]|[^,= \x00-\x1f\x7f\x80-\xa0])++"
_NAME = r"(?:\\[, ]|[^, \x00-\x1f\x7f\x80-\xa0])++"
_TAG_VALUE = r"(?:\\[,= ]|[^,= \n])++"
_TEXT = r'"(?:\\["\\]|[^"])*+"'
_VALUE = rf"(?:{_TEXT}|[^, \n\"]++)"
_HEAD = re.compile(rf"(?P<name>{_NAME})(?P<tags>(?:,{_KEY}={_TAG_VALUE})*+)[ ]++")
_TAG = re.compile(rf",({_KEY})=({_TAG_VALUE})")
_FIELDS = re.compile(rf"{_KEY}={_VALUE}(?:,{_KEY}={_VALUE})*+")
_FIELD = re.compile(rf"({_KEY})=({_VALUE})(?:,|$)")
_TAIL = re.compile(r"(?:[ ]++(?P<time>-?\d++))?[ ]*+\r?(?:\n|$)")
_SKIPPED = re.compile(r"[ ]*+(?:#[^\n]*+)?\r?(?:\n|$)")

_FLOAT = re.compile(r"[+-]?(?:\d+\.?\d*|\.\d+)(?:[eE][+-]?\d+)?")
_INT = re.compile(r"([+-]?\d+)i")
_UINT = re.compile(r"(\d+)u")
_TRUE, _FALSE = {"t", "T", "true", "True", "TRUE"}, {"f", "F", "false", "False", "FALSE"}

FIRST_NS, LAST_NS = -(2**63) + 2, 2**63 - 2

Value = float | int | bool | str


@dataclass(frozen=True)
class ReadField:
    """A field: ``kind`` is float, integer, unsigned, string or boolean."""

    key: str
    kind: str
    value: Value


@dataclass(frozen=True)
class ReadPoint:
    """One point; ``time`` as written, None without; tags in order of their keys."""

    name: str
    tags: tuple[tuple[str, str], ...]
    fields: tuple[ReadField, ...]
    time: int | None


def points_in(text: str) -> Iterator[ReadPoint]:
    """The points of a text; raises ``PayloadError`` at the first line that is none."""
    at = 0
    while at < len(text):
        skipped = _SKIPPED.match(text, at)
        if skipped and skipped.end() > at:
            at = skipped.end()
            continue
        at, point = _point(text, at)
        yield point


def _point(text: str, at: int) -> tuple[int, ReadPoint]:
    head = _HEAD.match(text, at)
    fields = _FIELDS.match(text, head.end()) if head else None
    tail = _TAIL.match(text, fields.end()) if fields else None
    if head is None or fields is None or tail is None:
        raise PayloadError(f"unable to parse '{text[at:].partition(chr(10))[0]}'")
    tags = tuple(sorted((_bare(k), _bare(v)) for k, v in _TAG.findall(head["tags"])))
    if len({key for key, _ in tags}) < len(tags):
        raise PayloadError("duplicate tags")
    time = None if tail["time"] is None else int(tail["time"])
    if time is not None and not FIRST_NS <= time <= LAST_NS:
        raise PayloadError("time outside range")
    read = tuple(_field(key, value) for key, value in _FIELD.findall(fields[0]))
    return tail.end(), ReadPoint(re.sub(r"\\([, ])", r"\1", head["name"]), tags, read, time)


def _bare(text: str) -> str:
    return re.sub(r"\\([,= ])", r"\1", text)


def _field(key: str, text: str) -> ReadField:
    name = _bare(key)
    if text[0] == '"':
        return ReadField(name, "string", re.sub(r'\\(["\\])', r"\1", text[1:-1]))
    if text in _TRUE or text in _FALSE:
        return ReadField(name, "boolean", text in _TRUE)
    if (found := _INT.fullmatch(text)) and -(2**63) <= int(found[1]) < 2**63:
        return ReadField(name, "integer", int(found[1]))
    if (found := _UINT.fullmatch(text)) and int(found[1]) < 2**64:
        return ReadField(name, "unsigned", int(found[1]))
    if _FLOAT.fullmatch(text) and abs(float(text)) != float("inf"):
        return ReadField(name, "float", float(text))
    raise PayloadError(f"invalid field value {text!r}")
