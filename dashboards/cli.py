"""The command ``vatside``: start it, play the demo, replay a recording."""

from __future__ import annotations

import argparse
import importlib.resources
import os
import sys
from collections.abc import Callable, Sequence
from importlib.metadata import version
from pathlib import Path
from typing import TYPE_CHECKING, Any, TypeAlias

from collector.errors import InvalidError, SettingsError, VatsideError
from dashboards import in_and_out
from dashboards.terminal import overwrite, pairs_asked, takes_settings

if TYPE_CHECKING:
    from api.backup import WholeBackup

DEMO_FOLDER = Path("demo-data")

#: How many threads one product of arrays is spread over. Ours are small: on a machine whose
#: cores are busy already the threads wait for each other, a hundred times as long as one takes.
SUMMING_THREADS = {"OPENBLAS_NUM_THREADS": "1"}

Commands: TypeAlias = "argparse._SubParsersAction[Any]"


def main(argv: Sequence[str] | None = None) -> int:
    """Run one command; the exit code is 0, or 2 after a message that says what to do."""
    for name, value in SUMMING_THREADS.items():
        os.environ.setdefault(name, value)  # read when the library is loaded, and by our processes
    arguments = parser().parse_args(argv)
    act: Callable[[argparse.Namespace], int] = arguments.act
    try:
        return act(arguments)
    except VatsideError as error:
        print(f"vatside: {error}", file=sys.stderr)
        return 2
    except KeyboardInterrupt:
        return 130


def parser() -> argparse.ArgumentParser:
    """The commands and their options, as ``vatside --help`` prints them."""
    top = argparse.ArgumentParser(
        prog="vatside",
        description="Keeps the record of a resin print room and does the sums on it. "
        "It watches and records; it never switches anything.",
    )
    top.add_argument("--version", action="version", version=f"vatside {version('vatside')}")
    commands = top.add_subparsers(required=True, metavar="COMMAND")
    _add_services(commands)
    _add_replay(commands)
    _add_demo_sensors(commands)
    _add_checks_and_copies(commands)
    _add_room_on_disk(commands)
    _add_evidence(commands)
    in_and_out.add_commands(commands)
    example = commands.add_parser("example", help="print an annotated settings file")
    example.set_defaults(act=_example)
    return top


def _add_services(commands: Commands) -> None:
    """``run`` and ``demo`` start everything, ``collect`` and ``serve`` a part of it."""
    run = commands.add_parser("run", help="broker (if none is named), collector and pages")
    takes_settings(run)
    run.add_argument(
        "--port", type=port_number, help="port of the pages instead of the settings' own"
    )
    run.set_defaults(act=_run)

    demo = commands.add_parser("demo", help="the same, with the invented cellar workshop playing")
    demo.add_argument(
        "--folder", type=Path, default=DEMO_FOLDER, help="where its files go (%(default)s)"
    )
    demo.add_argument(
        "--port", type=port_number, help="port of the pages (8460, or one that is free)"
    )
    demo.add_argument(
        "--speed", type=float, default=1.0, help="simulated seconds per second (%(default)s)"
    )
    demo.set_defaults(act=_demo)

    collect = commands.add_parser("collect", help="the collector alone")
    takes_settings(collect)
    _for_the_supervisor(collect)
    collect.set_defaults(act=_collect)

    serve = commands.add_parser("serve", help="the api and the pages alone")
    takes_settings(serve)
    serve.add_argument(
        "--port", type=port_number, help="port of the pages instead of the settings' own"
    )
    serve.set_defaults(act=_serve)


