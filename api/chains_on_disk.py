"""The chains by the calibrations in ``record.db``, for a collector that only reads it.

Apart from :mod:`api.record`, whose models would cost the collector ten megabytes.
"""

from __future__ import annotations

import json
import sqlite3
from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import replace
from pathlib import Path
from urllib.parse import quote

from collector.calibration import Chain, Correction
from collector.errors import InvalidError


def corrected(
    fixed: Mapping[str, Chain], found: Iterable[tuple[str, Sequence[Correction]]]
) -> dict[str, Chain]:
    """The chains of all channels with more corrections in them."""
    chains = dict(fixed)
    for channel, corrections in found:
        chain = chains.get(channel, Chain())
        chains[channel] = replace(chain, corrections=(*chain.corrections, *corrections))
    return chains


class ChainsOnDisk:
    """The chains by the calibrations in ``record.db``, for the collector, which only reads it.

    Calling it gives the same object for as long as nothing changed; it never raises. A record
    that is not there yet has no calibrations; while one cannot be read, those known last go on
    holding, and ``say`` is told once. For one thread.
    """

    def __init__(
        self, fixed: Mapping[str, Chain], path: Path, say: Callable[[str], None] = lambda _: None
    ) -> None:
        self._fixed = fixed
        self._path = path
        self._say = say
        self._connection: sqlite3.Connection | None = None
        self._file: int | None = None
        self._version: int | None = None
        self._chains: Mapping[str, Chain] = dict(fixed)
        self._said: str | None = None

    def __call__(self) -> Mapping[str, Chain]:
        """The chains as of now."""
        try:
            self._look()
            self._said = None
        except FileNotFoundError:
            self._forget()
        except (OSError, sqlite3.Error, ValueError, LookupError, TypeError, InvalidError) as fault:
            self._forget()
            if self._said != str(fault):
                self._say(
                    f"The calibrations in {self._path} cannot be read ({fault}); readings are "
                    "marked by those known before."
                )
            self._said = str(fault)
        return self._chains

    def close(self) -> None:
        """Let go of the file."""
        self._forget()

    def _look(self) -> None:
        """Read the calibrations if another has the record changed, or put one in its place."""
        file = self._path.stat().st_ino
        if self._connection is None or file != self._file:
            self._forget()
            uri = f"file:{quote(str(self._path.absolute()))}?mode=ro"
            self._connection = sqlite3.connect(uri, uri=True, isolation_level=None, timeout=0.2)
            self._file = file
        (version,) = self._connection.execute("PRAGMA data_version").fetchone()
        if version == self._version:
            return
        found = corrected(self._fixed, corrections_in(self._connection).items())
        self._version = version
        if found != self._chains:
            self._chains = found

    def _forget(self) -> None:
        if self._connection is not None:
            self._connection.close()
        self._connection = self._version = None


def corrections_in(connection: sqlite3.Connection) -> dict[str, list[Correction]]:
    """The corrections of every channel in a record that is open for reading only.

    None in one that has no table of calibrations yet. Raises ``sqlite3.Error`` for a file that
    is no record, ``ValueError``, ``LookupError``, ``TypeError`` or ``InvalidError`` for a
    damaged one.
    """
    found: dict[str, list[Correction]] = {}
    if not connection.execute("SELECT 1 FROM sqlite_schema WHERE name = 'calibration'").fetchone():
        return found
    for channel, from_ms, pairs, note in connection.execute(
        "SELECT channel, valid_from_ms, pairs, note FROM calibration ORDER BY valid_from_ms"
    ):
        points = tuple((pair["read"], pair["true"]) for pair in json.loads(pairs))
        found.setdefault(channel, []).append(Correction(from_ms, points, note))
    return found
