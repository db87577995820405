"""From the spool into InfluxDB: batches in order, again and again until the server has them.

A batch is judged (new, duplicate, conflict), written, and only then counted and taken out of
the queue, in one transaction. A crash anywhere before that leaves it in the queue; it comes to
the same points the next time, which InfluxDB takes over the old ones, and is counted once.
"""

from __future__ import annotations

import threading
from collections.abc import Callable, Iterable, Sequence

from collector.errors import StoreError
from collector.readings import Reading
from collector.spool import Spool, Waiting
from collector.store import flux, known
from collector.store.contract import Appended
from collector.store.influx import InfluxServer, Row, ms_of_text
from collector.store.reading_lines import lines_of
from collector.store.settling import (
    TAKEN,
    Answer,
    Fate,
    Point,
    Settled,
    deliver,
    plan_of,
    settled_of,
)

#: Readings in one write; what the makers of InfluxDB advise.
BATCH_READINGS_N = 5_000

FIRST_PAUSE_S = 0.5
LONGEST_PAUSE_S = 30.0

Say = Callable[[str], None]


class Drain:
    """Moves batches from a spool to a server, in a thread of its own.

    ``say`` is told once of each fault and of its end. After an answer that calls for a person
    (401, 403, 404) nothing more is tried; the spool goes on keeping what comes.
    """

    def __init__(
        self,
        spool: Spool,
        server: InfluxServer,
        *,
        say: Say = lambda _: None,
        first_pause_s: float = FIRST_PAUSE_S,
        longest_pause_s: float = LONGEST_PAUSE_S,
    ) -> None:
        self._spool = spool
        self._server = server
        self._place = flux.Place(server.settings.bucket, server.settings.measurement)
        self._say = say
        self._first_pause_s = first_pause_s
        self._longest_pause_s = longest_pause_s
        self._changed = threading.Condition()
        self._stepping = threading.Lock()
        self._ending = False
        self._more = False
        self._came_on = False
        self._fault: Answer | None = None
        self._through = 0
        self._each: dict[int, Appended] | None = None
        self._thread = threading.Thread(target=self._run, name="drain", daemon=True)

    @property
    def fault(self) -> Answer | None:
        """What keeps the server from taking readings; None when nothing does."""
        return self._fault

    def start(self) -> None:
        """Begin, with what waits from before."""
        self._more = True
        self._thread.start()

    def stop(self) -> None:
        """End after the request under way; what waits stays in the spool."""
        with self._changed:
            self._ending = True
            self._changed.notify_all()
        if self._thread.is_alive():
            self._thread.join()

    def expect(self) -> None:
        """Remember from now on what arrivals are counted as, for :meth:`settled`."""
        with self._changed:
            self._each = {}

    def settled(self, first: int, last: int, patience_s: float) -> Appended:
        """Wait until these numbers have left the spool; what they were counted as.

        They have to be put there after :meth:`expect`. Not longer than ``patience_s``, and not
        at all while the server is known to take nothing; what has not left by then counts as
        nothing yet.
        """
        with self._changed:
            if self._through < last:
                self._more = True
                self._changed.notify_all()
                self._changed.wait_for(
                    lambda: self._through >= last or self._fault is not None or self._ending,
                    patience_s,
                )
            each, self._each = self._each or {}, None
            counted = Appended()
            for number in range(first, last + 1):
                if number in each:
                    counted += each[number]
            return counted

    @property
    def stopped(self) -> bool:
        """Whether nothing more is tried, for the fault calls for a person."""
        return self._fault is not None and self._fault.fate is not Fate.LATER

    def emptied(self, patience_s: float) -> bool:
        """Wait until nothing waits any more; False when nothing goes through for so long."""
        while True:
            with self._changed:
                through = self._through
            if not self._spool.waiting_n():
                return True
            if not self._came_further(through, patience_s):
                return False

    def _came_further(self, through: int, patience_s: float) -> bool:
        """Wait until a number after this one has gone through; False when it does not."""
        with self._changed:
            self._more = True
            self._changed.notify_all()
            self._changed.wait_for(
                lambda: self._through != through or self.stopped or self._ending, patience_s
            )
            return self._through != through

    def step(self) -> Answer | None:
        """One batch; None when nothing waits. For the thread, and for tests without one."""
        with self._stepping:
            batch = self._spool.take(BATCH_READINGS_N)
            if not batch:
                return None
            return self._move(batch)

    # -- one batch -----------------------------------------------------------------------------

    def _move(self, batch: Sequence[Waiting]) -> Answer:
        arrivals = [one.arrival for one in batch]
        readings = [r for one in arrivals if not one.again for r in one.readings]
        answer = self._learn(readings)
        if answer.fate is not Fate.TAKEN:
            return answer
        with self._spool.looking() as connection:
            plan = plan_of(arrivals, known.Known(connection))
        outcome = deliver(self._lines(plan.points), self._server.write)
        if isinstance(outcome, Answer):
            return outcome
        done = settled_of(arrivals, plan, outcome)
        last = batch[-1].number
        self._spool.settle(
            last, done, lambda connection: known.add(connection, done.stored, readings, last)
        )
        self._note(batch, done)
        return TAKEN

    def _learn(self, readings: Iterable[Reading]) -> Answer:
        """Make known what the readings are judged against; asks the server where need be."""
        with self._spool.looking() as connection:
            missing = known.Known(connection).missing(readings)
        remote = _Remote(self._server, self._place)
        try:
            for note in (note for one in missing for note in one.learned(remote)):
                with self._spool.transaction() as connection:
                    note.keep(connection)
                self._came_on = True
        except _NotAnsweredError as stopped:
            return stopped.answer
        return TAKEN

    def _lines(self, points: Iterable[Point]) -> list[str]:
        return list(lines_of(self._place, points))

    def _note(self, batch: Sequence[Waiting], done: Settled) -> None:
        with self._changed:
            self._through = batch[-1].number
            if self._each is not None:
                numbers = (one.number for one in batch)
                self._each.update(zip(numbers, done.each, strict=True))
            self._changed.notify_all()

    # -- the thread ----------------------------------------------------------------------------

    def _run(self) -> None:
        pause_s = self._first_pause_s
        while self._wait_for_more():
            self._came_on = False
            answer = self._tried()
            if answer is None or answer.fate is Fate.TAKEN:
                pause_s = self._first_pause_s
                self._recovered()
                if answer is not None:
                    self._look_again()
                continue
            self._look_again()
            self._tell(answer)
            if answer.fate is not Fate.LATER:
                return
            if self._came_on:
                pause_s = self._first_pause_s
            if self._rest(answer.retry_after_s or pause_s):
                return
            pause_s = min(self._longest_pause_s, pause_s * 2)

    def _wait_for_more(self) -> bool:
        with self._changed:
            self._changed.wait_for(lambda: self._more or self._ending)
            self._more = False
            return not self._ending

    def _look_again(self) -> None:
        with self._changed:  # never set to False here: somebody may have put in more just now
            self._more = True

    def _tried(self) -> Answer | None:
        try:
            return self.step()
        except StoreError as fault:  # the spool's own disk
            return Answer(Fate.LATER, str(fault))
        except Exception as fault:  # a mistake of ours: a thread that dies would tell nobody
            return Answer(Fate.LATER, f"The hand-over failed ({type(fault).__name__}: {fault}).")

    def _rest(self, pause_s: float) -> bool:
        with self._changed:
            return self._changed.wait_for(lambda: self._ending, pause_s)

    def _tell(self, answer: Answer) -> None:
        with self._changed:
            new = self._fault is None or self._fault.words != answer.words
            self._fault = answer
            self._changed.notify_all()
        if new:
            tail = (
                "Readings wait on disk and go there by themselves."
                if answer.fate is Fate.LATER
                else "Until then readings wait on disk."
            )
            self._say(f"{self._server.fault(answer)} {tail}")

    def _recovered(self) -> None:
        if self._fault is not None:
            self._fault = None
            self._say("InfluxDB takes readings again; nothing was lost.")


