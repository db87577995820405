"""What a print's forms hold, and how a filled-in form becomes a print. Pure but for the models.

A form that is refused is shown again with everything that was typed, so a form is a mapping
of names to text throughout.
"""

from __future__ import annotations

from collections.abc import Mapping
from datetime import datetime

from starlette.datastructures import FormData

from api.checked import checked
from api.prints import Outcome, Part, Print, Settings, Spot
from collector.errors import InvalidError
from dashboards import afterwork_form, words
from dashboards.afterwork_form import AmountField, kept_time
from dashboards.sheet import id_of, number_of, text_of

SETTING_FIELDS = (
    AmountField("layer_height_mm", "Layer height", "mm"),
    AmountField("layer_count", "Layer count"),
    AmountField("normal_exposure_s", "Normal exposure", "s"),
    AmountField("bottom_exposure_s", "Bottom exposure", "s"),
    AmountField("bottom_layer_count", "Bottom layers"),
    AmountField("transition_layer_count", "Transition layers"),
    AmountField("lift_distance_mm", "Lift distance", "mm"),
    AmountField("lift_speed_mm_min", "Lift speed", "mm/min"),
    AmountField("retract_speed_mm_min", "Retract speed", "mm/min"),
    AmountField("light_off_delay_s", "Light-off delay", "s"),
)

RESIN_FIELDS = (
    AmountField("resin_poured_ml", "Resin poured into the vat", "ml"),
    AmountField("resin_used_ml", "Resin used up by the plate", "ml"),
    AmountField("logged_vat_c", "Vat, read by hand", "°C"),
)

#: Every field of the form, with its label.
LABELS = {
    "machine": "Machine",
    "resin": "Resin",
    "bottle": "Bottle",
    "plate": "Plate",
    "parts": "Parts on the plate",
    "start": "Start",
    "end": "End",
    "cut_short": "Cut short",
    **{field.name: field.label for field in (*SETTING_FIELDS, *RESIN_FIELDS)},
    **afterwork_form.LABELS,
    "note": "Note",
}

#: What the form was filled in with, so that another plate brings its own parts.
FILLED_IN = ("plate_was", "parts_were")

#: The part that a plate has when nobody named any.
WHOLE_PLATE = "plate"


def entered(plate: Print) -> dict[str, str]:
    """The form's text for a print that is on record."""
    texts = {
        "machine": str(plate.machine),
        "resin": str(plate.resin),
        "bottle": words.plain(plate.bottle),
        "plate": words.plain(plate.plate),
        "start": words.field_time(plate.start),
        "end": words.field_time(plate.end),
        "cut_short": "yes" if plate.cut_short else "",
        "parts": "\n".join(part.name for part in plate.parts),
        "note": plate.note,
    }
    for field in SETTING_FIELDS:
        texts[field.name] = words.plain(getattr(plate.settings, field.name))
    for field in RESIN_FIELDS:
        texts[field.name] = words.plain(getattr(plate, field.name))
    texts |= afterwork_form.entered(plate.afterwork)
    return texts | {"plate_was": texts["plate"], "parts_were": texts["parts"]}


def like(plate: Print | None) -> dict[str, str]:
    """The form's text for a new print on the pattern of an earlier one.

    Machine, resin, bottle, plate, parts and settings are copied; what happens anew is blank.
    """
    texts = dict.fromkeys([*LABELS, *FILLED_IN], "")
    if plate is None:
        return texts
    copied = entered(plate)
    names = ["machine", "resin", "bottle", "plate", "resin_used_ml"]
    for name in [*names, *(field.name for field in SETTING_FIELDS)]:
        texts[name] = copied[name]
    if [part.name for part in plate.parts] != [WHOLE_PLATE]:
        texts["parts"] = copied["parts"]
    return texts | {"plate_was": texts["plate"], "parts_were": texts["parts"]}


def texts_of(form: FormData) -> dict[str, str]:
    """Everything that was typed, for showing the form again."""
    return {name: _same_lines(text_of(form, name)) for name in [*LABELS, *FILLED_IN]}


