"""``vatside export``, ``import`` and ``move``: readings on their way in and out."""

from __future__ import annotations

import argparse
import os
import sys
import tempfile
import time
from collections.abc import Iterable, Iterator
from contextlib import ExitStack, closing, contextmanager
from dataclasses import replace
from pathlib import Path
from typing import TYPE_CHECKING, Any

from collector.errors import ConflictError, InvalidError
from dashboards import record_in_and_out
from dashboards.terminal import (
    overwrite,
    pairs_asked,
    refuse_beside_the_collector,
    takes_settings,
    time_asked,
)

if TYPE_CHECKING:
    from collector.config import Settings
    from collector.store.contract import CollectingStore, ReadingStore
    from collector.transfer.files import RowFile
    from collector.transfer.importing import Survey
    from collector.transfer.moving import ChannelMoved
    from collector.transfer.rows import Values

FORMS = ("csv", "parquet", "lines", "senml")


def add_commands(commands: argparse._SubParsersAction[Any]) -> None:
    """The three commands and their options."""
    out = commands.add_parser("export", help="readings or record to a file in an open form")
    outs = out.add_subparsers(required=True, metavar="WHAT")
    _export_readings(outs.add_parser("readings", help="what was measured"))
    record_in_and_out.export_options(
        outs.add_parser("record", help="what was done: all as JSON, or the prints as CSV")
    )

    into = commands.add_parser("import", help="readings or record from such a file")
    intos = into.add_subparsers(required=True, metavar="WHAT")
    _import_readings(intos.add_parser("readings", help="what was measured"))
    record_in_and_out.import_options(intos.add_parser("record", help="what was done"))

    move = commands.add_parser("move", help="copy all readings to another store, and compare")
    takes_settings(move)
    move.add_argument(
        "--to", type=Path, required=True, metavar="FILE", help="settings that name the other store"
    )
    move.add_argument("--dry-run", action="store_true", help="compare, and write nothing")
    move.set_defaults(act=move_readings)


def _export_readings(command: argparse.ArgumentParser) -> None:
    command.add_argument("file", type=Path, help="a new file; - prints to the terminal")
    takes_settings(command)
    command.add_argument("--form", choices=FORMS, help="else the file's ending tells")
    command.add_argument(
        "--channel", action="append", metavar="ID", help="only this channel; may be repeated"
    )
    command.add_argument("--from", dest="since", metavar="TIME", help="from this time on")
    command.add_argument("--until", metavar="TIME", help="up to before this time")
    command.add_argument(
        "--values",
        choices=("received", "converted", "believed"),
        default="received",
        help="as they came, in the role's unit, or corrected; only the first can be imported",
    )
    command.set_defaults(act=export_readings)


def _import_readings(command: argparse.ArgumentParser) -> None:
    command.add_argument("file", type=Path, help="the file; it is read twice")
    takes_settings(command)
    command.add_argument("--form", choices=FORMS, help="else the file's ending tells")
    command.add_argument(
        "--column",
        action="append",
        default=[],
        metavar="HEADING=FIELD",
        help="which column is the channel, time, unix_s, unix_ms, value, unit, marks or nth",
    )
    command.add_argument("--channel", metavar="ID", help="the channel, where no column tells it")
    command.add_argument(
        "--rename",
        action="append",
        default=[],
        metavar="NAME=CHANNEL",
        help="which channel a name in the file is; may be repeated",
    )
    command.add_argument(
        "--zone", metavar="ZONE", help="zone of times written without one, such as Europe/Oslo"
    )
    command.add_argument("--decimal-comma", action="store_true", help="numbers are like 18,5")
    command.add_argument(
        "--new-channels", action="store_true", help="take channels that the settings do not have"
    )
    command.add_argument(
        "--keep-good",
        action="store_true",
        help="keep the good rows and note the bad ones as refused (else all or nothing)",
    )
    command.add_argument(
        "--precision",
        choices=("ns", "us", "ms", "s"),
        default="ns",
        help="unit of the times in line protocol (%(default)s)",
    )
    command.add_argument("--dry-run", action="store_true", help="look it over and keep nothing")
    command.set_defaults(act=import_readings)


# -- readings ----------------------------------------------------------------------------------


def export_readings(asked: argparse.Namespace) -> int:
    """Write the readings asked for, and say how many they are."""
    from collector.transfer.exporting import Exported, rows_from
    from collector.transfer.files import Form, form_of, text_of, write_rows
    from collector.transfer.rows import Values
    from dashboards import start

    settings = start.read_settings(asked.settings)
    values = Values(asked.values)
    to_terminal = str(asked.file) == "-"
    if to_terminal and asked.form is None:
        asked.form = "csv"
    form = form_of(asked.file, asked.form)
    if form is Form.PARQUET:
        from collector.transfer.parquet_form import check_installed

        check_installed()
    since = time_asked(asked.since, "--from")
    until = time_asked(asked.until, "--until")
    measurement = settings.influx.measurement if settings.influx else "reading"
    done = Exported()
    with _readings_as(settings, values) as store:
        rows = rows_from(
            store,
            _channels(store, asked.channel),
            _units(settings, values),
            done,
            start_ms=since,
            end_ms=until,
            progress=lambda so_far: overwrite(f"{so_far.rows_n:,} rows"),
        )
        if to_terminal:
            _print(text_of(rows, form, measurement=measurement, values=values))
        else:
            write_rows(asked.file, form, rows, measurement=measurement, values=values)
    overwrite("")
    channels_n = len(done.readings_n)
    print(
        f"{asked.file}: {done.rows_n:,} rows of {channels_n} channel{'s' * (channels_n != 1)}, "
        f"{done.seconds_n:,} of them second values for a time; values are {_said(values)}.",
        file=sys.stderr if to_terminal else sys.stdout,
    )
    return 0