class _NotAnsweredError(Exception):
    """The server did not answer a question about what it has."""

    def __init__(self, answer: Answer) -> None:
        super().__init__(answer.words)
        self.answer = answer


class _Remote:
    """What :class:`~collector.store.known.Known` asks of the server."""

    def __init__(self, server: InfluxServer, place: flux.Place) -> None:
        self._server = server
        self._place = place

    def last_ms(self, channel: str) -> int | None:
        query = flux.last(self._place, channel, flux.FIRST_MS, flux.LAST_MS)
        return max((ms_of_text(row["_time"]) for row in self._rows(query)), default=None)

    def points(self, channel: str, start_ms: int, end_ms: int) -> Iterable[Point]:
        if flux.empty(start_ms, end_ms):
            return []
        firsts = self._rows(flux.readings(self._place, channel, start_ms, end_ms))
        others = self._rows(flux.conflicts(self._place, channel, start_ms, end_ms))
        return [*points_of(channel, firsts), *points_of(channel, others)]

    def _rows(self, query: flux.Query) -> Sequence[Row]:
        asked = self._server.ask(query)
        if asked.answer.fate is Fate.TAKEN:
            return asked.rows
        if asked.answer.fate is Fate.DIVIDE:  # a question cannot be divided
            raise _NotAnsweredError(Answer(Fate.STOP, asked.answer.words, asked.answer.remedy))
        raise _NotAnsweredError(asked.answer)


def points_of(channel: str, rows: Iterable[Row]) -> list[Point]:
    """Rows of values and of marks as points, in time order."""
    found = series_of(rows)
    return [Point(channel, time_ms, value, marks, nth) for time_ms, nth, value, marks in found]


def series_of(rows: Iterable[Row]) -> list[tuple[int, int, float, int]]:
    """Rows of values and of marks as ``(time_ms, nth, value, marks)``, in that order."""
    values: dict[tuple[int, int], float] = {}
    marks: dict[tuple[int, int], int] = {}
    for row in rows:
        key = (ms_of_text(row["_time"]), int(row.get("nth") or 0))
        if row["_field"] == "value":
            values[key] = float(row["_value"])
        elif row["_field"] == "marks":
            marks[key] = int(row["_value"])
    return [(*key, values[key], marks.get(key, 0)) for key in sorted(values)]
