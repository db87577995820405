"""Readings out of a file into a store: looked over first, then kept, each once.

The file is read twice: nothing is kept unless every row can be, or the bad ones are to be kept
as refused. What is kept goes through the store's ``append`` like any message, so the accounts
add up and whatever is there already counts as duplicate; an import that was broken off is
finished by running it again.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator
from dataclasses import dataclass, field
from itertools import islice

from collector.errors import StoreError
from collector.readings import Reading
from collector.store.contract import Accounts, Arrival, CollectingStore, HandsOver, Refusal
from collector.transfer.files import RowFile
from collector.transfer.rows import Fault, Row
from collector.transfer.taking import Taking

#: Readings that count as one message, and messages in one transaction.
READINGS_IN_MESSAGE_N = 1_000
MESSAGES_AT_ONCE_N = 5

#: Faults that are told; the rest are counted.
FAULTS_TOLD_N = 20

PROGRESS_EVERY_N = 10_000


@dataclass(slots=True)
class Span:
    """How many readings of a channel a file has, and from when to when [ms since 1970]."""

    readings_n: int
    first_ms: int
    last_ms: int


@dataclass(slots=True)
class Survey:
    """What a file has: rows, readings by channel, and faults by row number, the first few told."""

    rows_n: int = 0
    seconds_n: int = 0
    channels: dict[str, Span] = field(default_factory=dict)
    faults: list[tuple[int, Fault]] = field(default_factory=list)
    faults_n: int = 0
    fatal: bool = False


@dataclass(frozen=True, slots=True)
class Imported:
    """What an import did, in readings; ``refused`` are bad rows and what the store refused."""

    stored: int
    duplicate: int
    conflicts: int
    refused: int


Progress = Callable[[int, float], None]


def looked_over(file: RowFile, taking: Taking, *, progress: Progress = lambda *_: None) -> Survey:
    """Read a file to its end and keep nothing; raises ``InvalidError`` when it is no such file."""
    survey = Survey()
    for number, row in file.rows():
        survey.rows_n += 1
        reading = row if isinstance(row, Fault) else taking.reading(row)
        if isinstance(reading, Fault):
            survey.faults_n += 1
            survey.fatal = survey.fatal or reading.fatal
            if len(survey.faults) < FAULTS_TOLD_N:
                survey.faults.append((number, reading))
        else:
            survey.seconds_n += isinstance(row, Row) and row.nth > 0
            _note(survey.channels, reading)
        if survey.rows_n % PROGRESS_EVERY_N == 0:
            progress(survey.rows_n, file.share)
    return survey


def _note(channels: dict[str, Span], reading: Reading) -> None:
    span = channels.get(reading.channel)
    if span is None:
        channels[reading.channel] = Span(1, reading.time_ms, reading.time_ms)
        return
    span.readings_n += 1
    if reading.time_ms < span.first_ms:
        span.first_ms = reading.time_ms
    elif reading.time_ms > span.last_ms:
        span.last_ms = reading.time_ms


def import_readings(
    file: RowFile,
    taking: Taking,
    store: CollectingStore,
    survey: Survey,
    now_ms: int,
    *,
    progress: Progress = lambda *_: None,
) -> Imported:
    """Keep every row that can be kept, and each other one as refused with its reason.

    Readings go before the second values of their times, wherever those stand in the file, so
    that each stays what it is. Raises ``StoreError`` when the store does not take it; what was
    taken stays, and running it again goes on.
    """
    before = store.accounts()
    topic = f"import/{file.path.name}"
    rows_n = 0
    for seconds in (False, True) if survey.seconds_n else (None,):
        coming = _arrivals(file, taking, topic, now_ms, seconds)
        while batch := list(islice(coming, MESSAGES_AT_ONCE_N)):
            store.append(batch)
            if isinstance(store, HandsOver):
                store.wait_until_handed_over()
            rows_n += sum(len(one.readings) + len(one.refusals) for one in batch)
            progress(rows_n, file.share)
    return _difference(before, store.accounts())


def _arrivals(
    file: RowFile, taking: Taking, topic: str, now_ms: int, seconds: bool | None
) -> Iterator[Arrival]:
    """The rows as messages: readings in packs, each bad row by itself with its own text.

    ``seconds`` chooses second values or the others; bad rows are among the others.
    """
    readings: list[Reading] = []
    for number, row in file.rows():
        found = row if isinstance(row, Fault) else taking.reading(row)
        if isinstance(found, Fault):
            if seconds:
                continue
            raw = found.raw if isinstance(row, Fault) else ", ".join(map(str, row))
            reason = f"{file.form.noun} {number}: {found.what}"
            yield Arrival(
                topic, now_ms, refusals=(Refusal(reason),), payload=raw.encode("utf-8", "replace")
            )
            continue
        if seconds is not None and isinstance(row, Row) and (row.nth > 0) is not seconds:
            continue
        readings.append(found)
        if len(readings) == READINGS_IN_MESSAGE_N:
            yield Arrival(topic, now_ms, tuple(readings))
            readings = []
    if readings:
        yield Arrival(topic, now_ms, tuple(readings))


def _difference(before: Accounts, after: Accounts) -> Imported:
    if not after.balanced:
        raise StoreError(
            "The accounts do not add up after the import.",
            where="accounts",
            remedy="Look at them with `vatside check`, and keep a copy of the store.",
        )
    return Imported(
        after.readings_stored - before.readings_stored,
        after.readings_duplicate - before.readings_duplicate,
        after.conflicts - before.conflicts,
        after.readings_refused - before.readings_refused,
    )
