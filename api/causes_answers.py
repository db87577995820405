"""The log as the questions of the Causes page need it, and their answers with what they rest on.

Readings and record are joined here; the sums are in ``api.causes``. Every function may raise
``InvalidError`` for what is asked, ``NotFoundError`` and ``StoreError``.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import datetime
from types import MappingProxyType
from typing import TypeVar, cast

from api import psychrometrics
from api.answers import (
    NO_OUTCOME,
    STILL_RUNNING,
    print_rows,
    vat_value,
)
from api.causes.adjusting import SETTINGS, adjustable
from api.causes.ranking import MOST_CANDIDATES, ConditionRow, Ranking, rank
from api.causes.rows import PrintRow, fingerprint_of, log_of
from api.causes.tables import Band, band_sentences, bands
from api.causes.two_groups import TwoGroups, two_resins, two_settings
from api.causes.unusual import PrintOnItsOwn, unusual
from api.conditions import WindowValue, first_layers_value, together
from api.phases import first_layers
from api.prints import Print, Window, window_of
from api.record import Bottle, Kept, Machine
from api.window_answers import Snapshot
from api.workshop import Workshop
from collector.errors import InvalidError
from collector.readings import Role, Series, ms_of

A = TypeVar("A")

VAT, ROOM, HUMIDITY = "vat temperature", "room temperature", "room humidity"
DEW_POINT, VAT_LESS_ROOM, RESIN_AGE = "dew point", "vat less room", "age of the bottle"

#: Units of the conditions that are looked at, in the order in which they are offered. They are
#: fixed here, before any outcome is looked at; the settings that changed come after them.
CONDITIONS: Mapping[str, str] = MappingProxyType(
    {VAT: "°C", ROOM: "°C", HUMIDITY: "%RH", DEW_POINT: "°C", VAT_LESS_ROOM: "K", RESIN_AGE: "days"}
)

UNITS: Mapping[str, str] = MappingProxyType({**CONDITIONS, **dict(SETTINGS.values())})

DAY_S = 86_400.0

# ---- the log ---------------------------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class ConditionLog:
    """One row per print with an outcome, with every condition that was read for it.

    ``coverage`` is the recorded share of the first layers by print id and condition, 0 to 1.
    """

    rows: tuple[ConditionRow, ...]
    left_out: Mapping[str, int]
    coverage: Mapping[str, Mapping[str, float]]


def condition_log(workshop: Workshop, now: datetime) -> ConditionLog:
    """The conditions of every print of which a part was looked at, in its first layers."""
    record = workshop.record
    with record.reading():
        resins = {kept.id: kept.entry.name for kept in record.resins.all()}
        machines = {kept.id: kept.entry for kept in record.machines.all()}
        bottles = {kept.id: kept.entry for kept in record.bottles.all()}
        plates = record.prints.all()
    snapshot = workshop.windows.snapshot()
    rows: list[ConditionRow] = []
    left_out: Counter[str] = Counter()
    coverage: dict[str, Mapping[str, float]] = {}
    for kept in plates:
        if kept.entry.failed_share is None:
            left_out[STILL_RUNNING if kept.entry.running else NO_OUTCOME] += 1
            continue
        values, covered = _measured(
            workshop, kept.entry, machines[kept.entry.machine], now, snapshot
        )
        row = _row(kept, values, resins, bottles)
        rows.append(row)
        coverage[row.id] = covered
    return ConditionLog(tuple(rows), dict(left_out), coverage)


def _row(
    kept: Kept[Print],
    values: dict[str, float],
    resins: Mapping[int, str],
    bottles: Mapping[int, Bottle],
) -> ConditionRow:
    """A print as a row, with what was measured and its bottle's age."""
    plate = kept.entry
    bottle = bottles.get(plate.bottle or 0)
    if bottle is not None and bottle.opened is not None and not plate.order_only:
        values[RESIN_AGE] = max((plate.start - bottle.opened).total_seconds(), 0.0) / DAY_S
    settings = adjustable(plate.settings)
    return ConditionRow(
        id=str(kept.id),
        start_ms=ms_of(plate.start),
        failed_share=plate.failed_share or 0.0,
        resin=resins[plate.resin],
        settings=settings,
        conditions={**values, **settings},
    )


