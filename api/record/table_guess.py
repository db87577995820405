"""What the columns of somebody's own log may mean: a guess to be looked over, never taken blindly.

Pure. Headings are compared in small letters, without what stands in brackets and without units.
"""

from __future__ import annotations

import re
from collections.abc import Mapping, Sequence
from dataclasses import dataclass

from api.record.table_import import OWN_FIELDS
from api.record.table_text import day_in, is_decimal_comma, rows_of

#: Rows that a guess is made from, and shown by.
SAMPLE_N = 200

#: Headings in the trade's words (common practice, no source), by the field they tell.
_HEADINGS: Mapping[str, tuple[str, ...]] = {
    "start": ("start", "started", "begin", "date", "date and time", "datetime", "when", "printed"),
    "day": ("day",),
    "time": ("time", "start time", "time of day"),
    "order": ("order", "number", "no", "nr", "print", "print number"),
    "end": ("end", "ended", "finish", "finished", "done"),
    "resin": ("resin", "material"),
    "machine": ("machine", "printer"),
    "bottle": ("bottle", "lot", "batch", "lot number"),
    "plate": ("plate", "model", "file", "job", "part", "parts name"),
    "outcome": ("outcome", "result", "verdict", "status"),
    "failed": ("failed", "failure", "fail"),
    "good": ("good", "success", "ok", "successful"),
    "logged_vat": (
        "vat", "vat temperature", "vat temp", "resin temperature", "resin temp", "temperature",
        "temp",
    ),
    "resin_poured_ml": ("resin poured", "poured"),
    "resin_used_ml": ("resin used", "volume", "used", "resin volume"),
    "note": ("note", "notes", "comment", "comments", "remarks"),
    "layer_height_mm": ("layer height", "layer thickness", "layer"),
    "layer_count": ("layer count", "layers", "number of layers"),
    "normal_exposure_s": ("normal exposure", "exposure", "exposure time", "layer exposure"),
    "bottom_exposure_s": ("bottom exposure", "base exposure", "bottom exposure time"),
    "bottom_layer_count": ("bottom layers", "bottom layer count", "base layers"),
    "transition_layer_count": ("transition layers", "transition layer count"),
    "lift_distance_mm": ("lift distance", "lift height", "lift"),
    "lift_speed_mm_min": ("lift speed",),
    "retract_speed_mm_min": ("retract speed", "retraction speed"),
    "light_off_delay_s": ("light off delay", "light off time", "off time", "rest time"),
    "wash.minutes": ("wash", "wash time", "wash minutes"),
    "wash.fluid": ("wash fluid", "fluid"),
    "drying.minutes": ("drying", "drying time", "dry"),
    "cure.minutes": ("cure", "cure time", "curing time", "cure minutes"),
    "cure.temperature_c": ("cure temperature",),
    "cut_short": ("cut short", "aborted", "cancelled", "stopped"),
}  # fmt: skip

_FIELD_OF = {heading: name for name, headings in _HEADINGS.items() for heading in headings}
_UNIT = re.compile(r"\b(mm/min|mm|ml|min|minutes|s|sec|seconds|c|f|celsius|fahrenheit)$")


@dataclass(frozen=True, slots=True)
class Guess:
    """What a table seems to be: its header, first rows, and what each column may tell.

    ``columns`` gives the field of each header that seems to be one; ``own`` is True for a table
    that vatside exported, which needs no mapping.
    """

    header: tuple[str, ...]
    rows: tuple[tuple[str, ...], ...]
    columns: Mapping[str, str]
    decimal_comma: bool
    fahrenheit: bool
    own: bool


def guess(text: str) -> Guess:
    """What a table may mean. Raises ``InvalidError`` when it cannot be read."""
    rows: list[list[str]] = []
    for row in rows_of(text):
        if any(cell.strip() for cell in row):
            rows.append([cell.strip() for cell in row])
        if len(rows) > SAMPLE_N:
            break
    header, sample = (rows[0], rows[1:]) if rows else ([], [])
    columns: dict[str, str] = {}
    for name in header:
        field = _FIELD_OF.get(plain(name), name if name in OWN_FIELDS else "")
        if field and field not in columns.values() and header.count(name) == 1:
            columns[name] = field
    for place, name in enumerate(header):
        if columns.get(name) == "start" and _only_days(shown(sample, place, SAMPLE_N)):
            columns[name] = "day"
    told = set(columns.values())
    beside = {"order"} if told & {"start", "day"} else set()
    beside |= {"time"} if "day" not in told else set()
    columns = {name: field for name, field in columns.items() if field not in beside}
    return Guess(
        header=tuple(header),
        rows=tuple(tuple(row) for row in sample),
        columns=_one_outcome(columns),
        decimal_comma=any(is_decimal_comma(cell) for row in sample for cell in row),
        fahrenheit=any(_says_fahrenheit(name) for name, f in columns.items() if f == "logged_vat"),
        own=set(OWN_FIELDS) == set(header),
    )


def plain(heading: str) -> str:
    """A heading without brackets, units and signs: ``Exposure (s)`` is ``exposure``."""
    text = re.sub(r"\(.*?\)|\[.*?\]", " ", heading.lower())
    text = " ".join(re.sub(r"[^a-z0-9/]+", " ", text).split())
    return _UNIT.sub("", text).strip() or text


def _one_outcome(columns: Mapping[str, str]) -> dict[str, str]:
    """Only one column can tell what came of a print."""
    found: dict[str, str] = {}
    for name, field in columns.items():
        told = {"outcome", "failed", "good", "parts"}
        if field not in told or not told & set(found.values()):
            found[name] = field
    return found


def _only_days(cells: Sequence[str]) -> bool:
    """Whether a column of starts tells days and nothing more."""
    try:
        return bool([day_in(cell) for cell in cells])
    except ValueError:
        return False


def _says_fahrenheit(heading: str) -> bool:
    return re.search(r"°\s*f\b|\bf\b|fahrenheit", heading.lower()) is not None


def shown(sample: Sequence[Sequence[str]], place: int, most: int = 3) -> list[str]:
    """The first values of a column that are no blanks."""
    values = (row[place] for row in sample if place < len(row) and row[place])
    return list(dict.fromkeys(values))[:most]
