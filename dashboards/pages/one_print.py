"""One print's own page: what came of it, what it was printed in, and what stood before."""

from __future__ import annotations

import uuid
from dataclasses import dataclass
from datetime import datetime
from typing import Annotated

from fastapi import APIRouter, Depends, Path, Query
from fastapi.responses import HTMLResponse

from api.answers import Workshop, conditions_of
from api.break_answers import break_rows, said_of
from api.causes_answers import unusual_answer
from api.marks import Counted
from api.phases import first_layers, phases_of
from api.photographs import PICTURE_MAX
from api.print_answers import remarks_on
from api.print_conditions import LEAST_COVERAGE
from api.prints import Outcome, Print, window_of
from collector.errors import ConflictError, InvalidError
from collector.readings import Role, ms_of
from dashboards import chart_rows, print_report, traces, words
from dashboards.chart_rows import Span
from dashboards.figure import Figure, panel_figure
from dashboards.pages.planned_time import planned_time
from dashboards.pages.workshop import WorkshopHere
from dashboards.print_words import Names, bottle_in_words, cost_in_words, in_words
from dashboards.sheet import Now, Sheets, SheetsHere, number_of
from dashboards.stood_before import befores_of

router = APIRouter(include_in_schema=False)

PrintId = Annotated[int, Path(ge=1, lt=2**63)]

#: Readings shown before the start and after the end of a print [ms].
MARGIN_MS = 30 * 60_000

#: The longest window drawn [ms]; a print whose end nobody noted stops there.
LONGEST_MS = 7 * 86_400_000

CHART_ROLES = (Role.VAT_TEMPERATURE, Role.ROOM_TEMPERATURE, Role.ROOM_HUMIDITY)


@dataclass(frozen=True, slots=True)
class Asked:
    """How the conditions are wanted: which readings count, from which recorded share on figures
    are given [%], and the vat's limits [°C], None for the resin's own or the usual ones."""

    counted: Counted = Counted.PLAUSIBLE
    recorded_pct: float = 100 * LEAST_COVERAGE
    below_c: float | None = None
    above_c: float | None = None

    @property
    def usual(self) -> bool:
        """Whether nothing was asked for."""
        return self == Asked()


def _asked(
    counted: Counted = Counted.PLAUSIBLE,
    recorded: Annotated[str, Query(max_length=20)] = "",
    below: Annotated[str, Query(max_length=20)] = "",
    above: Annotated[str, Query(max_length=20)] = "",
) -> Asked:
    share = _within(recorded, "recorded", 1, 100)
    return Asked(
        counted,
        100 * LEAST_COVERAGE if share is None else share,
        _within(below, "below", -50, 100),
        _within(above, "above", -50, 100),
    )


def _within(text: str, field: str, low: float, high: float) -> float | None:
    """The number of a query's field; ``InvalidError`` naming it where it is out of bounds."""
    number = number_of(text.strip(), field)
    if number is not None and not low <= number <= high:
        raise InvalidError(
            f"“{text[:20]}” is out of bounds", where=field, remedy=f"Give {low:g} to {high:g}."
        )
    return number


@router.get("/prints/{print_id}")
def one_print(
    workshop: WorkshopHere,
    sheets: SheetsHere,
    now: Now,
    print_id: PrintId,
    asked: Annotated[Asked, Depends(_asked)],
    done: str = "",
) -> HTMLResponse:
    """The whole page."""
    return show_print(workshop, sheets, now, print_id, done=done, asked=asked)


def show_print(
    workshop: Workshop,
    sheets: Sheets,
    now: datetime,
    print_id: int,
    *,
    done: str = "",
    asked: Asked = Asked(),
    fault: InvalidError | ConflictError | None = None,
    ended: str = "",
) -> HTMLResponse:
    """The page of a print, with what went wrong if a form was refused; ``ended`` is the end
    that was typed."""
    found = conditions_of(
        workshop,
        print_id,
        now,
        below_c=asked.below_c,
        above_c=asked.above_c,
        least_coverage=asked.recorded_pct / 100,
        left_out=asked.counted.left_out,
    )
    kept = found.plate
    plate = kept.entry
    names = Names.of(workshop)
    (remarks,) = remarks_on(workshop, [plate])
    phases = None if plate.order_only else phases_of(plate, now)
    said = in_words(plate, names, parts=False)
    bottle = None if plate.bottle is None else workshop.record.bottles.get(plate.bottle)
    said |= {"Bottle": bottle_in_words(bottle, plate.start)} if bottle else {}
    return sheets.page(
        "print.html",
        "/prints",
        now,
        status=fault.status if fault else 200,
        kept=kept,
        plate=plate,
        conditions=found,
        told=print_report.told(found, now),
        heads=print_report.HEADS,
        phases=print_report.phase_lines(phases, plate, now) if phases else [],
        phase_sentences=print_report.phase_sentences(phases, plate) if phases else [],
        warnings=remarks.warnings,
        cost=cost_in_words(remarks.cost),
        plan=planned_time(workshop, plate).plan if plate.running else None,
        figures=figures_of(workshop, plate, now, asked.counted),
        asked=asked,
        countings=words.COUNTED,
        unusual=unusual_answer(workshop, kept.id, now) if plate.failed_share else None,
        said=said,
        tests=break_rows(workshop, workshop.record.breaks.of_print(kept.id), now),
        bench=bool(workshop.record.fixtures.all()),
        break_said=said_of,
        befores=befores_of(workshop.record.prints, kept, lambda one: in_words(one, names)),
        resins=names.resins,
        machines=names.machines,
        outcomes=Outcome,
        modes=words.MODES,
        spots=words.SPOTS,
        photographs=workshop.record.photographs.of(print_id=kept.id),
        photograph_key=str(uuid.uuid4()),
        picture_max=PICTURE_MAX,
        done=done,
        fault=fault,
        ended=ended,
    )


def figures_of(
    workshop: Workshop, plate: Print, now: datetime, counted: Counted = Counted.PLAUSIBLE
) -> list[Figure]:
    """The print's window with half an hour at both ends, °C and %RH apart; no empty charts."""
    if plate.order_only:
        return []
    window = window_of(plate, now)
    start_ms = ms_of(window.start)
    end_ms = max(min(ms_of(window.end), start_ms + LONGEST_MS), start_ms + 60_000)
    first = first_layers(window, plate.settings)
    spans = [
        Span(start_ms, ms_of(first.end), "the first layers"),
        Span(start_ms, end_ms, "the whole print, lighter"),
    ]
    machine = workshop.record.machines.get(plate.machine).entry
    vat = machine.channel(Role.VAT_TEMPERATURE, plate.start)
    room = [channel.id for channel in workshop.settings.channels if channel.role in CHART_ROLES[1:]]
    start_ms, end_ms = start_ms - MARGIN_MS, min(end_ms + MARGIN_MS, ms_of(now))
    drawn = traces.traces_of(
        workshop,
        traces.channels_named(workshop, [vat, *room]),
        start_ms,
        max(end_ms, start_ms + 1),
        counted,
    )
    return [
        panel_figure(panel, start_ms, max(end_ms, start_ms + 1), f"panel-{number}", spans)
        for number, panel in enumerate(chart_rows.panels_of(drawn))
        if any(map(len, panel.traces))
    ]
