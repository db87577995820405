"""/api/health: accounts, the collector, every channel, and what was refused."""

from __future__ import annotations

from datetime import datetime
from typing import Annotated, Literal

from fastapi import APIRouter, Query
from pydantic import Field

from api.health import REFUSED_TOLD_N, ChannelHealth, Health, health_now, shown
from api.prints import Frozen
from api.problems import problems
from api.routes.asking import Now, TheWorkshop
from api.routes.readings import LatestShape, mark_names, shape_of
from api.routes.shapes import sent
from collector.clocks import ClockState, Condition
from collector.readings import moment_of
from collector.status import CollectorStatus
from collector.store.contract import HandOver, RefusedMessage, Removal

router = APIRouter(prefix="/api", tags=["Health"])


class AccountsShape(Frozen):
    """Every message and every reading is one of stored, duplicate or refused."""

    messages_received: int
    messages_stored: int
    messages_duplicate: int
    messages_refused: int
    readings_received: int
    readings_stored: int
    readings_duplicate: int
    readings_refused: int
    conflicts: int = Field(description="Second values for a time that had one; among the stored.")


class ClockStepShape(Frozen):
    """A clock that was set or lost its time."""

    time: datetime
    offset_before_s: float
    offset_after_s: float


class ClockShape(Frozen):
    """How a sensor's clock stands against the collector's."""

    condition: Condition
    offset_s: float | None = Field(description="Arrival minus own time; positive when behind.")
    since: datetime | None
    step: ClockStepShape | None


class RemovedShape(Frozen):
    """Readings that were taken out on purpose: no gap of the sensor."""

    reason: str
    readings: int
    since: datetime
    until: datetime
    last_removed: datetime


class ChannelHealthShape(LatestShape):
    """How one channel is; `silent_s` goes by the last reading's time, `quiet_s` by arrivals too."""

    heard: datetime | None = Field(description="When a message of it last came in, if known.")
    quiet_s: float | None = Field(description="Seconds without anything from it.")
    overdue: bool = Field(description="Whether that is several of its usual intervals.")
    interval_s: float | None = Field(description="Usual seconds between readings.")
    interval_set: bool = Field(description="Whether that stands in the settings, or was learned.")
    clock: ClockShape
    marks: dict[str, int] = Field(description="The last day's readings by mark, by their own time.")
    conflicts: int | None = Field(description="Second values of that day.")
    marks_since_start: dict[str, int] = Field(description="By mark, since the collector started.")
    battery: float | None = Field(description="As the sensor sent it.")
    radio: float | None = Field(description="As the sensor sent it.")
    sensor_time: datetime | None = Field(description="When it sent those.")
    removed: tuple[RemovedShape, ...] = Field(
        description="What was thinned or forgotten as `[[keep]]` says, or taken out by hand."
    )


class CollectorShape(Frozen):
    """What the collector was at when it last told; counts are readings since it started."""

    state: Literal["at work", "stopped", "away"]
    told: datetime = Field(description="When it last told; away since then.")
    started: datetime
    client_id: str
    broker_url: str
    connected: bool
    subscribed: bool
    link_since: datetime
    link_fault: str | None
    connections: int
    store_fault: str | None
    store_fault_since: datetime | None
    waiting: int = Field(description="Messages not looked at yet.")
    in_hand: int = Field(description="Messages that are not on disk yet.")
    lag_s: float | None = Field(description="From arrival until on disk, of the last batch.")
    let_go: int = Field(description="Messages at QoS 0 for which there was no room.")
    late_acknowledgements: int
    stored: int
    duplicate: int
    conflict: int
    refused: int


class HandOverShape(Frozen):
    """What waits on disk for InfluxDB, and why; a wait of a moment is nothing to worry about."""

    messages: int = Field(description="Messages that wait.")
    readings: int = Field(description="Readings in them.")
    since: datetime | None = Field(description="When the first of them came; null when none waits.")
    fault: str | None = Field(description="What keeps the server from taking them.")
    stopped: bool = Field(
        description="Whether it is not tried any more until the collector is started again."
    )


class RefusedShape(Frozen):
    """A refused message; text is null where the bytes are no printable UTF-8."""

    number: int
    time: datetime
    topic: str
    reason: str
    text: str | None
    hex: str
    bytes: int = Field(description="How many there are kept; text and hex show the first.")


