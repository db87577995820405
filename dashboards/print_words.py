"""Everything that is on record of one print, in words: as it stands and as it stood before."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from datetime import datetime

from api.answers import Workshop
from api.costs import Cost
from api.prints import Afterwork, FailureMode, Part, Print, Stage
from api.record import Bottle, Kept
from dashboards import words
from dashboards.print_form import SETTING_FIELDS

_STAGES = {
    "wash": "Wash",
    "drying": "Drying",
    "cure": "Cure",
}

#: Labels and units of what is noted of a stage beside its start and its fluid.
_STAGE_FIELDS = {
    "minutes": ("", "min"),
    "power_level": ("power level", ""),
    "fluid_used_ml": ("fluid used", "ml"),
    "fluid_price_per_l": ("price of a litre", ""),
    "wavelength_nm": ("lamp", "nm"),
    "temperature_c": ("at", "°C"),
}

#: What a cost needs and was not noted.
_LACKING = {
    "resin_used_ml": "the resin used",
    "resin.density_g_cm3": "the resin's density",
    "resin.price_per_kg": "the resin's price",
    "afterwork.wash.fluid_used_ml": "the wash fluid used",
    "afterwork.wash.fluid_price_per_l": "the wash fluid's price",
}


@dataclass(frozen=True, slots=True)
class Names:
    """What stands for the ids of a print: names by id, and the bottles themselves."""

    resins: Mapping[int, str]
    machines: Mapping[int, str]
    plates: Mapping[int, str]
    bottles: Mapping[int, Bottle]

    @classmethod
    def of(cls, workshop: Workshop) -> Names:
        """Those on record now."""
        record = workshop.record
        with record.reading():
            return cls(
                {kept.id: kept.entry.name for kept in record.resins.all()},
                {kept.id: kept.entry.name for kept in record.machines.all()},
                {kept.id: kept.entry.name for kept in record.plates.all()},
                {kept.id: kept.entry for kept in record.bottles.all()},
            )

    def bottle(self, number: int | None) -> str:
        """A bottle by its lot, else by its number; empty where none was noted."""
        if number is None:
            return ""
        known = self.bottles.get(number)
        return f"lot {known.lot}" if known is not None and known.lot else f"bottle {number}"


def in_words(plate: Print, names: Names, *, parts: bool = True) -> dict[str, str]:
    """Every entry of a print by its label, in words; what was not logged is left out."""
    said = {
        "Machine": names.machines.get(plate.machine, f"machine {plate.machine}"),
        "Resin": names.resins.get(plate.resin, f"resin {plate.resin}"),
        "Bottle": names.bottle(plate.bottle),
        "Plate": names.plates.get(plate.plate, f"plate {plate.plate}") if plate.plate else "",
        "Start": "only the order is known" if plate.order_only else _time(plate.start),
        "End": _time(plate.end) if plate.end else "",
        "Cut short": "yes" if plate.cut_short else "",
        "Vat noted by hand": _amount(plate.logged_vat_c, "°C"),
        "Resin poured": _amount(plate.resin_poured_ml, "ml"),
        "Resin used": _amount(plate.resin_used_ml, "ml"),
    }
    for field in SETTING_FIELDS:
        said[field.label] = _amount(getattr(plate.settings, field.name), field.unit)
    said |= afterwork_in_words(plate.afterwork)
    said["Note"] = plate.note
    for part in plate.parts if parts else ():
        said[f"Part {part.name}"] = part_in_words(part)
    return {label: text for label, text in said.items() if text}


def part_in_words(part: Part) -> str:
    """What came of a part: ``failed: warped, cracked; back left (note)``."""
    outcome = words.OUTCOMES[part.outcome] if part.outcome else "not looked at yet"
    modes = ", ".join(words.MODES[FailureMode(mode)] for mode in part.modes)
    place = f"; {words.SPOTS[part.place]}" if part.place else ""
    note = f" ({part.note})" if part.note else ""
    return f"{outcome}{': ' if modes else ''}{modes}{place}{note}"


def afterwork_in_words(afterwork: Afterwork) -> dict[str, str]:
    """Each stage by its name: ``8 min, fluid from can 2, power level 3; from 2026-01-14 20:15``."""
    return {
        label: _stage(stage)
        for name, label in _STAGES.items()
        if (stage := getattr(afterwork, name)) is not None
    }


def _stage(stage: Stage) -> str:
    noted = stage.model_dump(exclude={"start"}, exclude_none=True, exclude_defaults=True)
    said = [str(noted.pop("fluid"))] if "fluid" in noted else []
    for name, (label, unit) in _STAGE_FIELDS.items():
        if name in noted:
            said.append(f"{label} {_amount(noted[name], unit)}".strip())
    if stage.start is not None:
        said.append(f"from {_time(stage.start)}")
    return ", ".join(said)


def bottle_in_words(bottle: Kept[Bottle] | None, start: datetime) -> str:
    """A bottle and its age at the start: ``lot 26-014, opened 12 days and mixed 3 h before``."""
    if bottle is None:
        return ""
    entry = bottle.entry
    ages = [
        f"{verb} {_age(moment, start)}"
        for verb, moment in (("opened", entry.opened), ("last mixed", entry.mixed))
        if moment is not None
    ]
    return ", ".join([f"lot {entry.lot}" if entry.lot else f"bottle {bottle.id}", *ages])


def _age(moment: datetime, start: datetime) -> str:
    seconds = (start - moment).total_seconds()
    if seconds < 0:
        return f"{words.length(-seconds)} after the start"
    return f"{words.length(seconds)} before"


def cost_in_words(cost: Cost) -> str:
    """What a print cost, of what, and what was not noted; empty where nothing is known."""
    parts = [("resin", cost.resin), ("wash fluid", cost.fluid)]
    known = [f"{name} {words.number(amount, 2)}" for name, amount in parts if amount is not None]
    if cost.total is not None:
        return f"{words.number(cost.total, 2)} ({', '.join(known)})"
    if not known:
        return ""
    lacking = _listed(_LACKING.get(name, name) for name in cost.missing)
    verb = "was" if len(cost.missing) == 1 else "were"
    return f"{known[0]} alone; {lacking} {verb} not noted, so the whole is not known"


def _listed(names: Iterable[str]) -> str:
    found = list(names)
    return " and ".join([", ".join(found[:-1]), found[-1]] if len(found) > 1 else found)


def _amount(amount: float | int | None, unit: str) -> str:
    return "" if amount is None else f"{amount:.10g} {unit}".strip().replace("-", words.MINUS)


def _time(at: datetime) -> str:
    return f"{words.local(at):%Y-%m-%d %H:%M:%S}"
