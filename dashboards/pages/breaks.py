"""The break bench: a row of pieces tested one after the other, and what groups of them bear."""

from __future__ import annotations

import uuid
from collections.abc import Callable, Mapping
from datetime import datetime
from typing import Annotated, Literal

from fastapi import APIRouter, Path, Query
from fastapi.responses import HTMLResponse, Response

from api.answers import Workshop
from api.break_answers import Comparison, break_rows, compared_breaks, said_of, stress_said
from api.break_groups import BreakGroups, GroupBy, Measure, figure, interval_words
from api.photographs import PICTURE_MAX
from api.prints import MOST_ID
from api.strength import LoadUnit
from collector.errors import ConflictError, InvalidError
from dashboards import break_form, chart_rows, words
from dashboards.figure import Figure, KeyEntry, Table
from dashboards.pages.workshop import WorkshopHere, resin_names
from dashboards.sheet import Filled, Now, Sheets, SheetsHere, onwards, text_of

router = APIRouter(include_in_schema=False)

EntryId = Annotated[int, Path(ge=1, lt=2**63)]
Id = Annotated[int | None, Query(ge=1, le=MOST_ID)]
Fault = InvalidError | ConflictError

#: Tests listed on the page; the api gives the rest.
LISTED_N = 40

BY = {GroupBy.RESIN: "resin", GroupBy.HISTORY: "soak history", GroupBy.AGE: "age since cure"}
#: Which pieces are compared, by what the address says, and what that asks for.
PIECES = {"": "all", "no": "never soaked", "yes": "soaked"}
SOAKED = {"no": False, "yes": True}
MEASURES = {Measure.LOAD: "load", Measure.STRESS: "nominal stress"}


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
) -> HTMLResponse:
    """The form for the next piece, the newest tests, and groups compared.

    ``after`` is the test just put on record: the form goes on from it.
    """
    texts = _texts_after(workshop, after)
    return _bench(
        workshop, sheets, now, texts, by=by, measure=measure, fixture=fixture, soaked=soaked
    )


@router.post("/breaks")
def tested(workshop: WorkshopHere, sheets: SheetsHere, now: Now, form: Filled) -> Response:
    """Put a test on record and show the form for the next piece; sent twice it is one test."""
    texts = break_form.texts_of(form)
    key = text_of(form, "key") or None
    if key is not None and (made := workshop.record.breaks.made_with_key(key)) is not None:
        return onwards(f"/breaks?after={made.id}&kept=break")
    try:
        kept = workshop.record.breaks.add(break_form.test_of(texts, now), key=key)
    except (InvalidError, ConflictError) as fault:
        return _bench(workshop, sheets, now, texts, fault=fault)
    return onwards(f"/breaks?after={kept.id}&kept=break")


@router.post("/breaks/{id}/delete")
def take_back(workshop: WorkshopHere, sheets: SheetsHere, now: Now, id: EntryId) -> Response:
    """Take a test off the record; its revisions keep it."""
    return _done(workshop, sheets, now, lambda: workshop.record.breaks.delete(id), "/breaks#tests")


@router.post("/breaks/fixtures")
def add_fixture(workshop: WorkshopHere, sheets: SheetsHere, now: Now, form: Filled) -> Response:
    """Put a fixture on record."""
    add = workshop.record.fixtures.add
    return _done(
        workshop,
        sheets,
        now,
        lambda: add(break_form.fixture_of(form)),
        "/breaks?kept=fixture#tested",
    )


@router.post("/breaks/gauges")
def add_gauge(workshop: WorkshopHere, sheets: SheetsHere, now: Now, form: Filled) -> Response:
    """Put a gauge on record."""
    add = workshop.record.gauges.add
    return _done(
        workshop, sheets, now, lambda: add(break_form.gauge_of(form)), "/breaks?kept=gauge#tested"
    )


def _done(
    workshop: Workshop, sheets: Sheets, now: datetime, act: Callable[[], object], onto: str
) -> Response:
    """Do what a form asks and go on, or show the bench with what was wrong."""
    try:
        act()
    except (InvalidError, ConflictError) as fault:
        return _bench(workshop, sheets, now, _texts_after(workshop, None), fault=fault)
    return onwards(onto)


def _texts_after(workshop: Workshop, after: int | None) -> dict[str, str]:
    """The form for the piece after a test, or after the newest one; empty at the very first."""
    texts = dict.fromkeys(break_form.FIELDS, "")
    newest = workshop.record.breaks.newest(1)
    kept = workshop.record.breaks.get(after) if after else newest[0] if newest else None
    if kept is None:
        return texts
    test = kept.entry
    texts |= {"resin": str(test.resin), "fixture": str(test.fixture), "gauge": str(test.gauge)}
    texts["unit"] = (test.load.unit if test.load else _gauge_unit(workshop, test.gauge)).value
    if after:
        texts["piece"] = break_form.next_piece(test.piece)
        texts["cured"] = words.field_time(test.cured)
        texts["soak"] = str(test.soaked[0].soak) if test.soaked else ""
    return texts


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
) -> HTMLResponse:
    record = workshop.record
    fixtures = record.fixtures.all()
    rows = break_rows(workshop, record.breaks.newest(LISTED_N), now)
    chosen = fixture or (rows[0].kept.entry.fixture if rows else None)
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
        texts=texts,
        resins=resin_names(workshop),
        fixtures=fixtures,
        gauges=record.gauges.all(),
        soaks=list(reversed(record.soaks.all())),
        rows=rows,
        tests_n=len(record.breaks.all()),
        found=found,
        chosen=chosen,
        by=by,
        measure=measure,
        soaked=soaked,
        pieces=PIECES,
        key=str(uuid.uuid4()),
        picture_max=PICTURE_MAX,
        photographs={
            row.kept.id: record.photographs.of(break_id=row.kept.id, limit=4) for row in rows
        },
        figure=None if found is None or not found.groups else groups_figure(found),
        forms=break_form,
        groupings=BY,
        measures=MEASURES,
        said_of=said_of,
        stress_said=stress_said,
        plain=figure,
        interval_words=interval_words,
    )


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
