"""Calibrations: what a sensor read, what was true, and from when on its readings are corrected."""

from __future__ import annotations

import enum
import json
import sqlite3
from collections.abc import Mapping
from itertools import pairwise

from pydantic import Field, field_validator

from api.prints import Frozen, Instant
from api.record.database import Value
from api.record.entries import ChannelId, Kept, Note
from api.record.ledger import Ledger
from api.record.moments import stored
from collector.calibration import Correction
from collector.errors import ConflictError, InvalidError
from collector.readings import moment_of, ms_of


class FoundBy(enum.StrEnum):
    """Against what a sensor was held to find what it should have read."""

    ICE_POINT = "ice_point"
    BOILING_POINT = "boiling_point"
    REFERENCE_INSTRUMENT = "reference_instrument"
    SATURATED_SALT = "saturated_salt"
    OTHER = "other"


class CalibrationKind(enum.StrEnum):
    """What the pairs of a calibration make of a reading; their number decides."""

    OFFSET = "offset"
    TWO_POINT = "two_point"
    SEVERAL_POINT = "several_point"


class CalibrationPair(Frozen):
    """What a sensor read and what was true, in the unit of the channel's role.

    ``read`` is the reading before any correction, a bare sensor's after its conversion.
    """

    read: float = Field(ge=-1e6, le=1e6, examples=[0.4])
    true: float = Field(ge=-1e6, le=1e6, examples=[0.0])
    found: FoundBy = FoundBy.REFERENCE_INSTRUMENT


#: Between two pairs the true value changes this many times as fast as the reading, at least and
#: at most. A sensor beyond that is broken, or a pair was mistyped; common practice, no source.
STEEPNESS = (0.5, 2.0)


class Calibration(Frozen):
    """What a channel's readings are corrected by from a moment on, until its next calibration.

    One pair shifts every reading by the same; two or more are joined by straight lines, and
    the outer lines go straight on. Readings before ``valid_from`` stay as they are.
    """

    channel: ChannelId
    valid_from: Instant
    pairs: tuple[CalibrationPair, ...] = Field(min_length=1, max_length=20)
    note: Note = ""

    @field_validator("pairs")
    @classmethod
    def _rises(cls, pairs: tuple[CalibrationPair, ...]) -> tuple[CalibrationPair, ...]:
        ordered = tuple(sorted(pairs, key=lambda pair: (pair.read, pair.true)))
        try:
            Correction(0, tuple((pair.read, pair.true) for pair in ordered))
        except InvalidError as fault:
            raise ValueError(f"{fault.what} {fault.remedy}") from None
        for before, after in pairwise(ordered):
            steepness = (after.true - before.true) / (after.read - before.read)
            if not STEEPNESS[0] <= steepness <= STEEPNESS[1]:
                raise ValueError(
                    f"from {before.read:g} to {after.read:g} the true value would change "
                    f"{steepness:.3g} times as fast as the reading; look for a slip in a pair"
                )
        return ordered

    @property
    def kind(self) -> CalibrationKind:
        """What the number of its pairs makes of it."""
        if len(self.pairs) == 1:
            return CalibrationKind.OFFSET
        if len(self.pairs) == 2:
            return CalibrationKind.TWO_POINT
        return CalibrationKind.SEVERAL_POINT

    @property
    def correction(self) -> Correction:
        """What it does to readings."""
        points = tuple((pair.read, pair.true) for pair in self.pairs)
        return Correction(ms_of(self.valid_from), points, self.note)


class Calibrations(Ledger[Calibration]):
    """The calibrations, by channel and the moment from which they hold."""

    kind = "calibration"
    order = "channel, valid_from_ms"

    def of(self, channel: str) -> list[Kept[Calibration]]:
        """The calibrations of one channel, earliest first."""
        return self._where("channel = ?", (channel,))

    def ever(self, channel: str) -> list[Correction]:
        """What a channel's readings are and were ever corrected by; taken back ones as well."""
        held = [kept.entry for kept in self.of(channel)]
        before = [Calibration.model_validate(one.before) for one in self.all_revisions()]
        return [one.correction for one in (*held, *before) if one.channel == channel]

    def _columns(self, entry: Calibration) -> Mapping[str, Value]:
        return {
            "channel": entry.channel,
            "valid_from_ms": stored(entry.valid_from, "valid_from"),
            "pairs": json.dumps([pair.model_dump(mode="json") for pair in entry.pairs]),
            "note": entry.note,
        }

    def _entry(self, row: sqlite3.Row) -> Calibration:
        return Calibration(
            channel=row["channel"],
            valid_from=moment_of(row["valid_from_ms"]),
            pairs=tuple(CalibrationPair(**pair) for pair in json.loads(row["pairs"])),
            note=row["note"],
        )

    def _check(self, entry_id: int | None, entry: Calibration) -> None:
        row = self._database.row(
            "SELECT id FROM calibration WHERE channel = ? AND valid_from_ms = ? AND id IS NOT ?",
            (entry.channel, stored(entry.valid_from, "valid_from"), entry_id),
        )
        if row is not None:
            raise ConflictError(
                f"calibration {row['id']} of {entry.channel} holds from the same moment on",
                where="valid_from",
                remedy="Correct that one, or let this one hold from another moment on.",
            )
