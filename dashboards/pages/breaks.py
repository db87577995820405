"""The break bench: a row of pieces tested one after the other, and what groups of them bear."""

from __future__ import annotations

import uuid
from collections.abc import Mapping
from dataclasses import dataclass
from datetime import datetime
from typing import Annotated, Literal

from fastapi import APIRouter, Query
from fastapi.responses import HTMLResponse, Response
from starlette.datastructures import FormData

from api.answers import Workshop
from api.break_answers import (
    BreakRow,
    Comparison,
    break_rows,
    compared_breaks,
    said_of,
    stress_said,
)
from api.break_groups import BreakGroups, GroupBy, Measure, figure, interval_words
from api.prints import MOST_ID
from api.record import BreakTest, Kept, break_cursor
from api.strength import LoadUnit
from collector.errors import ConflictError, InvalidError, NotFoundError
from dashboards import break_form, break_sources, chart_rows, shelf_forms, words
from dashboards.break_words import bore
from dashboards.figure import Figure, KeyEntry, Table
from dashboards.pages.break_entry import choices_of, entry_from
from dashboards.pages.shelf import ledger_of
from dashboards.pages.workshop import WorkshopHere
from dashboards.sheet import Filled, Now, Sheets, SheetsHere, onwards, text_of

router = APIRouter(include_in_schema=False)

Id = Annotated[int | None, Query(ge=1, le=MOST_ID)]
Fault = InvalidError | ConflictError

#: Tests listed on the page at once.
LISTED_N = 40

BY = {GroupBy.RESIN: "resin", GroupBy.HISTORY: "soak history", GroupBy.AGE: "age since cure"}
#: Which pieces are compared, by what the address says, and what that asks for.
PIECES = {"": "all", "no": "never soaked", "yes": "soaked"}
SOAKED = {"no": False, "yes": True}
#: The fields of the small forms for fixtures and gauges.
SMALL = ("which", "name", "holding", "span_mm", "width_mm", "thickness_mm", "limit", "unit")

MEASURES = {Measure.LOAD: "load", Measure.STRESS: "nominal stress"}


@dataclass(frozen=True, slots=True)
class Noted:
    """What was just done to a test, so that it can be taken back."""

    id: int
    revision: int
    said: str
    gone: bool


@router.get("/breaks")
def bench(
    workshop: WorkshopHere,
    sheets: SheetsHere,
    now: Now,
    by: GroupBy = GroupBy.RESIN,
    measure: Measure = Measure.LOAD,
    fixture: Id = None,
    soaked: Literal["", "no", "yes"] = "",
    after: Id = None,
    gone: Id = None,
    before: Annotated[str | None, Query(max_length=40)] = None,
    of_print: Annotated[int | None, Query(alias="print", ge=1, le=MOST_ID)] = None,
) -> HTMLResponse:
    """The form for the next piece, the newest tests, and groups compared.

    ``after`` is the test just put on record: the form goes on from it. ``gone`` is one just
    taken off, ``print`` one whose parts are to be broken, ``before`` where the list of tests
    goes on.
    """
    if of_print is not None:
        texts = _texts_of_print(workshop, of_print)
    else:
        texts = _texts_after(workshop, after)
    return _bench(
        workshop,
        sheets,
        now,
        texts,
        by=by,
        measure=measure,
        fixture=fixture,
        soaked=soaked,
        noted=_noted(workshop, after or gone),
        before=before or None,
    )


@router.post("/breaks")
def tested(workshop: WorkshopHere, sheets: SheetsHere, now: Now, form: Filled) -> Response:
    """Put a test on record and show the form for the next piece; sent twice it is one test."""
    texts = break_form.texts_of(form)
    key = text_of(form, "key") or None
    if key is not None and (made := workshop.record.breaks.made_with_key(key)) is not None:
        return onwards(f"/breaks?after={made.id}&kept=break")
    try:
        kept = workshop.record.breaks.add(entry_from(workshop, texts, now), key=key)
    except (InvalidError, ConflictError) as fault:
        return _bench(workshop, sheets, now, texts, fault=fault)
    return onwards(f"/breaks?after={kept.id}&kept=break")