def fresh(plate: Print) -> dict[str, object]:
    """The fields of a new print like ``plate`` beside its times; nothing looked at yet."""
    parts = [part for part in plate.parts if part.name != WHOLE_PLATE]
    return {
        "resin": plate.resin,
        "bottle": plate.bottle,
        "plate": plate.plate,
        "settings": plate.settings.model_dump(),
        "resin_used_ml": plate.resin_used_ml,
        "parts": [{"name": part.name, "place": part.place} for part in parts],
    }


def print_of(
    texts: Mapping[str, str],
    now: datetime,
    before: Print | None = None,
    *,
    places: Mapping[str, Spot | None] | None = None,
) -> Print:
    """The print that a filled-in form describes; an empty start means now.

    ``before`` is the print that is being corrected: times to the minute that were left as they
    were keep their seconds, and parts keep what was seen of them. ``places`` says where a new
    print's parts stand. Raises ``InvalidError`` naming the field.
    """
    start = kept_time(texts.get("start", ""), before.start if before else None, "start") or now
    return checked(
        Print,
        {
            "order_only": before is not None and before.order_only and start == before.start,
            "start": start,
            "end": kept_time(texts.get("end", ""), before.end if before else None, "end"),
            "cut_short": texts.get("cut_short") == "yes",
            "machine": _choice(texts, "machine", "Choose the machine."),
            "resin": _choice(texts, "resin", "Choose the resin."),
            "bottle": id_of(texts.get("bottle", ""), "bottle"),
            "plate": id_of(texts.get("plate", ""), "plate"),
            "settings": _amounts(texts, SETTING_FIELDS),
            **_amounts(texts, RESIN_FIELDS),
            "afterwork": afterwork_form.afterwork_of(texts, before.afterwork if before else None),
            "parts": _parts(texts.get("parts", ""), before.parts if before else (), places or {}),
            "note": texts.get("note", ""),
        },
    )


def brief(settings: Settings) -> str:
    """The settings in one line: ``0.05 mm, 1200 layers, 2.6 s, bottom 6 × 30 s``."""
    bottom = words.plain(settings.bottom_exposure_s)
    if bottom and settings.bottom_layer_count is not None:
        bottom = f"{settings.bottom_layer_count} × {bottom}"
    known = (
        (words.plain(settings.layer_height_mm), "{} mm"),
        (words.plain(settings.layer_count), "{} layers"),
        (words.plain(settings.normal_exposure_s), "{} s"),
        (bottom, "bottom {} s"),
    )
    return ", ".join(form.format(text) for text, form in known if text)


def outcome_of(text: str) -> Outcome:
    """An outcome by its name. Raises ``InvalidError``."""
    try:
        return Outcome(text)
    except ValueError:
        raise InvalidError(
            f"“{text[:40]}” is not an outcome",
            where="outcome",
            remedy=f"Choose one of: {', '.join(Outcome)}.",
        ) from None


def merged(
    began: Mapping[str, str], stands: Mapping[str, str], mine: Mapping[str, str]
) -> dict[str, str]:
    """A form over a change that came meanwhile: mine where I touched it, else what stands now."""
    return {
        name: text if text != began.get(name, "") else stands.get(name, "")
        for name, text in mine.items()
    }


def _amounts(texts: Mapping[str, str], fields: tuple[AmountField, ...]) -> dict[str, object]:
    return {field.name: number_of(texts.get(field.name, ""), field.name) for field in fields}


def _same_lines(text: str) -> str:
    """Browsers send lines ended by CR and LF; what was filled in has LF alone."""
    return text.replace("\r\n", "\n")


def _choice(texts: Mapping[str, str], name: str, remedy: str) -> int:
    id = id_of(texts.get(name, ""), name)
    if id is None:
        raise InvalidError(f"no {name} was chosen", where=name, remedy=remedy)
    return id


def _parts(
    text: str, before: tuple[Part, ...], places: Mapping[str, Spot | None]
) -> list[dict[str, object]]:
    """Parts by name, one a line; each keeps what was seen of it.

    As many names as before are the same parts, perhaps renamed; else a part is known by name.
    """
    names = [line.strip() for line in text.splitlines() if line.strip()]
    by_name = {part.name: part for part in before}
    same = len(names) == len(before)
    parts: list[dict[str, object]] = []
    for number, name in enumerate(names):
        earlier = before[number] if same else by_name.get(name)
        seen = earlier.model_dump() if earlier else {"place": places.get(name)}
        parts.append({**seen, "name": name})
    return parts
