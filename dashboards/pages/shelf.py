"""The shelf: resins, bottles, plates, machines and the break bench's fixtures and gauges, each
put on record, corrected, taken back."""

from __future__ import annotations

import uuid
from collections.abc import Mapping
from datetime import datetime
from typing import Annotated, Any

from fastapi import APIRouter, Path, Query
from fastapi.responses import HTMLResponse, Response
from starlette.datastructures import FormData

from api.answers import Workshop
from api.prints import Spot
from api.record import Bottle, Kept
from api.record.ledger import Ledger
from api.sensor_moves import move_sensor
from collector.errors import ConflictError, InvalidError, NotFoundError
from dashboards import bench_forms, break_form, shelf_forms, shelf_words, words
from dashboards.pages.print_changes import revision_of
from dashboards.pages.workshop import WorkshopHere, resin_names
from dashboards.print_clash import Clash, rows_of
from dashboards.refusal import refusal_of
from dashboards.sheet import Filled, Now, Sheets, SheetsHere, id_of, onwards, text_of, time_of
from dashboards.shelf_forms import KINDS, MACHINE_ROLES, Kind

router = APIRouter(include_in_schema=False)

KindName = Annotated[str, Path(pattern=f"^({'|'.join(KINDS)})$")]
EntryId = Annotated[int, Path(ge=1, lt=2**63)]


def ledger_of(workshop: Workshop, kind: str) -> Ledger[Any]:
    """The ledger of a kind of thing on the shelf."""
    ledger: Ledger[Any] = getattr(workshop.record, kind)
    return ledger


@router.get("/shelf")
def shelf(
    workshop: WorkshopHere,
    sheets: SheetsHere,
    now: Now,
    done: Annotated[str, Query(pattern=r"^(|[a-z]+-\d{1,18})$")] = "",
    also: Annotated[int | None, Query(ge=1, lt=2**63)] = None,
) -> HTMLResponse:
    """Everything on it. ``done`` names what was just changed, ``also`` the other machine."""
    resins = resin_names(workshop)
    return sheets.page(
        "shelf.html",
        "/prints",
        now,
        done=_done(workshop, done, resins),
        also=_revision_now(workshop, also),
        resins=resins,
        entries={path: ledger_of(workshop, path).all() for path in KINDS},
        title_of=lambda kept: shelf_words.title(kept.entry, resins, kept.id),
        said_of=lambda kept: shelf_words.said(kept.entry, resins, now),
    )


def _done(workshop: Workshop, done: str, resins: Mapping[int, str]) -> dict[str, Any] | None:
    """What was just put on record, changed or taken off, with the revision it stands at."""
    path, _, number = done.partition("-")
    if path not in KINDS:
        return None
    ledger, id = ledger_of(workshop, path), int(number)
    try:
        kept = ledger.get(id)
        entry, revision, gone = kept.entry, kept.revision, False
    except NotFoundError:
        try:
            last = ledger.revisions(id)[-1]
        except NotFoundError:
            return None
        entry, revision, gone = ledger.model().model_validate(last.before), last.revision, True
    name = shelf_words.title(entry, resins, id)
    return {"path": path, "id": id, "name": name, "revision": revision, "gone": gone}


def _revision_now(workshop: Workshop, machine: int | None) -> tuple[int, int] | None:
    if machine is None:
        return None
    try:
        return machine, workshop.record.machines.get(machine).revision
    except NotFoundError:
        return None


# ---- one thing -------------------------------------------------------------------------------


@router.get("/shelf/{kind}/new")
def new_entry(
    workshop: WorkshopHere,
    sheets: SheetsHere,
    now: Now,
    kind: KindName,
    resin: Annotated[int | None, Query(ge=1, lt=2**63)] = None,
) -> HTMLResponse:
    """The form for something new; a bottle may come with its resin."""
    texts = {"key": str(uuid.uuid4()), "resin": str(resin or "")}
    return _form(workshop, sheets, now, KINDS[kind], texts)


