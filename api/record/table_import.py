"""A table of past prints from a CSV: columns mapped to fields, all rows taken or none.

Fields that a column may be mapped to:

* ``start`` (RFC 3339; in the zone that is named for the table where it has none); or ``day``, with
  ``time`` where a column of its own tells the time of day; or ``order`` (a number). Without a time
  the start is unknown and the print only keeps its place. ``end``, ``cut_short`` and
  ``order_only`` (1/0, yes/no);
* ``resin``, ``machine``, ``plate`` by name, ``bottle`` by lot (or ``#`` and its id); a
  ``default`` stands where there is no column for resin or machine;
* what came of it: one of ``outcome`` (good, flawed, failed), ``failed`` (1/0, yes/no), ``good``
  (the same) for the whole plate; or ``part:NAME`` for each part (an outcome, with failure modes
  behind a colon: ``failed: warped, cracked``); or ``parts`` as an export writes them (JSON);
* ``logged_vat``: a resin temperature noted by hand, in °C or °F;
* ``resin_poured_ml``, ``resin_used_ml``, ``note``, any printer setting by its name, such as
  ``bottom_exposure_s``, and afterwork by stage and name, such as ``wash.minutes``.
"""

from __future__ import annotations

import json
from collections.abc import Iterator, Mapping
from dataclasses import dataclass, field
from datetime import UTC, datetime, timedelta, tzinfo

from api.checked import checked
from api.prints import (
    Cure,
    Drying,
    FailureMode,
    Outcome,
    Part,
    Print,
    Settings,
    Stage,
    Wash,
)
from api.record import Bottle, Machine, Plate, Record, Resin
from api.record.table_text import day_in, moment_in, rows_of, with_point, without_unit
from collector.errors import InvalidError, VatsideError

#: Rows that one import may hold.
ROWS_MAX = 10_000

#: Faults that are listed; the rest are counted.
FAULTS_MAX = 50

#: The fields of which one tells when a print started, or at least after which other.
STARTS = ("start", "day", "order")
OUTCOME_FIELDS = ("outcome", "failed", "good", "parts")
SETTING_FIELDS = tuple(Settings.model_fields)
STAGES: dict[str, type[Stage]] = {"wash": Wash, "drying": Drying, "cure": Cure}
STAGE_FIELDS = tuple(
    f"{name}.{one}" for name, stage in STAGES.items() for one in stage.model_fields
)
PLAIN_FIELDS = ("resin_poured_ml", "resin_used_ml", "note")
TIME_FIELDS = ("start", "end", *(name for name in STAGE_FIELDS if name.endswith(".start")))
TEXT_FIELDS = frozenset({"note", "wash.fluid"})
NUMBER_FIELDS = frozenset(
    {"order", "logged_vat", *PLAIN_FIELDS, *SETTING_FIELDS, *STAGE_FIELDS}
) - {*TEXT_FIELDS, *TIME_FIELDS}
YES_OR_NO_FIELDS = ("cut_short", "order_only")
FIELDS = (
    "start",
    "day",
    "time",
    "order",
    "end",
    "resin",
    "machine",
    "bottle",
    "plate",
    *OUTCOME_FIELDS,
    *YES_OR_NO_FIELDS,
    "logged_vat",
    *PLAIN_FIELDS,
    *SETTING_FIELDS,
    *STAGE_FIELDS,
)

#: Before the name of a part, in the field of its outcome.
PART = "part:"

#: The columns of a table of ours, each named like its field; with them nothing is lost.
OWN_FIELDS = tuple(
    name for name in FIELDS if name not in ("day", "time", "order", "outcome", "failed", "good")
)

#: Units that may stand behind a number of a field, as it ends.
_UNITS = {
    "_mm_min": "mm/min", "_mm": "mm", "_ml": "ml", "_s": "s", "minutes": "min", "_nm": "nm",
    "temperature_c": "°C",
}  # fmt: skip

YES = frozenset({"1", "yes", "y", "true"})
NO = frozenset({"0", "no", "n", "false"})

#: Prints of which only the order is known are put a minute apart from here on.
ORDER_BEGINS = datetime.fromisoformat("1970-01-01T00:00:00+00:00")


