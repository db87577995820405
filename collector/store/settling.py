"""What becomes of a batch of arrivals at a store that overwrites. Pure.

InfluxDB keeps one value for a series and time and takes a second one in its place. So what is
new, what is a duplicate and what is a conflict is decided here, before anything is written:
against an index of what the store has, and in the order of arrival. The decision is a function
of the two alone, so a batch that was written but not yet noted as written comes to the same
points when it is tried again.
"""

from __future__ import annotations

import enum
from collections import Counter
from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass, field, replace
from typing import Protocol

from collector.readings import Mark, Reading
from collector.store.contract import Appended, Arrival

Key = tuple[str, int]


class Index(Protocol):
    """What the store has of a channel and time."""

    def first(self, channel: str, time_ms: int) -> tuple[float, int] | None:
        """Value and marks; None when there is nothing."""

    def others(self, channel: str, time_ms: int) -> Sequence[float]:
        """The second values, in the order in which they came."""


@dataclass(frozen=True, slots=True)
class Point:
    """One thing to be written: a reading, or with ``nth`` from 1 on a second value beside it.

    ``value`` None leaves the value that is there and gives it other marks.
    """

    channel: str
    time_ms: int
    value: float | None
    marks: int
    nth: int = 0


class Kind(enum.Enum):
    """What a reading is when it arrives."""

    NEW = enum.auto()
    DUPLICATE = enum.auto()
    CONFLICT = enum.auto()


@dataclass(frozen=True, slots=True)
class Plan:
    """What to write for a batch, and what each reading of each arrival is.

    ``kinds`` goes by arrival and reading: the kind, and which of ``points`` it stands or
    falls with; None when it is in the store already.
    """

    points: tuple[Point, ...]
    kinds: tuple[tuple[tuple[Kind, int | None], ...], ...]


def plan_of(arrivals: Iterable[Arrival], index: Index) -> Plan:
    """What to write; each series and time at most once, so that no order within it matters."""
    drafts = _Drafts(index)
    kinds = tuple(
        () if arrival.again else tuple(drafts.take(reading) for reading in arrival.readings)
        for arrival in arrivals
    )
    return Plan(tuple(drafts.points), kinds)


class _Drafts:
    """Points so far, and where each key has its own."""

    def __init__(self, index: Index) -> None:
        self._index = index
        self.points: list[Point] = []
        self._first: dict[Key, int] = {}
        self._others: dict[Key, dict[float, int | None]] = {}
        self._marked: set[Key] = set()

    def take(self, reading: Reading) -> tuple[Kind, int | None]:
        key = (reading.channel, reading.time_ms)
        place = self._first.get(key)
        there = self._index.first(*key) if place is None else (self.points[place].value, 0)
        if there is None:
            self._first[key] = self._add(
                Point(reading.channel, reading.time_ms, reading.value, int(reading.marks))
            )
            return Kind.NEW, self._first[key]
        if there[0] == reading.value:
            return Kind.DUPLICATE, place
        others = self._others.get(key)
        if others is None:
            others = self._others[key] = dict.fromkeys(self._index.others(*key))
        if reading.value in others:
            return Kind.DUPLICATE, others[reading.value]
        self._mark(key)
        marks = int(reading.marks | Mark.CONFLICT)
        second = Point(reading.channel, reading.time_ms, reading.value, marks, len(others) + 1)
        others[reading.value] = self._add(second)
        return Kind.CONFLICT, others[reading.value]

    def _add(self, point: Point) -> int:
        self.points.append(point)
        return len(self.points) - 1

    def _mark(self, key: Key) -> None:
        """Mark the first value of a key as one that has a second beside it."""
        place = self._first.get(key)
        if place is not None:
            self.points[place] = replace(
                self.points[place], marks=self.points[place].marks | int(Mark.CONFLICT)
            )
            return
        there = self._index.first(*key)
        if there is not None and key not in self._marked and not there[1] & Mark.CONFLICT:
            self._marked.add(key)
            self._add(Point(*key, None, there[1] | int(Mark.CONFLICT)))


