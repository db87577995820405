"""The contract that every store of readings keeps. Pure: types only.

Windows are half-open, ``start_ms <= time < end_ms``. Only the collector appends and removes;
everybody may read. A store never changes a value: marks are added, duplicates are counted, a second
value for the same channel and time is kept beside the first as a conflict.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass, field
from typing import Protocol, runtime_checkable

import numpy as np
import numpy.typing as npt

from collector.readings import Reading, Series


@dataclass(frozen=True, slots=True)
class Refusal:
    """Why a message, or one reading of it, was not taken."""

    reason: str
    channel: str | None = None


@dataclass(frozen=True, slots=True)
class SensorState:
    """What a message said of the sensor itself, as it was sent: battery level, radio signal."""

    channel: str
    battery: float | None = None
    radio: float | None = None


@dataclass(frozen=True, slots=True)
class Delivery:
    """A message by which it is known when it is delivered again.

    ``number`` counts up; ``packet_id`` is what the broker called it; ``digest`` stands for
    topic and payload.
    """

    number: int
    packet_id: int
    digest: bytes


@dataclass(frozen=True, slots=True)
class Deliveries:
    """Deliveries kept, in order of their number; those up to ``settled`` come no more."""

    kept: tuple[Delivery, ...] = ()
    settled: int = 0


@dataclass(frozen=True, slots=True)
class Arrival:
    """One message as it came in: what was understood of it and what was refused.

    A message with no reading and no refusal (base fields only) counts as stored.
    ``payload`` is kept only when something was refused. ``undated`` says that a reading has
    its time from the arrival; ``delivery`` is kept with the readings then, and ``again`` says
    that the whole message was kept before and is a duplicate. ``sensors`` is not kept.
    """

    topic: str
    received_ms: int
    readings: tuple[Reading, ...] = ()
    refusals: tuple[Refusal, ...] = ()
    payload: bytes = b""
    undated: bool = False
    delivery: Delivery | None = None
    again: bool = False
    sensors: tuple[SensorState, ...] = ()

    # As dataclasses.replace, which takes as long as all the decoding of a message.

    def with_readings(self, readings: tuple[Reading, ...]) -> Arrival:
        """The same message with other readings."""
        return Arrival(
            self.topic,
            self.received_ms,
            readings,
            self.refusals,
            self.payload,
            self.undated,
            self.delivery,
            self.again,
            self.sensors,
        )

    def as_delivered(self, delivery: Delivery | None, *, again: bool) -> Arrival:
        """The same message with what is known of its delivery."""
        return Arrival(
            self.topic,
            self.received_ms,
            self.readings,
            self.refusals,
            self.payload,
            self.undated,
            delivery,
            again,
            self.sensors,
        )


@dataclass(frozen=True, slots=True)
class Appended:
    """What one append did, in readings: all of them are one of the four."""

    stored: int = 0
    duplicate: int = 0
    conflict: int = 0
    refused: int = 0

    def __add__(self, other: Appended) -> Appended:
        return Appended(
            self.stored + other.stored,
            self.duplicate + other.duplicate,
            self.conflict + other.conflict,
            self.refused + other.refused,
        )


@dataclass(frozen=True, slots=True)
class Accounts:
    """Counts since the store was made; ``received = stored + duplicate + refused`` for both.

    A message is *stored* when it brought at least one new reading, *refused* when nothing of
    it could be taken, *duplicate* when it brought only readings that were on disk already.
    A conflicting reading counts among the stored and is counted again in ``conflicts``.
    """

    messages_received: int = 0
    messages_stored: int = 0
    messages_duplicate: int = 0
    messages_refused: int = 0
    readings_received: int = 0
    readings_stored: int = 0
    readings_duplicate: int = 0
    readings_refused: int = 0
    conflicts: int = 0

    @property
    def balanced(self) -> bool:
        """Whether both sums add up."""
        return (
            self.messages_received
            == self.messages_stored + self.messages_duplicate + self.messages_refused
        ) and (
            self.readings_received
            == self.readings_stored + self.readings_duplicate + self.readings_refused
        )


@dataclass(frozen=True, slots=True)
class RefusedMessage:
    """A refused message as it is kept: topic, reason, arrival [ms since 1970] and bytes."""

    number: int
    topic: str
    reason: str
    received_ms: int
    payload: bytes


@dataclass(frozen=True, slots=True)
class Removal:
    """Readings that were removed on purpose: when, from which window, how many and why."""

    removed_ms: int
    channel: str
    start_ms: int
    end_ms: int
    readings_n: int
    conflicts_n: int
    reason: str


@dataclass(frozen=True, slots=True)
class Gap:
    """A hole in the record, from the last reading before it to the first one after it [ms]."""

    start_ms: int
    end_ms: int


@dataclass(frozen=True, slots=True)
class Coverage:
    """How much of a window was really recorded.

    A stretch between neighbouring readings counts as covered when it is no longer than the
    gap limit; a longer one is a gap and not covered at all. Before the first and after the
    last reading of the window the record is continued from the neighbouring reading outside
    it, if that is near enough. ``share`` is 0 to 1 of the window's length.
    """

    share: float
    gaps: tuple[Gap, ...]
    count: int

    @property
    def longest_gap_ms(self) -> int:
        """Length of the longest gap within the window [ms]; 0 when there is none."""
        return max((gap.end_ms - gap.start_ms for gap in self.gaps), default=0)


@dataclass(frozen=True, slots=True)
class Buckets:
    """A window cut into ``n`` stretches for charts only; never for verdicts.

    The stretches are equal to the millisecond while they are short. From two minutes on they
    begin on whole minutes, from twenty on whole tens of them, from two hours on whole hours, from
    two days on whole days (UTC), each moved by half of that at the most
    (:func:`collector.store.stretches.edges_of`);
    ``width_ms`` is the mean of their lengths.

    Arrays of length n: ``starts_ms`` int64; ``minima``, ``maxima``, ``means`` (time-weighted)
    float64, NaN where a bucket has no reading; ``counts`` int64; ``coverage`` 0 to 1.
    Minima and maxima are exact.
    """

    channel: str
    starts_ms: npt.NDArray[np.int64]
    width_ms: float
    minima: npt.NDArray[np.float64]
    maxima: npt.NDArray[np.float64]
    means: npt.NDArray[np.float64]
    counts: npt.NDArray[np.int64]
    coverage: npt.NDArray[np.float64]


@dataclass(frozen=True, slots=True)
class Change:
    """A stretch of one channel that an append touched, both ends included [ms since 1970]."""

    channel: str
    first_ms: int
    last_ms: int


@dataclass(frozen=True, slots=True)
class Changes:
    """What was touched after a cursor. ``complete`` is False when the cursor is too old."""

    cursor: int
    changes: tuple[Change, ...] = field(default=())
    complete: bool = True


class ReadingStore(Protocol):
    """Keeps readings, each channel and time once. Every method raises ``StoreError``."""

    def append(self, arrivals: Sequence[Arrival]) -> Appended:
        """Keep what arrived, in one durable transaction with the accounts. Idempotent."""

    def between(self, channel: str, start_ms: int, end_ms: int) -> Series:
        """Readings of a channel in the window, in time order, conflicts left out."""

    def before(self, channel: str, time_ms: int) -> Reading | None:
        """The last reading of a channel strictly before a time."""

    def after(self, channel: str, time_ms: int) -> Reading | None:
        """The first reading of a channel at or after a time."""

    def buckets(
        self, channel: str, start_ms: int, end_ms: int, n: int, *, gap_limit_ms: int
    ) -> Buckets:
        """The window in ``n`` buckets, for a chart."""

    def latest(self) -> dict[str, Reading]:
        """The reading with the latest time, per channel."""

    def channels(self) -> list[str]:
        """Ids of the channels that have readings, sorted."""

    def coverage(self, channel: str, start_ms: int, end_ms: int, *, gap_limit_ms: int) -> Coverage:
        """How much of the window was recorded, and the holes in it."""

    def count(self, channel: str | None = None) -> int:
        """Number of readings kept, of one channel or of all."""

    def accounts(self) -> Accounts:
        """The accounts as of the last append."""

    def refused(self, limit: int = 100) -> list[RefusedMessage]:
        """The newest refused messages, newest first."""

    def changes(self, cursor: int | None = None) -> Changes:
        """What was touched after ``cursor``; None gives only the cursor of now."""

    def delete_range(self, channel: str, start_ms: int, end_ms: int) -> int:
        """Remove a channel's readings in the window, conflicts with them; how many readings.

        For whoever appends. The accounts go on counting what was received; the window shows
        in ``changes``. A channel that has nothing there is left as it is.
        """

    def close(self) -> None:
        """Let go of files and connections."""


class CollectingStore(ReadingStore, Protocol):
    """A store that the collector fills: it also keeps what tells a repeated message."""

    def append(self, arrivals: Sequence[Arrival], *, settled: int = 0) -> Appended:
        """As before, with the deliveries of the arrivals in the same transaction.

        Deliveries up to ``settled`` are acknowledged, as the broker has confirmed.
        """

    def deliveries(self) -> Deliveries:
        """The deliveries that may come again, and those kept in case a broker forgets."""

    def conflicts(self, channel: str, start_ms: int, end_ms: int) -> list[Reading]:
        """Second values of a channel in the window, in order of time and value."""


@dataclass(frozen=True, slots=True)
class HandOver:
    """How far a store is with handing over to a server what it keeps on disk for it.

    ``messages_n`` with ``readings_n`` wait, the first of them since ``since_ms`` [ms since 1970].
    ``fault`` says in words what keeps the server from taking them; ``stopped`` that it is not
    tried any more, for it calls for a person.
    """

    messages_n: int = 0
    readings_n: int = 0
    since_ms: int | None = None
    fault: str | None = None
    stopped: bool = False


@runtime_checkable
class HandsOver(Protocol):
    """A store that keeps what comes on disk here and hands it over to a server."""

    def hand_over(self) -> HandOver:
        """What waits, and why."""

    def lately(
        self, channels: Sequence[str], start_ms: int, end_ms: int, most_n: int
    ) -> Iterator[Series]:
        """What came of these channels of late, as far as it is on disk here, newest ``most_n``.

        The server is not asked: it may be away.
        """

    def wait_until_handed_over(self, patience_s: float = 60.0) -> None:
        """Return when the server has all; raises ``StoreError`` when it takes nothing so long."""


@runtime_checkable
class KeepsConflicts(Protocol):
    """A store that can tell the second values that came for a time."""

    def conflicts(self, channel: str, start_ms: int, end_ms: int) -> list[Reading]:
        """Second values of a channel in the window, in order of time and value."""