def _measured(
    workshop: Workshop, plate: Print, machine: Machine, now: datetime, snapshot: Snapshot
) -> tuple[dict[str, float], dict[str, float]]:
    """Conditions of the first layers that have a value, and their recorded share."""
    values: dict[str, float] = {}
    covered: dict[str, float] = {}
    vat = vat_value(workshop, plate, machine, now, snapshot)
    if vat.value_c is not None:
        values[VAT] = vat.value_c
        if not vat.noted:
            covered[VAT] = vat.coverage
    window = None if plate.order_only else first_layers(window_of(plate, now), plate.settings)
    if window is None or window.end <= window.start:
        return values, covered
    for name, found in _of_the_room(workshop, window, snapshot).items():
        if found.value is not None:
            values[name] = found.value
            covered[name] = found.coverage
    if VAT in values and ROOM in values:
        values[VAT_LESS_ROOM] = values[VAT] - values[ROOM]
    return values, covered


def _of_the_room(
    workshop: Workshop, window: Window, snapshot: Snapshot
) -> Mapping[str, WindowValue]:
    """Room temperature, humidity and dew point over a window, as far as there are sensors."""
    by_role = {channel.role: channel.id for channel in reversed(workshop.settings.channels)}
    roles = ((ROOM, Role.ROOM_TEMPERATURE), (HUMIDITY, Role.ROOM_HUMIDITY))
    channels = {
        name: (by_role[role], workshop.gap_limit_ms(by_role[role]))
        for name, role in roles
        if role in by_role
    }
    return snapshot.answer(
        (workshop.span(channel, window) for channel, _ in channels.values()),
        (ROOM, window, tuple(channels.items())),
        lambda: _room_values(workshop, window, channels),
    )


def _room_values(
    workshop: Workshop, window: Window, channels: Mapping[str, tuple[str, int]]
) -> Mapping[str, WindowValue]:
    """The same, computed; ``channels`` with the gap limit of each [ms], by name."""
    found: dict[str, WindowValue] = {}
    read: list[tuple[Series, int]] = []
    for name, (channel, gap_limit_ms) in channels.items():
        read.append((workshop.series(channel, window), gap_limit_ms))
        found[name] = _value(*read[-1], window)
    if len(read) == 2:
        (room, room_gap_ms), (humidity, humidity_gap_ms) = read
        dew_point = together(
            room,
            humidity,
            psychrometrics.dew_point_c,
            channel=DEW_POINT,
            gap_limits_ms=(room_gap_ms, humidity_gap_ms),
        )
        found[DEW_POINT] = _value(dew_point, max(room_gap_ms, humidity_gap_ms), window)
    return MappingProxyType(found)


def _value(series: Series, gap_limit_ms: int, window: Window) -> WindowValue:
    start_ms, end_ms = ms_of(window.start), ms_of(window.end)
    return first_layers_value(series, start_ms, end_ms, gap_limit_ms=gap_limit_ms)


# ---- what else goes with failures? -----------------------------------------------------------

#: Why a setting that changed is adjusted for and not looked at.
A_DOZEN = "a dozen conditions are looked at already; it is adjusted for"


def conditions_answer(workshop: Workshop, now: datetime) -> Ranking:
    """Which conditions failures go with, kept in memory under everything it rests on."""
    log = condition_log(workshop, now)
    changed = [name for name, _ in SETTINGS.values() if _changes(log.rows, name)]
    read = [name for name in CONDITIONS if any(name in row.conditions for row in log.rows)]
    looked_at = [*read, *changed][:MOST_CANDIDATES]
    beyond = dict.fromkeys([*read, *changed][MOST_CANDIDATES:], A_DOZEN)
    unread = dict.fromkeys((n for n in CONDITIONS if n not in read), "not on record for any print")
    rows = tuple(
        replace(row, conditions={n: row.conditions[n] for n in looked_at if n in row.conditions})
        for row in log.rows
    )

    def make() -> Ranking:
        found = rank(rows, left_out=log.left_out, units=UNITS)
        said = [f"Not looked at: {name}: {reason}." for name, reason in beyond.items()]
        if unread:
            said.append(f"Not on record for any print, so not looked at: {', '.join(unread)}.")
        return replace(
            found,
            dropped={**found.dropped, **unread, **beyond},
            sentences=(*found.sentences, *(said if log.rows else ())),
        )

    return remembered(workshop, make, "conditions", rows, sorted(log.left_out.items()), looked_at)


