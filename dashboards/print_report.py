"""What vat and room did during a print, told window by window: a sentence each, then the figures.

Pure: conditions and phases in, words out.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from datetime import datetime

from api.answers import Derived, Measured, PrintConditions, PrintWindow, WindowConditions
from api.conditions import Summary
from api.phases import Fit, Layers, Phases, layers_of
from api.print_conditions import NO_FROST
from api.prints import Print, Window
from collector.readings import Role
from dashboards import words

WINDOWS = {
    PrintWindow.BEFORE_START: "Before the start",
    PrintWindow.FIRST_LAYERS: "First layers",
    PrintWindow.BODY: "Body",
    PrintWindow.WHOLE: "Whole print",
    PrintWindow.WASH: "Wash",
    PrintWindow.DRYING: "Drying",
    PrintWindow.CURE: "Cure",
}

#: Quantities made of two channels.
DERIVED = {
    Derived.VAT_MINUS_ROOM: "Vat above room",
    Derived.DEW_POINT: "Dew point",
    Derived.FROST_POINT: "Frost point",
    Derived.ABSOLUTE_HUMIDITY: "Water in the air",
}

#: Every quantity in the order in which it is told.
QUANTITIES: tuple[Role | Derived, ...] = (
    Role.VAT_TEMPERATURE,
    Role.ROOM_TEMPERATURE,
    Role.ROOM_HUMIDITY,
    *DERIVED,
)

#: The headings of the figures.
HEADS = ("Mean", "Lowest to highest", "Deviation", "Per hour", "Outside its limits", "Recorded")

#: A slope smaller than half of its last digit has no sign.
_PLACES = {"%RH": 1}


@dataclass(frozen=True, slots=True)
class Line:
    """One quantity in one window: a text for each of ``HEADS``, or why there is none."""

    name: str
    figures: tuple[str, ...] = ()
    withheld: str | None = None
    recorded: str = ""


@dataclass(frozen=True, slots=True)
class Told:
    """One window of a print: its name and span, what happened in a sentence, every figure."""

    key: str
    name: str
    span: str
    sentence: str
    lines: tuple[Line, ...]


def told(found: PrintConditions, now: datetime) -> list[Told]:
    """Every window of a print that there is, in the order of time."""
    return [
        Told(
            key=name.value.replace("_", "-"),
            name=label,
            span=span_in_words(found.windows[name].window, now),
            sentence=sentence_of(found.windows[name]),
            lines=tuple(_lines(found.windows[name])),
        )
        for name, label in WINDOWS.items()
        if name in found.windows
    ]


def span_in_words(window: Window, now: datetime) -> str:
    """When a window began and how long it was: ``Tue 13 Jan 20:00, 24 min``."""
    return f"{words.moment(window.start, now)}, {words.length(window.length_s)}"


# ---- a sentence ------------------------------------------------------------------------------


def sentence_of(found: WindowConditions) -> str:
    """What happened in a window, the vat first, each figure with its unit."""
    said = []
    vat = found.measured.get(Role.VAT_TEMPERATURE)
    if vat is not None and vat.summary.withheld is None:
        said.append(_vat_sentence(vat.summary, found.derived.get(Derived.VAT_MINUS_ROOM)))
    elif Role.VAT_TEMPERATURE in found.missing:
        said.append(f"The resin’s temperature is not told: {found.missing[Role.VAT_TEMPERATURE]}.")
    room = list(_room(found))
    if room:
        said.append(f"The room: {', '.join(room)}.")
    elif not said:
        reasons = dict.fromkeys(found.missing.values())
        said.append(f"What the room did is not told: {', '.join(reasons)}.")
    return " ".join(said)


def _vat_sentence(vat: Summary, above_room: Measured | None) -> str:
    said = f"The resin was {_value(vat.mean, '°C')} on average"
    if words.value(vat.minimum, "°C") != words.value(vat.maximum, "°C"):
        said += f", {words.extent(vat.minimum, vat.maximum, '°C')} °C"
    outside = _outside(vat)
    if outside:
        said += f", {outside}"
    if above_room is not None and above_room.summary.mean is not None:
        mean = above_room.summary.mean
        where = "above" if mean >= 0 else "below"
        said += f"; {words.number(abs(mean))} K {where} the room"
    return f"{said}."


def _room(found: WindowConditions) -> Iterator[str]:
    for role in (Role.ROOM_TEMPERATURE, Role.ROOM_HUMIDITY):
        measured = found.measured.get(role)
        if measured is not None and measured.summary.mean is not None:
            yield _value(measured.summary.mean, role.unit)
    for quantity, name in ((Derived.DEW_POINT, "dew point"), (Derived.FROST_POINT, "frost point")):
        derived = found.derived.get(quantity)
        if derived is not None and derived.summary.mean is not None:
            yield f"{name} {_value(derived.summary.mean, quantity.unit)}"


def _value(amount: float | None, unit: str) -> str:
    return f"{words.value(amount, unit)} {unit}"


# ---- every figure ----------------------------------------------------------------------------


def _lines(found: WindowConditions) -> Iterator[Line]:
    for quantity in QUANTITIES:
        measured: Measured | None
        if isinstance(quantity, Role):
            name, measured = words.ROLES[quantity], found.measured.get(quantity)
            reason = found.missing.get(quantity)
        else:
            name, measured = DERIVED[quantity], found.derived.get(quantity)
            reason = found.not_derived.get(quantity)
        if measured is not None and measured.summary.withheld is None:
            yield Line(name, _figures(measured.summary, quantity.unit))
        elif reason is not None and reason != NO_FROST:
            yield Line(name, withheld=reason, recorded=_recorded(measured))


def _recorded(measured: Measured | None) -> str:
    return "" if measured is None else recorded_in_words(measured.summary)


def _figures(summary: Summary, unit: str) -> tuple[str, ...]:
    places = _PLACES.get(unit, 2)
    return (
        f"{words.number(summary.mean, places)} {unit}",
        f"{words.extent(summary.minimum, summary.maximum, unit)} {unit}",
        f"{words.number(summary.deviation, places)} {'K' if unit == '°C' else unit}",
        f"{_signed(summary.slope_per_h, places)} {'K' if unit == '°C' else unit}",
        _outside(summary) or ("–" if summary.below is None else "never"),
        recorded_in_words(summary),
    )


def _signed(amount: float | None, places: int) -> str:
    """A rate with its sign; a plain 0 where it rounds to nothing."""
    text = words.number(amount, places)
    nothing = amount is None or abs(amount) < 0.5 * 10**-places
    return text if nothing or text.startswith(words.MINUS) else f"+{text}"


def _outside(summary: Summary) -> str:
    """Minutes and degree-hours below and above the limits; empty where there were none."""
    sides = (
        ("below", summary.below, summary.minutes_below, summary.degree_hours_below),
        ("above", summary.above, summary.minutes_above, summary.degree_hours_above),
    )
    return ", ".join(
        f"{words.length(minutes * 60)} {side} {words.number(limit, 0 if limit % 1 == 0 else 1)} °C "
        f"({words.number(degree_hours, 2)} degree-hours)"
        for side, limit, minutes, degree_hours in sides
        if limit is not None and minutes
    )


def recorded_in_words(summary: Summary) -> str:
    """The recorded share, the longest gap where there is any, and what was left out."""
    said = [words.share(summary.coverage)]
    if summary.longest_gap_ms:
        said.append(f"longest gap {words.length(summary.longest_gap_ms / 1_000)}")
    if summary.marked_out:
        said.append(f"{words.count(summary.marked_out, 'marked reading')} left out")
    return ", ".join(said)


# ---- phases ----------------------------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class PhaseLine:
    """One phase: name, when it began, how long it was, its layers where they are known."""

    name: str
    start: str
    length: str
    layers: str


def phase_lines(phases: Phases, plate: Print, now: datetime) -> list[PhaseLine]:
    """The phases that there are, in the order of time."""
    layers = layers_of(plate.settings)
    return [
        PhaseLine(name, words.moment(window.start, now), words.length(window.length_s), count)
        for name, window, count in (
            ("First layers", phases.first_layers, _layers(layers, "first_n")),
            ("Transition", phases.transition, _layers(layers, "transition_n")),
            ("Body", phases.body, _layers(layers, "body_n")),
        )
        if window is not None
    ]


def _layers(layers: Layers | None, name: str) -> str:
    return "–" if layers is None else f"{getattr(layers, name):,}".replace(",", " ")


def phase_sentences(phases: Phases, plate: Print) -> list[str]:
    """What the real duration says of each layer, in words."""
    between = f"Between two exposures lie {words.number(phases.between_s)} s"
    said = [f"{between}, {words.BETWEEN_FROM[phases.between_from]}."]
    if phases.overhead_s is not None and phases.fit is Fit.FITS:
        if phases.overhead_s >= 0:
            said.append(
                f"Each layer took {words.number(phases.overhead_s, 2)} s more than its settings "
                "explain: slowing down, homing and the machine’s own waits."
            )
        else:
            said.append(
                f"Each layer took {words.number(-phases.overhead_s, 2)} s less than its settings "
                "say, within what times noted by hand may be off."
            )
    if phases.planned_s is not None:
        planned = f"By its settings alone it takes {words.length(phases.planned_s)}"
        if plate.end is not None and not plate.order_only:
            took = words.length((plate.end - plate.start).total_seconds())
            planned += f"; it took {took}" + (" and was cut short" if plate.cut_short else "")
        said.append(f"{planned}.")
    return said
