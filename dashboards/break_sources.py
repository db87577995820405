"""Where a piece on the break bench comes from: prints with their parts, soak runs with their
specimens, as a form offers them.

A print is ``12`` in a form and a part of it ``12:lamp collar 1``; a soak run is ``3`` where the
piece has the same name there, else ``3:amber 2``. Pure but for the models.
"""

from __future__ import annotations

from collections.abc import Collection, Iterable, Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime

from api.prints import Part, Print
from api.record import BreakTest, Kept
from api.soak.program import SoakRun
from collector.errors import InvalidError
from dashboards import words
from dashboards.print_form import WHOLE_PLATE

#: A part by its print and name.
PartKey = tuple[int, str]


@dataclass(frozen=True, slots=True)
class Source:
    """One choice: what the form sends, what it says, and whether it is no choice any more."""

    value: str
    label: str
    spent: bool = False


@dataclass(frozen=True, slots=True)
class SourceGroup:
    """The choices of one print or soak run under its heading."""

    label: str
    sources: tuple[Source, ...]


def value_of(number: int | None, name: str | None) -> str:
    """A print and part, or a run and specimen, as a form holds it; empty for none."""
    if number is None:
        return ""
    return str(number) if name is None else f"{number}:{name}"


def read_value(text: str, field: str) -> tuple[int | None, str | None]:
    """What :func:`value_of` wrote. Raises ``InvalidError`` naming the field."""
    number, _, name = text.partition(":")
    if not number and not name:
        return None, None
    if not (number.isascii() and number.isdecimal() and len(number) <= 18):
        raise InvalidError(
            f"“{text[:40]}” is none of the list", where=field, remedy="Choose one of the list."
        )
    return int(number), name or None


# ---- prints ----------------------------------------------------------------------------------


def own_parts(plate: Print) -> tuple[Part, ...]:
    """Its parts, unless it is judged as a whole."""
    return () if [part.name for part in plate.parts] == [WHOLE_PLATE] else plate.parts


def print_sources(
    prints: Iterable[Kept[Print]],
    broken: Collection[PartKey],
    machines: Mapping[int, str],
    resins: Mapping[int, str],
    now: datetime,
) -> list[SourceGroup]:
    """Each print with its parts; one in ``broken`` is told so and cannot be chosen again."""
    return [
        SourceGroup(
            f"{print_title(kept, now)}: {machines.get(kept.entry.machine, 'machine')}, "
            f"{resins.get(kept.entry.resin, 'resin')}",
            (
                Source(str(kept.id), f"print {kept.id}, its part not noted"),
                *(_part(kept.id, part, broken) for part in own_parts(kept.entry)),
            ),
        )
        for kept in prints
    ]


def print_title(kept: Kept[Print], now: datetime) -> str:
    """A print by its number and start: ``Print 12, Wed 14 Jan 19:30``."""
    when = "" if kept.entry.order_only else f", {words.moment(kept.entry.start, now)}"
    return f"Print {kept.id}{when}"


def _part(number: int, part: Part, broken: Collection[PartKey]) -> Source:
    spent = (number, part.name) in broken
    said = f"print {number}: {part.name}{_place(part)}{', broken already' if spent else ''}"
    return Source(value_of(number, part.name), said, spent)


def _place(part: Part) -> str:
    return f", {words.SPOTS[part.place]}" if part.place else ""


def came_from(test: BreakTest, plate: Print | None) -> str:
    """Where a piece comes from in words: ``print 12: lamp collar 1, back left``; else empty."""
    if test.print is None:
        return ""
    if test.part is None:
        return f"print {test.print}"
    named = [part for part in (plate.parts if plate else ()) if part.name == test.part]
    return f"print {test.print}: {test.part}{_place(named[0]) if named else ''}"


def next_part(kept: Kept[Print], after: str | None, broken: Collection[PartKey]) -> str | None:
    """The part to break after one (None: the first), in the print's order; None when all are."""
    names = [part.name for part in own_parts(kept.entry)]
    start = names.index(after) + 1 if after in names else 0
    waiting = [name for name in names[start:] + names[:start] if (kept.id, name) not in broken]
    return next((name for name in waiting if name != after), None)


# ---- soak runs -------------------------------------------------------------------------------


def soak_sources(runs: Iterable[Kept[SoakRun]]) -> list[SourceGroup]:
    """Each run with its specimens."""
    return [
        SourceGroup(
            kept.entry.name,
            (
                Source(str(kept.id), f"{kept.entry.name}, by the piece’s own name"),
                *(
                    Source(value_of(kept.id, one.name), f"{kept.entry.name}: {one.name}")
                    for one in kept.entry.specimens
                ),
            ),
        )
        for kept in runs
    ]


def next_specimen(run: SoakRun, after: str) -> str | None:
    """The specimen after one in the run's order; None after the last."""
    names = [one.name for one in run.specimens]
    return next(iter(names[names.index(after) + 1 :]), None) if after in names else None


def with_chosen(newest: Sequence[Kept[Print]], chosen: Kept[Print] | None) -> list[Kept[Print]]:
    """Prints to offer: those that are over, and the chosen one wherever it stands."""
    over = [kept for kept in newest if not kept.entry.running]
    known = chosen is None or any(kept.id == chosen.id for kept in over)
    return over if known or chosen is None else [chosen, *over]
