"""One print's own page: what came of it, what it was printed in, and what stood before."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime
from typing import Annotated, Any

from fastapi import APIRouter, Path
from fastapi.responses import HTMLResponse

from api.answers import PrintConditions, Workshop, conditions_of
from api.causes_answers import unusual_answer
from api.checked import checked
from api.marks import Counted
from api.phases import first_layers
from api.prints import Outcome, Print, window_of
from api.record import Kept
from collector.errors import ConflictError, InvalidError
from collector.readings import Role, ms_of
from dashboards import chart_rows, print_form, traces, words
from dashboards.chart_rows import Span
from dashboards.figure import Figure, panel_figure
from dashboards.pages.workshop import WorkshopHere, machine_names, resin_names
from dashboards.sheet import Now, Sheets, SheetsHere

router = APIRouter(include_in_schema=False)

PrintId = Annotated[int, Path(ge=1, lt=2**63)]

#: Readings shown before the start and after the end of a print [ms].
MARGIN_MS = 30 * 60_000

#: The longest window drawn [ms]; a print whose end nobody noted stops there.
LONGEST_MS = 7 * 86_400_000

CHART_ROLES = (Role.VAT_TEMPERATURE, Role.ROOM_TEMPERATURE, Role.ROOM_HUMIDITY)


@dataclass(frozen=True, slots=True)
class Before:
    """What stood before one change: when it was changed, how, and which entries differed."""

    changed: datetime
    change: str
    differences: list[tuple[str, str, str]]


@router.get("/prints/{print_id}")
def one_print(
    workshop: WorkshopHere,
    sheets: SheetsHere,
    now: Now,
    print_id: PrintId,
    done: str = "",
    counted: Counted = Counted.PLAUSIBLE,
) -> HTMLResponse:
    """The whole page."""
    return show_print(workshop, sheets, now, print_id, done=done, counted=counted)


def show_print(
    workshop: Workshop,
    sheets: Sheets,
    now: datetime,
    print_id: int,
    *,
    done: str = "",
    counted: Counted = Counted.PLAUSIBLE,
    fault: InvalidError | ConflictError | None = None,
) -> HTMLResponse:
    """The page of a print, with what went wrong if its form was refused."""
    found = conditions_of(workshop, print_id, now, left_out=counted.left_out)
    kept = found.plate
    resins, machines = resin_names(workshop), machine_names(workshop)
    return sheets.page(
        "print.html",
        "/prints",
        now,
        status=fault.status if fault else 200,
        kept=kept,
        plate=kept.entry,
        parts=print_form.parts_to_judge(kept.entry),
        conditions=found,
        windows=windows_of(found),
        figures=figures_of(workshop, kept.entry, now, counted),
        counted=counted,
        countings=words.COUNTED,
        unusual=unusual_answer(workshop, kept.id, now) if kept.entry.failed_share else None,
        said=print_form.in_words(kept.entry, resins, machines, parts=False),
        befores=befores_of(workshop, kept, resins, machines),
        resins=resins,
        machines=machines,
        outcomes=Outcome,
        modes=words.MODES,
        roles=words.ROLES,
        done=done,
        fault=fault,
    )


def windows_of(found: PrintConditions) -> list[tuple[str, Any]]:
    """The windows of a print that have conditions, with their names."""
    named = [("First layers", found.first_layers), ("Whole print", found.whole)]
    return [(name, window) for name, window in named if window is not None]


def figures_of(
    workshop: Workshop, plate: Print, now: datetime, counted: Counted = Counted.PLAUSIBLE
) -> list[Figure]:
    """The print's window with half an hour at both ends, °C and %RH apart."""
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
    ]


def befores_of(
    workshop: Workshop, kept: Kept[Print], resins: dict[int, str], machines: dict[int, str]
) -> list[Before]:
    """What stood before each change, newest change first, in words."""
    after = print_form.in_words(kept.entry, resins, machines)
    befores: list[Before] = []
    for revision in reversed(workshop.record.prints.revisions(kept.id)):
        stood = print_form.in_words(checked(Print, revision.before), resins, machines)
        labels = dict.fromkeys([*stood, *after])
        differences = [
            (label, stood.get(label, "nothing"), after.get(label, "nothing"))
            for label in labels
            if stood.get(label) != after.get(label)
        ]
        befores.append(Before(revision.changed, revision.change, differences))
        after = stood
    return befores
