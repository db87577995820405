"""How a filled-in form becomes a soak run: a ready-made program or own steps, and specimens."""

from __future__ import annotations

import re
from collections.abc import Iterable, Mapping
from datetime import datetime

from starlette.datastructures import FormData

from api.checked import checked
from api.soak.program import (
    GAP_LIMIT_DEFAULT_S,
    READY_MADE,
    Program,
    SettleRule,
    SoakRun,
    Step,
)
from collector.errors import InvalidError
from dashboards import words
from dashboards.sheet import number_of, text_of, time_of

#: Specimens that the form has lines for, and how many of them lie open; more over the api.
SPECIMENS_N, SPECIMENS_OPEN_N = 12, 6

OWN = "own"

#: What the line of a step may go on with, each with a number, and the field of the step it fills.
STEP_WORDS = {"ramp": "ramp_limit_k_per_min", "within": "longest_approach_min"}

#: The widths that each rule for settling asks for.
WIDTHS = {
    SettleRule.IN_BAND: ("hold_min",),
    SettleRule.NEAR_FINAL: ("hold_min", "within_k"),
    SettleRule.SLOW_CHANGE: ("change_k", "over_min"),
    SettleRule.STEADY_TOGETHER: ("change_k", "apart_k", "over_min"),
}
#: Widths that a rule takes of its own where none is typed; others are those of ``Settle``.
USUAL_WIDTHS = {SettleRule.STEADY_TOGETHER: {"over_min": 10.0}}

#: What holds for a whole program beside its steps, as the form names it.
TERMS = (
    "rule",
    "hold_min",
    "within_k",
    "change_k",
    "apart_k",
    "over_min",
    "gap_limit_s",
    "when_all_gave_way",
    "stop_above_c",
    "cool_down_to_c",
)
#: What a program of one's own may say beside that: limits of each step that says none.
FOR_ALL = (*STEP_WORDS.values(), "look_every_k")

#: Says that the run goes on without a word once every piece has given way.
GO_ON = "go_on"

_BETWEEN = re.compile(r"[;\s]+|,\s+")


def _names() -> list[str]:
    """Every field of the form but the probes of the chamber."""
    names = ["name", "program", "steps", "look_every_min", "started", "specimen_channel"]
    names += [*FOR_ALL, *TERMS]
    for number in range(SPECIMENS_N):
        names += [f"specimen-{number}", f"resin-{number}"]
    return names


def fresh(chambers: Iterable[str]) -> dict[str, str]:
    """The form before anything is typed: the first ready-made program, these probes ticked."""
    return dict.fromkeys(_names(), "") | {"program": "0"} | _ticked(chambers)


def texts_of(form: FormData) -> dict[str, str]:
    """Everything that was typed, for showing the form again."""
    return {name: text_of(form, name) for name in _names()} | _ticked(chambers_of(form))


def _ticked(chambers: Iterable[str]) -> dict[str, str]:
    return {f"chamber-{channel}": "yes" for channel in chambers}


def chambers_of(form: FormData) -> list[str]:
    """The channels that were ticked as probes of the chamber."""
    return [str(channel) for channel in form.getlist("chamber")]


def run_of(form: FormData, now: datetime) -> SoakRun:
    """The run that a filled-in form describes; an empty start means now.

    Raises ``InvalidError`` naming the field.
    """
    texts = texts_of(form)
    chambers = chambers_of(form)
    if not chambers:
        raise InvalidError(
            "no probe of the chamber was chosen", where="chamber", remedy="Tick one at least."
        )
    specimens = [
        {"name": texts[f"specimen-{n}"], "resin": _resin(texts[f"resin-{n}"])}
        for n in range(SPECIMENS_N)
        if texts[f"specimen-{n}"]
    ]
    if not specimens:
        raise InvalidError(
            "no specimen was named", where="specimens", remedy="Name one piece in the chamber."
        )
    return checked(
        SoakRun,
        {
            "name": texts["name"],
            "program": program_of(texts),
            "chamber_channels": chambers,
            "specimen_channel": texts["specimen_channel"] or None,
            "specimens": specimens,
            "started": time_of(texts["started"], "started") or now,
        },
    )


def program_of(texts: Mapping[str, str]) -> Program:
    """The ready-made program that was chosen, or the own steps that were typed."""
    chosen = texts["program"]
    looks = looks_every(texts["look_every_min"])
    if chosen == OWN:
        return own_program(texts, looks)
    if not chosen.isdecimal() or not int(chosen[:9]) < len(READY_MADE):
        raise InvalidError(
            "no program was chosen", where="program", remedy="Choose one, or own steps."
        )
    ready = READY_MADE[int(chosen)]
    return ready.model_copy(update={"look_every_min": looks}) if looks else ready


def own_program(texts: Mapping[str, str], looks: float | None) -> Program:
    """A program of one's own: its steps, and what holds where a step does not say its own."""
    for_all = {name: number_of(texts[name], name) for name in STEP_WORDS.values()}
    return checked(
        Program,
        {
            "name": "Own steps",
            "steps": [for_all | step for step in steps_of(texts["steps"])],
            "look_every_min": looks,
            "look_every_k": number_of(texts["look_every_k"], "look_every_k"),
            **terms_of(texts),
        },
    )


