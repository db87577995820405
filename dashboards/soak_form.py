"""How a filled-in form becomes a soak run: a ready-made program or own steps, and specimens."""

from __future__ import annotations

import re
from collections.abc import Mapping
from datetime import datetime

from starlette.datastructures import FormData

from api.checked import checked
from api.soak.program import READY_MADE, Program, SoakRun
from collector.errors import InvalidError
from dashboards.sheet import number_of, text_of, time_of

#: Specimens that the form has lines for; more are added over the api.
SPECIMENS_N = 8

OWN = "own"

#: What a program of one's own may say beside its steps.
OWN_FIELDS = (
    "rule",
    "hold_min",
    "ramp_limit_k_per_min",
    "longest_approach_min",
    "look_every_k",
    "stop_above_c",
    "cool_down_to_c",
)

_BETWEEN = re.compile(r"[;\s]+|,\s+")


def texts_of(form: FormData) -> dict[str, str]:
    """Everything that was typed, for showing the form again."""
    names = [
        "name",
        "program",
        "steps",
        "look_every_min",
        "started",
        "specimen_channel",
        *OWN_FIELDS,
    ]
    for number in range(SPECIMENS_N):
        names += [f"specimen-{number}", f"resin-{number}"]
    texts = {name: text_of(form, name) for name in names}
    for channel in form.getlist("chamber"):
        texts[f"chamber-{channel}"] = "yes"
    return texts


def run_of(form: FormData, now: datetime) -> SoakRun:
    """The run that a filled-in form describes; an empty start means now.

    Raises ``InvalidError`` naming the field.
    """
    texts = texts_of(form)
    chambers = [str(channel) for channel in form.getlist("chamber")]
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
    """A program of one's own: its steps, and what holds for all of them."""
    for_all = {
        name: number_of(texts[name], name)
        for name in ("ramp_limit_k_per_min", "longest_approach_min")
    }
    settle = {name: texts[name] for name in ("rule",) if texts[name]}
    hold = number_of(texts["hold_min"], "hold_min")
    over = {"steady_together": 10.0}.get(texts["rule"])
    return checked(
        Program,
        {
            "name": "Own steps",
            "steps": [step | for_all for step in steps_of(texts["steps"])],
            "look_every_min": looks,
            "look_every_k": number_of(texts["look_every_k"], "look_every_k"),
            "settle": settle
            | ({} if hold is None else {"hold_min": hold})
            | ({} if over is None else {"over_min": over}),
            "stop_above_c": number_of(texts["stop_above_c"], "stop_above_c"),
            "cool_down_to_c": number_of(texts["cool_down_to_c"], "cool_down_to_c"),
        },
    )


def looks_every(text: str) -> float | None:
    """Minutes between looks in a dwell; None where the field is empty."""
    return number_of(text, "look_every_min")


def steps_of(text: str) -> list[dict[str, object]]:
    """The steps typed one a line. Raises ``InvalidError`` naming the line."""
    return [_step(line, n) for n, line in enumerate(_lines(text), start=1)]


def lines_of(program: Program) -> str:
    """The steps of a program as they are typed."""
    return "\n".join(
        f"{step.setpoint_c:g} {step.dwell_min:g} {step.tolerance_k:g}" for step in program.steps
    )


def _step(line: str, number: int) -> dict[str, object]:
    """A step from ``60 90 2``: setpoint [°C], dwell [min], tolerance [K] (2 if left out).

    Numbers are parted by blanks, semicolons or a comma with a blank; a comma alone is decimal.
    """
    fields = [field for field in _BETWEEN.split(line) if field]
    if not 2 <= len(fields) <= 3:
        raise InvalidError(
            f"line {number} of the steps, “{line[:40]}”, is not a step",
            where="steps",
            remedy="Write setpoint in °C, dwell in minutes and, if you like, tolerance in K: "
            "60 90 2.",
        )
    setpoint, dwell = (number_of(field, f"steps, line {number}") for field in fields[:2])
    tolerance = number_of(fields[2], f"steps, line {number}") if len(fields) == 3 else 2.0
    return {"setpoint_c": setpoint, "dwell_min": dwell, "tolerance_k": tolerance}


def _lines(text: str) -> list[str]:
    return [line.strip() for line in text.splitlines() if line.strip()]


def _resin(text: str) -> int | None:
    return int(text) if text.isdecimal() and len(text) <= 18 else None