@router.post("/shelf/{kind}")
def add_entry(
    workshop: WorkshopHere, sheets: SheetsHere, now: Now, kind: KindName, form: Filled
) -> Response:
    """Put it on record."""
    texts = _typed(form)
    try:
        entry = KINDS[kind].entry_of(texts, workshop.settings.channels, None)
        kept = ledger_of(workshop, kind).add(entry, key=texts.get("key") or None)
    except (InvalidError, ConflictError) as fault:
        if isinstance(fault, ConflictError):
            texts["key"] = str(uuid.uuid4())
        return _form(workshop, sheets, now, KINDS[kind], texts, fault=fault)
    return onwards(f"/shelf?done={kind}-{kept.id}&kept={kind}#{kind}")


@router.get("/shelf/{kind}/{id}")
def one_entry(
    workshop: WorkshopHere, sheets: SheetsHere, now: Now, kind: KindName, id: EntryId
) -> HTMLResponse:
    """The form of something as it stands on record."""
    kept = ledger_of(workshop, kind).get(id)
    texts = KINDS[kind].entered(kept.entry) | {"revision": str(kept.revision)}
    return _form(workshop, sheets, now, KINDS[kind], texts, kept=kept)


@router.post("/shelf/{kind}/{id}")
def correct_entry(
    workshop: WorkshopHere, sheets: SheetsHere, now: Now, kind: KindName, id: EntryId, form: Filled
) -> Response:
    """Correct it; what another changed meanwhile is shown and not overwritten."""
    ledger, of = ledger_of(workshop, kind), KINDS[kind]
    kept, texts = ledger.get(id), _typed(form)
    try:
        began = ledger.changed_since(kept, revision_of(form))
        before = kept.entry if began is None else began
        mine = of.entry_of(texts, workshop.settings.channels, before)
        if began is not None and mine != kept.entry:
            stands = of.entered(kept.entry)
            texts = shelf_forms.merged(of, of.entered(began), stands, texts)
            texts["revision"] = str(kept.revision)
            resins = resin_names(workshop)
            told = [shelf_words.said(one, resins, now) for one in (began, kept.entry, mine)]
            clash = Clash(rows_of(*told), f"/shelf?kept={kind}-{id}")
            return _form(workshop, sheets, now, of, texts, kept=kept, clash=clash)
        ledger.change(id, mine, revision=kept.revision)
    except (InvalidError, ConflictError) as fault:
        return _form(workshop, sheets, now, of, texts, kept=kept, fault=fault)
    return onwards(f"/shelf?done={kind}-{id}&kept={kind}-{id}#{kind}")


@router.post("/shelf/{kind}/{id}/delete")
def delete_entry(
    workshop: WorkshopHere, sheets: SheetsHere, now: Now, kind: KindName, id: EntryId, form: Filled
) -> Response:
    """Take it off the record, unless something uses it; it can be brought back."""
    ledger = ledger_of(workshop, kind)
    try:
        ledger.delete(id, revision=revision_of(form))
    except ConflictError as fault:
        kept = ledger.get(id)
        texts = KINDS[kind].entered(kept.entry) | {"revision": str(kept.revision)}
        return _form(workshop, sheets, now, KINDS[kind], texts, kept=kept, fault=fault)
    return onwards(f"/shelf?done={kind}-{id}&kept={kind}-{id}#{kind}")


@router.post("/shelf/{kind}/{id}/undo")
def undo_entry(workshop: WorkshopHere, kind: KindName, id: EntryId, form: Filled) -> Response:
    """Take back the last change; a sensor's move is taken back on both machines."""
    ledger = ledger_of(workshop, kind)
    also = id_of(text_of(form, "also"), "machine")
    with workshop.record.transaction():
        ledger.undo(id, revision=revision_of(form))
        if also is not None:
            other = id_of(text_of(form, "also_revision"), "revision")
            workshop.record.machines.undo(also, revision=other)
    return onwards(f"/shelf?done={kind}-{id}{f'&also={also}' if also else ''}#{kind}")


# ---- what happens with gloves on -------------------------------------------------------------