def changed_program(program: Program, texts: Mapping[str, str]) -> Program:
    """A program in force as it was changed: by its steps and looks, by its terms where sent."""
    terms = terms_of(texts) if texts["rule"] else {}
    return checked(
        Program,
        {
            **program.model_dump(),
            "steps": steps_of(texts["steps"]),
            "look_every_min": looks_every(texts["look_every_min"]),
            **terms,
        },
    )


def terms_of(texts: Mapping[str, str]) -> dict[str, object]:
    """What was typed of a program's terms; a width that its rule does not ask for is left out."""
    rules = {rule.value: rule for rule in SettleRule}
    typed = texts["rule"] or SettleRule.IN_BAND.value
    if typed not in rules:
        raise InvalidError(
            f"“{typed[:40]}” is no rule for settling",
            where="rule",
            remedy="Choose one from the list.",
        )
    rule = rules[typed]
    numbers = {name: number_of(texts[name], name) for name in WIDTHS[rule]}
    widths = {name: number for name, number in numbers.items() if number is not None}
    return {
        "settle": {"rule": rule, **USUAL_WIDTHS.get(rule, {}), **widths},
        "stop_when_all_gave_way": texts["when_all_gave_way"] != GO_ON,
        "stop_above_c": number_of(texts["stop_above_c"], "stop_above_c"),
        "cool_down_to_c": number_of(texts["cool_down_to_c"], "cool_down_to_c"),
        "gap_limit_s": number_of(texts["gap_limit_s"] or str(GAP_LIMIT_DEFAULT_S), "gap_limit_s"),
    }


def texts_of_program(program: Program) -> dict[str, str]:
    """The steps and terms of a program as the form holds them."""
    settle = program.settle
    widths = {name: words.plain(getattr(settle, name)) for name in WIDTHS[settle.rule]}
    return {
        **dict.fromkeys(TERMS, ""),
        **widths,
        "steps": lines_of(program),
        "look_every_min": words.plain(program.look_every_min),
        "rule": settle.rule.value,
        "gap_limit_s": words.plain(program.gap_limit_s),
        "when_all_gave_way": "" if program.stop_when_all_gave_way else GO_ON,
        "stop_above_c": words.plain(program.stop_above_c),
        "cool_down_to_c": words.plain(program.cool_down_to_c),
    }


def looks_every(text: str) -> float | None:
    """Minutes between looks in a dwell; None where the field is empty."""
    return number_of(text, "look_every_min")


def steps_of(text: str) -> list[dict[str, object]]:
    """The steps typed one a line. Raises ``InvalidError`` naming the line."""
    return [_step(line, n) for n, line in enumerate(_lines(text), start=1)]


def lines_of(program: Program) -> str:
    """The steps of a program as they are typed."""
    return "\n".join(_line(step) for step in program.steps)


def _line(step: Step) -> str:
    limits = {word: getattr(step, name) for word, name in STEP_WORDS.items()}
    return " ".join(
        [
            *map(words.plain, (step.setpoint_c, step.dwell_min, step.tolerance_k)),
            *(f"{word} {words.plain(limit)}" for word, limit in limits.items() if limit),
        ]
    )


def _step(line: str, number: int) -> dict[str, object]:
    """A step from ``60 90 2 ramp 1.5 within 40``.

    Setpoint [°C], dwell [min], tolerance [K] (2 if left out), then its own limits in any order
    (:data:`STEP_WORDS`). Numbers are parted by blanks, semicolons or a comma with a blank; a
    comma alone is decimal.
    """
    fields = [field for field in _BETWEEN.split(line) if field]
    where = f"steps, line {number}"
    first = next((n for n, field in enumerate(fields) if field.lower() in STEP_WORDS), len(fields))
    bare, limits = fields[:first], fields[first:]
    pairs = dict(zip(map(str.lower, limits[::2]), limits[1::2], strict=False))
    known = set(pairs) <= set(STEP_WORDS) and 2 * len(pairs) == len(limits)
    if not 2 <= len(bare) <= 3 or not known:
        raise InvalidError(
            f"line {number} of the steps, “{line[:40]}”, is not a step",
            where="steps",
            remedy="Write setpoint in °C, dwell in minutes and, if you like, tolerance in K: "
            "60 90 2. It may go on with what holds for that step alone: 60 90 2 ramp 1.5 within "
            "40.",
        )
    setpoint, dwell = (number_of(field, where) for field in bare[:2])
    tolerance = number_of(bare[2], where) if len(bare) == 3 else 2.0
    own = {STEP_WORDS[word]: number_of(text, where) for word, text in pairs.items()}
    return {"setpoint_c": setpoint, "dwell_min": dwell, "tolerance_k": tolerance, **own}


def _lines(text: str) -> list[str]:
    return [line.strip() for line in text.splitlines() if line.strip()]


def _resin(text: str) -> int | None:
    return int(text) if text.isdecimal() and len(text) <= 18 else None