def _add_replay(commands: Commands) -> None:
    replay = commands.add_parser("replay", help="publish a recorded CSV file over MQTT")
    replay.add_argument("file", type=Path, help="the CSV file, with a heading line")
    replay.add_argument(
        "--column",
        action="append",
        required=True,
        metavar="NAME=CHANNEL",
        help="which column is which channel; once for each column",
    )
    replay.add_argument(
        "--time-column", metavar="NAME", help="the column of times (else it is looked for)"
    )
    replay.add_argument(
        "--zone",
        default="UTC",
        metavar="ZONE",
        help="zone of times written without one, such as Europe/Oslo (%(default)s)",
    )
    replay.add_argument(
        "--speed", type=float, help="recorded seconds per second (as fast as the broker takes it)"
    )
    takes_settings(replay)
    replay.add_argument("--broker", metavar="URL", help="another broker than the settings' own")
    replay.set_defaults(act=_replay)


def _add_demo_sensors(commands: Commands) -> None:
    simulate = commands.add_parser("simulate", help="the demo's simulated workshop alone")
    simulate.add_argument(
        "--folder",
        type=Path,
        default=DEMO_FOLDER,
        help="where the demo keeps its files (%(default)s)",
    )
    simulate.add_argument(
        "--speed", type=float, default=1.0, help="simulated seconds per second (%(default)s)"
    )
    _for_the_supervisor(simulate, needs_broker=True)
    simulate.set_defaults(act=_simulate)


def _add_checks_and_copies(commands: Commands) -> None:
    check = commands.add_parser("check", help="look at settings, broker, store and accounts")
    takes_settings(check)
    check.add_argument("--broker", metavar="URL", help="another broker than the settings' own")
    check.set_defaults(act=_check)

    store = commands.add_parser("store", help="prepare: bucket, retention and task in InfluxDB")
    store.add_argument("act_on_store", choices=["prepare"], metavar="prepare")
    takes_settings(store)
    store.add_argument(
        "--keep-days", type=int, metavar="N", help="keep readings so long (else as it is now)"
    )
    store.add_argument(
        "--minutes-days",
        type=int,
        metavar="N",
        help="keep a summary of each minute so long in a second bucket; 0 for ever",
    )
    store.set_defaults(act=_store)

    backup = commands.add_parser("backup", help="copy all that is kept to a folder, verified")
    backup.add_argument("folder", type=Path, help="the folder to make; it may not be there yet")
    takes_settings(backup)
    backup.set_defaults(act=_backup)

    restore = commands.add_parser("restore", help="put a backup where no store is, verified")
    restore.add_argument("folder", type=Path, help="the folder that `vatside backup` made")
    takes_settings(restore)
    restore.set_defaults(act=_restore)


def _add_room_on_disk(commands: Commands) -> None:
    keep = commands.add_parser("keep", help="thin and forget old readings as [[keep]] says, now")
    takes_settings(keep)
    keep.add_argument("--dry-run", action="store_true", help="only say what would go")
    keep.set_defaults(act=_keep)

    compact = commands.add_parser("compact", help="give unused room in readings.db to the disk")
    takes_settings(compact)
    compact.set_defaults(act=_compact)


def _add_evidence(commands: Commands) -> None:
    evidence = commands.add_parser("evidence", help="make the evidence bundle of a soak run")
    evidence.add_argument("run", type=int, help="number of the run, as its page's address has it")
    evidence.add_argument(
        "file", type=Path, nargs="?", help="the archive to make (soak-RUN-evidence.zip)"
    )
    takes_settings(evidence)
    evidence.set_defaults(act=_evidence)

    verify = commands.add_parser("verify", help="check an evidence bundle, packed or unpacked")
    verify.add_argument("bundle", type=Path, help="the archive, or the folder it was unpacked to")
    verify.add_argument("--seal", metavar="SUM", help="the seal noted down when it was made")
    verify.set_defaults(act=_verify)


def port_number(text: str) -> int:
    """The TCP port that an option names."""
    if not (text.isdecimal() and 1 <= int(text) <= 65_535):
        raise argparse.ArgumentTypeError(f"{text!r} is no port: a whole number from 1 to 65535")
    return int(text)


