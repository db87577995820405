"""An InfluxDB 2 server: lines in, rows out, and what its answers mean.

The only module that knows the client library. Writes are synchronous, whole batches with
explicit times in milliseconds; nothing is retried in here.
"""

from __future__ import annotations

import csv
import functools
import gzip
import re
from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from datetime import UTC, date, datetime
from typing import Any

from collector.errors import StoreError
from collector.influx_settings import TOKEN, InfluxSettings
from collector.readings import moment_of
from collector.store import flux
from collector.store.settling import TAKEN, Answer, Fate

#: How long an answer is waited for [s]; a write of a batch takes a tenth of one.
TIMEOUT_S = 15.0

Row = Mapping[str, str]


@dataclass(frozen=True, slots=True)
class Rows:
    """An answer, with the rows of a query that was taken; every cell is text."""

    answer: Answer
    rows: Sequence[Row] = ()


class InfluxServer:
    """One bucket of one server. Safe to use from threads; connects when first asked."""

    def __init__(self, settings: InfluxSettings, *, timeout_s: float = TIMEOUT_S) -> None:
        self.settings = settings
        self._timeout_s = timeout_s

    @functools.cached_property
    def _client(self) -> Any:
        from influxdb_client import InfluxDBClient

        return InfluxDBClient(
            url=self.settings.url,
            token=self.settings.token,
            org=self.settings.org,
            timeout=round(self._timeout_s * 1_000),
        )

    def write(self, lines: Sequence[str]) -> Answer:
        """Write lines whose times are in milliseconds; taken means that all of them are kept."""
        from influxdb_client import WriteService

        def act() -> None:
            # Not through the client's WriteApi: it takes any 2xx for success and tells none.
            _, status, _ = WriteService(self._client.api_client).post_write_with_http_info(
                org=self.settings.org,
                bucket=self.settings.bucket,
                # The client would compress as hard as it can, for longer than the rest takes.
                body=gzip.compress("\n".join(lines).encode(), compresslevel=1),
                precision="ms",
                content_encoding="gzip",
                content_type="text/plain; charset=utf-8",
            )
            if status != 204:
                raise _StrangeAnswerError(f"status {status} instead of 204")

        return self._asked(act)

    def ask(self, query: flux.Query) -> Rows:
        """The rows that a query gives."""
        from influxdb_client import Dialect

        found: list[Row] = []

        def act() -> None:
            cells = self._client.query_api().query_csv(
                query.text,
                org=self.settings.org,
                dialect=Dialect(header=True, annotations=["datatype"], delimiter=","),
                params=dict(query.parameters),
            )
            found.extend(_rows(cells))

        answer = self._asked(act)
        return Rows(answer, found if answer.fate is Fate.TAKEN else ())

    def rows(self, query: flux.Query) -> Sequence[Row]:
        """The rows that a query gives; raises ``StoreError`` when it is not answered."""
        asked = self.ask(query)
        if asked.answer.fate is not Fate.TAKEN:
            raise self.fault(asked.answer)
        return asked.rows

    def delete(self, place: flux.Place, channel: str, start_ms: int, end_ms: int) -> None:
        """Remove a channel's points of one measurement; raises ``StoreError``."""
        predicate = f"_measurement={flux.literal(place.measurement)} AND channel=" + flux.literal(
            channel
        )
        # The server removes the end as well, so it is put a microsecond before.
        stop = f"{moment_of(end_ms - 1):%Y-%m-%dT%H:%M:%S}.{(end_ms - 1) % 1_000:03d}999Z"

        def act() -> None:
            self._client.delete_api().delete(
                f"{moment_of(start_ms):%Y-%m-%dT%H:%M:%S}.{start_ms % 1_000:03d}Z",
                stop,
                predicate,
                bucket=place.bucket,
                org=self.settings.org,
            )

        answer = self._asked(act)
        if answer.fate is not Fate.TAKEN:
            raise self.fault(answer)

    def prepare(
        self, *, keep_days: int | None = None, minutes_days: int | None = None
    ) -> list[str]:
        """Make what is missing of bucket, retention and downsampling; what was done, in words.

        ``keep_days`` is how long readings are kept; None is for ever in a new bucket and as it is
        in one that is there. With ``minutes_days`` a task keeps a summary of each minute in a
        second bucket for so long (0 for ever in a new one, else as it is). Needs a
        token that may read and write buckets and tasks of the organization, not the
        collector's. Raises ``StoreError``.
        """
        said: list[str] = []

        def act() -> None:
            said.append(self._bucket(self.settings.bucket, keep_days))
            if minutes_days is not None:
                target = f"{self.settings.bucket}-minutes"
                said.append(self._bucket(target, minutes_days or None))
                said.append(self._task(target))

        answer = self._asked(act)
        if answer.fate is not Fate.TAKEN:
            raise self.fault(answer)
        return said

    def _bucket(self, name: str, keep_days: int | None) -> str:
        from influxdb_client import BucketRetentionRules

        buckets = self._client.buckets_api()
        seconds = (keep_days or 0) * 86_400
        kept = f"{keep_days} days" if keep_days else "for ever"
        rules = [BucketRetentionRules(type="expire", every_seconds=seconds)]
        there = buckets.find_buckets(name=name, org=self.settings.org).buckets
        if not there:
            buckets.create_bucket(
                bucket_name=name, org=self.settings.org, retention_rules=rules if seconds else None
            )
            return f"Bucket {name} made; what is in it is kept {kept}."
        found = there[0]
        now = sum(rule.every_seconds or 0 for rule in found.retention_rules)
        if keep_days is None or now == seconds:  # a retention that is there is not taken away
            kept = f"{now / 86_400:g} days" if now else "for ever"
            return f"Bucket {name} is there; what is in it is kept {kept}."
        found.retention_rules = rules
        buckets.update_bucket(found)
        return f"Bucket {name} was there; what is in it is kept {kept} from now on."

    def _task(self, target: str) -> str:
        from influxdb_client import TaskCreateRequest

        tasks = self._client.tasks_api()
        place = flux.Place(self.settings.bucket, self.settings.measurement)
        if tasks.find_tasks(name=flux.task_name(place)):
            return f"The task for bucket {target} is there."
        tasks.create_task(
            task_create_request=TaskCreateRequest(
                org=self.settings.org, flux=flux.minutes_task(place, target), status="active"
            )
        )
        return f"Task made: each hour the minutes of the last three go to bucket {target}."

    def fault(self, answer: Answer) -> StoreError:
        """What to raise for an answer that is not "taken"."""
        return StoreError(answer.words, where=self.settings.url, remedy=answer.remedy)

    def close(self) -> None:
        """Close the connections."""
        client = self.__dict__.pop("_client", None)
        if client is not None:
            client.close()

    def _asked(self, act: Any) -> Answer:
        """What the server makes of it; transport errors count as answers too."""
        from influxdb_client.rest import ApiException
        from urllib3.exceptions import HTTPError

        try:
            act()
        except ApiException as error:
            body = error.body if isinstance(error.body, bytes) else str(error.body or "").encode()
            headers = error.headers or {}
            return answer_of(
                error.status or 0, body, headers.get("Retry-After"), self.settings.bucket
            )
        except (HTTPError, OSError) as error:
            return Answer(
                Fate.LATER,
                f"InfluxDB does not answer ({_cause(error)}).",
                "Start it, or correct url in [influx].",
            )
        except _QueryError as error:
            return Answer(Fate.LATER, f"InfluxDB broke a query off ({_short(str(error))}).")
        except (_StrangeAnswerError, ValueError, csv.Error) as error:
            return Answer(
                Fate.LATER,
                f"What answers is no InfluxDB 2 ({_short(str(error))}).",
                "Correct url in [influx].",
            )
        return TAKEN


