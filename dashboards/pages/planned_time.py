"""How long a print will take and when it is done, as pages say it."""

from __future__ import annotations

from dataclasses import dataclass

from api.answers import Workshop
from api.phases import Plan, missing_settings
from api.print_answers import plan_for
from api.prints import Print
from collector.errors import InvalidError
from dashboards.print_form import LABELS


@dataclass(frozen=True, slots=True)
class PlannedTime:
    """The plan of a print, or in words why its settings do not tell one."""

    plan: Plan | None
    why_not: str


def planned_time(workshop: Workshop, plate: Print) -> PlannedTime:
    """From the settings, corrected by the machine's own history."""
    try:
        return PlannedTime(plan_for(workshop, plate.machine, plate.settings, plate.start), "")
    except InvalidError:
        missing = [LABELS[name].lower() for name in missing_settings(plate.settings)]
        return PlannedTime(None, f"It needs {', '.join(missing)}.")
