"""A strict in-process double of the InfluxDB v2 API, as far as vatside speaks to it.

It refuses what the real server refuses, with the same status: lines that do not parse (400, and
nothing of the batch is kept), another type for a field (422, and the rest of the batch is kept),
points beyond the retention (422 likewise), a body that is no gzip (400), one that is too large
(413), too many writes (429 with Retry-After), an unknown token (401), one without the right
(403), a bucket or organization that is not there (404). Besides it fails when asked to: with any
status, or by ending the connection before or after it has done what was asked.

Flux is read as far as we write it; any other form is an error. Parameters come in the syntax
tree beside the text (``extern``) alone.

Sources: InfluxDB 2 API reference ("Response codes", "Write", "Query", "Delete") and the server's
http/write_handler.go for the order of its checks.
"""

from __future__ import annotations

import gzip
import json
import random
import re
import threading
import time
import zlib
from bisect import bisect_left
from collections import deque
from collections.abc import Callable, Iterator, Mapping
from dataclasses import dataclass, field
from datetime import UTC, datetime, timedelta
from decimal import Decimal
from http.server import BaseHTTPRequestHandler, ThreadingHTTPServer
from itertools import pairwise
from typing import Any, Self
from urllib.parse import parse_qs, urlsplit

from collector.errors import PayloadError
from collector.store.line_reader import FIRST_NS, LAST_NS, ReadPoint, Value, points_in

TOKEN, ORG, BUCKET = "t0ken-of-the-collector", "cellar", "vatside"
_UNIT_NS = {"ns": 1, "us": 1_000, "ms": 1_000_000, "s": 1_000_000_000}
_SeriesKey = tuple[str, tuple[tuple[str, str], ...], str]


class RefusedError(Exception):
    """An answer other than success."""

    def __init__(self, status: int, message: str, retry_after: str | None = None) -> None:
        super().__init__(message)
        self.status = status
        self.retry_after = retry_after


@dataclass(frozen=True)
class Fault:
    """What goes wrong: a status, or the end of the connection before or after the work."""

    status: int = 0
    retry_after: str | None = None
    after: bool = False


DROPPED = Fault()
DROPPED_AFTER = Fault(after=True)


@dataclass
class Rights:
    """What a token may do."""

    read: frozenset[str] = frozenset({BUCKET})
    write: frozenset[str] = frozenset({BUCKET})
    admin: bool = False


@dataclass
class Bucket:
    """Series by measurement, tags and field; a field's type is fixed by its first value."""

    id: str
    name: str
    retention_s: int = 0
    series: dict[_SeriesKey, dict[int, Value]] = field(default_factory=dict)
    types: dict[tuple[str, str], str] = field(default_factory=dict)


