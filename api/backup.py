"""A backup of everything that is kept, in one folder, and putting it back; both verified.

The folder holds ``readings.db``, ``record.db`` and ``photographs/`` under the names they have in
the store's folder, the settings file, and ``backup.json``, which has size and SHA-256 of each
file and counts and checksums of the readings. It gets its name only when it is whole.
"""

from __future__ import annotations

import contextlib
import hashlib
import json
import os
import shutil
import sqlite3
from collections.abc import Iterator
from contextlib import closing
from dataclasses import dataclass
from datetime import datetime
from importlib.metadata import version
from pathlib import Path
from typing import Any
from urllib.parse import quote

from api.photographs import ENDINGS
from collector.config import Settings
from collector.errors import StoreError
from collector.store.sqlite import SqliteStore

MANIFEST = "backup.json"
READINGS, RECORD, PHOTOGRAPHS, SETTINGS = (
    "readings.db",
    "record.db",
    "photographs",
    "vatside.toml",
)

#: Counts the prints and soak runs of a record.
ENTRIES = "SELECT (SELECT count(*) FROM print) + (SELECT count(*) FROM soak)"

_CHUNK = 1_048_576


@dataclass(frozen=True, slots=True)
class WholeBackup:
    """What a backup holds; ``readings_n`` and ``entries_n`` are None where there is no such file.

    ``faults`` tell photographs on record that are missing or damaged where they are kept.
    """

    folder: Path
    bytes_n: int
    readings_n: int | None
    entries_n: int | None
    photographs_n: int
    faults: tuple[str, ...]


# -- making one ------------------------------------------------------------------------------


def back_up(settings: Settings, settings_path: Path, to: Path, now: datetime) -> WholeBackup:
    """Copy everything as it is now to a new folder, while all goes on, and compare the copies.

    Readings and record are each of one moment, the record's first. With InfluxDB the readings
    stay out: the server has backups of its own. Raises ``StoreError``.
    """
    part = to.with_name(f"{to.name}.part")
    for path, remedy in (
        (to, "Name another one; a backup never takes the place of an older one."),
        (part, "A backup was broken off there; remove it, or name another one."),
    ):
        if path.exists():
            raise StoreError(
                "There is a folder of this name already.", where=str(path), remedy=remedy
            )
    if not (settings.store.record_path.exists() or _has_readings(settings)):
        raise StoreError(
            "Nothing is kept here yet.",
            where=str(settings.store.folder),
            remedy="Start vatside first, or name the settings of another store.",
        )
    with _told(to):
        part.mkdir(parents=True)
        try:
            shutil.copyfile(settings_path, part / SETTINGS)
            entries_n = _back_up_record(settings.store.record_path, part / RECORD)
            faults = _copy_photographs(settings.store.folder, part)
            readings = _back_up_readings(settings, part / READINGS)
            _seal(part, now, readings)
            part.rename(to)
        finally:
            shutil.rmtree(part, ignore_errors=True)
        _flush(to.parent)
    listed = _manifest(to)["files"]
    return WholeBackup(
        folder=to,
        bytes_n=sum(one["bytes"] for one in listed),
        readings_n=None if readings is None else sum(one["count"] for one in readings.values()),
        entries_n=entries_n,
        photographs_n=sum(one["name"].startswith(f"{PHOTOGRAPHS}/") for one in listed),
        faults=tuple(faults),
    )


def _back_up_readings(settings: Settings, to: Path) -> dict[str, dict[str, Any]] | None:
    """Counts and checksums of the readings by channel; None where the file is not there."""
    if not _has_readings(settings):
        return None
    with SqliteStore(settings.store.readings_path, read_only=True) as store:
        made = store.backup(to)
    return {
        channel: {"count": one.count, "sha256": one.digest}
        for channel, one in made.checksums.items()
    }


def _has_readings(settings: Settings) -> bool:
    return settings.influx is None and settings.store.readings_path.exists()


