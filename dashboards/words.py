"""How pages say things: ages, lengths, times, values, and the trade's words for our terms. Pure.

Times are said in the local zone of the machine that runs vatside, and every page names it.
"""

from __future__ import annotations

import math
import re
from datetime import datetime, timedelta

from api.marks import Counted
from api.phases import BetweenFrom
from api.prints import FailureMode, Outcome, Spot
from api.settings_check import WarningSource
from collector.readings import Mark, Role, moment_of
from collector.store.contract import Removal

MINUS = "−"

ROLES = {
    Role.VAT_TEMPERATURE: "Resin in the vat",
    Role.ROOM_TEMPERATURE: "Room temperature",
    Role.ROOM_HUMIDITY: "Room humidity",
    Role.CHAMBER_TEMPERATURE: "Air in the chamber",
    Role.SPECIMEN_TEMPERATURE: "Specimen",
    Role.PRINTER_POWER: "Printer power",
}

OUTCOMES = {Outcome.GOOD: "good", Outcome.FLAWED: "flawed", Outcome.FAILED: "failed"}

MODES = {
    FailureMode.NOT_STUCK: "not stuck to the plate",
    FailureMode.OFF_SUPPORTS: "came off its supports",
    FailureMode.LAYERS_PARTED: "layers parted",
    FailureMode.WARPED: "warped",
    FailureMode.DETAIL_LOST: "detail lost",
    FailureMode.HOLES_CLOSED: "holes closed",
    FailureMode.WHITE_HAZE: "white haze after cure",
    FailureMode.CRACKED: "cracked",
    FailureMode.OTHER: "other",
}

#: Where a part stands on the plate, seen from the front of the machine.
SPOTS = {spot: spot.value.replace("_", " ") for spot in Spot}

#: What the time between two exposures was taken from.
BETWEEN_FROM = {
    BetweenFrom.DURATION: "by its real duration",
    BetweenFrom.SETTINGS: "by its settings",
    BetweenFrom.COMMON_PRACTICE: "by common practice, as no lifts were logged",
}

#: Where the limit of a warning comes from.
LIMITS_FROM = {
    WarningSource.RESIN: "printed on the resin by its maker",
    WarningSource.COMMON_PRACTICE: "common practice, no source",
    WarningSource.SETTINGS: "the settings and the times held against each other",
}

MARKS = {
    Mark.IMPLAUSIBLE: "implausible",
    Mark.STUCK: "stuck",
    Mark.JUMP: "jump",
    Mark.LATE: "late",
    Mark.CLOCK: "clock off",
    Mark.CONFLICT: "conflict",
}

#: Which readings count, as pages offer it.
COUNTED = {
    Counted.PLAUSIBLE: "All but implausible ones",
    Counted.UNMARKED: "Only those without a mark",
    Counted.ALL: "Every reading",
}

#: The name of an entry, and of one in a list: ``steps.0.dwell_min``, ``sag-2``.
_ENTRY = re.compile(r"[a-z]+(?:_[a-z]+)*(?:[.-]\d+(?:\.[a-z]+(?:_[a-z]+)*)?)?")

#: What a browser lets through where a number is typed: with a point or a comma.
NUMBER = r"\s*[\-−+]?\d+([.,]\d+)?\s*"
NUMBER_HINT = "A number such as 2.5"

#: What entries end with, and the unit that this says.
_SUFFIXES = {
    "_k_per_min": "K/min",
    "_min": "min",
    "_mm": "mm",
    "_ml": "ml",
    "_hpa": "hPa",
    "_pct": "%",
    "_days": "days",
    "_c": "°C",
    "_k": "K",
    "_s": "s",
    "_m": "m",
    "_w": "W",
}

#: Digits after the point for each unit.
_PLACES = {"°C": 1, "%RH": 0, "W": 0}


def number(value: float | None, places: int = 1) -> str:
    """A number with a true minus sign; a dash where there is none."""
    if value is None or not math.isfinite(value):
        return "–"
    return f"{value:.{places}f}".replace("-0.0", "0.0").replace("-", MINUS)


def value(amount: float | None, unit: str) -> str:
    """A reading's number in the digits its unit deserves, without the unit."""
    return number(amount, _PLACES.get(unit, 2))


def extent(low: float | None, high: float | None, unit: str) -> str:
    """From lowest to highest, without the unit; one number where both read the same."""
    lowest, highest = value(low, unit), value(high, unit)
    return lowest if lowest == highest else f"{lowest} to {highest}"


def plain(amount: float | int | None) -> str:
    """A number as a form's field holds it, without unit or padding; empty where there is none."""
    return "" if amount is None else f"{amount:.10g}"


def share(part: float | None) -> str:
    """A share of 0 to 1 as whole per cent; never 0 % or 100 % for what is only near it."""
    if part is None:
        return "–"
    if 0 < part < 0.01:
        return "under 1 %"
    if 0.99 < part < 1:
        return "over 99 %"
    return f"{part:.0%}".replace("%", " %")


