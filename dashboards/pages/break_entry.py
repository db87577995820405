"""What the bench and the page of one test share: the form's choices and what becomes of it."""

from __future__ import annotations

from collections.abc import Mapping
from datetime import datetime
from typing import Any

from api.answers import Workshop
from api.break_groups import figure
from api.prints import Print
from api.record import BreakTest, Kept
from collector.errors import InvalidError, NotFoundError
from dashboards import break_form
from dashboards.break_sources import print_sources, read_value, soak_sources, with_chosen
from dashboards.pages.workshop import machine_names, resin_names

#: Prints and soak runs that the form offers, newest first; an older print has a link on its page.
OFFERED_N = 30


def choices_of(workshop: Workshop, texts: Mapping[str, str], now: datetime) -> dict[str, Any]:
    """What the form offers, for its template."""
    record = workshop.record
    chosen = _print_of(workshop, texts.get("origin", ""))
    broken = set(record.breaks.broken_parts())
    if texts.get("origin"):
        # The piece in hand may be the very one that broke.
        broken.discard(_own(texts["origin"]))
    resins = resin_names(workshop)
    newest = with_chosen(record.prints.newest(OFFERED_N), chosen)
    runs = list(reversed(record.soaks.all()))
    own_run = _own(texts.get("soak", ""))[0]
    offered = [kept for n, kept in enumerate(runs) if n < OFFERED_N or kept.id == own_run]
    return {
        "forms": break_form,
        "plain": figure,
        "texts": texts,
        "resins": resins,
        "fixtures": record.fixtures.all(),
        "gauges": record.gauges.all(),
        "origins": print_sources(newest, broken, machine_names(workshop), resins, now),
        "soaks": soak_sources(offered),
    }


def _own(text: str) -> tuple[int, str]:
    try:
        number, name = read_value(text, "origin")
    except InvalidError:
        return 0, ""
    return number or 0, name or ""


def _print_of(workshop: Workshop, origin: str) -> Kept[Print] | None:
    try:
        return workshop.record.prints.get(_own(origin)[0])
    except NotFoundError:
        return None


def entry_from(
    workshop: Workshop, texts: Mapping[str, str], now: datetime, before: BreakTest | None = None
) -> BreakTest:
    """The test that a filled-in form describes, with the resin of its print.

    Raises ``InvalidError`` naming the field.
    """
    plate = _print_of(workshop, texts["origin"])
    if plate is not None:
        texts = break_form.of_its_print(texts, plate.entry)
    return break_form.entry_of(texts, now, before)
