"""Record, readings and settings in, answers out: the one place where they meet.

The sums themselves are pure and lie elsewhere (``conditions``, ``causes``, ``soak``); here
their inputs are fetched. ``now`` comes in as an aware datetime. Every function may raise
``NotFoundError`` for an id that is not on record and ``StoreError``.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Mapping
from dataclasses import dataclass
from datetime import datetime
from typing import TYPE_CHECKING

from api.conditions import Summary, WindowValue, first_layers_value, summarise
from api.phases import first_layers
from api.prints import Print, Window, window_of
from api.record import Kept, Machine
from api.soak.program import SoakRun
from api.soak_answers import SoakNow, soak_state
from api.workshop import Workshop
from collector.channels import Channel
from collector.readings import Reading, Role, ms_of
from collector.store.contract import Accounts

if TYPE_CHECKING:
    from api.causes import ColdAnswer
    from api.causes.rows import PrintRow

__all__ = [
    "COLD_VAT_C",
    "ChannelNow",
    "ColdReport",
    "Measured",
    "PrintConditions",
    "RoomNow",
    "SoakNow",
    "VatValue",
    "WindowConditions",
    "Workshop",
    "channel_now",
    "cold_answer",
    "conditions_of",
    "print_rows",
    "room_now",
    "soak_state",
    "vat_value",
]

#: A vat below this is counted as cold in a print's conditions [°C] unless another limit is
#: asked for (common practice, no source).
COLD_VAT_C = 18.0

# ---- the room --------------------------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class ChannelNow:
    """The last reading of a channel and for how long it has been silent [s].

    ``silent`` is True when that is longer than its gap limit, or when there never was one.
    """

    channel: Channel
    reading: Reading | None
    silent_s: float | None
    silent: bool


@dataclass(frozen=True, slots=True)
class RoomNow:
    """The room at one moment: channels in the settings' order, what runs, the accounts."""

    moment: datetime
    channels: tuple[ChannelNow, ...]
    prints: tuple[Kept[Print], ...]
    soaks: tuple[Kept[SoakRun], ...]
    accounts: Accounts


def room_now(workshop: Workshop, now: datetime) -> RoomNow:
    """What every channel reads now and what is running."""
    latest = workshop.store.latest()
    return RoomNow(
        moment=now,
        channels=tuple(
            channel_now(channel, latest.get(channel.id), now)
            for channel in workshop.settings.channels
        ),
        prints=tuple(workshop.record.prints.running()),
        soaks=tuple(workshop.record.soaks.under_way()),
        accounts=workshop.store.accounts(),
    )


def channel_now(channel: Channel, reading: Reading | None, now: datetime) -> ChannelNow:
    """A channel's last reading and its age at a moment; a reading from the future has none."""
    if reading is None:
        return ChannelNow(channel, None, None, silent=True)
    silent_ms = max(0, ms_of(now) - reading.time_ms)
    return ChannelNow(channel, reading, silent_ms / 1_000, silent_ms > channel.gap_limit_ms)


# ---- the conditions of a print ---------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class Measured:
    """What one channel did in a window."""

    channel: str
    summary: Summary


@dataclass(frozen=True, slots=True)
class WindowConditions:
    """A window of a print and what was measured in it, by role.

    ``missing`` says for each role that was not measured why not.
    """

    window: Window
    measured: Mapping[Role, Measured]
    missing: Mapping[Role, str]


@dataclass(frozen=True, slots=True)
class PrintConditions:
    """The conditions of one print in its first layers and as a whole.

    ``first_layers`` is None where the start was never noted, ``whole`` where start or end was
    not; ``why_not`` says so. ``vat`` is the value by which the print enters the analyses.
    """

    plate: Kept[Print]
    first_layers: WindowConditions | None
    whole: WindowConditions | None
    vat: VatValue
    why_not: str | None = None


@dataclass(frozen=True, slots=True)
class VatValue:
    """The vat temperature of a print's first layers [°C], or why there is none.

    ``noted`` is True for a temperature noted by hand where no sensor was linked.
    """

    value_c: float | None
    reason: str | None = None
    noted: bool = False
    channel: str | None = None
    coverage: float = 0.0


#: Roles that conditions are given for, beside the vat's own.
ROOM_ROLES = (Role.ROOM_TEMPERATURE, Role.ROOM_HUMIDITY)

NO_VAT = "no vat sensor was linked to the machine then"
NO_START = "the start was never noted, only the order"
NO_END = "the end was never noted"


def conditions_of(
    workshop: Workshop, print_id: int, now: datetime, *, below_c: float = COLD_VAT_C
) -> PrintConditions:
    """What vat and room really did during a print's first layers and the whole of it.

    ``below_c`` is the vat temperature [°C] below which minutes are counted. A print that runs
    is taken up to ``now``.
    """
    plate = workshop.record.prints.get(print_id)
    machine = workshop.record.machines.get(plate.entry.machine).entry
    vat = vat_value(workshop, plate.entry, machine, now)
    if plate.entry.order_only:
        return PrintConditions(plate, None, None, vat, NO_START)
    whole = window_of(plate.entry, now)
    first = first_layers(whole, plate.entry.settings)
    if whole.end <= whole.start:
        return PrintConditions(plate, None, None, vat, "it has not started yet")
    channels = _channels_of(workshop, machine, whole)
    early = _window_conditions(workshop, channels, first, below_c)
    if plate.entry.end is None and not plate.entry.running:
        return PrintConditions(plate, early, None, vat, NO_END)
    return PrintConditions(
        plate, early, _window_conditions(workshop, channels, whole, below_c), vat
    )


