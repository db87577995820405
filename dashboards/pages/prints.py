"""The Prints page: the log, what runs, what waits for a verdict, and what may be started."""

from __future__ import annotations

from collections.abc import Mapping
from datetime import datetime
from typing import Annotated
from urllib.parse import urlencode

from fastapi import APIRouter, Depends
from fastapi.responses import HTMLResponse

from api.answers import Workshop
from api.prints import FailureMode
from api.record import PrintFilter, cursor_of
from collector.errors import InvalidError
from dashboards import print_form, shelf_words, words
from dashboards.pages.print_desk import Asked, desk
from dashboards.pages.workshop import WorkshopHere, machine_names, resin_names
from dashboards.sheet import Now, Sheets, SheetsHere, id_of, time_of

router = APIRouter(include_in_schema=False)

#: Prints of the log on one page.
LIST_N = 30

#: What the filter by outcome may hold beside the outcomes themselves.
NOT_LOOKED = "not-looked"


@router.get("/prints")
def prints(
    workshop: WorkshopHere,
    sheets: SheetsHere,
    now: Now,
    asked: Annotated[Asked, Depends()],
    machine: str = "",
    resin: str = "",
    outcome: str = "",
    plate: str = "",
    bottle: str = "",
    mode: str = "",
    since: str = "",
    until: str = "",
    before: str | None = None,
) -> HTMLResponse:
    """The log with its filters, which live in the address."""
    chosen = {
        "machine": machine,
        "resin": resin,
        "outcome": outcome,
        "plate": plate,
        "bottle": bottle,
        "mode": mode,
        "since": since,
        "until": until,
    }
    return _page(workshop, sheets, now, chosen, asked, before=before)


def _page(
    workshop: Workshop,
    sheets: Sheets,
    now: datetime,
    chosen: Mapping[str, str],
    asked: Asked,
    *,
    before: str | None = None,
) -> HTMLResponse:
    only = filter_of(chosen)
    ledger = workshop.record.prints
    found = ledger.newest(LIST_N + 1, only=only, before=before)
    shown = {name: text for name, text in chosen.items() if text}
    resins = resin_names(workshop)
    further = None
    if len(found) > LIST_N:
        further = f"/prints?{urlencode(shown | {'before': cursor_of(found[LIST_N - 1])})}#log"
    return sheets.page(
        "prints.html",
        "/prints",
        now,
        chosen=chosen,
        found=found[:LIST_N],
        count=ledger.count(only),
        further=further,
        newest=f"/prints?{urlencode(shown)}#log" if before else None,
        plates={kept.id: kept.entry.name for kept in workshop.record.plates.all()},
        bottles=_bottles(workshop, resins),
        modes=words.MODES,
        resins=resins,
        machines=machine_names(workshop),
        refused_n=workshop.record.refused_prints.waiting_n(),
        **desk(workshop, now, asked),
    )


def _bottles(workshop: Workshop, resins: Mapping[int, str]) -> dict[int, str]:
    """The bottles by id, as the shelf calls them."""
    found = workshop.record.bottles.all()
    return {kept.id: shelf_words.title(kept.entry, resins, kept.id) for kept in found}


def filter_of(chosen: Mapping[str, str]) -> PrintFilter:
    """The filter that the address asks for. Raises ``InvalidError`` naming the field."""
    outcome = chosen.get("outcome", "")
    looked = None
    if outcome == NOT_LOOKED:
        outcome, looked = "", False
    return PrintFilter(
        resin=id_of(chosen.get("resin", ""), "resin"),
        machine=id_of(chosen.get("machine", ""), "machine"),
        outcome=print_form.outcome_of(outcome) if outcome else None,
        looked=looked,
        plate=id_of(chosen.get("plate", ""), "plate"),
        bottle=id_of(chosen.get("bottle", ""), "bottle"),
        mode=mode_of(chosen.get("mode", "")),
        since=time_of(chosen.get("since", ""), "since"),
        until=time_of(chosen.get("until", ""), "until"),
    )


def mode_of(text: str) -> FailureMode | None:
    """A failure mode by its name; None for no name. Raises ``InvalidError``."""
    if not text:
        return None
    try:
        return FailureMode(text)
    except ValueError:
        raise InvalidError(
            f"“{text[:40]}” is no failure mode",
            where="mode",
            remedy=f"Choose one of: {', '.join(FailureMode)}.",
        ) from None
