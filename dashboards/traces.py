"""Readings of the store as traces for a chart: every reading while they are few, else buckets."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import replace

from api.answers import Workshop
from api.conditions import DOUBTFUL
from api.marks import Counted, marked_in, reduced
from collector.channels import Channel
from collector.readings import Role, Series
from dashboards import words
from dashboards.chart_rows import Trace, trace_of_buckets, trace_of_series

#: Up to this many readings are drawn one by one.
SINGLY_AT_MOST_N = 400

#: Points that a longer trace is reduced to; minima and maxima stay exact as its band.
BUCKETS_N = 240


def trace_of(
    workshop: Workshop,
    channel: Channel,
    start_ms: int,
    end_ms: int,
    counted: Counted = Counted.PLAUSIBLE,
) -> Trace:
    """One channel over [start, end) [ms since 1970], parted at every gap.

    The line goes through the readings that count; doubtful ones go with it as marks.
    """
    store, limit_ms = workshop.store, channel.gap_limit_ms
    name, unit = label_of(channel), channel.role.unit
    covered = store.coverage(channel.id, start_ms, end_ms, gap_limit_ms=limit_ms)
    if covered.count <= SINGLY_AT_MOST_N:
        series = store.between(channel.id, start_ms, end_ms)
        kept = series.without(counted.left_out)
        line = trace_of_series(kept, name, unit, gap_limit_ms=limit_ms)
        marked = marked_in(series, start_ms, end_ms)
        return replace(line, marked=doubtful(marked), left_out_n=len(series) - len(kept))
    found = reduced(workshop, channel.id, start_ms, end_ms, BUCKETS_N, counted)
    line = trace_of_buckets(found.buckets, found.gaps, name, unit)
    return replace(line, marked=doubtful(found.marked), left_out_n=found.left_out_n)


def doubtful(marked: Series) -> Series:
    """The marked readings whose value or time is in doubt; one that came late is none of them."""
    take = (marked.marks & int(DOUBTFUL)) != 0
    return Series(marked.channel, marked.times_ms[take], marked.values[take], marked.marks[take])


def traces_of(
    workshop: Workshop,
    channels: Iterable[Channel],
    start_ms: int,
    end_ms: int,
    counted: Counted = Counted.PLAUSIBLE,
) -> list[Trace]:
    """Several channels over one window."""
    return [trace_of(workshop, channel, start_ms, end_ms, counted) for channel in channels]


def channels_named(
    workshop: Workshop, ids: Iterable[str | None], role: Role = Role.VAT_TEMPERATURE
) -> list[Channel]:
    """The channels of these ids, in their order; ids that are not in the settings any more as
    channels of that role with the default gap limit."""
    known = {channel.id: channel for channel in workshop.settings.channels}
    return [
        known.get(id) or Channel(id=id, role=role, topic=id)
        for id in dict.fromkeys(ids)
        if id is not None
    ]


def label_of(channel: Channel) -> str:
    """A channel by its place, with what it measures where the place does not say it."""
    role = words.ROLES[channel.role].lower()
    kind = {"vat", "room", "chamber", "specimen", "power"} & set(role.split())
    if kind & set(channel.place.lower().split()):
        return channel.place
    return f"{channel.place}, {role}"
