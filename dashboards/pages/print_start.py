"""Starting a print: the form with its summary, and the print put on record."""

from __future__ import annotations

import uuid
from collections.abc import Mapping
from dataclasses import dataclass
from datetime import datetime
from typing import Annotated

from fastapi import APIRouter, Path, Query
from fastapi.responses import HTMLResponse, Response

from api.answers import Workshop
from api.found_prints import (
    FROM_POWER,
    FoundPrint,
    accept_found,
    accepted_before,
    found_named,
)
from api.plan_answers import WaitingRow, pattern_for, start_planned
from api.print_answers import remarks_on
from api.prints import Print, Spot
from api.record import Kept, PrintFilter
from api.settings_check import SettingWarning
from collector.errors import ConflictError, InvalidError, NotFoundError, VatsideError
from dashboards import afterwork_form, print_form
from dashboards.pages.planned_time import PlannedTime, planned_time
from dashboards.pages.workshop import WorkshopHere
from dashboards.print_clash import Clash
from dashboards.print_words import Names, in_words
from dashboards.refusal import refusal_of
from dashboards.sheet import Filled, Now, Sheets, SheetsHere, id_of, onwards, text_of

router = APIRouter(include_in_schema=False)

#: Fields of the form that are no entries of a print. ``on`` is the machine it was opened for.
OWN = ("key", "plan", "plan_row", "found", "on")


@dataclass(frozen=True, slots=True)
class Summary:
    """What a form would put on record: in words, how long it takes, and what is unusual.

    ``said`` are its entries beside the settings, ``brief`` the settings in one line. ``lacking``
    says why nothing can be said yet; ``already`` is the print that the form has made before,
    ``busy`` one that runs on the machine.
    """

    said: dict[str, str]
    settings: dict[str, str]
    brief: str
    time: PlannedTime | None
    warnings: tuple[SettingWarning, ...]
    lacking: str | None = None
    already: Kept[Print] | None = None
    busy: Kept[Print] | None = None


@router.get("/prints/new")
def new_print(
    workshop: WorkshopHere,
    sheets: SheetsHere,
    now: Now,
    machine: Annotated[int | None, Query(ge=1, lt=2**63)] = None,
    plan: Annotated[int | None, Query(ge=1, lt=2**63)] = None,
    row: Annotated[int, Query(ge=0, lt=60)] = 0,
    found: Annotated[str, Query(max_length=40)] = "",
) -> HTMLResponse:
    """The form for a print, filled like the machine's last one, or like a plan's others.

    Without a machine it is filled like the last print of all, and asks for the machine.
    """
    texts = dict.fromkeys(OWN, "") | {"key": str(uuid.uuid4()), "on": str(machine or "")}
    if plan is not None:
        filled = _like_the_plan(workshop, plan, row)
        texts |= {"plan": str(plan), "plan_row": str(row)}
    elif found:
        run = found_named(workshop, found, now)
        machine, texts["found"] = run.machine, found
        filled = _like_the_last(workshop, machine, before=run.start)
    else:
        filled = _like_the_last(workshop, machine)
    return show_form(workshop, sheets, now, filled | texts)


def _like_the_plan(workshop: Workshop, plan: int, row: int) -> dict[str, str]:
    entry = workshop.record.plans.get(plan).entry
    if row not in entry.open_rows:
        raise InvalidError(
            "this row of the plan is not waiting to be started",
            where="row",
            remedy="Start one of those that are listed on the Prints page.",
        )
    texts = print_form.like(pattern_for(workshop, entry))
    texts |= {"machine": str(entry.machine), "resin": str(entry.resin)}
    return _with_a_bottle_that_fits(workshop, texts)


def _like_the_last(
    workshop: Workshop, machine: int | None, before: datetime | None = None
) -> dict[str, str]:
    last = last_print(workshop, machine, before)
    texts = print_form.like(last.entry if last else None)
    texts["machine"] = str(workshop.record.machines.get(machine).id) if machine else ""
    return _with_a_bottle_that_fits(workshop, texts)


def _with_a_bottle_that_fits(workshop: Workshop, texts: dict[str, str]) -> dict[str, str]:
    """The form without its bottle where that is empty by now, or holds another resin."""
    if texts["bottle"]:
        bottle = workshop.record.bottles.get(int(texts["bottle"])).entry
        if bottle.emptied or str(bottle.resin) != texts["resin"]:
            texts["bottle"] = ""
    return texts


def last_print(
    workshop: Workshop, machine: int | None = None, before: datetime | None = None
) -> Kept[Print] | None:
    """The newest print, of one machine or of all, that started before a moment."""
    found = workshop.record.prints.newest(1, only=PrintFilter(machine=machine, until=before))
    return found[0] if found else None


@router.post("/prints/new/summary")
def summary(workshop: WorkshopHere, sheets: SheetsHere, now: Now, form: Filled) -> HTMLResponse:
    """What the form as it stands would put on record; asked for by the form's script."""
    texts = _typed(form)
    return sheets.part("print_summary.html", now, summary=summary_of(workshop, texts, now))