def _for_the_supervisor(command: argparse.ArgumentParser, *, needs_broker: bool = False) -> None:
    command.add_argument(
        "--broker",
        metavar="URL",
        required=needs_broker,
        help="the broker" if needs_broker else "another broker than the settings' own",
    )
    command.add_argument("--supervised", action="store_true", help=argparse.SUPPRESS)


def _run(asked: argparse.Namespace) -> int:
    from dashboards import start

    return start.run(asked.settings, port=asked.port)


def _demo(asked: argparse.Namespace) -> int:
    from dashboards import start

    return start.demo(asked.folder, port=asked.port, speed=asked.speed)


def _collect(asked: argparse.Namespace) -> int:
    from dashboards import start

    return start.collect(asked.settings, broker_url=asked.broker, supervised=asked.supervised)


def _serve(asked: argparse.Namespace) -> int:
    from dashboards import start

    return start.serve(start.read_settings(asked.settings), port=asked.port)


def _simulate(asked: argparse.Namespace) -> int:
    from dashboards import start

    return start.simulate(
        asked.folder, broker_url=asked.broker, speed=asked.speed, supervised=asked.supervised
    )


def _replay(asked: argparse.Namespace) -> int:
    from collector.replay import replay
    from collector.service import broker_at
    from dashboards import start

    settings = start.read_settings(asked.settings)
    broker = settings.broker_or_embedded
    done = replay(
        asked.file,
        pairs_asked(asked.column, "--column", "Temperature=room-temp"),
        settings,
        broker=broker_at(asked.broker, broker) if asked.broker else broker,
        speed=asked.speed,
        time_column=asked.time_column,
        zone=asked.zone,
        progress=lambda p: overwrite(f"{p.rows_n} rows, {p.readings_n} readings ({p.share:.0%})"),
    )
    overwrite("")
    for fault in done.faults:
        print(f"line {fault.line}, column {fault.column}: {fault.what}", file=sys.stderr)
    if done.faults_n > len(done.faults):
        print(f"... and {done.faults_n - len(done.faults)} more such cells.", file=sys.stderr)
    end = f"Stopped after line {done.last_line}" if done.stopped else "Done"
    print(
        f"{end}: {done.rows_n} rows, {done.readings_n} readings published, "
        f"{done.acknowledged_n} of {done.messages_n} messages taken by the broker."
    )
    if done.stopped:
        print("Start it again to go on: what is on disk already counts as duplicate.")
        return 130
    return 0


