"""Messages that were to put a print on record and made no sense: correct them, or dismiss them."""

from __future__ import annotations

import json
from dataclasses import dataclass
from datetime import datetime
from typing import Annotated

from fastapi import APIRouter, Path
from fastapi.responses import HTMLResponse, Response

from api.answers import Workshop
from api.health import shown
from api.print_messages import take_refused
from api.prints import MOST_ID
from api.record import RefusedPrint
from api.record.refused_prints import Settled
from collector.errors import ConflictError, InvalidError
from dashboards.pages.workshop import WorkshopHere
from dashboards.sheet import Filled, Now, Sheets, SheetsHere, onwards, text_of

router = APIRouter(include_in_schema=False)

Number = Annotated[int, Path(ge=1, le=MOST_ID)]

#: Messages that were seen to, as the page lists them.
SEEN_TO_N = 20


@dataclass(frozen=True, slots=True)
class Waiting:
    """A message that waits, with the text of its form and what was wrong with what was typed."""

    refused: RefusedPrint
    text: str
    fault: InvalidError | ConflictError | None = None


@router.get("/prints/refused")
def refused_prints(
    workshop: WorkshopHere, sheets: SheetsHere, now: Now, done: str = ""
) -> HTMLResponse:
    """Every message that waits, and the last that were seen to."""
    return _page(workshop, sheets, now, done=done)


@router.post("/prints/refused/{number}/take")
def take(
    workshop: WorkshopHere, sheets: SheetsHere, now: Now, number: Number, form: Filled
) -> Response:
    """Take a message as it was corrected; what is refused again comes back as it was typed."""
    text = text_of(form, "message")
    try:
        kept = take_refused(workshop.record, number, text.encode())
    except (InvalidError, ConflictError) as fault:
        return _page(workshop, sheets, now, typed=(number, text, fault))
    return onwards(f"/prints/{kept.id}")


@router.post("/prints/refused/{number}/dismiss")
def dismiss(workshop: WorkshopHere, number: Number) -> Response:
    """Put nothing on record from a message."""
    workshop.record.refused_prints.settle(number, Settled.DISMISSED)
    return onwards("/prints/refused?done=dismissed")


def _page(
    workshop: Workshop,
    sheets: Sheets,
    now: datetime,
    *,
    done: str = "",
    typed: tuple[int, str, InvalidError | ConflictError] | None = None,
) -> HTMLResponse:
    refused = workshop.record.refused_prints
    waiting = [
        Waiting(one, typed[1], typed[2])
        if typed and typed[0] == one.id
        else Waiting(one, message_text(one))
        for one in refused.waiting()
    ]
    return sheets.page(
        "refused_prints.html",
        "/prints",
        now,
        status=typed[2].status if typed else 200,
        waiting=waiting,
        waiting_n=refused.waiting_n(),
        lost=typed[2] if typed and all(one.fault is None for one in waiting) else None,
        seen_to=[one for one in refused.all() if one.settled is not None][:SEEN_TO_N],
        bytes_of=lambda one: shown(one.payload),
        done=done,
    )


def message_text(one: RefusedPrint) -> str:
    """A message as a person can correct it: JSON laid out, other text as it came; else empty."""
    try:
        text = one.payload.decode("utf-8")
    except UnicodeDecodeError:
        return ""
    try:
        return json.dumps(json.loads(text), indent=1, ensure_ascii=False)
    except (ValueError, RecursionError):
        return text if text.isprintable() or "\n" in text else ""
