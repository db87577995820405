"""/api/channels, /api/latest, /api/readings, /api/buckets: what was measured."""

from __future__ import annotations

import math
from collections.abc import Sequence
from datetime import datetime, timedelta
from http import HTTPStatus
from typing import Annotated

import numpy as np
import numpy.typing as npt
from fastapi import APIRouter, Query
from pydantic import Field

from api import answers
from api.answers import Workshop
from api.marks import Counted, reduced
from api.prints import Frozen
from api.problems import problems
from api.routes.asking import CountedQuery, Moment, Now, TheWorkshop
from collector.errors import InvalidError
from collector.readings import Mark, Reading, Role, moment_of, ms_of

router = APIRouter(prefix="/api", tags=["Readings"])

ChannelQuery = Annotated[str, Query(description="Id of a channel.", examples=["vat-north"])]
FromQuery = Annotated[
    Moment,
    Query(alias="from", description="Start of the window.", examples=["2026-01-14T18:00:00Z"]),
]
UntilQuery = Annotated[
    Moment, Query(description="End of the window.", examples=["2026-01-15T06:00:00Z"])
]


class ChannelShape(Frozen):
    """A channel: one quantity from one sensor."""

    id: str = Field(examples=["vat-north"])
    place: str = Field(examples=["North vat"])
    role: Role
    unit: str = Field(description="The unit readings are kept in.", examples=["°C"])
    topic: str = Field(examples=["cellar/north/vat"])
    gap_limit_s: float = Field(description="A longer stretch without a reading is a gap.")


class ReadingShape(Frozen):
    """One value at one moment, with the doubts about it by name."""

    time: datetime
    value: float = Field(examples=[21.4])
    marks: tuple[str, ...] = Field((), examples=[["late"]])
    converted: float | None = Field(
        None, description="Before any correction, in the role's unit; with raw=true."
    )
    received: float | None = Field(
        None, description="As it is kept, in received_unit; with raw=true."
    )


class LatestShape(Frozen):
    """The last reading of a channel and for how long it has been silent."""

    channel: str
    unit: str
    reading: ReadingShape | None
    silent_s: float | None = Field(description="Seconds since the last reading.")
    silent: bool = Field(description="Whether that is longer than the channel's gap limit.")


class ReadingsShape(Frozen):
    """Readings of a window in time order; ``next`` is the ``from`` of the next page."""

    channel: str
    unit: str | None
    received_unit: str | None = Field(
        None, description="Ω or mV for a bare sensor, else the role's unit; with raw=true."
    )
    readings: tuple[ReadingShape, ...]
    next: datetime | None = Field(None, description="null when the window is done.")


class BucketsShape(Frozen):
    """A window in equal stretches, for charts; null where nothing was recorded."""

    channel: str
    unit: str | None
    starts: tuple[datetime, ...]
    width_s: float
    minima: tuple[float | None, ...]
    maxima: tuple[float | None, ...]
    means: tuple[float | None, ...]
    counts: tuple[int, ...]
    coverage: tuple[float | None, ...]
    left_out: int = Field(description="Readings left out for their marks.")


@router.get("/channels", summary="List the channels", responses=problems())
def list_channels(workshop: TheWorkshop) -> list[ChannelShape]:
    """The channels of the settings, in their order."""
    return [
        ChannelShape(
            id=channel.id,
            place=channel.place,
            role=channel.role,
            unit=channel.role.unit,
            topic=channel.topic,
            gap_limit_s=channel.gap_limit_s,
        )
        for channel in workshop.settings.channels
    ]


@router.get("/latest", summary="The last reading of every channel", responses=problems())
def latest(workshop: TheWorkshop, now: Now) -> list[LatestShape]:
    """In the order of the settings; silent when the last is older than the gap limit."""
    return _latest(workshop, now)


def _latest(workshop: Workshop, now: datetime) -> list[LatestShape]:
    return [
        LatestShape(
            channel=one.channel.id,
            unit=one.channel.role.unit,
            reading=None if one.reading is None else shape_of(one.reading),
            silent_s=one.silent_s,
            silent=one.silent,
        )
        for one in answers.room_now(workshop, now).channels
    ]