def _check(asked: argparse.Namespace) -> int:
    """Print what is found, a line each; 1 when something is not as it should be."""
    import time

    from collector.check import Finding, findings
    from collector.service import broker_at
    from dashboards import start

    good = True

    def tell(finding: Finding) -> None:
        nonlocal good
        good = good and finding.good
        print(f"{'ok' if finding.good else 'WRONG':6}{finding.subject:11}{finding.words}")

    try:
        settings = start.read_settings(asked.settings)
        other = broker_at(asked.broker, settings.broker_or_embedded) if asked.broker else None
    except SettingsError as fault:
        tell(Finding("settings", str(fault), good=False))
        return 1
    for finding in findings(settings, other, time.time_ns() // 1_000_000):
        tell(finding)
    return 0 if good else 1


def _store(asked: argparse.Namespace) -> int:
    """Make what is missing at the server, and print what was done."""
    from collector.store.open import prepare_store
    from dashboards import start

    settings = start.read_settings(asked.settings)
    for line in prepare_store(settings, keep_days=asked.keep_days, minutes_days=asked.minutes_days):
        print(line)
    return 0


def _backup(asked: argparse.Namespace) -> int:
    """Copy everything as it is at this moment, compare, and say what is in the copy.

    1 when a photograph on record is missing or damaged where it is kept.
    """
    from datetime import UTC, datetime

    from api.backup import back_up
    from dashboards import start

    settings = start.read_settings(asked.settings)
    made = back_up(settings, asked.settings, asked.folder, datetime.now(UTC))
    print(f"{made.folder}: {_held(made)}; checked and equal to the original.")
    if settings.influx is not None:
        print("The readings are in InfluxDB, which has backups of its own, and not in it.")
    return _tell_faults(made)


def _restore(asked: argparse.Namespace) -> int:
    """Put a backup in place, check it there, and say what is in it."""
    from api.backup import restore
    from dashboards import start

    done = restore(asked.folder, start.read_settings(asked.settings))
    print(f"{done.folder}: {_held(done)}; checked and equal to the backup.")
    return _tell_faults(done)


def _held(backup: WholeBackup) -> str:
    """What a backup holds, in words."""
    parts = [
        "no readings" if backup.readings_n is None else f"{backup.readings_n:,} readings",
        f"{backup.photographs_n:,} photographs",
        f"{backup.bytes_n:,} bytes",
    ]
    if backup.entries_n is not None:
        parts.insert(1, f"{backup.entries_n:,} prints and soak runs")
    return ", ".join(parts)


def _tell_faults(backup: WholeBackup) -> int:
    for fault in backup.faults:
        print(f"vatside: {fault}", file=sys.stderr)
    return 1 if backup.faults else 0


def _evidence(asked: argparse.Namespace) -> int:
    """Write the bundle to a file that is not there yet, and print its seal."""
    from datetime import UTC, datetime

    from dashboards import start
    from dashboards.sheet import Sheets
    from dashboards.soak_report import bundle_of

    with start.workshop_of(start.read_settings(asked.settings)) as workshop:
        bundle = bundle_of(workshop, Sheets(), asked.run, datetime.now(UTC))
    path: Path = asked.file or Path(bundle.name)
    try:
        with path.open("xb") as file:
            file.write(bundle.archive)
    except OSError as fault:
        raise InvalidError(
            f"The bundle cannot be written: {fault.strerror}.",
            where=str(path),
            remedy="Name a file that is not there yet, in a folder that can be written.",
        ) from fault
    print(f"{path}: {len(bundle.archive)} bytes.")
    print(f"seal: {bundle.seal}")
    print("Note the seal down: with it `vatside verify` tells a bundle that was made anew.")
    return 0


def _verify(asked: argparse.Namespace) -> int:
    """Check a bundle; 1 when anything in it is not as it was listed, each fault named."""
    from api import evidence

    path: Path = asked.bundle
    try:
        if path.is_dir():
            files = {
                file.relative_to(path).as_posix(): file.read_bytes()
                for file in sorted(path.rglob("*"))
                if file.is_file()
            }
            found = evidence.checked(files, asked.seal)
        else:
            found = evidence.checked_archive(path.read_bytes(), asked.seal)
    except OSError as fault:
        raise InvalidError(
            f"It cannot be read: {fault.strerror}.",
            where=str(path),
            remedy="Name the archive, or the folder it was unpacked to.",
        ) from fault
    for wrong in found.faults:
        print(f"WRONG {wrong.path}: {wrong.words}.")
    if not found.faults:
        print(f"ok    {path}: {found.files_n} files, each as it was listed.")
    print(f"seal: {found.seal}")
    return 1 if found.faults else 0


def _keep(asked: argparse.Namespace) -> int:
    """Go through all that is old, once; a line for each channel that something goes from."""
    from dashboards import keep, start

    return keep.keep_now(start.read_settings(asked.settings), dry_run=asked.dry_run)


def _compact(asked: argparse.Namespace) -> int:
    """Pack what is settled, and cut the file to what it needs."""
    from dashboards import keep, start

    return keep.compact_now(start.read_settings(asked.settings))


def _example(_: argparse.Namespace) -> int:
    text = importlib.resources.files("collector").joinpath("example.toml")
    print(text.read_text(encoding="utf-8"), end="")
    return 0


if __name__ == "__main__":
    sys.exit(main())