def summary_of(workshop: Workshop, texts: Mapping[str, str], now: datetime) -> Summary:
    """What a form would put on record; what it lacks is said and nothing is refused."""
    already = workshop.record.prints.made_with_key(texts["key"]) if texts["key"] else None
    try:
        plate = plate_of(workshop, texts, now)
        (remarks,) = remarks_on(workshop, [plate])
    except (InvalidError, NotFoundError) as fault:
        refusal = refusal_of(fault, print_form.LABELS)
        lacking = refusal.sentence if refusal else None
        return Summary({}, {}, "", None, (), lacking=lacking, already=already)
    said = in_words(plate, Names.of(workshop), parts=False)
    labels = [field.label for field in print_form.SETTING_FIELDS]
    settings = {label: said.pop(label) for label in labels if label in said}
    for label in ("Machine", "Start", "End", "Cut short"):
        said.pop(label, None)
    if plate.parts:
        said["Parts"] = ", ".join(part.name for part in plate.parts)
    time = None if plate.end else planned_time(workshop, plate)
    brief = print_form.brief(plate.settings)
    busy = None if already or not plate.running else running_on(workshop, plate.machine)
    return Summary(said, settings, brief, time, remarks.warnings, already=already, busy=busy)


@router.post("/prints")
def start_print(workshop: WorkshopHere, sheets: SheetsHere, now: Now, form: Filled) -> Response:
    """Put a print on record from its form; a form that is refused is shown again."""
    texts = _typed(form)
    if text_of(form, "look"):
        return show_form(workshop, sheets, now, texts)
    try:
        with workshop.record.transaction():
            kept = _made_before(workshop, texts, now)
            before = kept is not None
            kept = kept or _put_on_record(workshop, texts, now)
    except (InvalidError, ConflictError, NotFoundError) as fault:
        if isinstance(fault, ConflictError):
            texts["key"] = str(uuid.uuid4())
        return show_form(workshop, sheets, now, texts, fault=fault)
    done = "before" if before else "found" if texts["found"] else "start"
    return onwards(f"/prints/{kept.id}?done={done}&kept={draft_of(texts)}")


def draft_of(texts: Mapping[str, str]) -> str:
    """The name under which the browser keeps what was typed in a form."""
    if texts["plan"]:
        return f"planned-{texts['plan']}-{texts['plan_row']}"
    if texts["found"]:
        return f"found-{texts['found']}"
    return f"new-print-{texts['on']}" if texts["on"] else "new-print"


def _typed(form: Filled) -> dict[str, str]:
    return print_form.texts_of(form) | {name: text_of(form, name) for name in OWN}


def plate_of(workshop: Workshop, texts: Mapping[str, str], now: datetime) -> Print:
    """The new print that a form describes. Raises ``InvalidError`` naming the field.

    Another plate brings its own parts, unless others were typed; a run found in the power
    brings its machine and times.
    """
    texts = dict(texts)
    start, places = now, dict[str, Spot | None]()
    if texts["found"]:
        run = found_named(workshop, texts["found"], now)
        texts |= {"machine": str(run.machine), "start": "", "end": "", "cut_short": ""}
        start = run.start
    plate_id = id_of(texts["plate"], "plate")
    if plate_id is not None:
        fresh = workshop.record.plates.get(plate_id).entry.fresh_parts()
        chosen_anew = texts["plate"] != texts["plate_was"]
        if not texts["parts"] or (chosen_anew and texts["parts"] == texts["parts_were"]):
            texts["parts"] = "\n".join(part.name for part in fresh)
        places = {part.name: part.place for part in fresh}
    machine = id_of(texts["machine"], "machine")
    last = last_print(workshop, machine, start) if machine else None
    if last is not None:
        places = {part.name: part.place for part in last.entry.parts} | places
    plate = print_form.print_of(texts, start, places=places)
    check_shelf(workshop, plate)
    return plate


def check_shelf(workshop: Workshop, plate: Print) -> None:
    """Raise ``InvalidError`` for a resin that is not there and for another one in the bottle."""
    if plate.resin not in {kept.id for kept in workshop.record.resins.all()}:
        raise InvalidError(
            f"there is no resin {plate.resin} on record",
            where="resin",
            remedy="Choose one from the list.",
        )
    if plate.bottle is None:
        return
    kept = workshop.record.bottles.get(plate.bottle)
    if kept.entry.resin != plate.resin:
        names = Names.of(workshop)
        raise InvalidError(
            f"the bottle ({names.bottle(kept.id)}) holds {names.resins.get(kept.entry.resin)}, not "
            f"{names.resins.get(plate.resin, 'the resin that was chosen')}",
            where="bottle",
            remedy="Choose a bottle of this resin, or none.",
        )