@router.get(
    "/readings",
    summary="Readings of a channel",
    responses=problems(HTTPStatus.NOT_FOUND, HTTPStatus.UNPROCESSABLE_ENTITY),
)
def readings(
    workshop: TheWorkshop,
    channel: ChannelQuery,
    since: FromQuery,
    until: UntilQuery,
    limit: Annotated[int, Query(ge=1, le=50_000, description="Readings on a page.")] = 5_000,
    raw: Annotated[
        bool, Query(description="What was received beside each corrected value.")
    ] = False,
) -> ReadingsShape:
    """Every reading, none smoothed; give `next` as `from` until it is null.

    `value` is converted and corrected by the calibrations on record. With `raw=true` each
    reading also has what was received, which no correction ever changes.
    """
    unit = _unit(workshop, channel, since, until)
    found = workshop.readings(channel, ms_of(since), ms_of(until), limit + 1)
    shapes = tuple(shape_of(reading) for reading in found[:limit])
    return ReadingsShape(
        channel=channel,
        unit=unit,
        received_unit=_received_unit(workshop, channel) if raw else None,
        readings=_with_received(workshop, channel, found[:limit], shapes) if raw else shapes,
        next=moment_of(found[limit].time_ms) if len(found) > limit else None,
    )


@router.get(
    "/buckets",
    summary="Readings of a channel, reduced for a chart",
    responses=problems(HTTPStatus.NOT_FOUND, HTTPStatus.UNPROCESSABLE_ENTITY),
)
def buckets(
    workshop: TheWorkshop,
    channel: ChannelQuery,
    since: FromQuery,
    until: UntilQuery,
    n: Annotated[int, Query(ge=1, le=2_000, description="How many stretches.")] = 300,
    counted: CountedQuery = Counted.PLAUSIBLE,
) -> BucketsShape:
    """Minima and maxima are exact. Never compute a verdict from this: use the readings."""
    unit = _unit(workshop, channel, since, until)
    kept = reduced(workshop, channel, ms_of(since), ms_of(until), n, counted)
    found = kept.buckets
    return BucketsShape(
        channel=channel,
        unit=unit,
        starts=tuple(moment_of(start) for start in found.starts_ms.tolist()),
        width_s=found.width_ms / 1_000,
        minima=_without_nan(found.minima),
        maxima=_without_nan(found.maxima),
        means=_without_nan(found.means),
        counts=tuple(found.counts.tolist()),
        coverage=_without_nan(found.coverage),
        left_out=kept.left_out_n,
    )


def shape_of(reading: Reading) -> ReadingShape:
    """A reading as it is sent."""
    marks = mark_names(reading.marks)
    return ReadingShape(time=moment_of(reading.time_ms), value=reading.value, marks=marks)


def mark_names(marks: Mark) -> tuple[str, ...]:
    """Marks as they are sent, by name."""
    return tuple((mark.name or "").lower() for mark in Mark if mark in marks)


def _with_received(
    workshop: Workshop,
    channel: str,
    found: Sequence[Reading],
    shapes: Sequence[ReadingShape],
) -> tuple[ReadingShape, ...]:
    """The shapes with what was received of each."""
    if not found:
        return ()
    window = (channel, found[0].time_ms, found[-1].time_ms + 1)
    received = {one.time_ms: one.value for one in workshop.received.between(*window)}
    converted = {one.time_ms: one.value for one in workshop.converted.between(*window)}
    return tuple(
        shape.model_copy(
            update={"received": received[one.time_ms], "converted": converted[one.time_ms]}
        )
        for one, shape in zip(found, shapes, strict=True)
    )


def _received_unit(workshop: Workshop, channel: str) -> str | None:
    known = [one for one in workshop.settings.channels if one.id == channel]
    return known[0].kept_unit if known else None


def _unit(workshop: Workshop, channel: str, since: datetime, until: datetime) -> str | None:
    """The unit of a known channel for a window that makes sense.

    None for a channel that has readings and has left the settings since.
    """
    if until - since < timedelta(milliseconds=1):
        raise InvalidError(
            "the window ends before it starts",
            where="until",
            remedy="Give a later time as until, or an earlier one as from.",
        )
    if channel in workshop.store.channels():
        known = [one for one in workshop.settings.channels if one.id == channel]
        return known[0].role.unit if known else None
    return workshop.settings.channel(channel).role.unit


def _without_nan(values: npt.NDArray[np.float64]) -> tuple[float | None, ...]:
    return tuple(None if math.isnan(value) else value for value in values.tolist())
