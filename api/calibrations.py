"""The chains by which readings are believed: the settings' signals, then the calibrations."""

from __future__ import annotations

from collections.abc import Hashable, Iterable, Mapping

from api.chains_on_disk import corrected
from api.record import Calibration, Record
from collector.calibration import Chain


def chains_of(fixed: Mapping[str, Chain], calibrations: Iterable[Calibration]) -> dict[str, Chain]:
    """The chain of every channel that has one; ``fixed`` are those of the bare sensors."""
    return corrected(fixed, ((one.channel, [one.correction]) for one in calibrations))


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
