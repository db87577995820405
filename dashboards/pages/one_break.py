"""One break test's own page: what the piece bore, photographs, correcting it, taking it out."""

from __future__ import annotations

import uuid
from collections.abc import Mapping
from datetime import datetime
from typing import Annotated

from fastapi import APIRouter, Path
from fastapi.responses import HTMLResponse, Response

from api.answers import Workshop
from api.break_answers import break_rows, said_of, stress_said
from api.photographs import PICTURE_MAX
from api.record import BreakTest, Kept
from collector.errors import ConflictError, InvalidError
from dashboards import break_form
from dashboards.break_sources import came_from
from dashboards.break_words import BenchNames, in_words
from dashboards.pages.break_entry import choices_of, entry_from
from dashboards.pages.print_changes import revision_of
from dashboards.pages.workshop import WorkshopHere
from dashboards.print_clash import Clash, rows_of
from dashboards.print_form import merged
from dashboards.sheet import Filled, Now, Sheets, SheetsHere, onwards, text_of
from dashboards.stood_before import befores_of

router = APIRouter(include_in_schema=False)

BreakId = Annotated[int, Path(ge=1, lt=2**63)]
Fault = InvalidError | ConflictError


@router.get("/breaks/{break_id}")
def one_break(
    workshop: WorkshopHere, sheets: SheetsHere, now: Now, break_id: BreakId, done: str = ""
) -> HTMLResponse:
    """The whole page."""
    return show_break(workshop, sheets, now, break_id, done=done)


def show_break(
    workshop: Workshop,
    sheets: Sheets,
    now: datetime,
    break_id: int,
    *,
    done: str = "",
    texts: Mapping[str, str] | None = None,
    fault: Fault | None = None,
    clash: Clash | None = None,
) -> HTMLResponse:
    """The page of a test; ``texts`` is what was typed where a form was refused."""
    kept = workshop.record.breaks.get(break_id)
    (row,) = break_rows(workshop, [kept], now)
    of_print = kept.entry.print
    plate = None if of_print is None else workshop.record.prints.get(of_print).entry
    names = BenchNames.of(workshop)
    shown = {**break_form.entered(kept.entry), "revision": str(kept.revision)} | dict(texts or {})
    return sheets.page(
        "break.html",
        "/breaks",
        now,
        status=fault.status if fault else clash.status if clash else 200,
        kept=kept,
        test=kept.entry,
        row=row,
        said=said_of(row),
        stress=stress_said(row),
        came_from=came_from(kept.entry, plate),
        befores=befores_of(workshop.record.breaks, kept, lambda one: in_words(one, names)),
        photographs=workshop.record.photographs.of(break_id=break_id),
        photograph_key=str(uuid.uuid4()),
        picture_max=PICTURE_MAX,
        done=done,
        typed=texts is not None,
        wrong=break_form.refused(fault),
        clash=clash,
        **choices_of(workshop, shown, now),
    )


@router.post("/breaks/{break_id}")
def correct(
    workshop: WorkshopHere, sheets: SheetsHere, now: Now, break_id: BreakId, form: Filled
) -> Response:
    """Correct a test; what stood before is kept, and what another changed is not overwritten."""
    ledger = workshop.record.breaks
    kept = ledger.get(break_id)
    texts = {**break_form.texts_of(form), "revision": text_of(form, "revision")}
    try:
        began = ledger.changed_since(kept, revision_of(form))
        mine = entry_from(workshop, texts, now, kept.entry if began is None else began)
        if began is not None and mine != kept.entry:
            clash = _clash_of(workshop, began, kept, mine)
            entered = [break_form.entered(one) for one in (began, kept.entry, mine)]
            texts = merged(*entered) | {"revision": str(kept.revision)}
            return show_break(workshop, sheets, now, break_id, texts=texts, clash=clash)
        ledger.change(break_id, mine, revision=kept.revision)
    except (InvalidError, ConflictError) as fault:
        return show_break(workshop, sheets, now, break_id, texts=texts, fault=fault)
    return onwards(f"/breaks/{break_id}?done=correct&kept=break-{break_id}")


def _clash_of(
    workshop: Workshop, began: BreakTest, kept: Kept[BreakTest], mine: BreakTest
) -> Clash:
    names = BenchNames.of(workshop)
    told = [in_words(one, names) for one in (began, kept.entry, mine)]
    return Clash(rows_of(*told), f"/breaks/{kept.id}?kept=break-{kept.id}")


@router.post("/breaks/{break_id}/delete")
def take_out(
    workshop: WorkshopHere, sheets: SheetsHere, now: Now, break_id: BreakId, form: Filled
) -> Response:
    """Take a test off the record and out of the sums; it is kept and can be brought back."""
    try:
        workshop.record.breaks.delete(break_id, revision=revision_of(form))
    except (InvalidError, ConflictError) as fault:
        return show_break(workshop, sheets, now, break_id, fault=fault)
    return onwards(f"/breaks?gone={break_id}&kept=break-{break_id}")


@router.post("/breaks/{break_id}/undo")
def undo(workshop: WorkshopHere, break_id: BreakId, form: Filled) -> Response:
    """Take back the last change; that is a change like any other, and can be taken back too."""
    kept = workshop.record.breaks.undo(break_id, revision=revision_of(form))
    if kept is None:
        return onwards(f"/breaks?gone={break_id}")
    return onwards(f"/breaks/{break_id}?done=undo")
