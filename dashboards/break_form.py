"""How filled-in forms become break tests, and how a test on record fills a form in. Pure."""

from __future__ import annotations

import re
from collections.abc import Mapping
from datetime import datetime
from typing import Any

from api.checked import checked
from api.prints import Print
from api.record import BreakOutcome, BreakTest, SoakedAs
from api.strength import Holding, LoadUnit
from collector.errors import InvalidError, VatsideError
from dashboards import words
from dashboards.afterwork_form import kept_time
from dashboards.break_sources import read_value, value_of
from dashboards.refusal import Refusal, refusal_of
from dashboards.sheet import number_of, text_of

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
OUTCOMES = {
    BreakOutcome.BROKE: "It broke at this load",
    BreakOutcome.HELD: "No break at the gauge’s limit",
}

#: Every field of the form, with its label.
LABELS = {
    "piece": "Piece",
    "load": "What the gauge showed",
    "unit": "Unit of the load",
    "outcome": "What came of it",
    "origin": "Came from the print",
    "resin": "Resin",
    "fixture": "Fixture",
    "gauge": "Gauge",
    "cured": "Cure ended",
    "soak": "Went through the soak run",
    "width_mm": "Width measured",
    "thickness_mm": "Thickness measured",
    "tested": "Tested at",
    "note": "Note",
}
#: ``resin_was`` is the resin the form was filled in with, so that a print brings its own.
FIELDS = (*LABELS, "resin_was")

#: The fields of a form by what the record calls them.
_FIELD_OF = {"print": "origin", "part": "origin", "soaked.0": "soak", "load.value": "load"}


def texts_of(form: Mapping[str, Any]) -> dict[str, str]:
    """Everything that was typed, for showing the form again."""
    return {name: text_of(form, name) for name in FIELDS}


def entered(test: BreakTest) -> dict[str, str]:
    """The form's text for a test that is on record."""
    run = test.soaked[0] if test.soaked else None
    return {
        "piece": test.piece,
        "load": words.plain(test.load.value) if test.load else "",
        "unit": test.load.unit.value if test.load else "",
        "outcome": test.outcome.value,
        "origin": value_of(test.print, test.part),
        "resin": str(test.resin),
        "fixture": str(test.fixture),
        "gauge": str(test.gauge),
        "cured": words.field_time(test.cured),
        "soak": value_of(run.soak, run.specimen) if run else "",
        "width_mm": words.plain(test.width_mm),
        "thickness_mm": words.plain(test.thickness_mm),
        "tested": words.field_time(test.tested),
        "note": test.note,
        "resin_was": str(test.resin),
    }


def of_its_print(texts: Mapping[str, str], plate: Print) -> dict[str, str]:
    """The form with the resin of the print it names, unless another resin was chosen by hand."""
    left = texts["resin"] in ("", texts["resin_was"])
    return {**texts, "resin": str(plate.resin)} if left else dict(texts)


def entry_of(texts: Mapping[str, str], now: datetime, before: BreakTest | None = None) -> BreakTest:
    """The test that a filled-in form describes; an empty time of test means now.

    ``before`` is what is being corrected: what the form does not tell of it stays.
    Raises ``InvalidError`` naming the field.
    """
    print_id, part = read_value(texts["origin"], "origin")
    resin, piece = _number(texts["resin"], "resin"), _piece(texts, part)
    return checked(
        BreakTest,
        {
            "piece": piece,
            "resin": resin,
            "bottle": before.bottle if before and before.resin == resin else None,
            "print": print_id,
            "part": part,
            "fixture": _number(texts["fixture"], "fixture"),
            "gauge": _number(texts["gauge"], "gauge"),
            **_outcome(texts),
            "soaked": _soaked(texts, piece, before),
            "width_mm": number_of(texts["width_mm"], "width_mm"),
            "thickness_mm": number_of(texts["thickness_mm"], "thickness_mm"),
            "tested": kept_time(texts["tested"], before.tested if before else None, "tested")
            or now,
            "cured": kept_time(texts["cured"], before.cured if before else None, "cured"),
            "note": texts["note"],
        },
    )


def _piece(texts: Mapping[str, str], part: str | None) -> str:
    """What the piece is called: a part of a print has a name already."""
    if not texts["piece"] and part is None:
        raise InvalidError(
            "the piece has no name",
            where="piece",
            remedy="Give it a name or a number, such as amber 1, or choose the part it was.",
        )
    return texts["piece"] or part or ""


def _outcome(texts: Mapping[str, str]) -> dict[str, object]:
    held = texts["outcome"] == BreakOutcome.HELD
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
    if held:
        return {"outcome": BreakOutcome.HELD}
    unit = texts["unit"] or LoadUnit.NEWTON
    return {"outcome": BreakOutcome.BROKE, "load": {"value": load, "unit": unit}}


def _soaked(texts: Mapping[str, str], piece: str, before: BreakTest | None) -> tuple[SoakedAs, ...]:
    """The run that was chosen, and those that only the api names."""
    run, specimen = read_value(texts["soak"], "soak")
    others = before.soaked[1:] if before else ()
    if run is None:
        return others
    return (checked(SoakedAs, {"soak": run, "specimen": specimen or piece}), *others)


def refused(fault: VatsideError | None) -> Refusal | None:
    """Why the form was refused, tied to its field."""
    if fault is not None and fault.where in _FIELD_OF:
        fault = InvalidError(fault.what, where=_FIELD_OF[fault.where], remedy=fault.remedy)
    return refusal_of(fault, LABELS)


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
