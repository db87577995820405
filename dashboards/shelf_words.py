"""The things on the shelf in words, for lists and for two people at one of them."""

from __future__ import annotations

from collections.abc import Mapping
from datetime import datetime

from api.record import Bottle, ChannelLink, Fixture, Gauge, Machine, Plate, Resin
from dashboards import words
from dashboards.bench_forms import LENGTHS
from dashboards.break_form import HOLDINGS, UNITS
from dashboards.shelf_forms import BOTTLE_TIMES, GUIDANCE


def title(entry: object, resins: Mapping[int, str], id: int) -> str:
    """What a thing on the shelf is called."""
    if isinstance(entry, Bottle):
        lot = f"lot {entry.lot}" if entry.lot else f"bottle {id}"
        return f"{resins.get(entry.resin, 'resin')}, {lot}"
    name: str = getattr(entry, "name", "")
    return name


def said(entry: object, resins: Mapping[int, str], now: datetime) -> dict[str, str]:
    """Every entry of it by its label; what was not noted is left out."""
    found: dict[str, str] = {}
    if isinstance(entry, Resin):
        found = _resin(entry)
    elif isinstance(entry, Bottle):
        found = {"Resin": resins.get(entry.resin, f"resin {entry.resin}"), "Lot": entry.lot}
        found |= {
            label: words.moment(at, now) if (at := getattr(entry, name)) else ""
            for name, label in BOTTLE_TIMES.items()
        }
        found |= {"Price": _price(entry.price_per_kg), "Note": entry.note}
    elif isinstance(entry, Plate):
        parts = [
            f"{part.name} ({words.SPOTS[part.place]})" if part.place else part.name
            for part in entry.parts
        ]
        takes = f"{words.plain(entry.resin_ml)} ml" if entry.resin_ml is not None else ""
        found = {"Parts": ", ".join(parts), "Resin it takes": takes, "Note": entry.note}
    elif isinstance(entry, Machine):
        links = "; ".join(link(one, now) for one in entry.channels)
        found = {"Sensors": links, "Note": entry.note}
    elif isinstance(entry, Fixture):
        found = {"Holding": HOLDINGS[entry.holding]}
        for length, label in LENGTHS.items():
            value = getattr(entry, length)
            found[label] = f"{words.plain(value)} mm" if value is not None else ""
        found |= {"Note": entry.note}
    elif isinstance(entry, Gauge):
        limit = f"{words.plain(entry.limit.value)} {UNITS[entry.limit.unit]}"
        found = {"The most it can read": limit, "Note": entry.note}
    name = "" if isinstance(entry, Bottle) else getattr(entry, "name", "")
    return {label: text for label, text in {"Name": name, **found}.items() if text}


def _resin(resin: Resin) -> dict[str, str]:
    density = resin.density_g_cm3
    found = {
        "Category": resin.category,
        "Density": f"{words.plain(density)} g/cm³" if density is not None else "",
        "Price": _price(resin.price_per_kg),
    }
    for name, (label, unit) in GUIDANCE.items():
        limits = getattr(resin.guidance, name)
        if limits is not None:
            low, high = words.plain(limits.low), words.plain(limits.high)
            found[f"{label}, printed"] = (
                f"{low} to {high} {unit}" if low != high else f"{low} {unit}"
            )
    return found | {"Note": resin.note}


def _price(price: float | None) -> str:
    return f"{words.plain(price)} per kg" if price is not None else ""


def link(one: ChannelLink, now: datetime) -> str:
    """A sensor of a machine: ``resin in the vat: vat-north, from Mon 5 Jan 09:00``."""
    times = [
        f"{word} {words.moment(at, now)}"
        for word, at in (("from", one.since), ("until", one.until))
        if at is not None
    ]
    return ", ".join(
        [f"{words.ROLES[one.role].lower()}: {one.channel}", " ".join(times)][: 1 + bool(times)]
    )