@dataclass(frozen=True, slots=True)
class Mapped:
    """How a table is read.

    ``columns`` gives the field of each header that is used; ``fahrenheit`` says the unit of
    ``logged_vat``; ``resin`` and ``machine`` stand where no column names them; ``make`` puts
    resins, machines, plates and bottles that are not on record there. Times without a zone of
    their own are in ``zone``, and refused without one; ``decimal_comma`` says how numbers are
    written. ``exact`` takes cells as they stand, with the blanks at their ends.
    """

    columns: Mapping[str, str]
    fahrenheit: bool = False
    resin: str | None = None
    machine: str | None = None
    make: bool = False
    zone: tzinfo | None = None
    decimal_comma: bool = False
    exact: bool = False

    @classmethod
    def own(cls, *, make: bool = False) -> Mapped:
        """How a table that vatside exported is read."""
        return cls({name: name for name in OWN_FIELDS}, make=make, exact=True)

    def __post_init__(self) -> None:
        fields = list(self.columns.values())
        for name in fields:
            if name not in FIELDS and not (name.startswith(PART) and name != PART):
                raise _wrong(
                    f"there is no field {name}", f"Use one of {', '.join(FIELDS)}, {PART}NAME."
                )
            if fields.count(name) > 1:
                raise _wrong(f"two columns are mapped to {name}", "Map one column to a field.")
        if len(set(STARTS) & set(fields)) != 1:
            raise _wrong(
                "one column has to tell when each print started, or else its order",
                "Map one to start, such as Date=start; to day where that is all it tells; or to "
                "order where no start was noted.",
            )
        if "time" in fields and "day" not in fields:
            raise _wrong("a time of day needs a day", "Map the column of the days to day.")
        tell = {PART if name.startswith(PART) else name for name in fields}
        if len(tell & {PART, *OUTCOME_FIELDS}) > 1:
            raise _wrong("several columns tell the outcome", "Map one of them.")
        for name, default in (("resin", self.resin), ("machine", self.machine)):
            if name not in fields and not default:
                raise _wrong(f"nothing tells the {name}", f"Map a column to {name}, or name one.")


@dataclass(frozen=True, slots=True)
class RowFault:
    """What is wrong with one row: its number (the header is row 1), field and remedy."""

    row: int
    field: str | None
    what: str
    remedy: str | None


@dataclass(frozen=True, slots=True)
class Imported:
    """What an import did, or would do: nothing is on record when there is any fault."""

    rows_n: int
    prints: tuple[int, ...] = ()
    resins_made: tuple[str, ...] = ()
    machines_made: tuple[str, ...] = ()
    plates_made: tuple[str, ...] = ()
    bottles_made: tuple[str, ...] = ()
    faults: tuple[RowFault, ...] = ()
    faults_n: int = 0
    dry_run: bool = False


_KINDS = ("resin", "machine", "plate", "bottle")


class _NothingKeptError(Exception):
    """Ends the transaction of an import of which nothing is to stay."""


@dataclass(slots=True)
class _Import:
    """One import under way."""

    record: Record
    mapped: Mapped
    prints: list[int] = field(default_factory=list)
    made: dict[str, list[str]] = field(default_factory=lambda: {kind: [] for kind in _KINDS})
    faults: list[RowFault] = field(default_factory=list)


def import_prints(record: Record, text: str, mapped: Mapped, *, dry_run: bool = False) -> Imported:
    """Put the prints of a CSV on record: every row, or none when any is at fault.

    With ``dry_run`` nothing stays and the faults are found all the same. Raises
    ``InvalidError`` when the table as a whole cannot be read.
    """
    rows = list(_rows(text, mapped))
    run = _Import(record, mapped)
    try:
        with record.transaction():
            for number, row in rows:
                _take(run, number, row)
            if run.faults or dry_run:
                raise _NothingKeptError
    except _NothingKeptError:
        run.prints.clear()
    return Imported(
        rows_n=len(rows),
        prints=tuple(run.prints),
        resins_made=tuple(run.made["resin"]),
        machines_made=tuple(run.made["machine"]),
        plates_made=tuple(run.made["plate"]),
        bottles_made=tuple(run.made["bottle"]),
        faults=tuple(run.faults[:FAULTS_MAX]),
        faults_n=len(run.faults),
        dry_run=dry_run,
    )


def _rows(text: str, mapped: Mapped) -> Iterator[tuple[int, dict[str, str]]]:
    """Each row's number and its mapped cells by field, without the empty ones."""
    header: list[str] | None = None
    for number, cells in enumerate(rows_of(text), start=1):
        if header is None:
            header = [cell.strip() for cell in cells]
            _check_header(header, mapped)
            continue
        if number > ROWS_MAX + 1:
            raise _wrong(f"more than {ROWS_MAX} rows", "Import the table in pieces.")
        if not any(cell.strip() for cell in cells):
            continue
        if len(cells) != len(header):
            raise InvalidError(
                f"{len(cells)} cells where the header has {len(header)}",
                where=f"row {number}",
                remedy="Put cells with a comma in quotes, and fill up short rows.",
            )
        taken = cells if mapped.exact else [cell.strip() for cell in cells]
        named = zip(header, taken, strict=True)
        row = {mapped.columns[h]: cell for h, cell in named if h in mapped.columns and cell}
        yield number, row
    if header is None:
        _check_header([], mapped)