class HealthShape(Frozen):
    """Whether every message is accounted for and every channel speaks."""

    time: datetime
    store_fault: str | None = Field(description="Why the store cannot be read, if it cannot.")
    balanced: bool | None = Field(
        description="received = stored + duplicate + refused, of messages and of readings."
    )
    accounts: AccountsShape | None
    collector: CollectorShape | None = Field(description="null when none was ever seen here.")
    hand_over: HandOverShape | None = Field(description="null unless InfluxDB keeps the readings.")
    channels: tuple[ChannelHealthShape, ...]
    refused: tuple[RefusedShape, ...] = Field(
        description="The newest refused messages that are kept, newest first."
    )


@router.get("/health", summary="Accounts, silences and refusals", responses=problems())
def health(
    workshop: TheWorkshop,
    now: Now,
    refused: Annotated[
        int, Query(ge=0, le=1_000, description="How many refused messages to tell.")
    ] = REFUSED_TOLD_N,
) -> HealthShape:
    """Every message must be accounted for, over crashes too.

    It answers while the store cannot be read and while the collector is away, and says so.
    """
    found = health_now(workshop, now, refused_n=refused)
    return HealthShape(
        time=now,
        store_fault=found.store_fault,
        balanced=None if found.accounts is None else found.accounts.balanced,
        accounts=None if found.accounts is None else sent(AccountsShape, found.accounts),
        collector=None if found.collector is None else _collector(found, found.collector),
        hand_over=None if found.hand_over is None else _hand_over(found.hand_over),
        channels=tuple(_channel(one) for one in found.channels),
        refused=tuple(_refused(one) for one in found.refused),
    )


def _channel(one: ChannelHealth) -> ChannelHealthShape:
    now, status = one.now, one.status
    return ChannelHealthShape(
        channel=now.channel.id,
        unit=now.channel.role.unit,
        reading=None if now.reading is None else shape_of(now.reading),
        silent_s=now.silent_s,
        silent=one.silent,
        heard=one.heard,
        quiet_s=one.quiet_s,
        overdue=one.overdue,
        interval_s=one.interval_s,
        interval_set=one.interval_set,
        clock=_clock(one.clock),
        marks={name: count for mark, count in one.marks.items() for name in mark_names(mark)},
        conflicts=one.conflicts_n,
        marks_since_start=dict(status.marks),
        battery=status.battery,
        radio=status.radio,
        sensor_time=None if status.sensor_ms is None else moment_of(status.sensor_ms),
        removed=tuple(_removed(each) for each in one.removed),
    )


def _clock(state: ClockState) -> ClockShape:
    step = state.step
    return ClockShape(
        condition=state.condition,
        offset_s=None if state.offset_ms is None else state.offset_ms / 1_000,
        since=None if state.since_ms is None else moment_of(state.since_ms),
        step=None
        if step is None
        else ClockStepShape(
            time=moment_of(step.at_ms),
            offset_before_s=step.offset_before_ms / 1_000,
            offset_after_s=step.offset_after_ms / 1_000,
        ),
    )


def _collector(found: Health, status: CollectorStatus) -> CollectorShape:
    fault_ms = status.store_fault_since_ms
    return sent(
        CollectorShape,
        status,
        state="stopped" if status.stopped else "away" if found.away else "at work",
        told=moment_of(status.at_ms),
        started=moment_of(status.started_ms),
        link_since=moment_of(status.link_since_ms),
        connections=status.connections_n,
        store_fault_since=None if fault_ms is None else moment_of(fault_ms),
        waiting=status.waiting_n,
        in_hand=status.in_hand_n,
        lag_s=None if status.lag_ms is None else status.lag_ms / 1_000,
        let_go=status.let_go_n,
        late_acknowledgements=status.stale_n,
    )


def _hand_over(one: HandOver) -> HandOverShape:
    return HandOverShape(
        messages=one.messages_n,
        readings=one.readings_n,
        since=None if one.since_ms is None else moment_of(one.since_ms),
        fault=one.fault,
        stopped=one.stopped,
    )


def _removed(one: Removal) -> RemovedShape:
    return RemovedShape(
        reason=one.reason,
        readings=one.readings_n,
        since=moment_of(one.start_ms),
        until=moment_of(one.end_ms),
        last_removed=moment_of(one.removed_ms),
    )


def _refused(one: RefusedMessage) -> RefusedShape:
    payload = shown(one.payload)
    return RefusedShape(
        number=one.number,
        time=moment_of(one.received_ms),
        topic=one.topic,
        reason=one.reason,
        text=payload.text,
        hex=payload.hex,
        bytes=payload.bytes_n,
    )