@router.post("/shelf/bottles/{id}/now")
def bottle_now(workshop: WorkshopHere, now: Now, id: EntryId, form: Filled) -> Response:
    """Opened, mixed or emptied, at this moment."""
    field = text_of(form, "what")
    if field not in shelf_forms.BOTTLE_TIMES:
        raise InvalidError(
            f"“{field[:40]}” is nothing that happens to a bottle",
            where="what",
            remedy="Use the buttons of the shelf.",
        )
    bottle: Kept[Bottle] = workshop.record.bottles.get(id)
    entry = bottle.entry.model_copy(update={field: now})
    workshop.record.bottles.change(id, entry, revision=revision_of(form))
    return onwards(f"/shelf?done=bottles-{id}#bottles")


@router.post("/shelf/machines/{id}/moved")
def moved(
    workshop: WorkshopHere, sheets: SheetsHere, now: Now, id: EntryId, form: Filled
) -> Response:
    """A sensor moved to this machine: its link to the other one ends, and here one begins."""
    kept = workshop.record.machines.get(id)
    try:
        at = time_of(text_of(form, "moved_at"), "moved_at") or now
        channel = text_of(form, "moved_channel")
        role = {one.id: one.role for one in workshop.settings.channels}.get(channel)
        if role is None:
            raise InvalidError(
                "no sensor was chosen", where="moved_channel", remedy="Choose the one that moved."
            )
        other = move_sensor(
            workshop.record, channel, role, to=id, at=at, revision=revision_of(form)
        )
    except (InvalidError, ConflictError) as fault:
        texts = KINDS["machines"].entered(kept.entry) | {"revision": str(kept.revision)}
        texts |= {name: text_of(form, name) for name in ("moved_at", "moved_channel")}
        return _form(workshop, sheets, now, KINDS["machines"], texts, kept=kept, fault=fault)
    also = f"&also={other}" if other is not None else ""
    return onwards(f"/shelf?done=machines-{id}{also}&kept=moved-{id}#machines")


# ---- inside ----------------------------------------------------------------------------------


def _typed(form: FormData) -> dict[str, str]:
    return {name: text_of(form, name).replace("\r\n", "\n") for name in form}


def _form(
    workshop: Workshop,
    sheets: Sheets,
    now: datetime,
    kind: Kind,
    texts: Mapping[str, str],
    *,
    kept: Kept[Any] | None = None,
    fault: InvalidError | ConflictError | None = None,
    clash: Clash | None = None,
) -> HTMLResponse:
    """The form of one thing with what was typed, what is wrong with it, and what clashes."""
    resins = resin_names(workshop)
    lines = shelf_forms.lines_of(texts, kind.rows)
    if kind.rows:
        lines += [("",) * len(kind.rows)] * shelf_forms.SPARE[kind.rows[0]]
    labels = {**kind.labels, "moved_at": "When it moved", "moved_channel": "Sensor that moved"}
    for number in range(len(lines)):
        labels |= {f"{field}-{number}": f"Line {number + 1}, {field}" for field in kind.rows}
    return sheets.page(
        "shelf_entry.html",
        "/prints",
        now,
        status=fault.status if fault else clash.status if clash else 200,
        kind=kind,
        texts=dict.fromkeys((*labels, "key", "revision"), "") | dict(texts),
        lines=lines,
        kept=kept,
        title=shelf_words.title(kept.entry, resins, kept.id) if kept else "",
        wrong=refusal_of(fault, labels),
        clash=clash,
        draft=f"{kind.path}-{kept.id}" if kept else kind.path,
        guidance=shelf_forms.GUIDANCE,
        bottle_times=shelf_forms.BOTTLE_TIMES,
        resins=resins,
        spots=Spot,
        bench=break_form,
        lengths=bench_forms.LENGTHS,
        sensors=_sensors(workshop, lines if kind.path == "machines" else []),
        links=kept.entry.channels if kept and kind.path == "machines" else (),
        link_words=lambda link: shelf_words.link(link, now),
    )


def _sensors(workshop: Workshop, lines: list[tuple[str, ...]]) -> dict[str, str]:
    """The sensors that may sit on a machine, by id; also those only the record knows."""
    known = {
        channel.id: f"{words.ROLES[channel.role]}: {channel.place} ({channel.id})"
        for channel in workshop.settings.channels
        if channel.role in MACHINE_ROLES
    }
    return {line[0]: f"{line[0]}, not in the settings" for line in lines if line[0]} | known