def _check_header(header: list[str], mapped: Mapped) -> None:
    for column in mapped.columns:
        if header.count(column) != 1:
            there = "is there more than once" if column in header else "is not there"
            raise InvalidError(
                f"the column {column} {there}",
                where="row 1",
                remedy=f"The header has: {', '.join(header) or 'nothing'}.",
            )


def _take(run: _Import, number: int, row: Mapping[str, str]) -> None:
    try:
        plate = _print_of(run, _as_written(run.mapped, row, number))
        if run.record.prints.started(plate.machine, plate.start) is not None:
            raise InvalidError(
                "a print of this machine with this start is on record already",
                where=next(name for name in STARTS if name in run.mapped.columns.values()),
                remedy="Take the row out, or correct the print that is there.",
            )
        run.prints.append(run.record.prints.add(plate).id)
    except VatsideError as error:
        run.faults.append(RowFault(number, error.where, error.what, error.remedy))


def _as_written(mapped: Mapped, row: Mapping[str, str], number: int) -> dict[str, str]:
    """A row with its numbers and times as the record takes them; ``number`` is the row's."""
    found = dict(row)
    if mapped.exact:
        return found
    for name in found.keys() & NUMBER_FIELDS:
        found[name] = _figure(mapped, name, found[name])
    if "day" in found:
        found |= _day(mapped, found.pop("day"), found.pop("time", ""), number)
    if mapped.zone is not None:
        for name in found.keys() & set(TIME_FIELDS):
            found[name] = _moment(name, found[name], mapped.zone)
    return found


def _figure(mapped: Mapped, name: str, cell: str) -> str:
    """A number with a point and without its unit."""
    unit = next((unit for end, unit in _UNITS.items() if name.endswith(end)), "")
    if name == "logged_vat":
        unit = "°F" if mapped.fahrenheit else "°C"
    bare = without_unit(cell, unit)
    if mapped.decimal_comma:
        return with_point(bare)
    if with_point(bare) != bare:
        raise _cell(
            name,
            f"{cell} has a comma",
            "Say that numbers have a decimal comma, or write it with a point.",
        )
    return bare


def _day(mapped: Mapped, day: str, time: str, number: int) -> dict[str, str]:
    """The start by its day and, where it was noted, its time; else the row's place in that day."""
    try:
        found = day_in(day)
    except ValueError:
        raise _cell(
            "day", f"{day[:40]} is no day", "Write it as 2026-01-14 or 14.1.2026."
        ) from None
    if time:
        return {"start": f"{found.isoformat()} {time}"}
    midnight = datetime(found.year, found.month, found.day, tzinfo=mapped.zone or UTC)
    start = midnight.astimezone(UTC) + timedelta(minutes=number % 1_440)
    return {"start": start.isoformat(), "order_only": "yes"}


def _moment(name: str, cell: str, zone: tzinfo) -> str:
    """A time as the record takes it."""
    try:
        return moment_in(cell, zone).isoformat()
    except (ValueError, OverflowError) as error:
        raise _cell(
            name,
            f"{cell[:40]} is no time ({error})",
            "Write it as 2026-01-14 20:30 or 14.1.2026 20:30.",
        ) from None


def _print_of(run: _Import, row: Mapping[str, str]) -> Print:
    resin = _named(run, "resin", row.get("resin") or run.mapped.resin)
    values: dict[str, object] = {
        "resin": resin,
        "machine": _named(run, "machine", row.get("machine") or run.mapped.machine),
        "settings": {name: row[name] for name in SETTING_FIELDS if name in row},
        "afterwork": {name: _stage(row, name) for name in STAGES},
        **{name: row[name] for name in PLAIN_FIELDS if name in row},
        **{name: _yes(row, name) for name in YES_OR_NO_FIELDS if name in row},
        **_times(row),
        **_parts(row),
    }
    if "plate" in row:
        values["plate"] = _named(run, "plate", row["plate"])
    if "bottle" in row:
        values["bottle"] = _bottle(run, row["bottle"], resin)
    if "logged_vat" in row:
        noted = _number(row, "logged_vat")
        values["logged_vat_c"] = (noted - 32.0) / 1.8 if run.mapped.fahrenheit else noted
    return checked(Print, values)


def _stage(row: Mapping[str, str], name: str) -> dict[str, str] | None:
    """What was noted of a stage of the afterwork; None where nothing was."""
    noted = {
        one: row[f"{name}.{one}"] for one in STAGES[name].model_fields if f"{name}.{one}" in row
    }
    return noted or None