@contextmanager
def _readings_as(settings: Settings, values: Values) -> Iterator[ReadingStore]:
    """The readings in one of their three forms; where there is no record, nothing is corrected."""
    from collector.store.corrected import CorrectedStore
    from collector.store.open import open_store
    from collector.transfer.rows import Values
    from dashboards import start

    if values is Values.BELIEVED and settings.store.record_path.exists():
        with start.workshop_of(settings) as workshop:
            yield workshop.store
        return
    with closing(open_store(settings, read_only=True)) as received:
        fixed = settings.chains
        yield received if values is Values.RECEIVED else CorrectedStore(received, lambda: fixed)


def _print(lines: Iterable[str]) -> None:
    """Print lines for as long as somebody reads them: `| head` is no fault."""
    try:
        sys.stdout.writelines(lines)
        sys.stdout.flush()
    except BrokenPipeError:
        os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())


def _said(values: str) -> str:
    return {
        "received": "as they were received",
        "converted": "converted to the role's unit and not corrected",
        "believed": "corrected by the calibrations on record",
    }[values]


def _channels(store: ReadingStore, wanted: list[str] | None) -> list[str]:
    there = store.channels()
    for name in wanted or []:
        if name not in there:
            raise InvalidError(
                f"There are no readings of {name!r}.",
                where="--channel",
                remedy=f"There are of: {', '.join(there) or 'nothing yet'}.",
            )
    return there if wanted is None else list(dict.fromkeys(wanted))


def _units(settings: Settings, values: str) -> dict[str, str]:
    received = values == "received"
    return {one.id: one.kept_unit if received else one.role.unit for one in settings.channels}


def import_readings(asked: argparse.Namespace) -> int:
    """Look the file over, and keep what is in it; 2 when a row is at fault."""
    from collector.store.open import open_store
    from collector.transfer import importing
    from collector.transfer.taking import Taking
    from dashboards import start

    settings = start.read_settings(asked.settings)
    now_ms = time.time_ns() // 1_000_000
    if not asked.dry_run:
        why = "The collector is at work, and only one can write."
        refuse_beside_the_collector(settings, now_ms, why, _how_to_import(settings))
    file = _row_file(asked, settings)
    taking = Taking(
        settings.channels,
        renamed=pairs_asked(asked.rename, "--rename", "sensor-7=vat-north"),
        new_channels=asked.new_channels,
    )

    def progress(did: str) -> importing.Progress:
        return lambda rows_n, share: overwrite(f"{did} {rows_n:,} rows ({share:.0%})")

    survey = importing.looked_over(file, taking, progress=progress("Looked over"))
    overwrite("")
    _tell_faults(file.path, file.form.noun, survey)
    if survey.faults_n and (survey.fatal or not asked.keep_good):
        raise InvalidError(
            f"{survey.faults_n:,} of {survey.rows_n:,} rows are at fault, so none was taken.",
            where=str(file.path),
            remedy="Correct the file."
            if survey.fatal
            else "Correct them; or --keep-good takes the others and notes these as refused.",
        )
    _tell_survey(survey)
    if asked.dry_run:
        print("Nothing was kept.")
        return 0
    with closing(open_store(settings)) as store:
        done = importing.import_readings(
            file, taking, store, survey, now_ms, progress=progress("Kept")
        )
        _pack(store)
    print(
        f"{survey.rows_n:,} readings received = {done.stored:,} stored + {done.duplicate:,} "
        f"duplicate + {done.refused:,} refused; {done.conflicts:,} of the stored are second values."
    )
    return 0


def _row_file(asked: argparse.Namespace, settings: Settings) -> RowFile:
    """The file to import, and how its rows are read."""
    from collector.recording import time_zone
    from collector.transfer.cells import Columns
    from collector.transfer.files import RowFile, form_of

    columns = Columns(
        pairs_asked(asked.column, "--column", "Temperature=value"),
        asked.channel,
        None if asked.zone is None else time_zone(asked.zone),
        asked.decimal_comma,
    )
    measurement = settings.influx.measurement if settings.influx else "reading"
    return RowFile(
        asked.file, form_of(asked.file, asked.form), columns, measurement, asked.precision
    )