@dataclass(slots=True)
class Settled:
    """What became of a batch: counts for the accounts, what was touched, what was refused.

    ``each`` gives the counts of each arrival; ``refused`` are rows of topic, reason, time of
    arrival and payload; ``stored`` are the points that the store now has.
    """

    counts: Counter[str] = field(default_factory=Counter)
    each: list[Appended] = field(default_factory=list)
    touched: dict[str, tuple[int, int]] = field(default_factory=dict)
    refused: list[tuple[str, str, int, bytes]] = field(default_factory=list)
    stored: list[Point] = field(default_factory=list)


def settled_of(arrivals: Sequence[Arrival], plan: Plan, refused: Mapping[int, str]) -> Settled:
    """What became of a batch whose points are written but for the ``refused`` (place, reason)."""
    done = Settled(stored=[p for i, p in enumerate(plan.points) if i not in refused])
    for arrival, kinds in zip(arrivals, plan.kinds, strict=True):
        _settle(done, arrival, kinds, refused)
    return done


def _settle(
    done: Settled,
    arrival: Arrival,
    kinds: Sequence[tuple[Kind, int | None]],
    refused: Mapping[int, str],
) -> None:
    new = conflict = duplicate = 0
    reasons = [f"{r.channel}: {r.reason}" if r.channel else r.reason for r in arrival.refusals]
    for reading, (kind, place) in zip(arrival.readings, kinds, strict=False):
        if refused and place is not None and place in refused:
            at = f"{reading.value:g} at {reading.time_ms} ms"
            reasons.append(f"{reading.channel}: {at} is not taken: {refused[place]}")
        elif kind is Kind.DUPLICATE:
            duplicate += 1
        else:
            new += kind is Kind.NEW
            conflict += kind is Kind.CONFLICT
            _touch(done.touched, reading)
    if arrival.again:
        duplicate, reasons = len(arrival.readings) + len(arrival.refusals), []
    _count(done, Appended(new, duplicate, conflict, len(reasons)), again=arrival.again)
    if reasons:
        done.refused.append(
            (arrival.topic, "; ".join(reasons), arrival.received_ms, arrival.payload)
        )


def _touch(touched: dict[str, tuple[int, int]], reading: Reading) -> None:
    first, last = touched.get(reading.channel, (reading.time_ms, reading.time_ms))
    touched[reading.channel] = (min(first, reading.time_ms), max(last, reading.time_ms))


def _count(done: Settled, one: Appended, *, again: bool) -> None:
    """Add one arrival to the accounts; a conflict is among the stored and counted again."""
    stored = one.stored + one.conflict
    if stored or not (one.duplicate or one.refused or again):
        message = "messages_stored"
    else:
        message = "messages_duplicate" if one.duplicate or again else "messages_refused"
    counts = done.counts
    counts["messages_received"] += 1
    counts[message] += 1
    counts["readings_received"] += stored + one.duplicate + one.refused
    counts["readings_stored"] += stored
    counts["readings_duplicate"] += one.duplicate
    counts["readings_refused"] += one.refused
    counts["conflicts"] += one.conflict
    done.each.append(one)


class Fate(enum.Enum):
    """What a server's answer means for what was asked of it."""

    TAKEN = enum.auto()
    LATER = enum.auto()
    DIVIDE = enum.auto()
    STOP = enum.auto()


@dataclass(frozen=True, slots=True)
class Answer:
    """A fate, in words, with the server's wish for a pause [s] if it has one."""

    fate: Fate
    words: str = ""
    remedy: str | None = None
    retry_after_s: float | None = None


TAKEN = Answer(Fate.TAKEN)


def deliver(
    lines: Sequence[str], write: Callable[[Sequence[str]], Answer]
) -> Answer | dict[int, str]:
    """Write lines, dividing what is not taken until the offending ones are alone.

    Gives the places of the lines refused with their reasons, or the answer that stopped it;
    then nothing is known of what was taken, and all of it has to be written again. Lines go
    in their order but for those of a part that is divided, which go again.
    """
    refused: dict[int, str] = {}
    parts = [(0, len(lines))] if lines else []
    while parts:
        begin, end = parts.pop()
        answer = write(lines[begin:end])
        if answer.fate is Fate.TAKEN:
            continue
        if answer.fate is not Fate.DIVIDE:
            return answer
        if end - begin == 1:
            refused[begin] = answer.words
            continue
        middle = (begin + end) // 2
        parts += [(middle, end), (begin, middle)]
    return refused
