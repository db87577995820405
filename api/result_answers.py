"""Answers that can be saved and opened again: asked, kept whole, and held against the log."""

from __future__ import annotations

import json
from dataclasses import dataclass
from datetime import datetime
from typing import Any

from pydantic import ConfigDict, Field, JsonValue, TypeAdapter

from api.answers import cold_answer
from api.causes.next_prints import REACH_C
from api.causes_answers import (
    BAND_C,
    Comparing,
    bands_answer,
    conditions_answer,
    groups_answer,
)
from api.checked import checked
from api.plan_answers import next_prints
from api.prints import Frozen
from api.record import Kept, Question, Result
from api.workshop import Workshop
from collector.errors import InvalidError


class Asked(Frozen):
    """The parameters of every question; each takes those that it knows.

    ``level`` and the reach from ``coldest_c`` to ``warmest_c`` [°C] belong to the limit and to
    the next prints, ``width_c`` to the bands, the others to the comparison of two.
    """

    level: float = Field(0.20, ge=0.05, le=0.5)
    coldest_c: float = Field(REACH_C[0], ge=-20, le=80)
    warmest_c: float = Field(REACH_C[1], ge=-20, le=80)
    width_c: float = Field(BAND_C, ge=0.5, le=20)
    first: str | None = Field(None, max_length=80)
    second: str | None = Field(None, max_length=80)
    setting: str | None = Field(None, max_length=80)
    above: float | None = Field(None, ge=-1e9, le=1e9)


@dataclass(frozen=True, slots=True)
class Answered:
    """An answer with its words, what it rests on, and all of it as an object."""

    sentences: tuple[str, ...]
    method: str
    version: str
    fingerprint: str
    answer: object


def ask(workshop: Workshop, question: Question, asked: Asked, now: datetime) -> Answered:
    """The answer to a question as the log is now. Raises what the question itself raises."""
    reach_c = (asked.coldest_c, asked.warmest_c)
    if question is Question.VAT_TEMPERATURE:
        cold = cold_answer(workshop, asked.level, now).answer
        return Answered(cold.sentences, cold.method, cold.version, cold.fingerprint, cold)
    if question is Question.CONDITIONS:
        ranking = conditions_answer(workshop, now)
        return Answered(
            ranking.sentences, ranking.method, ranking.version, ranking.fingerprint, ranking
        )
    if question is Question.NEXT_PRINTS:
        found = next_prints(workshop, now, level=asked.level, reach_c=reach_c)
        plan, compared = found.suggestion, found.comparison
        said = plan.sentences + (compared.sentences if compared else ())
        mark = "-".join(filter(None, (plan.fingerprint, found.comparison_fingerprint)))
        return Answered(said, plan.method, plan.version, mark, found)
    if question is Question.BANDS:
        bands = bands_answer(workshop, now, width_c=asked.width_c)
        rests = bands.rests
        return Answered(bands.sentences, rests.method, rests.version, rests.fingerprint, bands)
    comparing = Comparing(asked.first, asked.second, asked.setting, asked.above)
    groups = groups_answer(workshop, now, comparing)
    rests = groups.rests
    return Answered(groups.found.sentences, rests.method, rests.version, rests.fingerprint, groups)


def save_result(
    workshop: Workshop,
    question: Question,
    asked: Asked,
    now: datetime,
    *,
    note: str = "",
    key: str | None = None,
) -> Kept[Result]:
    """Put the answer to a question on record as it is now.

    Raises ``InvalidError`` where a resin that is to be compared is not on record.
    """
    _check_resins(workshop, asked)
    found = ask(workshop, question, asked, now)
    entry = checked(
        Result,
        {
            "question": question,
            "asked": asked.model_dump(exclude_none=True, exclude_defaults=True),
            "saved": now,
            "sentences": found.sentences,
            "method": found.method,
            "version": found.version,
            "fingerprint": found.fingerprint,
            "answer": as_tree(found.answer),
            "note": note,
        },
    )
    return workshop.record.results.add(entry, key=key)


def _check_resins(workshop: Workshop, asked: Asked) -> None:
    known = {kept.entry.name for kept in workshop.record.resins.all()}
    for field, name in (("first", asked.first), ("second", asked.second)):
        if name is not None and name not in known:
            raise InvalidError(
                f"there is no resin “{name}” on record",
                where=field,
                remedy="Name the resin as it stands on the shelf.",
            )


@dataclass(frozen=True, slots=True)
class Reopened:
    """A saved result beside the log as it is now.

    ``log_changed`` when the same question would rest on something else today; ``sentences_now``
    are then today's words, empty where nothing changed.
    """

    kept: Kept[Result]
    log_changed: bool
    said: str
    sentences_now: tuple[str, ...]


UNCHANGED = "The log has not changed since."
LOG_CHANGED = "The log has changed since."
METHOD_CHANGED = "The method has changed since, and perhaps the log."


def reopen(workshop: Workshop, result_id: int, now: datetime) -> Reopened:
    """A saved result, and whether the log has changed since."""
    kept = workshop.record.results.get(result_id)
    entry = kept.entry
    today = ask(workshop, entry.question, checked(Asked, entry.asked), now)
    changed = today.fingerprint != entry.fingerprint
    said = UNCHANGED
    if changed:
        same = (today.method, today.version) == (entry.method, entry.version)
        said = LOG_CHANGED if same else METHOD_CHANGED
    return Reopened(kept, changed, said, today.sentences if changed else ())


def as_tree(answer: object) -> JsonValue:
    """An answer as plain JSON; what is infinite or no number becomes null."""
    adapter = TypeAdapter(Any, config=ConfigDict(ser_json_inf_nan="null"))
    tree: JsonValue = json.loads(adapter.dump_json(answer))
    return tree
