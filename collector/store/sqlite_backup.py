"""A copy of ``readings.db`` as it was at one moment, taken while it is written, and verified."""

from __future__ import annotations

import contextlib
import os
import sqlite3
from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path

from collector.errors import StoreError
from collector.store import sqlite_check
from collector.store.checksum import Checksum
from collector.store.sqlite_connections import Readers, store_error


@dataclass(frozen=True, slots=True)
class Backup:
    """A backup that was compared with its original: file, size, and what is in it by channel."""

    path: Path
    bytes_n: int
    checksums: Mapping[str, Checksum]

    @property
    def readings_n(self) -> int:
        """Readings in it, conflicts left out."""
        return sum(one.count for one in self.checksums.values())


def backup(readers: Readers, to: Path) -> Backup:
    """Copy what one read transaction sees to a new file, check it, and only then name it.

    Raises ``StoreError``.
    """
    if to.exists():
        raise StoreError(
            "There is a file of this name already.",
            where=str(to),
            remedy="Name another one; a backup never takes the place of an older one.",
        )
    part = to.with_name(f"{to.name}.part")
    try:
        to.parent.mkdir(parents=True, exist_ok=True)
        part.unlink(missing_ok=True)
        with readers.lend() as connection:
            connection.execute("SELECT count(*) FROM channel").fetchone()  # the moment is now
            _copy(connection, part)
            before = sqlite_check.checksums(connection)
        _verify(part, before)
        bytes_n = part.stat().st_size
        _name(part, to)
    except OSError as error:
        raise StoreError(
            f"The backup cannot be written ({error.strerror}).",
            where=str(to),
            remedy="Choose a folder that is writable and has space.",
        ) from error
    finally:
        with contextlib.suppress(OSError):
            part.unlink(missing_ok=True)
    return Backup(to, bytes_n, before)


def _copy(connection: sqlite3.Connection, part: Path) -> None:
    try:
        with contextlib.closing(sqlite3.connect(part, isolation_level=None)) as copy:
            connection.backup(copy)
            copy.execute("PRAGMA journal_mode = DELETE")  # one file, without a log beside it
    except sqlite3.Error as error:
        raise store_error(error, part) from error


def _verify(part: Path, before: Mapping[str, Checksum]) -> None:
    try:
        with contextlib.closing(sqlite3.connect(part, isolation_level=None)) as copy:
            faults = sqlite_check.check(copy)
            if not faults and sqlite_check.checksums(copy) != before:
                faults = ["its readings are not those of the original"]
    except sqlite3.Error as error:
        raise store_error(error, part) from error
    if faults:
        raise StoreError(
            f"The backup is not sound: {'; '.join(faults)}.",
            where=str(part),
            remedy="Check the disk, and then the original with a new backup elsewhere.",
        )


def _name(part: Path, to: Path) -> None:
    """Give the file its name once it is on disk, and never over another one."""
    with part.open("rb+") as file:
        os.fsync(file.fileno())
    os.link(part, to)  # fails where there is one, unlike a rename
    part.unlink()
    folder = os.open(to.parent, os.O_RDONLY)
    try:
        os.fsync(folder)
    finally:
        os.close(folder)