def _back_up_record(path: Path, to: Path) -> int | None:
    """How many prints and soak runs the record has; None where there is none yet."""
    if not path.exists():
        return None
    try:
        with (
            closing(sqlite3.connect(_uri(path), uri=True, isolation_level=None)) as record,
            closing(sqlite3.connect(to, isolation_level=None)) as copy,
        ):
            record.execute("BEGIN")
            (entries_n,) = record.execute(ENTRIES).fetchone()  # the moment is now
            record.backup(copy)
            copy.execute("PRAGMA journal_mode = DELETE")  # one file, without a log beside it
            sound = copy.execute("PRAGMA integrity_check").fetchone() == ("ok",)
            if not sound or _digest_of(copy) != _digest_of(record):
                raise StoreError(
                    "The backup of the record is not equal to the original.",
                    where=str(path),
                    remedy="Check the disk, and then the original with a new backup elsewhere.",
                )
            return int(entries_n)
    except sqlite3.Error as error:
        raise StoreError(
            f"The record cannot be copied ({error}).",
            where=str(path),
            remedy="Check the file and the disk.",
        ) from error


def _digest_of(database: sqlite3.Connection) -> str:
    """SHA-256 over every table and every row of it."""
    digest = hashlib.sha256()
    for statement in database.iterdump():
        digest.update(statement.encode("utf-8", "surrogatepass"))
    return digest.hexdigest()


def _copy_photographs(folder: Path, part: Path) -> list[str]:
    """Copy every picture that is what its name says; a fault for each on record that is not.

    The record was copied before, and a picture is on the disk before it is on record.
    """
    for path in sorted((folder / PHOTOGRAPHS).glob("??/*")):
        if path.is_file() and _sha256(path) == path.stem:
            place = part / PHOTOGRAPHS / path.parent.name / path.name
            place.parent.mkdir(parents=True, exist_ok=True)
            shutil.copyfile(path, place)
    return list(_missing(part))


def _missing(part: Path) -> Iterator[str]:
    """Photographs on the record in a folder whose pictures are not in it."""
    if not (part / RECORD).exists():
        return
    with closing(sqlite3.connect(_uri(part / RECORD), uri=True)) as record:
        rows = record.execute("SELECT id, sha256, media_type FROM photograph ORDER BY id")
        for number, sha256, media_type in rows.fetchall():
            name = f"{PHOTOGRAPHS}/{sha256[:2]}/{sha256}.{ENDINGS[media_type]}"
            if not (part / name).exists():
                yield f"the picture of photograph {number} is missing or damaged ({name})"


def _seal(part: Path, now: datetime, readings: dict[str, dict[str, Any]] | None) -> None:
    """Write the manifest over everything in the folder, all of it on the disk before."""
    files = []
    for path in sorted(one for one in part.rglob("*") if one.is_file()):
        _flush(path)
        name = path.relative_to(part).as_posix()
        files.append({"name": name, "bytes": path.stat().st_size, "sha256": _sha256(path)})
    manifest = {
        "made": now.isoformat(timespec="seconds"),
        "vatside": version("vatside"),
        "readings": readings,
        "files": files,
    }
    (part / MANIFEST).write_text(json.dumps(manifest, indent=1) + "\n", encoding="utf-8")
    _flush(part / MANIFEST)


# -- putting one back ------------------------------------------------------------------------


def restore(folder: Path, settings: Settings) -> WholeBackup:
    """Put a backup in the place of a store that is not there, and check it there.

    Everything is held against the manifest first; nothing is ever written over. Raises
    ``StoreError``.
    """
    manifest = _manifest(folder)
    for one in manifest["files"]:
        _check_file(folder, one)
    target = settings.store.folder
    for name in (READINGS, RECORD, PHOTOGRAPHS):
        if (target / name).exists():
            raise StoreError(
                f"There is a {name} already.",
                where=str(target / name),
                remedy="Stop vatside and move the store's folder away first.",
            )
    with _told(target):
        for name in (RECORD, READINGS, PHOTOGRAPHS):
            if (folder / name).exists():
                _put(folder / name, target / name)
    _check_readings(manifest, target)
    listed = manifest["files"]
    readings = manifest["readings"]
    return WholeBackup(
        folder=target,
        bytes_n=sum(one["bytes"] for one in listed),
        readings_n=None if readings is None else sum(one["count"] for one in readings.values()),
        entries_n=_entries_n(target / RECORD),
        photographs_n=sum(one["name"].startswith(f"{PHOTOGRAPHS}/") for one in listed),
        faults=tuple(_missing(target)),
    )


