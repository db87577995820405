"""``vatside export record`` and ``vatside import record``: what was done, out and in."""

from __future__ import annotations

import argparse
import sys
import tempfile
from collections.abc import Iterator
from contextlib import closing, contextmanager
from pathlib import Path
from typing import TYPE_CHECKING

from collector.errors import InvalidError
from dashboards.terminal import pairs_asked, takes_settings

if TYPE_CHECKING:
    from api.record import Record
    from api.record.whole import WholeRecord
    from collector.config import Settings


def export_options(command: argparse.ArgumentParser) -> None:
    """What ``vatside export record`` takes."""
    command.add_argument("file", type=Path, help="a new file ending in .json or .csv")
    takes_settings(command)
    command.set_defaults(act=export_record)


def import_options(command: argparse.ArgumentParser) -> None:
    """What ``vatside import record`` takes."""
    command.add_argument("file", type=Path, help="a .json or .csv, as an export gives it")
    takes_settings(command)
    command.add_argument(
        "--column",
        action="append",
        default=[],
        metavar="HEADING=FIELD",
        help="which column of a CSV of your own is which field; once for each",
    )
    command.add_argument("--resin", metavar="NAME", help="the resin, where no column tells it")
    command.add_argument("--machine", metavar="NAME", help="the machine, likewise")
    command.add_argument("--zone", metavar="ZONE", help="zone of times that name none")
    command.add_argument("--decimal-comma", action="store_true", help="numbers are like 18,5")
    command.add_argument("--fahrenheit", action="store_true", help="logged_vat is in °F")
    command.add_argument(
        "--make", action="store_true", help="put resins, machines and plates named there on record"
    )
    command.add_argument("--dry-run", action="store_true", help="find the faults and keep nothing")
    command.set_defaults(act=import_record)


def export_record(asked: argparse.Namespace) -> int:
    """Everything on record as JSON, or the prints as CSV, to a new file."""
    from api.record.table_export import prints_as_table
    from api.record.whole import everything
    from collector.transfer.files import write_text
    from dashboards import start

    kind = _kind_of(asked.file)
    settings = start.read_settings(asked.settings)
    with closing(start.record_of(settings)) as record:
        if kind == ".csv":
            table = prints_as_table(record)
            write_text(asked.file, [table])
            print(
                f"{asked.file}: {len(record.prints.all())} prints; `vatside import record` "
                "takes them back exactly."
            )
            return 0
        whole = everything(record)
    write_text(asked.file, [whole.model_dump_json(indent=1), "\n"])
    from dashboards import words

    counts = _counted(whole) or "nothing"
    print(f"{asked.file}: {counts}, with {words.count(len(whole.revisions), 'earlier revision')}.")
    if whole.entries.get("photograph"):
        print("The pictures themselves lie in photographs/; `vatside backup` copies them too.")
    return 0


def import_record(asked: argparse.Namespace) -> int:
    """A whole record into an empty one, or a table of prints; everything or nothing."""
    from pydantic import ValidationError

    from api.record.table_text import decoded
    from api.record.whole import WholeRecord, put_back
    from dashboards import start

    kind = _kind_of(asked.file)
    settings = start.read_settings(asked.settings)
    content = _content(asked.file)
    if kind == ".csv":
        with _record_to_fill(settings, dry_run=asked.dry_run) as record:
            return _import_prints(record, decoded(content)[0], asked)
    try:
        whole = WholeRecord.model_validate_json(content)
    except ValidationError as error:
        first = error.errors()[0]
        raise InvalidError(
            f"It is no whole record: {first['msg']}.",
            where=f"{asked.file}, {'.'.join(map(str, first['loc'])) or 'beginning'}",
            remedy="Give one that `vatside export record` or /api/record gave.",
        ) from None
    with _record_to_fill(settings, dry_run=asked.dry_run) as record:
        put_back(record, whole, dry_run=asked.dry_run)
    print(
        f"{_counted(whole) or 'Nothing'}: {'could be put back' if asked.dry_run else 'put back'}."
    )
    return 0


def _counted(whole: WholeRecord) -> str:
    """How many entries of each kind there are; empty for an empty record."""
    from dashboards import words

    return ", ".join(
        words.count(len(kept), kind.replace("_", " "))
        for kind, kept in whole.entries.items()
        if kept
    )


@contextmanager
def _record_to_fill(settings: Settings, *, dry_run: bool) -> Iterator[Record]:
    """The record; a dry run looks at an empty one where it is not there yet."""
    from api.record import Record

    path = settings.store.record_path
    with tempfile.TemporaryDirectory() as empty:
        if dry_run and not path.exists():
            path = Path(empty) / path.name
        with closing(Record(path)) as record:
            yield record


def _import_prints(record: Record, text: str, asked: argparse.Namespace) -> int:
    from api.record.table_import import Mapped, import_prints
    from collector.recording import time_zone

    columns = pairs_asked(asked.column, "--column", "Date=start")
    mapped = (
        Mapped(
            columns,
            fahrenheit=asked.fahrenheit,
            resin=asked.resin,
            machine=asked.machine,
            make=asked.make,
            zone=None if asked.zone is None else time_zone(asked.zone),
            decimal_comma=asked.decimal_comma,
        )
        if columns
        else Mapped.own(make=asked.make)
    )
    done = import_prints(record, text, mapped, dry_run=asked.dry_run)
    for fault in done.faults:
        where = f"row {fault.row}" + (f", {fault.field}" if fault.field else "")
        print(f"{asked.file}, {where}: {fault.what}. {fault.remedy or ''}", file=sys.stderr)
    if done.faults_n > len(done.faults):
        print(f"... and {done.faults_n - len(done.faults)} more.", file=sys.stderr)
    if done.faults_n:
        raise InvalidError(
            f"{done.faults_n} of {done.rows_n} rows are at fault, so none was taken.",
            where=str(asked.file),
            remedy="Correct these rows and import the whole table again.",
        )
    print(f"{done.rows_n} prints {'could be' if asked.dry_run else 'were'} put on record.")
    return 0


def _kind_of(path: Path) -> str:
    suffix = path.suffix.lower()
    if suffix not in (".json", ".csv"):
        raise InvalidError(
            "The name does not tell what it is.",
            where=str(path),
            remedy="End it in .json for the whole record, or in .csv for the prints.",
        )
    return suffix


def _content(path: Path) -> bytes:
    try:
        return path.read_bytes()
    except OSError as error:
        raise InvalidError(
            f"The file cannot be read ({error.strerror}).",
            where=str(path),
            remedy="Name a file that exists and may be read.",
        ) from error