def _channels_of(workshop: Workshop, machine: Machine, window: Window) -> dict[Role, str | None]:
    """The channel of each role for a print: the machine's own vat, the room's first of a role."""
    room: dict[Role, str | None] = dict.fromkeys(ROOM_ROLES)
    for channel in reversed(workshop.settings.channels):
        if channel.role in room:
            room[channel.role] = channel.id
    return {Role.VAT_TEMPERATURE: machine.channel(Role.VAT_TEMPERATURE, window.start), **room}


def _window_conditions(
    workshop: Workshop, channels: Mapping[Role, str | None], window: Window, below_c: float
) -> WindowConditions:
    measured: dict[Role, Measured] = {}
    missing: dict[Role, str] = {}
    for role, channel in channels.items():
        if channel is None:
            missing[role] = NO_VAT if role is Role.VAT_TEMPERATURE else "no such channel is set up"
            continue
        summary = summarise(
            workshop.series(channel, window),
            ms_of(window.start),
            ms_of(window.end),
            gap_limit_ms=workshop.gap_limit_ms(channel),
            below=below_c if role is Role.VAT_TEMPERATURE else None,
        )
        measured[role] = Measured(channel, summary)
        if summary.withheld is not None:
            missing[role] = summary.withheld
    return WindowConditions(window, measured, missing)


def vat_value(workshop: Workshop, plate: Print, machine: Machine, now: datetime) -> VatValue:
    """The value by which a print enters the analyses: measured, else noted by hand, else none.

    A note never stands in for a sensor that was linked and lost its readings: such prints
    would be the ones that somebody happened to write down.
    """
    channel = None
    if not plate.order_only:
        channel = machine.channel(Role.VAT_TEMPERATURE, plate.start)
    if channel is None:
        if plate.logged_vat_c is not None:
            return VatValue(plate.logged_vat_c, noted=True)
        return VatValue(None, NO_START if plate.order_only else NO_VAT)
    found = _first_layers_value(workshop, plate, channel, now)
    return VatValue(found.value, found.reason, channel=channel, coverage=found.coverage)


def _first_layers_value(
    workshop: Workshop, plate: Print, channel: str, now: datetime
) -> WindowValue:
    window = first_layers(window_of(plate, now), plate.settings)
    if window.end <= window.start:
        return WindowValue(None, "it has not started yet", 0.0, 0)
    return first_layers_value(
        workshop.series(channel, window),
        ms_of(window.start),
        ms_of(window.end),
        gap_limit_ms=workshop.gap_limit_ms(channel),
    )


# ---- was it the cold? ------------------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class ColdReport:
    """The cold answer with the prints it was computed from.

    ``rows`` in start order; ``left_out`` counts prints by the reason they could not be used;
    ``noted_n`` of the rows carry a temperature that was noted by hand, not measured.
    """

    answer: ColdAnswer
    rows: tuple[PrintRow, ...]
    left_out: Mapping[str, int]
    noted_n: int


STILL_RUNNING = "still running"
NO_OUTCOME = "no part looked at"
NO_TEMPERATURE = "no vat sensor linked and no temperature noted"
TOO_LITTLE_RECORD = "too little of the first layers was recorded"


def cold_answer(workshop: Workshop, level: float, now: datetime) -> ColdReport:
    """Whether failures go with cold resin, and below which temperature ``level`` of prints fail.

    ``level`` is a share, 0.05 to 0.50; ``InvalidError`` otherwise. The answer is kept in
    memory under everything that it was computed from.
    """
    from api.causes import answer
    from api.causes.rows import fingerprint_of

    rows, left_out, noted_n = print_rows(workshop, now)
    key = fingerprint_of(rows, level, sorted(left_out.items()))
    found = workshop.cold_answers.answer(key, lambda: answer(rows, level=level, left_out=left_out))
    return ColdReport(found, rows, left_out, noted_n)


def print_rows(
    workshop: Workshop, now: datetime
) -> tuple[tuple[PrintRow, ...], dict[str, int], int]:
    """One row per print that can be used, the reasons of the others, and how many were noted."""
    from api.causes.rows import PrintRow

    record = workshop.record
    with record.reading():
        resins = {resin.id: resin.entry.name for resin in record.resins.all()}
        machines = {machine.id: machine.entry for machine in record.machines.all()}
        plates = record.prints.all()
    rows: list[PrintRow] = []
    left_out: Counter[str] = Counter()
    noted_n = 0
    for kept in plates:
        plate = kept.entry
        share = plate.failed_share
        if share is None:
            left_out[STILL_RUNNING if plate.running else NO_OUTCOME] += 1
            continue
        vat = vat_value(workshop, plate, machines[plate.machine], now)
        if vat.value_c is None:
            left_out[TOO_LITTLE_RECORD if vat.channel else NO_TEMPERATURE] += 1
            continue
        noted_n += vat.noted
        rows.append(
            PrintRow(
                id=str(kept.id),
                start_ms=ms_of(plate.start),
                temperature_c=vat.value_c,
                failed_share=share,
                resin=resins[plate.resin],
                settings={
                    name: float(value)
                    for name, value in plate.settings.model_dump(exclude_none=True).items()
                },
            )
        )
    return tuple(rows), dict(left_out), noted_n