@router.post("/breaks/fixtures")
def add_fixture(workshop: WorkshopHere, sheets: SheetsHere, now: Now, form: Filled) -> Response:
    """Put a fixture on record."""
    return _add(workshop, sheets, now, form, "fixture")


@router.post("/breaks/gauges")
def add_gauge(workshop: WorkshopHere, sheets: SheetsHere, now: Now, form: Filled) -> Response:
    """Put a gauge on record."""
    return _add(workshop, sheets, now, form, "gauge")


def _add(workshop: Workshop, sheets: Sheets, now: datetime, form: FormData, which: str) -> Response:
    """Put what a small form describes on record, or show the bench with what was wrong."""
    kind = shelf_forms.KINDS[f"{which}s"]
    typed = {name: text_of(form, name) for name in (*SMALL, *kind.labels)}
    try:
        entry = kind.entry_of(typed, (), None)
        ledger_of(workshop, kind.path).add(entry)
    except (InvalidError, ConflictError) as fault:
        texts = _texts_after(workshop, None)
        return _bench(workshop, sheets, now, texts, fault=fault, small=typed | {"which": which})
    return onwards(f"/breaks?kept={which}#bench")


def _noted(workshop: Workshop, id: int | None) -> Noted | None:
    """What was just put on record or taken off, with the revision it stands at."""
    if id is None:
        return None
    ledger = workshop.record.breaks
    try:
        kept, gone = ledger.get(id), False
    except NotFoundError:
        try:
            last = ledger.revisions(id)[-1]
        except NotFoundError:
            return None
        stood = BreakTest.model_validate(last.before)
        kept, gone = Kept(id, last.revision, last.changed, stood), True
    return Noted(id, kept.revision, f"{kept.entry.piece}, {bore(kept.entry)}", gone)


# ---- what the form is filled in with ---------------------------------------------------------


def _texts_after(workshop: Workshop, after: int | None) -> dict[str, str]:
    """The form for the piece after a test, or after the newest one; empty at the very first."""
    texts = dict.fromkeys(break_form.FIELDS, "")
    record = workshop.record
    newest = record.breaks.newest(1)
    try:
        kept = record.breaks.get(after) if after else newest[0] if newest else None
    except NotFoundError:  # taken back since
        kept, after = newest[0] if newest else None, None
    if kept is None:
        first = next(iter(record.resins.all()), None)
        return texts | {"resin_was": str(first.id) if first else ""}
    test = kept.entry
    texts |= {"resin": str(test.resin), "fixture": str(test.fixture), "gauge": str(test.gauge)}
    texts |= {"resin_was": str(test.resin)}
    texts["unit"] = (test.load.unit if test.load else _gauge_unit(workshop, test.gauge)).value
    if after:
        texts |= _going_on(workshop, test)
    return texts


def _going_on(workshop: Workshop, test: BreakTest) -> dict[str, str]:
    """What stays for the next piece, and which piece that is likely to be."""
    found = {
        "piece": break_form.next_piece(test.piece),
        "cured": words.field_time(test.cured),
    }
    if test.print is not None and test.part is None:
        found["origin"] = str(test.print)
    elif test.print is not None:
        plate = workshop.record.prints.get(test.print)
        part = break_sources.next_part(plate, test.part, workshop.record.breaks.broken_parts())
        found["origin"] = break_sources.value_of(test.print, part) if part else ""
        if part and test.piece in (test.part, found["piece"]):
            found["piece"] = part
    if test.soaked:
        run, specimen = test.soaked[0].soak, test.soaked[0].specimen
        entry = workshop.record.soaks.get(run).entry
        after = break_sources.next_specimen(entry, specimen)
        by_name = specimen == test.piece
        found["soak"] = str(run) if by_name else break_sources.value_of(run, after) if after else ""
    return found