def _parts(row: Mapping[str, str]) -> dict[str, object]:
    """What came of the parts, however the table tells it."""
    if "parts" in row:
        try:
            return {"parts": json.loads(row["parts"])}
        except ValueError:
            raise _cell("parts", "the parts are no JSON", "Write them as an export does.") from None
    named = {name.removeprefix(PART): row[name] for name in row if name.startswith(PART)}
    if named:
        return {"parts": tuple(_part(name, text) for name, text in named.items())}
    outcome = _outcome(row)
    if outcome is None:
        return {}
    return {"parts": (Part(name="whole plate", outcome=outcome),)}


def _part(name: str, text: str) -> Part:
    """A part by what its cell says: ``failed: warped, cracked``."""
    word, _, rest = text.lower().partition(":")
    modes = [mode.strip().replace(" ", "_") for mode in rest.split(",") if mode.strip()]
    strange = [mode for mode in modes if mode not in list(FailureMode)]
    if word.strip() not in list(Outcome) or strange:
        raise _cell(
            PART + name,
            f"{text} is no outcome",
            f"Write good, flawed or failed; behind a colon any of {', '.join(FailureMode)}.",
        )
    values = {"name": name, "outcome": word.strip(), "modes": modes}
    if FailureMode.OTHER in modes:
        values["note"] = text
    return checked(Part, values)


def _times(row: Mapping[str, str]) -> dict[str, object]:
    if "order" not in row:
        return {name: row[name] for name in ("start", "end") if name in row}
    order = _number(row, "order")
    if not 0 <= order <= 1e6:
        raise _cell("order", f"{row['order']} is no place in an order", "Number them from 1.")
    return {"start": ORDER_BEGINS + timedelta(minutes=order), "order_only": True}


def _outcome(row: Mapping[str, str]) -> Outcome | None:
    for name in ("outcome", "failed", "good"):
        if name not in row:
            continue
        word = row[name].lower()
        if name == "outcome":
            if word in list(Outcome):
                return Outcome(word)
            raise _cell(
                name,
                f"{row[name]} is no outcome",
                "Write good, flawed or failed; map a column of 1 and 0 to `failed` or `good`.",
            )
        return Outcome.FAILED if _yes(row, name) == (name == "failed") else Outcome.GOOD
    return None


def _yes(row: Mapping[str, str], name: str) -> bool:
    word = row[name].lower()
    if word not in YES | NO:
        raise _cell(name, f"{row[name]} is neither yes nor no", "Write 1 or 0, yes or no.")
    return word in YES


def _named(run: _Import, kind: str, name: str | None) -> int:
    """The id of a resin, machine or plate by its name; made where that is wanted."""
    if not name:
        raise _cell(kind, f"the row names no {kind}", f"Fill in the {kind}, or name one for all.")
    record = run.record
    named = {
        "resin": record.resins.named,
        "machine": record.machines.named,
        "plate": record.plates.named,
    }
    found = named[kind](name)
    if found is not None:
        return int(found.id)
    _check_made(run, kind, name)
    if kind == "resin":
        return record.resins.add(checked(Resin, {"name": name})).id
    if kind == "plate":
        return record.plates.add(checked(Plate, {"name": name})).id
    return record.machines.add(checked(Machine, {"name": name})).id


def _bottle(run: _Import, lot: str, resin: int) -> int:
    """The id of a bottle by its lot, or by its id behind ``#``; made where that is wanted."""
    number = lot.removeprefix("#")
    if lot != number and number.isdecimal() and len(number) < 19:
        return int(number)
    found = run.record.bottles.of_lot(resin, lot)
    if found is not None:
        return found.id
    _check_made(run, "bottle", lot)
    return run.record.bottles.add(checked(Bottle, {"resin": resin, "lot": lot})).id


def _check_made(run: _Import, kind: str, name: str) -> None:
    if not run.mapped.make:
        raise _cell(
            kind,
            f"there is no {kind} named {name} on record",
            f"Put it on record first, or let the import make {kind}s that are missing.",
        )
    run.made[kind].append(name)


def _number(row: Mapping[str, str], name: str) -> float:
    try:
        return float(row[name])
    except ValueError:
        raise _cell(name, f"{row[name]} is no number", "Write it like 18.5.") from None


def _wrong(what: str, remedy: str) -> InvalidError:
    return InvalidError(what, where="column", remedy=remedy)


def _cell(name: str, what: str, remedy: str) -> InvalidError:
    return InvalidError(what, where=name, remedy=remedy)
