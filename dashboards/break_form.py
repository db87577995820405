"""How filled-in forms become fixtures, gauges and break tests. Pure."""

from __future__ import annotations

import re
from collections.abc import Mapping
from datetime import datetime
from typing import Any

from api.checked import checked
from api.record import BreakTest, Fixture, Gauge
from api.strength import Holding, LoadUnit
from collector.errors import InvalidError
from dashboards.sheet import number_of, text_of, time_of

HOLDINGS = {
    Holding.THREE_POINT: "three-point bending",
    Holding.CANTILEVER: "cantilever, clamped at one end",
    Holding.COMPRESSION: "plain compression",
}
UNITS = {
    LoadUnit.NEWTON: "N",
    LoadUnit.KILOGRAM_FORCE: "kgf",
    LoadUnit.POUND_FORCE: "lbf",
}

#: The fields of a test that stay filled in for the next piece.
STAYING = ("resin", "fixture", "gauge", "unit", "cured", "soak", "width_mm", "thickness_mm")
FIELDS = ("piece", *STAYING, "specimen", "load", "tested", "note", "outcome")


def texts_of(form: Mapping[str, Any]) -> dict[str, str]:
    """Everything that was typed, for showing the form again."""
    return {name: text_of(form, name) for name in FIELDS}


def test_of(texts: Mapping[str, str], now: datetime) -> BreakTest:
    """The test that a filled-in form describes; an empty time of test means now.

    Raises ``InvalidError`` naming the field.
    """
    held = texts["outcome"] == "no_break_at_the_limit"
    load = number_of(texts["load"], "load")
    if held and load is not None:
        raise InvalidError(
            "a piece that did not break has no load",
            where="load",
            remedy="Empty the load, or say that it broke.",
        )
    if not held and load is None:
        raise InvalidError(
            "no load was given",
            where="load",
            remedy="Type what the gauge showed, or tap that it did not break at the limit.",
        )
    soak = _number(texts["soak"], "soak")
    soaked = [{"soak": soak, "specimen": texts["specimen"] or texts["piece"]}] if soak else []
    return checked(
        BreakTest,
        {
            "piece": texts["piece"],
            "resin": _number(texts["resin"], "resin"),
            "fixture": _number(texts["fixture"], "fixture"),
            "gauge": _number(texts["gauge"], "gauge"),
            "outcome": "no_break_at_the_limit" if held else "broke",
            "load": None if held else {"value": load, "unit": texts["unit"] or LoadUnit.NEWTON},
            "soaked": soaked,
            "width_mm": number_of(texts["width_mm"], "width_mm"),
            "thickness_mm": number_of(texts["thickness_mm"], "thickness_mm"),
            "tested": time_of(texts["tested"], "tested") or now,
            "cured": time_of(texts["cured"], "cured"),
            "note": texts["note"],
        },
    )


def fixture_of(form: Mapping[str, Any]) -> Fixture:
    """The fixture of a filled-in form. Raises ``InvalidError`` naming the field."""
    lengths = {
        name: number_of(text_of(form, name), name)
        for name in ("span_mm", "width_mm", "thickness_mm")
    }
    return checked(
        Fixture, {"name": text_of(form, "name"), "holding": text_of(form, "holding"), **lengths}
    )


def gauge_of(form: Mapping[str, Any]) -> Gauge:
    """The gauge of a filled-in form. Raises ``InvalidError`` naming the field."""
    limit = {"value": number_of(text_of(form, "limit"), "limit"), "unit": text_of(form, "unit")}
    return checked(Gauge, {"name": text_of(form, "name"), "limit": limit})


def next_piece(name: str) -> str:
    """The name of the piece after this one: ``amber 3`` after ``amber 2``, else the same."""
    numbered = re.fullmatch(r"(.*?)(\d{1,6})", name)
    if numbered is None:
        return name
    return f"{numbered[1]}{int(numbered[2]) + 1:0{len(numbered[2])}d}"


def _number(text: str, field: str) -> int | None:
    if not text:
        return None
    if not (text.isascii() and text.isdecimal() and len(text) <= 18):
        raise InvalidError("nothing was chosen", where=field, remedy="Choose one of the list.")
    return int(text)
