"""The Room page: every place with its values, how old they are, and the last hours."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime
from typing import Annotated, Any

from fastapi import APIRouter, Query
from fastapi.responses import HTMLResponse

from api.answers import ChannelNow, Workshop, room_now
from api.found_prints import found_prints
from api.health import removed_from
from api.marks import Counted
from collector.readings import Role, ms_of
from dashboards import chart_rows, traces, words
from dashboards.chart_rows import Trace
from dashboards.figure import Figure, panel_figure
from dashboards.pages import readiness
from dashboards.pages.print_desk import waiting_prints
from dashboards.pages.workshop import WorkshopHere, machine_names, resin_names
from dashboards.sheet import Now, SheetsHere

router = APIRouter(include_in_schema=False)

#: Windows the page offers [h].
WINDOWS_H = {6: "6 hours", 24: "a day", 168: "a week"}
Hours = Annotated[int, Query(ge=1, le=24 * 31)]

#: Prints shown that wait for somebody to look at them.
WAITING_N = 3

TREND_WIDTH, TREND_HEIGHT = 300.0, 40.0

#: Roles that are drawn apart from the room's.
BENCH = (Role.CHAMBER_TEMPERATURE, Role.SPECIMEN_TEMPERATURE)

#: From here a chamber burns the hand that reaches in [°C] (common practice, no source).
HOT_C = 45.0


@dataclass(frozen=True, slots=True)
class Quantity:
    """One channel as a line of the board."""

    id: str
    label: str
    value: str
    unit: str
    age: str
    silent: bool
    trend: str


@dataclass(frozen=True, slots=True)
class Place:
    """One place of the room with what is measured there."""

    name: str
    quantities: list[Quantity]


@router.get("/")
def room(
    workshop: WorkshopHere,
    sheets: SheetsHere,
    now: Now,
    hours: Hours = 6,
    counted: Counted = Counted.PLAUSIBLE,
) -> HTMLResponse:
    """The whole page."""
    state = room_now(workshop, now)
    drawn = recent(workshop, now, hours, counted)
    return sheets.page(
        "room.html",
        "/",
        now,
        places=board(state.channels, drawn, now, hours),
        figures=figures(workshop, drawn, now, hours),
        taken_out=taken_out(workshop, now, hours),
        hours=hours,
        windows=WINDOWS_H,
        counted=counted,
        countings=words.COUNTED,
        advices=readiness.advices(workshop, now),
        limit_fields=readiness.LIMIT_FIELDS,
        prints=state.prints,
        waiting=waiting_prints(workshop, WAITING_N),
        found_n=len(found_prints(workshop, now).waiting),
        soaks=state.soaks,
        resins=resin_names(workshop),
        machines=machine_names(workshop),
        accounts=state.accounts,
        hot=any(is_hot(channel) for channel in state.channels),
    )


@router.get("/room/now")
def now_on_the_board(workshop: WorkshopHere, now: Now) -> dict[str, Any]:
    """The values of the board, said as the page says them; asked for by the live script."""
    texts: dict[str, str] = {}
    marks: dict[str, bool] = {}
    for channel in room_now(workshop, now).channels:
        id = channel.channel.id
        texts |= {f"value-{id}": value_of(channel), f"age-{id}": age_of(channel)}
        marks[id] = channel.silent
    return {"texts": texts, "marks": marks}


@router.get("/room/charts")
def charts_of_the_room(
    workshop: WorkshopHere, now: Now, hours: Hours = 6, counted: Counted = Counted.PLAUSIBLE
) -> dict[str, Any]:
    """Trend lines by channel and the panels' rows by figure; asked for by the live script."""
    drawn = recent(workshop, now, hours, counted)
    return {
        "trends": {id: trend_of(trace, now, hours) for id, trace in drawn.items()},
        "figures": {figure.id: figure.datasets for figure in figures(workshop, drawn, now, hours)},
    }


def recent(
    workshop: Workshop, now: datetime, hours: int, counted: Counted = Counted.PLAUSIBLE
) -> dict[str, Trace]:
    """The last hours of every channel, by id."""
    end_ms = ms_of(now)
    channels = workshop.settings.channels
    made = traces.traces_of(workshop, channels, end_ms - hours * 3_600_000, end_ms, counted)
    return {channel.id: trace for channel, trace in zip(channels, made, strict=True)}


def taken_out(workshop: Workshop, now: datetime, hours: int) -> list[str]:
    """What was taken out on purpose of what the charts show, a sentence for each channel."""
    start_ms = ms_of(now) - hours * 3_600_000
    return [
        f"{traces.label_of(channel)}: {words.taken_out(one, now)}."
        for channel in workshop.settings.channels
        for one in removed_from(workshop, channel.id)
        if one.end_ms > start_ms
    ]


def figures(workshop: Workshop, drawn: dict[str, Trace], now: datetime, hours: int) -> list[Figure]:
    """One panel per unit, °C and %RH apart; the bench apart from the room it would flatten."""
    end_ms = ms_of(now)
    bench = {channel.id for channel in workshop.settings.channels if channel.role in BENCH}
    rooms = [trace for id, trace in drawn.items() if id not in bench]
    benches = [trace for id, trace in drawn.items() if id in bench]
    panels = chart_rows.panels_of(rooms) + chart_rows.panels_of(benches)
    return [
        panel_figure(panel, end_ms - hours * 3_600_000, end_ms, f"panel-{number}")
        for number, panel in enumerate(panels)
    ]


def board(
    channels: tuple[ChannelNow, ...], drawn: dict[str, Trace], now: datetime, hours: int
) -> list[Place]:
    """The channels by place, both in the order of the settings."""
    places: dict[str, Place] = {}
    for channel in channels:
        place = places.setdefault(channel.channel.place, Place(channel.channel.place, []))
        place.quantities.append(
            Quantity(
                id=channel.channel.id,
                label=words.ROLES[channel.channel.role],
                value=value_of(channel),
                unit=channel.channel.role.unit,
                age=age_of(channel),
                silent=channel.silent,
                trend=trend_of(drawn[channel.channel.id], now, hours),
            )
        )
    return list(places.values())


def trend_of(trace: Trace, now: datetime, hours: int) -> str:
    """The small line beside a value, as an SVG path."""
    end_ms = ms_of(now)
    start_ms = end_ms - hours * 3_600_000
    return chart_rows.trend_path(trace, start_ms, end_ms, TREND_WIDTH, TREND_HEIGHT)


def value_of(channel: ChannelNow) -> str:
    """The last value in the digits of its unit; a dash when there never was one."""
    reading = channel.reading
    return words.value(reading.value if reading else None, channel.channel.role.unit)


def age_of(channel: ChannelNow) -> str:
    """How old the value is; a channel that fell silent says so."""
    if channel.silent_s is None:
        return "No reading yet"
    if channel.silent:
        return f"Silent for {words.length(channel.silent_s)}"
    return words.age(channel.silent_s)


def is_hot(channel: ChannelNow) -> bool:
    """Whether this is a chamber that burns."""
    return (
        channel.channel.role is Role.CHAMBER_TEMPERATURE
        and channel.reading is not None
        and channel.reading.value >= HOT_C
    )