class InfluxDouble:
    """The server on a free port of this machine, in threads of this process."""

    def __init__(self) -> None:
        self.tokens: dict[str, Rights] = {TOKEN: Rights()}
        self.buckets = {BUCKET: Bucket("0000000000000001", BUCKET)}
        self.tasks: list[dict[str, Any]] = []
        self.faults: deque[Fault] = deque()
        self.chance: tuple[random.Random, float] | None = None
        self.away = False
        self.most_bytes = 50_000_000
        self.writes_left: int | None = None
        self.written: list[list[ReadPoint]] = []
        self.requests: list[str] = []
        self.lock = threading.Lock()
        double = self

        class Handler(_Handler):
            server_double = double

        self._server = ThreadingHTTPServer(("127.0.0.1", 0), Handler)
        self._server.daemon_threads = True
        self.url = f"http://127.0.0.1:{self._server.server_address[1]}"
        self._thread = threading.Thread(target=self._server.serve_forever, args=(0.05,))

    def __enter__(self) -> Self:
        self._thread.start()
        return self

    def __exit__(self, *_: object) -> None:
        self._server.shutdown()
        self._thread.join()
        self._server.server_close()

    @property
    def bucket(self) -> Bucket:
        """The bucket that the collector writes to."""
        return self.buckets[BUCKET]

    def values(self, channel: str, measurement: str = "reading") -> dict[int, Value]:
        """What is kept of a channel: value by time [ms]."""
        with self.lock:
            found = self.bucket.series.get((measurement, (("channel", channel),), "value"), {})
            return {time_ns // 1_000_000: value for time_ns, value in found.items()}

    def fault(self) -> Fault | None:
        """What goes wrong with the next request that matters, if anything."""
        if self.away:
            return DROPPED
        if self.faults:
            return self.faults.popleft()
        if self.chance is not None:
            dice, share = self.chance
            if dice.random() < share:
                return dice.choice(
                    [DROPPED, DROPPED_AFTER, Fault(503), Fault(500), Fault(429, "0")]
                )
        return None

    # -- what it does --------------------------------------------------------------------------

    def rights(self, header: str | None) -> Rights:
        kind, _, token = (header or "").partition(" ")
        if kind != "Token" or token not in self.tokens:
            raise RefusedError(401, "unauthorized access")
        return self.tokens[token]

    def write(self, rights: Rights, query: Mapping[str, str], encoding: str, body: bytes) -> None:
        precision = query.get("precision", "ns")
        if precision not in _UNIT_NS:
            raise RefusedError(
                400, "invalid precision; valid precision units are ns, us, ms, and s"
            )
        bucket = self.find(query.get("bucket", ""), query.get("org", ""))
        if bucket.name not in rights.write:
            raise RefusedError(403, "insufficient permissions for write")
        text = self._text(encoding, body)
        if self.writes_left is not None:
            if self.writes_left <= 0:
                raise RefusedError(429, "org has exceeded limited write plan limit", "0")
            self.writes_left -= 1
        try:
            read = list(points_in(text))
        except PayloadError as error:
            raise RefusedError(400, str(error)) from error
        if not read:
            raise RefusedError(400, "writing requires points")
        self._keep(bucket, read, _UNIT_NS[precision])

    def _text(self, encoding: str, body: bytes) -> str:
        if encoding == "gzip":
            try:
                body = gzip.decompress(body)
            except (OSError, EOFError, zlib.error) as error:
                raise RefusedError(400, "gzipped HTTP body contains an invalid header") from error
        if len(body) > self.most_bytes:
            raise RefusedError(413, "request too large: cannot exceed the limit")
        try:
            return body.decode()
        except UnicodeDecodeError as error:
            raise RefusedError(400, "unable to parse: invalid UTF-8") from error

    def _keep(self, bucket: Bucket, read: list[ReadPoint], unit_ns: int) -> None:
        oldest = time.time_ns() - bucket.retention_s * 10**9 if bucket.retention_s else FIRST_NS
        dropped, why = 0, ""
        for point in read:
            assert point.time is not None, "vatside always gives a time"
            at = point.time * unit_ns
            if not FIRST_NS <= at <= LAST_NS:
                raise RefusedError(400, "time outside range")
            if at < oldest:
                dropped, why = dropped + 1, "points beyond retention policy"
                continue
            clash = self._clash(bucket, point)
            if clash:
                dropped, why = dropped + 1, clash
                continue
            for one in point.fields:
                bucket.types[point.name, one.key] = one.kind
                bucket.series.setdefault((point.name, point.tags, one.key), {})[at] = one.value
        self.written.append(read)
        if dropped:
            raise RefusedError(
                422, f"failure writing points to database: partial write: {why} dropped={dropped}"
            )

    @staticmethod
    def _clash(bucket: Bucket, point: ReadPoint) -> str:
        for one in point.fields:
            kind = bucket.types.get((point.name, one.key), one.kind)
            if kind != one.kind:
                return (
                    f'field type conflict: input field "{one.key}" on measurement'
                    f' "{point.name}" is type {one.kind}, already exists as type {kind}'
                )
        return ""

    def find(self, name: str, org: str) -> Bucket:
        if org != ORG:
            raise RefusedError(404, f'organization name "{org}" not found')
        if name not in self.buckets:
            raise RefusedError(404, f'bucket "{name}" not found')
        return self.buckets[name]

    def query(self, rights: Rights, asked: Mapping[str, Any], org: str) -> str:
        if org != ORG:
            raise RefusedError(404, f'organization name "{org}" not found')
        return _Flux(self, rights, _parameters(asked.get("extern"))).answer(
            asked["query"], asked.get("dialect", {}).get("annotations", [])
        )

    def delete(self, rights: Rights, query: Mapping[str, str], asked: Mapping[str, str]) -> None:
        bucket = self.find(query.get("bucket", ""), query.get("org", ""))
        if bucket.name not in rights.write:
            raise RefusedError(403, "insufficient permissions to delete")
        form = re.fullmatch(r'_measurement="([^"\\]+)" AND channel="([^"\\]+)"', asked["predicate"])
        if form is None:
            raise RefusedError(400, "invalid request; error parsing request json: bad predicate")
        first, last = _ns_of(asked["start"]), _ns_of(asked["stop"])
        for (name, tags, _), kept in bucket.series.items():
            if name == form[1] and ("channel", form[2]) in tags:
                for at in [at for at in kept if first <= at <= last]:
                    del kept[at]
        bucket.series = {key: kept for key, kept in bucket.series.items() if kept}


class _Handler(BaseHTTPRequestHandler):
    protocol_version = "HTTP/1.1"
    wbufsize = -1  # head and body in one go: two would wait for each other's acknowledgement
    disable_nagle_algorithm = True
    server_double: InfluxDouble

    def log_message(self, *_: object) -> None:
        pass

    def do_GET(self) -> None:
        self._serve()

    def do_POST(self) -> None:
        self._serve()

    def do_PATCH(self) -> None:
        self._serve()

    def _serve(self) -> None:
        double = self.server_double
        parts = urlsplit(self.path)
        body = self.rfile.read(int(self.headers.get("Content-Length") or 0))
        fault = None
        if parts.path in ("/api/v2/write", "/api/v2/query") or double.away:
            fault = double.fault()
        if fault is not None and not fault.status and not fault.after:
            self.close_connection = True
            return
        try:
            if fault is not None and fault.status:
                raise RefusedError(fault.status, "as the test asked", fault.retry_after)
            with double.lock:
                double.requests.append(f"{self.command} {parts.path}")
                query = {key: values[0] for key, values in parse_qs(parts.query).items()}
                status, kind, answer = self._answer(parts.path, query, body)
        except RefusedError as refused:
            self._send(
                refused.status,
                "application/json",
                json.dumps({"code": "double", "message": str(refused)}),
                refused.retry_after,
            )
            return
        if fault is not None:  # done, but never told
            self.close_connection = True
            return
        self._send(status, kind, answer)

    def _answer(self, path: str, query: Mapping[str, str], body: bytes) -> tuple[int, str, str]:
        double = self.server_double
        if path in ("/ping", "/health"):
            return (
                (204, "", "") if path == "/ping" else (200, "application/json", '{"status":"pass"}')
            )
        rights = double.rights(self.headers.get("Authorization"))
        if path == "/api/v2/write":
            double.write(rights, query, self.headers.get("Content-Encoding") or "", body)
            return 204, "", ""
        if path == "/api/v2/query":
            return (
                200,
                "text/csv; charset=utf-8",
                double.query(rights, json.loads(body), query["org"]),
            )
        if path == "/api/v2/delete":
            double.delete(rights, query, json.loads(body))
            return 204, "", ""
        return self._manage(path, rights, query, json.loads(body or b"{}"))

    def _manage(
        self, path: str, rights: Rights, query: Mapping[str, str], asked: dict[str, Any]
    ) -> tuple[int, str, str]:
        double = self.server_double
        if not rights.admin:
            raise RefusedError(403, f"{self.command} {path} is forbidden")
        status, found = 200, None
        if path == "/api/v2/orgs":
            found = {"orgs": [{"id": "00000000000000aa", "name": ORG}]}
        elif path == "/api/v2/buckets" and self.command == "GET":
            there = [b for b in double.buckets.values() if b.name == query.get("name", b.name)]
            found = {"buckets": [_as_json(bucket) for bucket in there]}
        elif path == "/api/v2/buckets":
            bucket = Bucket(f"{len(double.buckets) + 1:016x}", asked["name"])
            bucket.retention_s = sum(r["everySeconds"] for r in asked.get("retentionRules") or [])
            double.buckets[bucket.name] = bucket
            status, found = 201, _as_json(bucket)
        elif path.startswith("/api/v2/buckets/"):
            (bucket,) = [b for b in double.buckets.values() if path.endswith(b.id)]
            bucket.retention_s = sum(r["everySeconds"] for r in asked["retentionRules"])
            found = _as_json(bucket)
        elif path == "/api/v2/tasks" and self.command == "GET":
            found = {
                "tasks": [t for t in double.tasks if t["name"] == query.get("name", t["name"])]
            }
        elif path == "/api/v2/tasks":
            name = re.search(r'option task = \{name: "([^"]+)", every: \w+', asked["flux"])
            if name is None:
                raise RefusedError(400, "failed to parse task options")
            task = {"id": "1", "orgID": "00000000000000aa", "name": name[1], "flux": asked["flux"]}
            double.tasks.append(task)
            status, found = 201, task
        if found is None:
            raise RefusedError(404, "path not found")
        return status, "application/json", json.dumps(found)

    def _send(self, status: int, kind: str, text: str, retry_after: str | None = None) -> None:
        body = text.encode()
        self.send_response(status)
        if kind:
            self.send_header("Content-Type", kind)
        if retry_after is not None:
            self.send_header("Retry-After", retry_after)
        if status != 204:
            self.send_header("Content-Length", str(len(body)))
        self.end_headers()
        if status != 204:
            self.wfile.write(body)


def _as_json(bucket: Bucket) -> dict[str, Any]:
    rules = [{"type": "expire", "everySeconds": bucket.retention_s}] if bucket.retention_s else []
    return {
        "id": bucket.id,
        "orgID": "00000000000000aa",
        "name": bucket.name,
        "retentionRules": rules,
    }


# -- Flux --------------------------------------------------------------------------------------


def _parameters(extern: Mapping[str, Any] | None) -> dict[str, Any]:
    """The values that stand in the syntax tree beside the text."""
    found: dict[str, Any] = {}
    for statement in (extern or {}).get("body", []):
        assert statement["type"] == "OptionStatement"
        assignment = statement["assignment"]
        kind, given = assignment["init"]["type"], assignment["init"]
        if kind == "StringLiteral":
            value: Any = given["value"]
        elif kind == "DateTimeLiteral":
            value = _ns_of(given["value"])
        elif kind == "DurationLiteral":
            value = sum(d["magnitude"] * _UNIT_NS[d["unit"]] for d in given["values"])
        else:
            raise RefusedError(400, f"unsupported literal {kind}")
        found[assignment["id"]["name"]] = value
    return found


def _ns_of(text: str) -> int:
    form = re.fullmatch(r"(\d{4}-\d\d-\d\dT\d\d:\d\d:\d\d)(?:\.(\d{1,9}))?Z", text)
    if form is None:
        raise RefusedError(400, f"cannot parse time {text!r}")
    whole = datetime.fromisoformat(form[1]).replace(tzinfo=UTC) - datetime(1970, 1, 1, tzinfo=UTC)
    return (whole.days * 86_400 + whole.seconds) * 10**9 + int((form[2] or "0").ljust(9, "0"))


def _text_of(ns: int) -> str:
    """RFC 3339 with as many decimals as needed, as Go writes it."""
    seconds, rest = divmod(ns, 10**9)
    moment = datetime(1970, 1, 1, tzinfo=UTC) + timedelta(seconds=seconds)
    return f"{moment:%Y-%m-%dT%H:%M:%S}" + (f".{rest:09d}".rstrip("0") if rest else "") + "Z"


@dataclass
class _Table:
    """Rows of the same group key; ``row`` columns are ``_time`` and ``_value``."""

    key: dict[str, str | int]
    rows: list[tuple[int | None, Value]]
    columns: tuple[str, ...] = ("_time", "_value")


class _Flux:
    """One query, read step by step."""

    def __init__(self, double: InfluxDouble, rights: Rights, parameters: dict[str, Any]) -> None:
        self._double, self._rights, self._parameters = double, rights, parameters
        self._window = (0, 0)

    def answer(self, text: str, annotations: list[str]) -> str:
        source, *steps = [step.strip() for step in text.split("|>")]
        tables: list[_Table] = []
        form = re.fullmatch(r"from\(bucket: (\S+)\)", source)
        bucket = self._value(form[1]) if form else None
        if bucket not in self._double.buckets or bucket not in self._rights.read:
            raise RefusedError(
                404, f'failed to initialize execute state: could not find bucket "{bucket}"'
            )
        window = re.fullmatch(r"range\(start: (\S+), stop: (\S+)\)", steps[0])
        if window is None:
            raise RefusedError(400, "cannot submit unbounded read; try bounding it with range")
        start, stop = self._value(window[1]), self._value(window[2])
        if start >= stop:
            raise RefusedError(400, "cannot query an empty range")
        self._window = (start, stop)
        tables = list(self._read(self._double.buckets[bucket], start, stop))
        for step in steps[1:]:
            tables = self._step(tables, step)
        return _csv(tables, annotations)

    def _value(self, word: str) -> Any:
        if word[0] == '"' and word[-1] == '"':
            return word[1:-1]
        if word not in self._parameters:
            raise RefusedError(400, f"undefined identifier {word}")
        return self._parameters[word]

    def _read(self, bucket: Bucket, start: int, stop: int) -> Iterator[_Table]:
        for (name, tags, key), kept in sorted(bucket.series.items()):
            times = sorted(kept)
            times = times[bisect_left(times, start) : bisect_left(times, stop)]
            if times:
                group: dict[str, str | int] = {
                    "_start": start,
                    "_stop": stop,
                    "_field": key,
                    "_measurement": name,
                }
                yield _Table({**group, **dict(tags)}, [(at, kept[at]) for at in times])

    def _step(self, tables: list[_Table], step: str) -> list[_Table]:
        if form := re.fullmatch(r"filter\(fn: \(r\) => (.+)\)", step):
            return self._filter(tables, form[1])
        if form := re.fullmatch(r"keep\(columns: \[(.+)\]\)", step):
            return _keep(tables, json.loads(f"[{form[1]}]"))
        if form := re.fullmatch(r"window\(every: (\S+), offset: (\S+)\)", step):
            every, offset = self._value(form[1]), self._value(form[2])
            return [part for table in tables for part in self._windows(table, every, offset)]
        if form := re.fullmatch(r"(\w+)\(\)", step):
            if form[1] in _SELECTORS:
                chosen = _SELECTORS[form[1]]
                return [_Table(t.key, [chosen(t.rows)]) for t in tables]
            if form[1] in _AGGREGATES:
                summed = _AGGREGATES[form[1]]
                return [_Table(t.key, [(None, summed(t.rows))], ("_value",)) for t in tables]
        if step == "integral(unit: 1ms)":
            if any(not {"_start", "_stop"} <= table.key.keys() for table in tables):
                raise RefusedError(400, "integral: missing bounds")
            return [_Table(t.key, [(None, _area(t.rows))], ("_value",)) for t in tables]
        raise RefusedError(400, f"the double does not read this step: {step}")

    def _filter(self, tables: list[_Table], condition: str) -> list[_Table]:
        for part in condition.split(" and "):
            form = re.fullmatch(r"r\.(\w+) == (\S+)", part)
            if form is None:
                raise RefusedError(400, f"the double does not read this condition: {part}")
            wanted = self._value(form[2])
            tables = [table for table in tables if table.key.get(form[1]) == wanted]
        return tables

    def _windows(self, table: _Table, every: int, offset: int) -> Iterator[_Table]:
        parts: dict[int, list[tuple[int | None, Value]]] = {}
        for row in table.rows:
            assert row[0] is not None
            parts.setdefault((row[0] - offset) // every * every + offset, []).append(row)
        for begin, rows in parts.items():
            bounds = {
                "_start": max(begin, self._window[0]),
                "_stop": min(begin + every, self._window[1]),
            }
            yield _Table({**table.key, **bounds}, rows)


def _number(row: tuple[int | None, Value]) -> float:
    assert isinstance(row[1], int | float)
    return row[1]


_Rows = list[tuple[int | None, Value]]
_SELECTORS: dict[str, Callable[[_Rows], tuple[int | None, Value]]] = {
    "first": lambda rows: rows[0],
    "last": lambda rows: rows[-1],
    "min": lambda rows: min(rows, key=_number),
    "max": lambda rows: max(rows, key=_number),
}


def _area(rows: _Rows) -> float:
    """Under the straight lines between neighbouring rows [value·ms]."""
    area = 0.0
    for (at, value), (then, other) in pairwise(rows):
        assert at is not None
        assert then is not None
        assert isinstance(value, int | float)
        assert isinstance(other, int | float)
        area += (then - at) / 1_000_000 * (value + other) / 2
    return area


_AGGREGATES: dict[str, Callable[[_Rows], Value]] = {
    "count": len,
}


def _keep(tables: list[_Table], columns: list[str]) -> list[_Table]:
    """Tables whose keys become the same are one, if their values are of one type."""
    merged: dict[tuple[tuple[str, str | int], ...], _Table] = {}
    for table in tables:
        key = {name: value for name, value in table.key.items() if name in columns}
        kept = tuple(name for name in table.columns if name in columns)
        there = merged.setdefault(tuple(sorted(key.items())), _Table(key, [], kept))
        types = {type(value) for _, value in [*there.rows, *table.rows]}
        if len(types) > 1 and "_value" in columns:
            raise RefusedError(
                400, "schema collision: cannot group float and integer types together"
            )
        there.rows = [*there.rows, *table.rows]
    return list(merged.values())


def _csv(tables: list[_Table], annotations: list[str]) -> str:
    """Annotated CSV: what stands above the rows comes again when the columns change."""
    lines: list[str] = []
    before: list[tuple[str, str]] | None = None
    for number, table in enumerate(tables):
        columns = [(name, _type_of(value, name)) for name, value in table.key.items()]
        columns += [
            (name, "dateTime:RFC3339" if name == "_time" else _type_of(table.rows[0][1]))
            for name in table.columns
        ]
        if columns != before:
            lines += [""] if lines else []
            if "datatype" in annotations:
                lines.append(",".join(["#datatype", "string", "long", *(t for _, t in columns)]))
            lines.append(",".join(["", "result", "table", *(name for name, _ in columns)]))
            before = columns
        head = [_cell(value, name) for name, value in table.key.items()]
        for at, value in table.rows:
            cells = {"_time": "" if at is None else _text_of(at), "_value": _cell(value)}
            row = ["", "_result" if "default" not in annotations else "", str(number), *head]
            lines.append(",".join(row + [cells[name] for name in table.columns]))
    return "".join(f"{line}\r\n" for line in [*lines, ""])


def _type_of(value: Value, name: str = "") -> str:
    if name in ("_start", "_stop"):
        return "dateTime:RFC3339"
    return {float: "double", int: "long", bool: "boolean", str: "string"}[type(value)]


def _cell(value: Value, name: str = "") -> str:
    if name in ("_start", "_stop"):
        assert isinstance(value, int)
        return _text_of(value)
    if isinstance(value, float):
        return format(Decimal(repr(value)), "f")
    text = str(value)
    return '"' + text.replace('"', '""') + '"' if re.search(r'[",\r\n]', text) else text