def _changes(rows: Sequence[ConditionRow], setting: str) -> bool:
    return len({row.settings[setting] for row in rows if setting in row.settings}) > 1


def remembered(workshop: Workshop, make: Callable[[], A], *inputs: object) -> A:
    """An answer kept in memory under all of its inputs."""
    return cast(A, workshop.answers.answer(repr(inputs), make))


# ---- exact small tables ----------------------------------------------------------------------

#: Bands of vat temperature, when not asked otherwise [°C].
BAND_C = 2.0


@dataclass(frozen=True, slots=True)
class TableRests:
    """What an exact table rests on; ``seed`` is None: no step is random."""

    method: str
    version: str
    fingerprint: str
    prints_n: int
    failures: float
    left_out: Mapping[str, int]
    warnings: tuple[str, ...]
    seed: None = None


@dataclass(frozen=True, slots=True)
class BandsAnswer:
    """Failures by band of vat temperature ``width_c`` wide [°C]."""

    width_c: float
    bands: tuple[Band, ...]
    sentences: tuple[str, ...]
    rests: TableRests


@dataclass(frozen=True, slots=True)
class GroupsAnswer:
    """Two resins or two ranges of a setting, compared."""

    found: TwoGroups
    rests: TableRests


def bands_answer(workshop: Workshop, now: datetime, *, width_c: float = BAND_C) -> BandsAnswer:
    """Failure counts by band of vat temperature, each with Wilson's interval."""
    if not 0.5 <= width_c <= 20:
        raise InvalidError(
            f"bands {width_c:g} °C wide tell nothing",
            where="width_c",
            remedy="Give 0.5 to 20, such as 2.",
        )
    rows, left_out, _ = print_rows(workshop, now)
    log = log_of(rows, left_out)
    found = bands(log.temperature_c.tolist(), log.failed_share.tolist(), width_c)
    rests = _rests("failures by band with Wilson's interval", rows, left_out, width_c)
    return BandsAnswer(width_c, found, band_sentences(found), rests)


@dataclass(frozen=True, slots=True)
class Comparing:
    """What is compared: two resins by name, or a setting up to a value with above it."""

    first: str | None = None
    second: str | None = None
    setting: str | None = None
    above: float | None = None

    @property
    def empty(self) -> bool:
        """Whether nothing was chosen."""
        return self == Comparing()


def groups_answer(workshop: Workshop, now: datetime, comparing: Comparing) -> GroupsAnswer:
    """Compare two resins or two ranges of a setting, alone and within strata.

    Raises ``InvalidError`` naming the field when neither pair is complete.
    """
    rows, left_out, _ = print_rows(workshop, now)
    if comparing.setting is not None and comparing.above is not None:
        if comparing.setting not in {name for name, _ in SETTINGS.values()}:
            raise InvalidError(
                f"“{comparing.setting[:40]}” is no setting that prints are compared by",
                where="setting",
                remedy=f"Choose one of: {', '.join(name for name, _ in SETTINGS.values())}.",
            )
        found = two_settings(rows, comparing.setting, comparing.above)
    elif comparing.first and comparing.second and comparing.first != comparing.second:
        found = two_resins(rows, comparing.first, comparing.second)
    else:
        raise InvalidError(
            "two things have to be named to be compared",
            where="second" if comparing.setting is None else "above",
            remedy="Name two resins, or a setting and the value that parts it.",
        )
    method = "Fisher's exact test, Newcombe's interval, Mantel-Haenszel across strata"
    return GroupsAnswer(found, _rests(method, rows, left_out, comparing))


def _rests(
    method: str, rows: Sequence[PrintRow], left_out: Mapping[str, int], *asked: object
) -> TableRests:
    log = log_of(rows, left_out)
    fingerprint = fingerprint_of(log.rows, method, sorted(log.left_out.items()), *asked)
    return TableRests(
        method, "1", fingerprint, log.prints_n, log.failures, log.left_out, log.warnings
    )


# ---- one print on its own --------------------------------------------------------------------


def unusual_answer(workshop: Workshop, print_id: int, now: datetime) -> PrintOnItsOwn | None:
    """What was unusual about a print against the good ones like it; None before any verdict."""
    workshop.record.prints.get(print_id)
    log = condition_log(workshop, now)
    own = next((row for row in log.rows if row.id == str(print_id)), None)
    if own is None:
        return None
    return unusual(own, log.rows, log.coverage[own.id], units=UNITS)
