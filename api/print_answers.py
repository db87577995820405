"""What is told of a print beside its entry: warnings, cost, phases, and how long it will take."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from datetime import datetime

from api.costs import Cost, cost_of
from api.phases import Phases, Plan, missing_settings, phases_of, plan, ratios_of
from api.prints import Print, Settings
from api.record import Bottle, Kept, PrintFilter, Resin
from api.settings_check import SettingWarning, warnings_of
from api.workshop import Workshop
from collector.errors import InvalidError

#: The newest prints of a machine that its history is taken from.
HISTORY_N = 200


@dataclass(frozen=True, slots=True)
class Remarks:
    """What is unusual about a print, and what it cost."""

    warnings: tuple[SettingWarning, ...]
    cost: Cost


def remarks_on(workshop: Workshop, plates: Iterable[Print]) -> list[Remarks]:
    """Remarks on each print, by its resin's printed ranges and its bottle's or resin's price."""
    record = workshop.record
    with record.reading():
        resins = {kept.id: kept.entry for kept in record.resins.all()}
        bottles = {kept.id: kept.entry for kept in record.bottles.all()}
    return [
        _remarks(plate, resins[plate.resin], bottles.get(plate.bottle or 0)) for plate in plates
    ]


def _remarks(plate: Print, resin: Resin, bottle: Bottle | None) -> Remarks:
    price = resin.price_per_kg
    if bottle is not None and bottle.price_per_kg is not None:
        price = bottle.price_per_kg
    return Remarks(
        warnings_of(plate, resin.guidance),
        cost_of(plate, density_g_cm3=resin.density_g_cm3, price_per_kg=price),
    )


def phases_now(workshop: Workshop, print_id: int, now: datetime) -> tuple[Kept[Print], Phases]:
    """A print and its phases. Raises ``InvalidError`` where only its order is known."""
    kept = workshop.record.prints.get(print_id)
    if kept.entry.order_only:
        raise InvalidError(
            "the start of this print was never noted, so it has no phases",
            where="start",
            remedy="Correct the print and give its start, if anybody knows it.",
        )
    return kept, phases_of(kept.entry, now)


def plan_for(workshop: Workshop, machine: int, settings: Settings, start: datetime) -> Plan:
    """How long a print on a machine will take, and when it is done.

    Raises ``InvalidError`` naming the settings that have to be known, ``NotFoundError`` for a
    machine that is not on record.
    """
    workshop.record.machines.get(machine)
    newest = workshop.record.prints.newest(HISTORY_N, only=PrintFilter(machine=machine))
    try:
        planned = plan(settings, start, ratios_of(kept.entry for kept in newest))
    except OverflowError:
        raise InvalidError(
            "with these settings the print would end beyond the calendar",
            where="start",
            remedy="Look at the start and the layer count again.",
        ) from None
    if planned is None:
        missing = missing_settings(settings)
        raise InvalidError(
            "a duration cannot be planned from these settings",
            where=f"settings.{missing[0]}",
            remedy=f"Give {', '.join(missing)} too.",
        )
    return planned
