"""The chains by which readings are believed: the settings' signals, then the calibrations."""

from __future__ import annotations

import sqlite3
from collections.abc import Callable, Hashable, Iterable, Mapping, Sequence
from dataclasses import replace
from pathlib import Path
from urllib.parse import quote

from api.record import Calibration, Record
from api.record.calibrations import corrections_in
from collector.calibration import Chain, Correction
from collector.errors import InvalidError


def chains_of(fixed: Mapping[str, Chain], calibrations: Iterable[Calibration]) -> dict[str, Chain]:
    """The chain of every channel that has one; ``fixed`` are those of the bare sensors."""
    return _corrected(fixed, ((one.channel, [one.correction]) for one in calibrations))


def _corrected(
    fixed: Mapping[str, Chain], found: Iterable[tuple[str, Sequence[Correction]]]
) -> dict[str, Chain]:
    chains = dict(fixed)
    for channel, corrections in found:
        chain = chains.get(channel, Chain())
        chains[channel] = replace(chain, corrections=(*chain.corrections, *corrections))
    return chains


class BelievedChains:
    """The chains as of now, made anew when the record has changed. Safe between threads.

    Calling it gives the same object for as long as no calibration was entered, corrected or
    deleted: what has been computed from readings is out of date when it gives another one.
    """

    def __init__(self, fixed: Mapping[str, Chain], record: Record) -> None:
        self._fixed = fixed
        self._record = record
        self._known: tuple[Hashable, Mapping[str, Chain]] = (None, dict(fixed))

    def __call__(self) -> Mapping[str, Chain]:
        # The version is taken first: a change that comes in between is looked for again.
        version, (before, chains) = self._record.version(), self._known
        if version == before:
            return chains
        found = chains_of(self._fixed, (one.entry for one in self._record.calibrations.all()))
        kept = chains if found == chains else found
        self._known = (version, kept)
        return kept


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
        found = _corrected(self._fixed, corrections_in(self._connection).items())
        self._version = version
        if found != self._chains:
            self._chains = found

    def _forget(self) -> None:
        if self._connection is not None:
            self._connection.close()
        self._connection = self._version = None