def _texts_of_print(workshop: Workshop, print_id: int) -> dict[str, str]:
    """The form for the first part of a print that has not broken."""
    plate = workshop.record.prints.get(print_id)
    part = break_sources.next_part(plate, None, workshop.record.breaks.broken_parts())
    resin = str(plate.entry.resin)
    return _texts_after(workshop, None) | {
        "origin": break_sources.value_of(print_id, part),
        "resin": resin,
        "resin_was": resin,
        "piece": part or "",
    }


def _gauge_unit(workshop: Workshop, gauge: int) -> LoadUnit:
    return workshop.record.gauges.get(gauge).entry.limit.unit


def _bench(
    workshop: Workshop,
    sheets: Sheets,
    now: datetime,
    texts: Mapping[str, str],
    *,
    by: GroupBy = GroupBy.RESIN,
    measure: Measure = Measure.LOAD,
    fixture: int | None = None,
    soaked: str = "",
    fault: Fault | None = None,
    small: Mapping[str, str] | None = None,
    noted: Noted | None = None,
    before: str | None = None,
) -> HTMLResponse:
    record = workshop.record
    listed = record.breaks.newest(LISTED_N + 1, before=before)
    rows = break_rows(workshop, listed[:LISTED_N], now)
    newest = record.breaks.newest(1)
    chosen = fixture or (newest[0].entry.fixture if newest else None)
    found = None
    if chosen is not None:
        asked = Comparison(chosen, by, measure, soaked=SOAKED.get(soaked))
        found = compared_breaks(workshop, asked, now)[0]
    return sheets.page(
        "breaks.html",
        "/breaks",
        now,
        status=fault.status if fault else 200,
        fault=fault,
        wrong=None if small else break_form.refused(fault),
        small=dict.fromkeys(SMALL, "") | dict(small or {}),
        noted=noted,
        rows=rows,
        before=before,
        older=break_cursor(rows[-1].kept) if len(listed) > LISTED_N else None,
        came_from=lambda row: _came_from(workshop, row),
        tests_n=record.breaks.count(),
        found=found,
        chosen=chosen,
        by=by,
        measure=measure,
        soaked=soaked,
        pieces=PIECES,
        key=str(uuid.uuid4()),
        photographs={
            row.kept.id: record.photographs.of(break_id=row.kept.id, limit=4) for row in rows
        },
        figure=None if found is None or not found.groups else groups_figure(found),
        groupings=BY,
        measures=MEASURES,
        said_of=said_of,
        stress_said=stress_said,
        interval_words=interval_words,
        **choices_of(workshop, texts, now),
    )


def _came_from(workshop: Workshop, row: BreakRow) -> str:
    test = row.kept.entry
    plate = None if test.print is None else workshop.record.prints.get(test.print).entry
    return break_sources.came_from(test, plate)


def groups_figure(found: BreakGroups) -> Figure:
    """Every piece by its group, and the median of each group with its interval."""
    noun = "load" if found.measure is Measure.LOAD else "nominal stress"
    return Figure(
        id="breaks",
        shape="breaks",
        words=f"Each piece by its {noun} in {found.unit}. A piece that held the gauge’s limit is "
        "drawn open where that limit lies: it bears at least that much.",
        datasets=chart_rows.break_datasets(found),
        table=Table(
            caption=f"Median {noun} by group [{found.unit}]",
            heads=("Group", "Pieces", "Held the limit", "Median", "95 % interval"),
            rows=tuple(
                (
                    group.name,
                    str(group.median.parts),
                    str(group.median.held),
                    "cannot say"
                    if group.median.median_n is None
                    else figure(group.median.median_n),
                    interval_words(group.median.interval_n, found.unit)
                    if group.median.interval_n
                    else "none",
                )
                for group in found.groups
            ),
        ),
        key=(
            KeyEntry("circle-full", "broke"),
            KeyEntry("circle", "held the gauge’s limit: at least this"),
            KeyEntry("rule", "median and its 95 % interval"),
        ),
    )
