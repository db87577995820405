"""A table of past prints from a CSV: columns mapped to fields, all rows taken or none.

Fields that a column may be mapped to:

* ``start`` (RFC 3339 with a zone) or ``order`` (a number; the start is then unknown and the
  print only keeps its place), ``end``;
* ``resin``, ``machine`` by name; a ``default`` stands where there is no column;
* one of ``outcome`` (good, flawed, failed), ``failed`` (1/0, yes/no) or ``good`` (the same);
* ``logged_vat``: a resin temperature noted by hand, in °C or °F;
* ``note``, and any printer setting by its name, such as ``bottom_exposure_s``.
"""

from __future__ import annotations

import csv
import io
from collections.abc import Iterator, Mapping
from dataclasses import dataclass, field
from datetime import datetime, timedelta

from api.checked import checked
from api.prints import Outcome, Part, Print, Settings
from api.record import Machine, Record, Resin
from collector.errors import InvalidError, VatsideError

#: Rows that one import may hold.
ROWS_MAX = 10_000

#: Faults that are listed; the rest are counted.
FAULTS_MAX = 50

OUTCOME_FIELDS = ("outcome", "failed", "good")
SETTING_FIELDS = tuple(Settings.model_fields)
FIELDS = (
    "start",
    "order",
    "end",
    "resin",
    "machine",
    *OUTCOME_FIELDS,
    "logged_vat",
    "note",
    *SETTING_FIELDS,
)

YES = frozenset({"1", "yes", "y", "true"})
NO = frozenset({"0", "no", "n", "false"})

#: Prints of which only the order is known are put a minute apart from here on.
ORDER_BEGINS = datetime.fromisoformat("1970-01-01T00:00:00+00:00")


@dataclass(frozen=True, slots=True)
class Mapped:
    """How a table is read.

    ``columns`` gives the field of each header that is used; ``fahrenheit`` says the unit of
    ``logged_vat``; ``resin`` and ``machine`` stand where no column names them; ``make`` puts
    resins and machines that are not on record there.
    """

    columns: Mapping[str, str]
    fahrenheit: bool = False
    resin: str | None = None
    machine: str | None = None
    make: bool = False

    def __post_init__(self) -> None:
        fields = list(self.columns.values())
        for name in fields:
            if name not in FIELDS:
                raise _wrong(f"there is no field {name}", f"Use one of {', '.join(FIELDS)}.")
            if fields.count(name) > 1:
                raise _wrong(f"two columns are mapped to {name}", "Map one column to a field.")
        if ("start" in fields) == ("order" in fields):
            raise _wrong(
                "one column has to tell when each print started, or else its order",
                "Map one to start, such as Date=start; or to order where no start was noted.",
            )
        if sum(name in fields for name in OUTCOME_FIELDS) > 1:
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
    faults: tuple[RowFault, ...] = ()
    faults_n: int = 0
    dry_run: bool = False


class _NothingKeptError(Exception):
    """Ends the transaction of an import of which nothing is to stay."""


@dataclass(slots=True)
class _Import:
    """One import under way."""

    record: Record
    mapped: Mapped
    prints: list[int] = field(default_factory=list)
    made: dict[str, list[str]] = field(default_factory=lambda: {"resin": [], "machine": []})
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
        faults=tuple(run.faults[:FAULTS_MAX]),
        faults_n=len(run.faults),
        dry_run=dry_run,
    )


def _rows(text: str, mapped: Mapped) -> Iterator[tuple[int, dict[str, str]]]:
    """Each row's number and its mapped cells by field, without the empty ones."""
    reader = csv.reader(io.StringIO(text.removeprefix("\ufeff"), newline=""), strict=True)
    try:
        header = [cell.strip() for cell in next(reader, [])]
        _check_header(header, mapped)
        for number, cells in enumerate((row for row in reader), start=2):
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
            named = zip(header, (cell.strip() for cell in cells), strict=True)
            yield (
                number,
                {mapped.columns[h]: cell for h, cell in named if h in mapped.columns and cell},
            )
    except csv.Error as error:
        raise InvalidError(
            f"the table cannot be read: {error}",
            where=f"line {reader.line_num}",
            remedy="Save it as CSV with commas, in UTF-8.",
        ) from None


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
        plate = _print_of(run, row)
        if run.record.prints.started(plate.machine, plate.start) is not None:
            raise InvalidError(
                "a print of this machine with this start is on record already",
                where="order" if plate.order_only else "start",
                remedy="Take the row out, or correct the print that is there.",
            )
        run.prints.append(run.record.prints.add(plate).id)
    except VatsideError as error:
        run.faults.append(RowFault(number, error.where, error.what, error.remedy))


def _print_of(run: _Import, row: Mapping[str, str]) -> Print:
    values: dict[str, object] = {
        "resin": _named(run, "resin", row.get("resin") or run.mapped.resin),
        "machine": _named(run, "machine", row.get("machine") or run.mapped.machine),
        "settings": {name: row[name] for name in SETTING_FIELDS if name in row},
        "note": row.get("note", ""),
        **_times(row),
    }
    outcome = _outcome(row)
    if outcome is not None:
        values["parts"] = (Part(name="whole plate", outcome=outcome),)
    if "logged_vat" in row:
        noted = _number(row, "logged_vat")
        values["logged_vat_c"] = (noted - 32.0) / 1.8 if run.mapped.fahrenheit else noted
    return checked(Print, values)


def _times(row: Mapping[str, str]) -> dict[str, object]:
    if "order" not in row:
        return {name: row[name] for name in ("start", "end") if name in row}
    order = _number(row, "order")
    if not 0 <= order <= 1e6:
        raise _cell("order", f"{row['order']} is no place in an order", "Number them from 1.")
    return {"start": ORDER_BEGINS + timedelta(minutes=order), "order_only": True}


def _outcome(row: Mapping[str, str]) -> Outcome | None:
    for name in OUTCOME_FIELDS:
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
        if word not in YES | NO:
            raise _cell(name, f"{row[name]} is neither yes nor no", "Write 1 or 0, yes or no.")
        return Outcome.FAILED if (word in YES) == (name == "failed") else Outcome.GOOD
    return None


def _named(run: _Import, kind: str, name: str | None) -> int:
    """The id of a resin or machine by its name; made where that is wanted."""
    if not name:
        raise _cell(kind, f"the row names no {kind}", f"Fill in the {kind}, or name one for all.")
    ledger = run.record.resins if kind == "resin" else run.record.machines
    found = ledger.named(name)
    if found is not None:
        return found.id
    if not run.mapped.make:
        raise _cell(
            kind,
            f"there is no {kind} named {name} on record",
            f"Put it on record first, or let the import make {kind}s that are missing.",
        )
    run.made[kind].append(name)
    if kind == "resin":
        return run.record.resins.add(checked(Resin, {"name": name})).id
    return run.record.machines.add(checked(Machine, {"name": name})).id


def _number(row: Mapping[str, str], name: str) -> float:
    try:
        return float(row[name])
    except ValueError:
        raise _cell(name, f"{row[name]} is no number", "Write it like 18.5.") from None


def _wrong(what: str, remedy: str) -> InvalidError:
    return InvalidError(what, where="column", remedy=remedy)


def _cell(name: str, what: str, remedy: str) -> InvalidError:
    return InvalidError(what, where=name, remedy=remedy)
