"""Changes to a print: its end, what came of it, a correction, and all of it taken back."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from datetime import datetime
from typing import Annotated

from fastapi import APIRouter, Query
from fastapi.responses import HTMLResponse, Response
from starlette.datastructures import FormData

from api.answers import Workshop
from api.checked import checked
from api.prints import Outcome, Print, Spot
from api.record import Kept, PrintFilter
from collector.errors import ConflictError, InvalidError, VatsideError
from dashboards import afterwork_form, outcome_form, print_form, words
from dashboards.outcome_form import PartTexts
from dashboards.pages.one_print import PrintId, show_print
from dashboards.pages.print_start import check_shelf, show_form
from dashboards.pages.workshop import WorkshopHere
from dashboards.print_clash import Clash, rows_of
from dashboards.print_words import Names, in_words
from dashboards.refusal import refusal_of
from dashboards.sheet import Filled, Now, Sheets, SheetsHere, onwards, text_of, time_of

router = APIRouter(include_in_schema=False)

#: Prints that are looked at for an earlier afterwork to copy.
AFTERWORK_LOOK_BACK_N = 50


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


# ---- what came of it -------------------------------------------------------------------------


@router.get("/prints/{print_id}/outcome")
def outcome_page(
    workshop: WorkshopHere, sheets: SheetsHere, now: Now, print_id: PrintId
) -> HTMLResponse:
    """What came of each part. Where nobody looked yet, only what went wrong has to be tapped."""
    kept = workshop.record.prints.get(print_id)
    unseen = "" if kept.entry.outcome else Outcome.GOOD.value
    typed = outcome_form.entered(kept.entry, unseen=unseen)
    return _outcome_page(workshop, sheets, now, kept, typed)


def _outcome_page(
    workshop: Workshop,
    sheets: Sheets,
    now: datetime,
    kept: Kept[Print],
    typed: Sequence[PartTexts],
    *,
    fault: VatsideError | None = None,
    clash: Clash | None = None,
) -> HTMLResponse:
    labels = {
        f"{field}-{number}": f"{texts.name}, {field}"
        for number, texts in enumerate(typed)
        for field in ("outcome", "modes", "place", "note")
    }
    return sheets.page(
        "print_parts.html",
        "/prints",
        now,
        status=fault.status if fault else clash.status if clash else 200,
        kept=kept,
        plate=kept.entry,
        typed=typed,
        wrong=refusal_of(fault, labels),
        clash=clash,
        names=Names.of(workshop),
        outcomes=Outcome,
        modes=words.MODES,
        spots=Spot,
    )


@router.post("/prints/{print_id}/outcome")
def whole_plate(
    workshop: WorkshopHere, sheets: SheetsHere, now: Now, print_id: PrintId, form: Filled
) -> Response:
    """One outcome for the whole plate."""
    outcome = print_form.outcome_of(text_of(form, "outcome"))

    def judged(plate: Print) -> Print:
        return outcome_form.on_all(plate, outcome)

    return _judge(workshop, sheets, now, print_id, form, judged)


@router.post("/prints/{print_id}/parts")
def part_by_part(
    workshop: WorkshopHere, sheets: SheetsHere, now: Now, print_id: PrintId, form: Filled
) -> Response:
    """An outcome, failure modes, a place on the plate and a note for each part."""

    def judged(plate: Print) -> Print:
        return outcome_form.judged(plate, outcome_form.texts_of(form, plate))

    return _judge(workshop, sheets, now, print_id, form, judged)


def _judge(
    workshop: Workshop,
    sheets: Sheets,
    now: datetime,
    print_id: int,
    form: FormData,
    judged: Callable[[Print], Print],
) -> Response:
    """Put what came of a print on record; a clash and a refusal show what was typed again."""
    ledger = workshop.record.prints
    kept = ledger.get(print_id)
    typed = outcome_form.texts_of(form, kept.entry)
    onto = f"/prints/{print_id}?done=outcome&kept=outcome-{print_id}"
    if text_of(form, "from") == "list":
        onto = f"/prints?done={print_id}&kept=outcome-{print_id}"
    try:
        mine = judged(kept.entry)
        if mine == kept.entry:
            return onwards(onto)
        began = ledger.changed_since(kept, revision_of(form))
        if began is not None and began.parts != kept.entry.parts:
            said = outcome_form.entered(mine)
            typed = outcome_form.merged(
                outcome_form.entered(began), outcome_form.entered(kept.entry), said
            )
            rows = tuple(outcome_form.differences(began, kept.entry, mine))
            clash = Clash(rows, f"/prints/{print_id}?kept=outcome-{print_id}")
            return _outcome_page(workshop, sheets, now, kept, typed, clash=clash)
        ledger.change(print_id, mine, revision=kept.revision)
    except (InvalidError, ConflictError) as fault:
        return _outcome_page(workshop, sheets, now, ledger.get(print_id), typed, fault=fault)
    return onwards(onto)


@router.post("/prints/{print_id}/end")
def end(
    workshop: WorkshopHere, sheets: SheetsHere, now: Now, print_id: PrintId, form: Filled
) -> Response:
    """End a print, now or at the time that was typed; it may have stopped before its last layer."""
    kept = workshop.record.prints.get(print_id)
    onto = f"/prints/{print_id}?done=end&kept=end-{print_id}"
    if text_of(form, "from") == "list":
        onto = f"/prints?done={print_id}"
    try:
        at = time_of(text_of(form, "end"), "end") or now
        began = workshop.record.prints.changed_since(kept, revision_of(form))
        if began is not None and began.end != kept.entry.end:
            raise ConflictError(
                f"somebody else has noted that it ended {words.moment(kept.entry.end, now)}, "
                f"and you say {words.moment(at, now)}",
                where="end",
                remedy="If yours is right, correct the print.",
            )
        cut_short = text_of(form, "cut_short") == "yes"
        over = checked(Print, {**kept.entry.model_dump(), "end": at, "cut_short": cut_short})
        workshop.record.prints.change(print_id, over, revision=kept.revision)
    except (InvalidError, ConflictError) as fault:
        return show_print(workshop, sheets, now, print_id, fault=fault, ended=text_of(form, "end"))
    return onwards(onto)


@router.post("/prints/{print_id}/undo")
def undo(workshop: WorkshopHere, print_id: PrintId, form: Filled) -> Response:
    """Take back the last change; that is a change like any other, and can be taken back too."""
    kept = workshop.record.prints.undo(print_id, revision=revision_of(form))
    if kept is None:
        return onwards(f"/prints?gone={print_id}")
    if text_of(form, "from") == "list":
        return onwards(f"/prints?done={print_id}")
    return onwards(f"/prints/{print_id}?done=undo")


# ---- correcting ------------------------------------------------------------------------------


@router.get("/prints/{print_id}/correct")
def correct_form(
    workshop: WorkshopHere,
    sheets: SheetsHere,
    now: Now,
    print_id: PrintId,
    afterwork: Annotated[str, Query(pattern="^(|open|last)$")] = "",
) -> HTMLResponse:
    """The form of a print as it stands on record; ``afterwork`` opens that fold.

    ``afterwork=last`` fills it in as it was done last, without its times; nothing is on record
    before the form is sent.
    """
    kept = workshop.record.prints.get(print_id)
    texts = print_form.entered(kept.entry) | {"key": "", "revision": str(kept.revision)}
    if afterwork == "last":
        texts |= last_afterwork(workshop, kept)
    return show_form(
        workshop, sheets, now, texts, kept=kept, open_at="afterwork" if afterwork else ""
    )


def last_afterwork(workshop: Workshop, kept: Kept[Print]) -> dict[str, str]:
    """What was done with the plate before this one, for the fields that are still empty."""
    earlier = workshop.record.prints.newest(
        AFTERWORK_LOOK_BACK_N, only=PrintFilter(until=kept.entry.start)
    )
    for one in earlier:
        texts = afterwork_form.entered(one.entry.afterwork, starts=False)
        if any(texts.values()):
            own = afterwork_form.entered(kept.entry.afterwork)
            return {name: own[name] or text for name, text in texts.items()}
    return {}


@router.post("/prints/{print_id}")
def correct(
    workshop: WorkshopHere, sheets: SheetsHere, now: Now, print_id: PrintId, form: Filled
) -> Response:
    """Correct a print; what stood before is kept, and what another changed is not overwritten."""
    kept = workshop.record.prints.get(print_id)
    texts = print_form.texts_of(form) | {"key": "", "revision": text_of(form, "revision")}
    onto = f"/prints/{print_id}?done=correct&kept=print-{print_id}"
    try:
        began = workshop.record.prints.changed_since(kept, revision_of(form))
        plate = print_form.print_of(texts, now, kept.entry if began is None else began)
        check_shelf(workshop, plate)
        if began is not None and plate != kept.entry:
            texts = print_form.merged(
                print_form.entered(began), print_form.entered(kept.entry), texts
            ) | {"revision": str(kept.revision), "key": ""}
            clash = _clash_of(workshop, began, kept, plate)
            return show_form(workshop, sheets, now, texts, kept=kept, clash=clash)
        workshop.record.prints.change(print_id, plate, revision=kept.revision)
    except (InvalidError, ConflictError) as fault:
        return show_form(workshop, sheets, now, texts, fault=fault, kept=kept)
    return onwards(onto)


def _clash_of(workshop: Workshop, began: Print, kept: Kept[Print], mine: Print) -> Clash:
    names = Names.of(workshop)
    began_said, stands_said, mine_said = (
        in_words(plate, names) for plate in (began, kept.entry, mine)
    )
    leave = f"/prints/{kept.id}?kept=print-{kept.id}"
    return Clash(rows_of(began_said, stands_said, mine_said), leave)


@router.post("/prints/{print_id}/delete")
def delete(workshop: WorkshopHere, print_id: PrintId, form: Filled) -> Response:
    """Take a print off the log; its revisions keep it, and it can be brought back."""
    if text_of(form, "sure") != "yes":
        raise InvalidError(
            "the box was not ticked", where="sure", remedy="Tick it to take the print off the log."
        )
    workshop.record.prints.delete(print_id, revision=revision_of(form))
    return onwards(f"/prints?gone={print_id}&kept=print-{print_id}")
