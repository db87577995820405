"""The workshop: settings, readings and record, from which everything is answered."""

from __future__ import annotations

from dataclasses import dataclass, field
from datetime import datetime
from typing import TYPE_CHECKING

from api.calibrations import BelievedChains
from api.prints import Window
from api.record import Record
from api.remembered import Remembered
from api.soak_folds import SoakFolds
from api.sums import Sums
from api.window_answers import Span, WindowAnswers
from collector.config import Settings
from collector.quality import AHEAD_MS
from collector.readings import Mark, Reading, Series, ms_of
from collector.store.contract import ReadingStore
from collector.store.corrected import CorrectedStore

if TYPE_CHECKING:
    from api.causes import ColdAnswer

#: Gap limit of a channel that has readings but is not in the settings any more [ms].
GAP_LIMIT_DEFAULT_MS = 300_000

#: Readings are fetched in stretches of this length where only the first few are asked for [ms].
PAGE_MS = 6 * 3_600_000

#: Cold answers kept in memory, and other answers.
COLD_ANSWERS_KEPT = 16
ANSWERS_KEPT = 64


@dataclass(frozen=True)
class Workshop:
    """What everything is answered from: the settings, the readings and the record.

    ``received`` keeps what came in; answers use ``store``, the same readings as they are
    believed: converted, then corrected by the calibrations on record at that moment.
    ``converted`` are the readings before any correction, in the role's unit. ``windows`` keeps
    what was computed from stretches of readings for as long as it holds.
    """

    settings: Settings
    received: ReadingStore
    record: Record
    cold_answers: Remembered[str, ColdAnswer] = field(
        default_factory=lambda: Remembered(COLD_ANSWERS_KEPT), repr=False, compare=False
    )
    answers: Remembered[str, object] = field(
        default_factory=lambda: Remembered(ANSWERS_KEPT), repr=False, compare=False
    )
    soak_folds: SoakFolds = field(default_factory=SoakFolds, repr=False, compare=False)
    sums: Sums = field(default_factory=Sums, repr=False, compare=False)
    believed: BelievedChains = field(init=False, repr=False, compare=False)
    store: CorrectedStore = field(init=False, repr=False, compare=False)
    converted: CorrectedStore = field(init=False, repr=False, compare=False)
    windows: WindowAnswers = field(init=False, repr=False, compare=False)

    def __post_init__(self) -> None:
        fixed = self.settings.chains
        believed = BelievedChains(fixed, self.record)
        object.__setattr__(self, "believed", believed)
        object.__setattr__(self, "store", CorrectedStore(self.received, believed))
        object.__setattr__(self, "converted", CorrectedStore(self.received, lambda: fixed))
        object.__setattr__(self, "windows", WindowAnswers(self.received, believed))

    def gap_limit_ms(self, channel: str) -> int:
        """The longest stretch between readings of a channel that is no gap [ms]."""
        for known in self.settings.channels:
            if known.id == channel:
                return known.gap_limit_ms
        return GAP_LIMIT_DEFAULT_MS

    def span(self, channel: str, window: Window) -> Span:
        """The stretch of a channel's readings that bears on a window."""
        near = self.gap_limit_ms(channel)
        return Span(channel, ms_of(window.start) - near, ms_of(window.end) + near + 1)

    def series(self, channel: str, window: Window) -> Series:
        """Readings of a channel in a window, with the neighbours on both sides of it."""
        return self.near(channel, ms_of(window.start), ms_of(window.end))

    def near(self, channel: str, start_ms: int, end_ms: int) -> Series:
        """Readings of a channel in [start, end) [ms since 1970], with the neighbours around it.

        Those within the gap limit reach into the window; where an edge lies in a gap, the next
        reading beyond it comes too, so that the gap is known for what it is.
        """
        limit_ms = self.gap_limit_ms(channel)
        first_ms, last_ms = start_ms - limit_ms, end_ms + limit_ms
        found = self.store.between(channel, first_ms, last_ms + 1)
        before = after = None
        if len(found) == 0 or found.times_ms[0] > start_ms:
            before = self.store.before(channel, first_ms)
        if len(found) == 0 or found.times_ms[-1] < end_ms:
            after = self.store.after(channel, last_ms + 1)
        return found.between(before, after)

    def newest(self, now: datetime) -> dict[str, Reading]:
        """The last reading of each channel that has one, in the settings or not.

        One dated after ``now`` gives way to what a sensor says with the right time since: for
        two hours after one message of a clock two hours ahead, nothing else would be seen.
        """
        found = self.store.latest()
        end_ms = ms_of(now) + AHEAD_MS
        for channel, reading in found.items():
            if reading.time_ms > end_ms:
                timely = self.store.before(channel, end_ms + 1)
                fresh_ms = ms_of(now) - self.gap_limit_ms(channel)
                if timely and not timely.marks & Mark.CLOCK and timely.time_ms >= fresh_ms:
                    found[channel] = timely
        return found

    def readings(self, channel: str, start_ms: int, end_ms: int, limit: int) -> list[Reading]:
        """The first ``limit`` readings of a channel in a window, without reading all of it."""
        found: list[Reading] = []
        following = self.store.after(channel, start_ms)
        while following is not None and following.time_ms < end_ms and len(found) < limit:
            until = min(following.time_ms + PAGE_MS, end_ms)
            found += self.store.between(channel, following.time_ms, until)
            following = self.store.after(channel, until)
        return found[:limit]