def _pack(store: CollectingStore) -> None:
    """Pack what has come to rest, as a collector does now and then."""
    from collector.store.sqlite import SqliteStore

    while isinstance(store, SqliteStore) and store.settle():
        overwrite("Packing what is settled")
    overwrite("")


def _how_to_import(settings: Settings) -> str:
    """What to do although the collector runs, and what becomes of messages meanwhile."""
    sensors = (
        "Its broker stops with it: what sensors send meanwhile they have to send again."
        if settings.broker is None
        else "What sensors send meanwhile at QoS 1 waits at the broker."
    )
    return (
        "Stop `vatside run` (or `vatside collect`), import, and start it again. "
        f"{sensors} --dry-run looks the file over without stopping anything."
    )


def _tell_faults(path: Path, noun: str, survey: Survey) -> None:
    for number, fault in survey.faults:
        print(f"{path}, {noun} {number}: {fault.what}. {fault.remedy}", file=sys.stderr)
    if survey.faults_n > len(survey.faults):
        more = survey.faults_n - len(survey.faults)
        print(f"... and {more:,} more that are at fault.", file=sys.stderr)


def _tell_survey(survey: Survey) -> None:
    from collector.transfer.csv_form import time_text

    for channel, span in sorted(survey.channels.items()):
        print(
            f"{channel}: {span.readings_n:,} readings from {time_text(span.first_ms)} "
            f"to {time_text(span.last_ms)}"
        )


# -- from store to store -------------------------------------------------------------------------


def move_readings(asked: argparse.Namespace) -> int:
    """Copy what the other store does not have, and compare both; 1 when they are not equal."""
    from collector.store.contract import HandsOver
    from collector.store.open import open_store
    from collector.transfer.moving import move
    from dashboards import start

    settings, other = start.read_settings(asked.settings), start.read_settings(asked.to)
    now_ms = time.time_ns() // 1_000_000
    _check_move(settings, other, now_ms)
    equal = True
    with ExitStack() as open_ones:
        source = open_ones.enter_context(closing(open_store(settings, read_only=True)))
        source.channels()  # where there is nothing to move, no target is made either
        target = open_ones.enter_context(_target_of(other, dry_run=asked.dry_run))
        if isinstance(source, HandsOver) and source.hand_over().messages_n:
            raise ConflictError(
                "Readings still wait on disk for the source's server.",
                where=str(settings.store.spool_path),
                remedy="Run its collector until it has handed them over.",
            )
        for one in move(
            source,
            target,
            now_ms,
            dry_run=asked.dry_run,
            progress=lambda channel, n: overwrite(f"{channel}: {n:,} copied"),
        ):
            overwrite("")
            equal = equal and one.equal
            print(_moved(one, dry_run=asked.dry_run))
        if not asked.dry_run:
            _pack(target)
        if not equal and not asked.dry_run:
            for refused in target.refused(1):
                print(f"The target last refused: {refused.reason}", file=sys.stderr)
    if asked.dry_run:
        print("Nothing was written.")
        return 0
    if equal:
        print(
            "All readings are in both stores, equal to the last bit. The source was left as it is; "
            "accounts and refused messages begin anew in the other."
        )
    else:
        print("The stores are not equal: see above.", file=sys.stderr)
    return 0 if equal else 1


def _moved(one: ChannelMoved, *, dry_run: bool) -> str:
    """What became of a channel, and whether both stores have the same of it."""
    found = f"equal in both, SHA-256 {one.source.digest[:16]}"
    return (
        f"{one.channel}: {one.source.count:,} readings and {one.source_seconds.count:,} second "
        f"values, {one.copied_n:,} {'to be ' if dry_run else ''}copied; "
        f"{found if one.equal else f'NOT EQUAL: {one.difference}'}"
    )


@contextmanager
def _target_of(settings: Settings, *, dry_run: bool) -> Iterator[CollectingStore]:
    """The store to move into; a dry run looks at an empty one where it is not there yet."""
    from collector.store.open import open_store

    with tempfile.TemporaryDirectory() as empty:
        if dry_run and settings.influx is None and not settings.store.readings_path.exists():
            settings = replace(settings, store=replace(settings.store, folder=Path(empty)))
            open_store(settings).close()
        with closing(open_store(settings, read_only=dry_run)) as store:
            yield store


def _check_move(settings: Settings, other: Settings, now_ms: int) -> None:
    same_server = (
        settings.influx is not None
        and other.influx is not None
        and (settings.influx.url, settings.influx.org) == (other.influx.url, other.influx.org)
        and (settings.influx.bucket, settings.influx.measurement)
        == (other.influx.bucket, other.influx.measurement)
    )
    same_file = (
        settings.influx is None
        and other.influx is None
        and settings.store.readings_path.resolve() == other.store.readings_path.resolve()
    )
    if same_server or same_file:
        raise InvalidError(
            "Both settings name the same store.", where="--to", remedy="Name another store there."
        )
    refuse_beside_the_collector(
        settings,
        now_ms,
        "The collector is at work, and what comes meanwhile would be missing.",
        "Stop it first; sensors' messages wait at the broker.",
    )