def _made_before(workshop: Workshop, texts: Mapping[str, str], now: datetime) -> Kept[Print] | None:
    """The print that this form has made already: a form sent twice makes one print.

    Raises ``ConflictError`` when it was sent with something else before.
    """
    if texts["found"]:
        return accepted_before(workshop, texts["found"])
    kept = workshop.record.prints.made_with_key(texts["key"]) if texts["key"] else None
    if kept is None:
        return None
    first = kept.entry
    for revision in workshop.record.prints.revisions(kept.id)[:1]:
        first = Print.model_validate(revision.before)
    if plate_of(workshop, texts, first.start) == first:
        return kept
    raise ConflictError(
        f"this form has put print {kept.id} on record already, and not as it stands here now",
        remedy=f"Correct print {kept.id}, or send this once more to make another print.",
    )


def _put_on_record(workshop: Workshop, texts: Mapping[str, str], now: datetime) -> Kept[Print]:
    """The print on record, linked to its row of a plan or to its run where it has one."""
    plate = plate_of(workshop, texts, now)
    key = texts["key"] or None
    if texts["found"]:
        fields = plate.model_dump(mode="json", exclude=set(FROM_POWER))
        return accept_found(workshop, texts["found"], fields, now)
    if plate.running:
        refuse_second(workshop, plate.machine)
    plan = id_of(texts["plan"], "plan")
    if plan is None:
        return workshop.record.prints.add(plate, key=key)
    row = id_of(texts["plan_row"], "plan_row") or 0
    return start_planned(workshop, plan, row, plate, key=key)


def refuse_second(workshop: Workshop, machine: int) -> None:
    """Raise ``ConflictError`` when something runs on the machine already."""
    kept = running_on(workshop, machine)
    if kept is not None:
        raise ConflictError(
            "a print is running on this machine already",
            where="machine",
            remedy=f"End it first (Prints, print {kept.id}), or give this one its end.",
        )


def running_on(workshop: Workshop, machine: int) -> Kept[Print] | None:
    """The print that runs on a machine, if one does."""
    running = workshop.record.prints.running()
    return next((kept for kept in running if kept.entry.machine == machine), None)


@router.post("/prints/plans/{plan_id}/withdraw")
def withdraw(
    workshop: WorkshopHere, plan_id: Annotated[int, Path(ge=1, lt=2**63)], form: Filled
) -> Response:
    """Take the rest of a plan off the list; what was printed of it still counts."""
    plan = workshop.record.plans.get(plan_id)
    entry = plan.entry.model_copy(update={"withdrawn": True})
    workshop.record.plans.change(plan_id, entry, revision=id_of(text_of(form, "revision"), "plan"))
    return onwards("/prints")


# ---- the form --------------------------------------------------------------------------------


def show_form(
    workshop: Workshop,
    sheets: Sheets,
    now: datetime,
    texts: Mapping[str, str],
    *,
    fault: VatsideError | None = None,
    kept: Kept[Print] | None = None,
    clash: Clash | None = None,
    open_at: str = "",
) -> HTMLResponse:
    """The form of a print, new or (``kept``) to be corrected, with what was typed.

    ``clash`` says what somebody else changed meanwhile; ``open_at`` names a fold to be open.
    """
    refusal = refusal_of(fault, print_form.LABELS)
    status = fault.status if fault else clash.status if clash else 200
    return sheets.page(
        "print_form.html",
        "/prints",
        now,
        status=status,
        texts=texts,
        wrong=refusal,
        kept=kept,
        clash=clash,
        open_at=open_at,
        planned=_planned_row(workshop, texts) if kept is None else None,
        run=_run_of(workshop, texts, now) if kept is None else None,
        summary=None if kept else summary_of(workshop, texts, now),
        draft=f"print-{kept.id}" if kept else draft_of(texts),
        fields=print_form.SETTING_FIELDS,
        resin_fields=print_form.RESIN_FIELDS,
        stages=afterwork_form.STAGES,
        starts=afterwork_form.STARTS,
        names=Names.of(workshop),
        tests_n=len(workshop.record.breaks.of_print(kept.id)) if kept else 0,
        bottles=workshop.record.bottles.all(),
        plates=workshop.record.plates.all(),
    )


def _run_of(workshop: Workshop, texts: Mapping[str, str], now: datetime) -> FoundPrint | None:
    """The run found in the power that a form is for, as long as it waits."""
    if not texts["found"]:
        return None
    try:
        return found_named(workshop, texts["found"], now)
    except NotFoundError:
        return None


def _planned_row(workshop: Workshop, texts: Mapping[str, str]) -> WaitingRow | None:
    """The row of a plan that a form is for, if it is for one."""
    plan = id_of(texts.get("plan", ""), "plan")
    if plan is None:
        return None
    row = id_of(texts.get("plan_row", ""), "plan_row") or 0
    kept = workshop.record.plans.get(plan)
    return WaitingRow(kept, row) if row < len(kept.entry.rows) else None
