"""Record, readings and settings in, answers out; the ``*_answers`` modules beside it do the same.

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

from api.causes.adjusting import adjustable
from api.print_conditions import (
    NO_END,
    NO_START,
    NO_VAT,
    Derived,
    Measured,
    PrintConditions,
    PrintWindow,
    VatValue,
    WindowConditions,
    conditions_of,
    vat_value,
)
from api.prints import Print
from api.record import Kept
from api.soak.program import SoakRun
from api.soak_answers import SoakNow, soak_state
from api.workshop import Workshop
from collector.channels import Channel
from collector.readings import Reading, ms_of
from collector.store.contract import Accounts

if TYPE_CHECKING:
    from api.causes import ColdAnswer
    from api.causes.rows import PrintRow

__all__ = [
    "NO_END",
    "NO_START",
    "NO_VAT",
    "ChannelNow",
    "ColdReport",
    "Derived",
    "Measured",
    "PrintConditions",
    "PrintWindow",
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
    latest = workshop.newest(now)
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
    snapshot = workshop.windows.snapshot()
    rows: list[PrintRow] = []
    left_out: Counter[str] = Counter()
    noted_n = 0
    for kept in plates:
        plate = kept.entry
        share = plate.failed_share
        if share is None:
            left_out[STILL_RUNNING if plate.running else NO_OUTCOME] += 1
            continue
        vat = vat_value(workshop, plate, machines[plate.machine], now, snapshot)
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
                settings=adjustable(plate.settings),
            )
        )
    return tuple(rows), dict(left_out), noted_n
