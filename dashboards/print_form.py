"""What a print's forms hold, and how a filled-in form becomes a print. Pure but for the models.

A form that is refused is shown again with everything that was typed, so a form is a mapping
of names to text throughout.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from datetime import datetime

from starlette.datastructures import FormData

from api.checked import checked
from api.prints import Outcome, Part, Print
from collector.errors import InvalidError
from dashboards import words
from dashboards.sheet import number_of, text_of, time_of


@dataclass(frozen=True, slots=True)
class SettingField:
    """One setting as a form shows it: its name in the model, label, unit and step."""

    name: str
    label: str
    unit: str
    step: str


SETTING_FIELDS = (
    SettingField("layer_height_mm", "Layer height", "mm", "0.001"),
    SettingField("layer_count", "Layer count", "", "1"),
    SettingField("normal_exposure_s", "Normal exposure", "s", "0.01"),
    SettingField("bottom_exposure_s", "Bottom exposure", "s", "0.1"),
    SettingField("bottom_layer_count", "Bottom layers", "", "1"),
    SettingField("transition_layer_count", "Transition layers", "", "1"),
    SettingField("lift_distance_mm", "Lift distance", "mm", "0.1"),
    SettingField("lift_speed_mm_min", "Lift speed", "mm/min", "0.1"),
    SettingField("retract_speed_mm_min", "Retract speed", "mm/min", "0.1"),
    SettingField("light_off_delay_s", "Light-off delay", "s", "0.1"),
)

#: The part that a plate has when nobody named any.
WHOLE_PLATE = "plate"


def entered(plate: Print) -> dict[str, str]:
    """The form's text for a print that is on record."""
    texts = {
        "machine": str(plate.machine),
        "resin": str(plate.resin),
        "start": words.field_time(plate.start),
        "end": words.field_time(plate.end),
        "parts": "\n".join(part.name for part in plate.parts),
        "logged_vat_c": _text(plate.logged_vat_c),
        "note": plate.note,
    }
    for field in SETTING_FIELDS:
        texts[field.name] = _text(getattr(plate.settings, field.name))
    return texts


def like(plate: Print | None) -> dict[str, str]:
    """The form's text for a new print on the pattern of an earlier one: its own times are blank."""
    texts = (
        entered(plate)
        if plate
        else dict.fromkeys(
            ["machine", "resin", "parts", *(field.name for field in SETTING_FIELDS)], ""
        )
    )
    return texts | {"start": "", "end": "", "logged_vat_c": "", "note": ""}


def texts_of(form: FormData) -> dict[str, str]:
    """Everything that was typed, for showing the form again."""
    names = ["machine", "resin", "start", "end", "parts", "logged_vat_c", "note"]
    return {name: text_of(form, name) for name in [*names, *(f.name for f in SETTING_FIELDS)]}


def again(plate: Print, start: datetime) -> Print:
    """A new print like ``plate`` that starts at ``start``; nothing looked at yet."""
    return Print(
        start=start,
        resin=plate.resin,
        machine=plate.machine,
        bottle=plate.bottle,
        plate=plate.plate,
        settings=plate.settings,
        parts=tuple(Part(name=part.name, place=part.place) for part in plate.parts),
    )


def print_of(texts: Mapping[str, str], now: datetime, before: Print | None = None) -> Print:
    """The print that a filled-in form describes; an empty start means now.

    ``before`` is the print that is being corrected: times to the minute that were left as they
    were keep their seconds, and parts keep what was seen of them. Raises ``InvalidError``
    naming the field.
    """
    not_in_the_form = before.model_dump(exclude={"settings", "parts"}) if before else {}
    return checked(
        Print,
        {
            **not_in_the_form,
            "start": _time(texts, "start", before.start if before else None) or now,
            "end": _time(texts, "end", before.end if before else None),
            "machine": _choice(texts, "machine", "Choose the machine."),
            "resin": _choice(texts, "resin", "Choose the resin."),
            "settings": {
                field.name: number_of(texts.get(field.name, ""), field.name)
                for field in SETTING_FIELDS
            },
            "parts": _parts(texts.get("parts", ""), before.parts if before else ()),
            "logged_vat_c": number_of(texts.get("logged_vat_c", ""), "logged_vat_c"),
            "note": texts.get("note", ""),
        },
    )


def parts_to_judge(plate: Print) -> tuple[Part, ...]:
    """The parts of a print, or the whole plate as its only one where none was named."""
    return plate.parts or (Part(name=WHOLE_PLATE),)


def verdict_on_all(plate: Print, outcome: Outcome) -> Print:
    """The print with one outcome for the whole plate; failure modes that no longer fit go."""
    parts = parts_to_judge(plate)
    kept = outcome is not Outcome.GOOD
    return plate.model_copy(
        update={
            "parts": tuple(
                part.model_copy(update={"outcome": outcome, "modes": part.modes if kept else ()})
                for part in parts
            )
        }
    )


def verdict_by_part(plate: Print, form: FormData) -> Print:
    """The print with the outcome, failure modes and note that the form gives each part.

    Fields are ``outcome-0``, ``modes-0`` (any number), ``note-0`` and so on. A part without an
    outcome has not been looked at. Raises ``InvalidError`` naming the field.
    """
    parts = parts_to_judge(plate)
    judged: list[Part] = []
    for number, part in enumerate(parts):
        outcome = text_of(form, f"outcome-{number}") or None
        bad = outcome in (Outcome.FLAWED, Outcome.FAILED)
        judged.append(
            checked(
                Part,
                {
                    "name": part.name,
                    "place": part.place,
                    "outcome": outcome,
                    "modes": [*map(str, form.getlist(f"modes-{number}"))] if bad else [],
                    "note": text_of(form, f"note-{number}"),
                },
            )
        )
    return plate.model_copy(update={"parts": tuple(judged)})


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


def _text(amount: float | int | None) -> str:
    return "" if amount is None else f"{amount:.10g}"


def _time(texts: Mapping[str, str], name: str, before: datetime | None) -> datetime | None:
    text = texts.get(name, "")
    if before is not None and text == words.field_time(before):
        return before
    return time_of(text, name)


def _choice(texts: Mapping[str, str], name: str, remedy: str) -> int:
    text = texts.get(name, "")
    if not text.isdecimal() or len(text) > 18:
        raise InvalidError(f"no {name} was chosen", where=name, remedy=remedy)
    return int(text)


def _parts(text: str, before: tuple[Part, ...]) -> list[dict[str, object]]:
    """Parts by name, one a line; each keeps what was seen of it.

    As many names as before are the same parts, perhaps renamed; else a part is known by name.
    """
    names = [line.strip() for line in text.splitlines() if line.strip()]
    by_name = {part.name: part for part in before}
    same = len(names) == len(before)
    parts: list[dict[str, object]] = []
    for number, name in enumerate(names):
        earlier = before[number] if same else by_name.get(name)
        seen = earlier.model_dump() if earlier else {}
        parts.append({**seen, "name": name})
    return parts
