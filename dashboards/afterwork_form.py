"""What a form holds of wash, drying and cure, and how that becomes afterwork. Pure but for models.

Fields are named after stage and entry: ``wash_minutes``, ``cure_wavelength_nm``.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from datetime import datetime

from api.prints import Afterwork, Stage
from dashboards import words
from dashboards.sheet import number_of, time_of


@dataclass(frozen=True, slots=True)
class AmountField:
    """One entry as a form shows it: its name in the model, label and unit."""

    name: str
    label: str
    unit: str = ""


#: The stages with their entries beside the start; ``fluid`` is words, all others are numbers.
STAGES: dict[str, tuple[str, tuple[AmountField, ...]]] = {
    "wash": (
        "Wash",
        (
            AmountField("minutes", "Washed for", "min"),
            AmountField("fluid", "Wash fluid"),
            AmountField("power_level", "Power level, as on the dial"),
            AmountField("fluid_used_ml", "Wash fluid used up", "ml"),
            AmountField("fluid_price_per_l", "Wash fluid, price", "per l"),
        ),
    ),
    "drying": ("Drying", (AmountField("minutes", "Dried for", "min"),)),
    "cure": (
        "Cure",
        (
            AmountField("minutes", "Cured for", "min"),
            AmountField("wavelength_nm", "Lamp", "nm"),
            AmountField("temperature_c", "Curing box", "°C"),
        ),
    ),
}

STARTS = {"wash": "Wash began", "drying": "Drying began", "cure": "Cure began"}

#: Every field of the form, with its label.
LABELS = {
    f"{stage}_{name}": label
    for stage, (_, fields) in STAGES.items()
    for name, label in [("start", STARTS[stage]), *((f.name, f.label) for f in fields)]
}


def entered(afterwork: Afterwork, *, starts: bool = True) -> dict[str, str]:
    """The form's text for what is on record; without ``starts`` only what is done each time."""
    texts = dict.fromkeys(LABELS, "")
    for stage_name, stage in afterwork:
        if stage is None:
            continue
        if starts:
            texts[f"{stage_name}_start"] = words.field_time(stage.start)
        for field in STAGES[stage_name][1]:
            amount = getattr(stage, field.name)
            texts[f"{stage_name}_{field.name}"] = (
                amount if isinstance(amount, str) else words.plain(amount)
            )
    if not starts:
        texts["wash_fluid_used_ml"] = ""
    return texts


def afterwork_of(texts: Mapping[str, str], before: Afterwork | None = None) -> dict[str, object]:
    """The fields of the afterwork that a filled-in form describes.

    ``before`` is what is being corrected: a time that was left as it was keeps its seconds.
    Raises ``InvalidError`` naming the field.
    """
    found: dict[str, object] = {}
    for stage, (_, fields) in STAGES.items():
        earlier: Stage | None = getattr(before, stage) if before else None
        start = texts.get(f"{stage}_start", "")
        entry: dict[str, object] = {
            "start": kept_time(start, earlier.start if earlier else None, f"{stage}_start")
        }
        for field in fields:
            text = texts.get(f"{stage}_{field.name}", "")
            is_words = field.name == "fluid"
            entry[field.name] = text if is_words else number_of(text, f"{stage}_{field.name}")
        found[stage] = entry
    return found


def kept_time(text: str, before: datetime | None, field: str) -> datetime | None:
    """The moment of a time field; one that was left as it was keeps its seconds."""
    if before is not None and text == words.field_time(before):
        return before
    return time_of(text, field)
