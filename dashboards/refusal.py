"""A refused form's fault, tied to the field it is about. Pure."""

from __future__ import annotations

import re
from collections.abc import Mapping
from dataclasses import dataclass

from collector.errors import VatsideError

#: What the record's own names of fields begin with, and a form's do not.
_WITHIN = re.compile(r"^(?:settings|guidance)\.")

#: ``parts.0.note`` and ``channels.0.since`` stand in line 0 of a form.
_LINE = re.compile(r"^(parts|channels)\.(\d+)(?:\.(\w+))?$")

#: The field of a line that a fault of the whole line, or of its name, is about.
_FIRST = {"parts": "part", "channels": "channel"}


@dataclass(frozen=True, slots=True)
class Refusal:
    """Why a form was refused: ``field`` is the id of the field it is about, if it is about one."""

    field: str | None
    label: str | None
    sentence: str


def refusal_of(fault: VatsideError | None, labels: Mapping[str, str]) -> Refusal | None:
    """The refusal that a fault is, for a form with these fields and their labels."""
    if fault is None:
        return None
    what = fault.what[:1].upper() + fault.what[1:]
    sentence = " ".join(filter(None, [what if what[-1:] in ".!?" else f"{what}.", fault.remedy]))
    where = fault.where or ""
    line = _LINE.match(where)
    name = f"{line[3]}-{line[2]}" if line else _field(where)
    if line and name not in labels:
        name = f"{_FIRST[line[1]]}-{line[2]}"
    if name not in labels and f"{name}_low" in labels:
        name = f"{name}_low"  # the fault of a range stands at its first end
    if name not in labels:
        return Refusal(None, where or None, sentence)
    return Refusal(name, labels[name], sentence)


def _field(where: str) -> str:
    """``settings.layer_count`` as ``layer_count``, ``afterwork.wash.fluid`` as ``wash_fluid``."""
    return _WITHIN.sub("", where).removeprefix("afterwork.").replace(".", "_")