def length(seconds: float) -> str:
    """A length of time in its two largest fitting units: ``4 h 12 min``."""
    seconds = max(0, round(seconds))
    if seconds < 60:
        return f"{seconds} s"
    minutes, _ = divmod(seconds, 60)
    if minutes < 60:
        return f"{minutes} min"
    hours, minutes = divmod(minutes, 60)
    if hours < 48:
        return f"{hours} h {minutes} min" if minutes else f"{hours} h"
    days, hours = divmod(hours, 24)
    return f"{days} days {hours} h" if hours else f"{days} days"


def age(seconds: float) -> str:
    """How old something is: ``just now``, ``12 s ago``, ``3 h 20 min ago``."""
    if seconds < -5:
        return f"in {length(-seconds)}"
    return "just now" if seconds < 2 else f"{length(seconds)} ago"


def clock_minutes(minutes: float) -> str:
    """A dwell as a clock face: ``1:07`` (hours and minutes)."""
    whole = max(0, int(minutes))
    return f"{whole // 60}:{whole % 60:02d}"


def local(moment: datetime) -> datetime:
    """A moment on the local wall clock."""
    return moment.astimezone()


def moment(at: datetime | None, now: datetime) -> str:
    """A moment as one says it: ``today 21:04``, ``Tue 24 Nov 21:04``, with the year if another."""
    if at is None:
        return "–"
    there, here = local(at), local(now)
    time = there.strftime("%H:%M")
    if there.date() == here.date():
        return f"today {time}"
    if there.date() == here.date() - timedelta(days=1):
        return f"yesterday {time}"
    if there.date() == here.date() + timedelta(days=1):
        return f"tomorrow {time}"
    day = f"{there:%a} {there.day} {there:%b}"
    return f"{day} {time}" if there.year == here.year else f"{day} {there.year} {time}"


def ran(start: datetime, end: datetime | None, now: datetime) -> str:
    """When something ran: ``last night, 21:04 to 04:41``, ``since today 09:12``, else by day."""
    if end is None:
        return f"since {moment(start, now)}"
    begun, ended, here = local(start), local(end), local(now)
    nights = (here.date() - begun.date()).days
    if nights <= 1 and begun.date() != ended.date() and ended.date() == here.date():
        return f"last night, {begun:%H:%M} to {ended:%H:%M}"
    until = f"{ended:%H:%M}" if begun.date() == ended.date() else moment(end, now)
    return f"{moment(start, now)} to {until}"


def zone(at: datetime) -> str:
    """The local zone at a moment, by name and offset: ``CET (UTC+01:00)``."""
    there = local(at)
    offset = there.strftime("%z")
    spelt = f"UTC{offset[:3]}:{offset[3:5]}"
    name = there.tzname() or ""
    if name == "UTC":
        return "UTC"
    return f"{name} ({spelt})" if name.isalpha() else spelt


def offset_ms(at: datetime) -> int:
    """How far the local wall clock is ahead of UTC at a moment [ms]."""
    offset = local(at).utcoffset() or timedelta()
    return round(offset.total_seconds() * 1_000)


def field_time(at: datetime | None) -> str:
    """A moment as a time field of a form holds it, local, to the minute."""
    return "" if at is None else local(at).strftime("%Y-%m-%dT%H:%M")


def one_in(level: float) -> str:
    """A share as one counts it: 0.2 is ``1 in 5``, 0.3 is ``3 in 10``, 0.05 is ``1 in 20``."""
    for below in (2, 3, 4, 5, 8, 10, 20, 100):
        above = level * below
        if round(above) and abs(above - round(above)) < 1e-6:
            return f"{round(above)} in {below}"
    return share(level)


def field(name: str) -> str:
    """The name of an entry as one says it: ``hold_min`` is ``Hold [min]``, others as they are."""
    if not _ENTRY.fullmatch(name):
        return name
    of, said = "", name
    for suffix, unit in _SUFFIXES.items():
        if name.endswith(suffix):
            of, said = f" [{unit}]", name.removesuffix(suffix)
            break
    said = re.sub(r"[.-](\d+)", lambda found: f" {int(found[1]) + 1}", said)
    said = said.replace(".", ", ").replace("_", " ")
    return said[:1].upper() + said[1:] + of


def marks(of: Mark) -> str:
    """The marks of a reading: ``late, jump``."""
    return ", ".join(text for mark, text in MARKS.items() if mark in of)


def count(n: int, one: str, many: str | None = None) -> str:
    """A count with its noun: ``1 print``, ``3 prints``."""
    return f"{n} {one if n == 1 else many or one + 's'}"


def taken_out(one: Removal, now: datetime) -> str:
    """Readings taken out on purpose: how many, why, and of when."""
    since, until = (moment(moment_of(at_ms), now) for at_ms in (one.start_ms, one.end_ms))
    return f"{one.readings_n:,} {one.reason}, between {since} and {until}"
