"""What came of a plate, part by part, as a form holds it. Pure but for the models.

Fields are ``name-0``, ``outcome-0``, ``modes-0`` (any number), ``place-0``, ``note-0`` and so on.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from starlette.datastructures import FormData

from api.checked import checked
from api.prints import Outcome, Part, Print
from collector.errors import InvalidError
from dashboards.print_form import WHOLE_PLATE
from dashboards.print_words import part_in_words
from dashboards.sheet import text_of

#: The most parts a form may name.
PARTS_MAX = 500


@dataclass(frozen=True, slots=True)
class PartTexts:
    """One part as the form shows it; ``outcome`` is empty while nobody looked at it."""

    name: str
    outcome: str = ""
    modes: tuple[str, ...] = ()
    place: str = ""
    note: str = ""


def entered(plate: Print, *, unseen: str = "") -> list[PartTexts]:
    """The parts as they are on record; those nobody looked at get ``unseen`` as outcome."""
    return [
        PartTexts(
            part.name,
            part.outcome.value if part.outcome else unseen,
            tuple(mode.value for mode in part.modes),
            part.place.value if part.place else "",
            part.note,
        )
        for part in parts_to_judge(plate)
    ]


def texts_of(form: FormData, plate: Print) -> list[PartTexts]:
    """Everything that was typed of each part, in the form's order.

    A form without names is taken in the order of the print's parts.
    """
    names = [part.name for part in parts_to_judge(plate)]
    given: list[str] = []
    while len(given) < PARTS_MAX and (name := text_of(form, f"name-{len(given)}")):
        given.append(name)
    return [
        PartTexts(
            name,
            text_of(form, f"outcome-{number}"),
            tuple(map(str, form.getlist(f"modes-{number}"))),
            text_of(form, f"place-{number}"),
            text_of(form, f"note-{number}"),
        )
        for number, name in enumerate(given or names)
    ]


def judged(plate: Print, typed: Sequence[PartTexts]) -> Print:
    """The print with what was typed of its parts. Raises ``InvalidError`` naming the field."""
    by_name = {texts.name: texts for texts in typed}
    parts = parts_to_judge(plate)
    return plate.model_copy(
        update={
            "parts": tuple(
                _judged(part, number, by_name.get(part.name)) for number, part in enumerate(parts)
            )
        }
    )


def _judged(part: Part, number: int, texts: PartTexts | None) -> Part:
    if texts is None:
        return part
    bad = texts.outcome in (Outcome.FLAWED, Outcome.FAILED)
    values = {
        "name": part.name,
        "outcome": texts.outcome or None,
        "modes": [*texts.modes] if bad else [],
        "place": texts.place or None,
        "note": texts.note,
    }
    try:
        return checked(Part, values)
    except InvalidError as fault:
        where = f"parts.{number}.{fault.where}"
        raise InvalidError(fault.what, where=where, remedy=fault.remedy) from None


def on_all(plate: Print, outcome: Outcome) -> Print:
    """The print with one outcome for the whole plate; failure modes that no longer fit go."""
    kept = outcome is not Outcome.GOOD
    return plate.model_copy(
        update={
            "parts": tuple(
                part.model_copy(update={"outcome": outcome, "modes": part.modes if kept else ()})
                for part in parts_to_judge(plate)
            )
        }
    )


def parts_to_judge(plate: Print) -> tuple[Part, ...]:
    """The parts of a print, or the whole plate as its only one where none was named."""
    return plate.parts or (Part(name=WHOLE_PLATE),)


def merged(
    began: Sequence[PartTexts], stands: Sequence[PartTexts], mine: Sequence[PartTexts]
) -> list[PartTexts]:
    """The parts over a change that came meanwhile: mine where I touched one, else as it stands."""
    before = {texts.name: texts for texts in began}
    typed = {texts.name: texts for texts in mine}
    return [
        typed[now.name] if now.name in typed and typed[now.name] != before.get(now.name) else now
        for now in stands
    ]


def differences(began: Print | None, stands: Print, mine: Print) -> list[tuple[str, str, str, str]]:
    """Part, what stood when I began, what stands now and what I say, where the last two differ."""
    before = {part.name: part_in_words(part) for part in parts_to_judge(began)} if began else {}
    typed = {part.name: part_in_words(part) for part in parts_to_judge(mine)}
    return [
        (part.name, before.get(part.name, "nothing"), part_in_words(part), typed[part.name])
        for part in parts_to_judge(stands)
        if part.name in typed and typed[part.name] != part_in_words(part)
    ]