def _entries_n(path: Path) -> int | None:
    """How many prints and soak runs a record has; None where there is no record."""
    if not path.exists():
        return None
    with closing(sqlite3.connect(_uri(path), uri=True)) as record:
        return int(record.execute(ENTRIES).fetchone()[0])


def _manifest(folder: Path) -> dict[str, Any]:
    path = folder / MANIFEST
    try:
        found = json.loads(path.read_text(encoding="utf-8"))
        files = [(str(one["name"]), int(one["bytes"]), one["sha256"]) for one in found["files"]]
        if any(Path(name).is_absolute() or ".." in Path(name).parts for name, _, _ in files):
            raise ValueError("a name leads out of the folder")
        found["readings"]
    except (OSError, ValueError, KeyError, TypeError) as fault:
        raise StoreError(
            "That is no whole backup: its list cannot be read.",
            where=str(path),
            remedy="Name the folder that `vatside backup` made.",
        ) from fault
    return dict(found)


def _check_file(folder: Path, one: dict[str, Any]) -> None:
    path = folder / one["name"]
    with _told(path):
        good = path.stat().st_size == one["bytes"] and _sha256(path) == one["sha256"]
    if not good:
        raise StoreError(
            "The file is not what was backed up.",
            where=str(path),
            remedy="Take another backup, or another copy of this one.",
        )


def _put(path: Path, place: Path) -> None:
    """Copy a file or a folder, and name it when it is whole."""
    part = place.with_name(f"{place.name}.part")
    place.parent.mkdir(parents=True, exist_ok=True)
    if path.is_dir():
        shutil.rmtree(part, ignore_errors=True)
        shutil.copytree(path, part)
        for one in part.rglob("*"):
            _flush(one)
    else:
        shutil.copyfile(path, part)
        _flush(part)
    part.rename(place)
    _flush(place.parent)


def _check_readings(manifest: dict[str, Any], target: Path) -> None:
    if manifest["readings"] is None:
        return
    with SqliteStore(target / READINGS, read_only=True) as store:
        faults = store.check()
        found = {
            channel: {"count": one.count, "sha256": one.digest}
            for channel, one in store.checksums().items()
        }
    if not faults and found != manifest["readings"]:
        faults = ["its counts and checksums are not those of the backup"]
    if faults:
        raise StoreError(
            f"What was restored is not sound: {'; '.join(faults)}.",
            where=str(target / READINGS),
            remedy="Check the disk, and restore again into a new folder.",
        )


# -- files -----------------------------------------------------------------------------------


def _uri(path: Path) -> str:
    return f"file:{quote(str(path.absolute()))}?mode=ro"


def _sha256(path: Path) -> str:
    digest = hashlib.sha256()
    with path.open("rb") as file:
        while chunk := file.read(_CHUNK):
            digest.update(chunk)
    return digest.hexdigest()


def _flush(path: Path) -> None:
    """Have a file or a folder's names on the disk."""
    number = os.open(path, os.O_RDONLY)
    try:
        os.fsync(number)
    finally:
        os.close(number)


@contextlib.contextmanager
def _told(path: Path) -> Iterator[None]:
    try:
        yield
    except OSError as fault:
        raise StoreError(
            f"The files cannot be read or written ({fault.strerror or fault}).",
            where=str(fault.filename or path),
            remedy="Choose a folder that is writable and has space.",
        ) from fault
