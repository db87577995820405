"""Changes to a print: its end, what came of it, a correction, and all of it taken back."""

from __future__ import annotations

from collections.abc import Callable
from datetime import datetime
from functools import partial

from fastapi import APIRouter
from fastapi.responses import HTMLResponse, Response
from starlette.datastructures import FormData

from api.answers import Workshop
from api.checked import checked
from api.prints import Print
from collector.errors import ConflictError, InvalidError
from dashboards import print_form
from dashboards.pages.one_print import PrintId, show_print
from dashboards.pages.print_start import show_form
from dashboards.pages.workshop import WorkshopHere
from dashboards.sheet import Filled, Now, Sheets, SheetsHere, onwards, text_of, time_of

router = APIRouter(include_in_schema=False)

# ---- what came of it -------------------------------------------------------------------------


@router.post("/prints/{print_id}/outcome")
def whole_plate(
    workshop: WorkshopHere, sheets: SheetsHere, now: Now, print_id: PrintId, form: Filled
) -> Response:
    """One outcome for the whole plate."""

    def judged(plate: Print) -> Print:
        return print_form.verdict_on_all(plate, print_form.outcome_of(text_of(form, "outcome")))

    onto = f"/prints/{print_id}?done=outcome&kept=outcome-{print_id}"
    if text_of(form, "from") == "list":
        onto = f"/prints?done={print_id}"
    return _changed(workshop, sheets, now, print_id, form, judged, onto)


@router.post("/prints/{print_id}/parts")
def part_by_part(
    workshop: WorkshopHere, sheets: SheetsHere, now: Now, print_id: PrintId, form: Filled
) -> Response:
    """An outcome, failure modes and a note for each part."""
    onto = f"/prints/{print_id}?done=outcome&kept=outcome-{print_id}"
    judged = partial(print_form.verdict_by_part, form=form)
    return _changed(workshop, sheets, now, print_id, form, judged, onto)


@router.post("/prints/{print_id}/end")
def end(
    workshop: WorkshopHere, sheets: SheetsHere, now: Now, print_id: PrintId, form: Filled
) -> Response:
    """End a print, now or at the time that was typed."""

    def over(plate: Print) -> Print:
        at = time_of(text_of(form, "end"), "end") or now
        return checked(Print, {**plate.model_dump(), "end": at})

    onto = f"/prints/{print_id}?done=end"
    return _changed(workshop, sheets, now, print_id, form, over, onto)


def _changed(
    workshop: Workshop,
    sheets: Sheets,
    now: datetime,
    print_id: int,
    form: FormData,
    change: Callable[[Print], Print],
    onto: str,
) -> Response:
    """Put a changed print on record and go on; what is refused is said on its own page."""
    ledger = workshop.record.prints
    plate = ledger.get(print_id).entry
    try:
        ledger.change(print_id, change(plate), revision=revision_of(form))
    except (InvalidError, ConflictError) as fault:
        return show_print(workshop, sheets, now, print_id, fault=fault)
    return onwards(onto)


@router.post("/prints/{print_id}/undo")
def undo(workshop: WorkshopHere, print_id: PrintId, form: Filled) -> Response:
    """Put back what stood before the last change; that is a change like any other."""
    revisions = workshop.record.prints.revisions(print_id)
    if not revisions:
        raise ConflictError(
            "nothing has been changed on this print", where="print", remedy="There is no need."
        )
    before = checked(Print, revisions[-1].before)
    workshop.record.prints.change(print_id, before, revision=revision_of(form))
    return onwards(f"/prints/{print_id}?done=undo")


# ---- correcting ------------------------------------------------------------------------------


@router.get("/prints/{print_id}/correct")
def correct_form(
    workshop: WorkshopHere, sheets: SheetsHere, now: Now, print_id: PrintId
) -> HTMLResponse:
    """The form of a print as it stands on record."""
    kept = workshop.record.prints.get(print_id)
    texts = print_form.entered(kept.entry) | {"key": "", "revision": str(kept.revision)}
    return show_form(workshop, sheets, now, texts, kept=kept)


@router.post("/prints/{print_id}")
def correct(
    workshop: WorkshopHere, sheets: SheetsHere, now: Now, print_id: PrintId, form: Filled
) -> Response:
    """Correct a print; what stood before is kept."""
    kept = workshop.record.prints.get(print_id)
    texts = print_form.texts_of(form) | {"key": "", "revision": text_of(form, "revision")}
    try:
        plate = print_form.print_of(texts, now, kept.entry)
        workshop.record.prints.change(print_id, plate, revision=revision_of(form))
    except (InvalidError, ConflictError) as fault:
        return show_form(workshop, sheets, now, texts, fault=fault, kept=kept)
    return onwards(f"/prints/{print_id}?done=correct&kept=print-{print_id}")


@router.post("/prints/{print_id}/delete")
def delete(workshop: WorkshopHere, print_id: PrintId, form: Filled) -> Response:
    """Take a print off the log; its revisions keep it."""
    if text_of(form, "sure") != "yes":
        raise InvalidError(
            "the box was not ticked", where="sure", remedy="Tick it to take the print off the log."
        )
    workshop.record.prints.delete(print_id, revision=revision_of(form))
    return onwards("/prints")


def revision_of(form: FormData) -> int | None:
    """The revision that a form was made from. Raises ``InvalidError`` for one that is none."""
    text = text_of(form, "revision")
    if not text:
        return None
    if not text.isdecimal() or len(text) > 9:
        raise InvalidError(
            "the form names no revision", where="revision", remedy="Reload the page and try again."
        )
    return int(text)