class _QueryError(Exception):
    """An error that stands in the body of an answer that began well."""


class _StrangeAnswerError(Exception):
    """An answer that InfluxDB would not give."""


def answer_of(status: int, body: bytes, retry_after: str | None, bucket: str) -> Answer:
    """What an answer other than success means for what was sent.

    Source: InfluxDB 2 API, "Response codes" and "Troubleshoot issues writing data".
    """
    told = _message(body)
    if status in (408, 429) or status >= 500:
        words = f"InfluxDB cannot take it now (status {status}{told})."
        return Answer(Fate.LATER, words, retry_after_s=_seconds(retry_after))
    if status in (400, 413, 422):
        return Answer(Fate.DIVIDE, f"InfluxDB refuses it (status {status}{told}).")
    words, remedy = {
        401: ("InfluxDB does not know the token", f"Put a valid one into {TOKEN}"),
        403: (
            f"the token may not do that with bucket {bucket}",
            "Give it the right to read and write that bucket",
        ),
        404: (
            f"InfluxDB has no bucket {bucket} in that organization",
            "Correct org and bucket in [influx], or make the bucket",
        ),
    }.get(status, ("InfluxDB answers what nobody expected", "Is url in [influx] that of InfluxDB?"))
    return Answer(
        Fate.STOP,
        f"{words[0].upper()}{words[1:]} (status {status}{told}).",
        f"{remedy}, and start the collector again.",
    )


def _message(body: bytes) -> str:
    """The server's own words, if there are any, to be put behind the status."""
    found = re.search(rb'"message"\s*:\s*"((?:[^"\\]|\\.)*)"', body)
    if found is None:
        return ""
    text = found[1].decode("utf-8", "replace").replace('\\"', '"').replace("\\n", " ")
    return f": {_short(text)}" if text else ""


def _cause(error: Exception) -> str:
    """Why there is no answer, without what only a programmer reads."""
    text = re.sub(r"HTTPS?Connection(?:Pool)?\([^)]*\): ", "", str(error))
    text = re.sub(r"Failed to establish a new connection: |\[Errno -?\d+\] ", "", text)
    return _short(text or type(error).__name__)


def _short(text: str) -> str:
    text = " ".join(text.split())
    return text if len(text) <= 300 else f"{text[:297]}..."


def _seconds(text: str | None) -> float | None:
    try:
        return None if text is None else max(0.0, float(text))
    except ValueError:
        return None


def _rows(cells: Iterable[Sequence[str]]) -> Iterator[Row]:
    """Rows by name; a header stands below each annotation (annotated CSV of InfluxDB)."""
    header: Sequence[str] | None = None
    for row in cells:
        if not any(row):
            continue
        if row[0].startswith("#"):
            header = None
        elif header is None:
            header = row
            if row[1:3] != ["result", "table"] and "error" not in row:
                raise _StrangeAnswerError("a query gives no table")
        elif "error" in header and "reference" in header:
            raise _QueryError(row[header.index("error")])
        else:
            yield dict(zip(header, row, strict=False))


def ms_of_text(text: str) -> int:
    """A time as InfluxDB writes it (RFC 3339, UTC, as many decimals as needed), in whole ms."""
    fraction = text[20:-1] if text[19] == "." else ""
    of_day = int(text[11:13]) * 3_600 + int(text[14:16]) * 60 + int(text[17:19])
    return _day_ms(text[:10]) + of_day * 1_000 + int(f"{fraction}000"[:3])


@functools.lru_cache(maxsize=1_024)
def _day_ms(text: str) -> int:
    return (date.fromisoformat(text) - _EPOCH).days * 86_400_000


_EPOCH = datetime(1970, 1, 1, tzinfo=UTC).date()
