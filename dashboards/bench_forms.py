"""How forms become fixtures and gauges of the break bench, and are filled in from them."""

from __future__ import annotations

from collections.abc import Mapping

from api.checked import checked
from api.record import Fixture, Gauge
from collector.channels import Channel
from dashboards import words
from dashboards.sheet import number_of

Texts = Mapping[str, str]

#: The lengths of a fixture, with their labels.
LENGTHS = {
    "span_mm": "Span",
    "width_mm": "Width of its pieces",
    "thickness_mm": "Thickness of its pieces",
}
FIXTURE_LABELS = {"name": "Name", "holding": "Holding", **LENGTHS, "note": "Note"}
GAUGE_LABELS = {
    "name": "Name",
    "limit": "The most it can read",
    "unit": "Unit of its limit",
    "note": "Note",
}


def fixture_entered(fixture: Fixture) -> dict[str, str]:
    """The form's text for a fixture."""
    lengths = {name: words.plain(getattr(fixture, name)) for name in LENGTHS}
    return {
        "name": fixture.name,
        "holding": fixture.holding.value,
        **lengths,
        "note": fixture.note,
    }


def fixture_of(texts: Texts, _channels: tuple[Channel, ...], _before: Fixture | None) -> Fixture:
    """The fixture of a filled-in form. Raises ``InvalidError`` naming the field."""
    lengths = {name: number_of(texts.get(name, ""), name) for name in LENGTHS}
    said = {name: texts.get(name, "") for name in ("name", "holding", "note")}
    return checked(Fixture, {**said, **lengths})


def gauge_entered(gauge: Gauge) -> dict[str, str]:
    """The form's text for a gauge."""
    return {
        "name": gauge.name,
        "limit": words.plain(gauge.limit.value),
        "unit": gauge.limit.unit.value,
        "note": gauge.note,
    }


def gauge_of(texts: Texts, _channels: tuple[Channel, ...], _before: Gauge | None) -> Gauge:
    """The gauge of a filled-in form. Raises ``InvalidError`` naming the field."""
    limit = {"value": number_of(texts.get("limit", ""), "limit"), "unit": texts.get("unit", "")}
    said = {name: texts.get(name, "") for name in ("name", "note")}
    return checked(Gauge, {**said, "limit": limit})
