"""What the forms of the things on the shelf hold, and what they become. Pure but for the models.

A form is a mapping of names to text. Lines that come in any number (the parts of a plate, the
sensors of a machine) are fields with a number: ``part-0``, ``spot-0``, ``part-1`` and so on.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass
from typing import Any

from api.checked import checked
from api.prints import Spot
from api.record import Bottle, ChannelLink, Machine, Plate, Resin
from collector.channels import Channel
from collector.errors import InvalidError
from collector.readings import Role
from dashboards import bench_forms, words
from dashboards.afterwork_form import kept_time
from dashboards.sheet import id_of, number_of

#: Roles of the sensors that sit on a machine.
MACHINE_ROLES = (Role.VAT_TEMPERATURE, Role.PRINTER_POWER)

#: What a maker prints on a resin, with its label and unit.
GUIDANCE = {
    "normal_exposure_s": ("Normal exposure", "s"),
    "bottom_exposure_s": ("Bottom exposure", "s"),
    "temperature_c": ("Resin temperature", "°C"),
}

#: Empty lines that a form offers beside those that are filled in.
SPARE = {"part": 4, "channel": 1}

Texts = Mapping[str, str]


@dataclass(frozen=True, slots=True)
class Kind:
    """One kind of thing on the shelf: its place in addresses, its noun, and its form.

    ``rows`` are the names of the fields of a line, the one that makes it a line first.
    ``entry_of`` takes the form, the channels of the settings and what is being corrected.
    """

    path: str
    noun: str
    labels: Mapping[str, str]
    rows: tuple[str, ...]
    entered: Callable[[Any], dict[str, str]]
    entry_of: Callable[[Texts, tuple[Channel, ...], Any], Any]


def lines_of(texts: Texts, rows: tuple[str, ...]) -> list[tuple[str, ...]]:
    """The lines of a form that are filled in, each as the texts of its fields."""
    numbers = sorted(
        int(name.rpartition("-")[2])
        for name in texts
        if rows and name.startswith(f"{rows[0]}-") and name.rpartition("-")[2].isdecimal()
    )
    lines = [tuple(texts.get(f"{field}-{number}", "") for field in rows) for number in numbers]
    return [line for line in lines if line[0]]


def with_lines(texts: Texts, rows: tuple[str, ...], lines: list[tuple[str, ...]]) -> dict[str, str]:
    """A form with these lines in place of its own."""
    own = {
        name: text
        for name, text in texts.items()
        if not any(name.startswith(f"{field}-") for field in rows)
    }
    for number, line in enumerate(lines):
        own |= {f"{field}-{number}": text for field, text in zip(rows, line, strict=True)}
    return own


def merged(kind: Kind, began: Texts, stands: Texts, mine: Texts) -> dict[str, str]:
    """A form over a change that came meanwhile: mine where I touched it, else what stands now.

    Lines that I added or took away are added to, or taken from, those that stand now.
    """
    texts = {
        name: text if text != began.get(name, "") else stands.get(name, "")
        for name, text in mine.items()
    }
    if not kind.rows:
        return texts
    before, now, own = (lines_of(form, kind.rows) for form in (began, stands, mine))
    lines = [line for line in now if line in own or line not in before]
    lines += [line for line in own if line not in before and line not in lines]
    return with_lines(texts, kind.rows, lines)


# ---- resins ----------------------------------------------------------------------------------


def _resin_entered(resin: Resin) -> dict[str, str]:
    texts = {
        "name": resin.name,
        "category": resin.category,
        "density_g_cm3": words.plain(resin.density_g_cm3),
        "price_per_kg": words.plain(resin.price_per_kg),
        "note": resin.note,
    }
    for name in GUIDANCE:
        limits = getattr(resin.guidance, name)
        texts[f"{name}_low"] = words.plain(limits.low if limits else None)
        texts[f"{name}_high"] = words.plain(limits.high if limits else None)
    return texts


def _resin_of(texts: Texts, _channels: tuple[Channel, ...], _before: Resin | None) -> Resin:
    return checked(
        Resin,
        {
            "name": texts.get("name", ""),
            "category": texts.get("category", ""),
            "density_g_cm3": _number(texts, "density_g_cm3"),
            "price_per_kg": _number(texts, "price_per_kg"),
            "guidance": {name: _range(texts, name) for name in GUIDANCE},
            "note": texts.get("note", ""),
        },
    )


def _range(texts: Texts, name: str) -> dict[str, float] | None:
    low, high = _number(texts, f"{name}_low"), _number(texts, f"{name}_high")
    if low is None and high is None:
        return None
    if low is None or high is None:
        raise InvalidError(
            "a range has two ends",
            where=f"{name}_{'low' if low is None else 'high'}",
            remedy="Give the other end too; the same number twice where only one is printed.",
        )
    return {"low": low, "high": high}


# ---- bottles ---------------------------------------------------------------------------------

BOTTLE_TIMES = {"opened": "Opened", "mixed": "Last mixed", "emptied": "Emptied"}


def _bottle_entered(bottle: Bottle) -> dict[str, str]:
    return {
        "resin": str(bottle.resin),
        "lot": bottle.lot,
        **{name: words.field_time(getattr(bottle, name)) for name in BOTTLE_TIMES},
        "price_per_kg": words.plain(bottle.price_per_kg),
        "note": bottle.note,
    }


def _bottle_of(texts: Texts, _channels: tuple[Channel, ...], before: Bottle | None) -> Bottle:
    resin = id_of(texts.get("resin", ""), "resin")
    if resin is None:
        raise InvalidError("no resin was chosen", where="resin", remedy="Choose what is in it.")
    times = {
        name: kept_time(texts.get(name, ""), getattr(before, name) if before else None, name)
        for name in BOTTLE_TIMES
    }
    return checked(
        Bottle,
        {
            "resin": resin,
            "lot": texts.get("lot", ""),
            **times,
            "price_per_kg": _number(texts, "price_per_kg"),
            "note": texts.get("note", ""),
        },
    )


# ---- plates ----------------------------------------------------------------------------------


def _plate_entered(plate: Plate) -> dict[str, str]:
    texts = {"name": plate.name, "resin_ml": words.plain(plate.resin_ml), "note": plate.note}
    for number, part in enumerate(plate.parts):
        texts |= {f"part-{number}": part.name, f"spot-{number}": part.place or ""}
    return texts


def _plate_of(texts: Texts, _channels: tuple[Channel, ...], _before: Plate | None) -> Plate:
    parts = [
        {"name": name, "place": spot if spot in {*Spot} else None}
        for name, spot in lines_of(texts, ("part", "spot"))
    ]
    return checked(
        Plate,
        {
            "name": texts.get("name", ""),
            "parts": parts,
            "resin_ml": _number(texts, "resin_ml"),
            "note": texts.get("note", ""),
        },
    )


# ---- machines --------------------------------------------------------------------------------


def _machine_entered(machine: Machine) -> dict[str, str]:
    texts = {"name": machine.name, "note": machine.note}
    for number, link in enumerate(machine.channels):
        texts |= {
            f"channel-{number}": link.channel,
            f"since-{number}": words.field_time(link.since),
            f"until-{number}": words.field_time(link.until),
        }
    return texts


def _machine_of(texts: Texts, channels: tuple[Channel, ...], before: Machine | None) -> Machine:
    roles = {link.channel: link.role for link in before.channels} if before else {}
    roles |= {channel.id: channel.role for channel in channels}
    links = []
    for number, (channel, since, until) in enumerate(
        lines_of(texts, ("channel", "since", "until"))
    ):
        if channel not in roles:
            raise InvalidError(
                f"there is no channel “{channel[:64]}” in the settings",
                where=f"channel-{number}",
                remedy="Choose one from the list.",
            )
        earlier = _link_before(before, channel, since, until)
        links.append(
            {
                "channel": channel,
                "role": roles[channel],
                "since": kept_time(since, earlier.since if earlier else None, f"since-{number}"),
                "until": kept_time(until, earlier.until if earlier else None, f"until-{number}"),
            }
        )
    values: dict[str, object] = {
        "name": texts.get("name", ""),
        "note": texts.get("note", ""),
        "channels": links,
    }
    return checked(Machine, values | ({"limits": before.limits} if before else {}))


def _link_before(
    before: Machine | None, channel: str, since: str, until: str
) -> ChannelLink | None:
    """The link that a line stands for: of the same channel, with one of its times as it was."""
    links = [link for link in before.channels if link.channel == channel] if before else []
    for link in links:
        if since == words.field_time(link.since) or until == words.field_time(link.until):
            return link
    return None


def _number(texts: Texts, name: str) -> float | None:
    return number_of(texts.get(name, ""), name)


KINDS = {
    "resins": Kind(
        "resins",
        "resin",
        {
            "name": "Name",
            "category": "The maker’s category",
            "density_g_cm3": "Density",
            "price_per_kg": "Price",
            **{
                f"{name}_{end}": f"{label}, {'from' if end == 'low' else 'to'}"
                for name, (label, _) in GUIDANCE.items()
                for end in ("low", "high")
            },
            "note": "Note",
        },
        (),
        _resin_entered,
        _resin_of,
    ),
    "bottles": Kind(
        "bottles",
        "bottle",
        {
            "resin": "Resin",
            "lot": "Lot",
            **BOTTLE_TIMES,
            "price_per_kg": "Price",
            "note": "Note",
        },
        (),
        _bottle_entered,
        _bottle_of,
    ),
    "plates": Kind(
        "plates",
        "plate",
        {"name": "Name", "resin_ml": "Resin it takes", "note": "Note"},
        ("part", "spot"),
        _plate_entered,
        _plate_of,
    ),
    "machines": Kind(
        "machines",
        "machine",
        {"name": "Name", "note": "Note"},
        ("channel", "since", "until"),
        _machine_entered,
        _machine_of,
    ),
    "fixtures": Kind(
        "fixtures",
        "fixture",
        bench_forms.FIXTURE_LABELS,
        (),
        bench_forms.fixture_entered,
        bench_forms.fixture_of,
    ),
    "gauges": Kind(
        "gauges",
        "gauge",
        bench_forms.GAUGE_LABELS,
        (),
        bench_forms.gauge_entered,
        bench_forms.gauge_of,
    ),
}
