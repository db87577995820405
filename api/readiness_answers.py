"""Readiness of a machine: its vat's last hours, the limit of the log, the owner's own limits."""

from __future__ import annotations

from datetime import datetime, timedelta

from api.answers import cold_answer
from api.causes import ColdAnswer
from api.conditions import DOUBTFUL
from api.prints import Window
from api.readiness import Check, LimitFrom, Readiness, VatLimit, readiness
from api.record import Kept, Limits, Machine, PrintFilter
from api.workshop import Workshop
from collector.readings import Role, Series, ms_of

#: The vat's record is looked at over this long.
LOOK_BACK = timedelta(hours=6)

#: The risk that the limit is taken at.
LEVEL = 0.20


def readiness_of(workshop: Workshop, machine_id: int, now: datetime) -> Readiness:
    """Whether a print may be started on a machine. Raises ``NotFoundError``."""
    machine = workshop.record.machines.get(machine_id)
    return _readiness(workshop, machine, cold_answer(workshop, LEVEL, now).answer, now)


def readiness_of_all(workshop: Workshop, now: datetime) -> tuple[tuple[int, Readiness], ...]:
    """The same for every machine, by its id."""
    machines = workshop.record.machines.all()
    if not machines:
        return ()
    learnt = cold_answer(workshop, LEVEL, now).answer
    return tuple((kept.id, _readiness(workshop, kept, learnt, now)) for kept in machines)


def _readiness(
    workshop: Workshop, machine: Kept[Machine], learnt: ColdAnswer, now: datetime
) -> Readiness:
    entry = machine.entry
    channel = entry.channel(Role.VAT_TEMPERATURE, now)
    vat = Series.of("", [])
    gap_limit_ms = 1
    if channel is not None:
        gap_limit_ms = workshop.gap_limit_ms(channel)
        vat = workshop.store.between(channel, ms_of(now - LOOK_BACK), ms_of(now) + 1)
        vat = vat.without(DOUBTFUL)
    last = workshop.record.prints.newest(1, only=PrintFilter(machine=machine.id))
    resin = workshop.record.resins.get(last[0].entry.resin).entry.name if last else None
    return readiness(
        entry.name,
        vat,
        ms_of(now),
        gap_limit_ms=gap_limit_ms,
        limit=limit_of(learnt, resin, entry.limits),
        curve=learnt.curve,
        checks=_checks(workshop, entry.limits, vat, gap_limit_ms, now),
    )


def limit_of(learnt: ColdAnswer, resin: str | None, limits: Limits) -> VatLimit | None:
    """The limit that counts: the resin's own, the log's, or until there is one the owner's."""
    for own in learnt.per_resin:
        if own.resin == resin and own.threshold.hi_c is not None:
            return VatLimit(own.threshold.hi_c, LimitFrom.LOG, learnt.level, resin)
    if learnt.threshold is not None and learnt.threshold.hi_c is not None:
        return VatLimit(learnt.threshold.hi_c, LimitFrom.LOG, learnt.level)
    if limits.vat_from_c is not None:
        return VatLimit(limits.vat_from_c, LimitFrom.OWNER)
    return None


def _checks(
    workshop: Workshop, limits: Limits, vat: Series, gap_limit_ms: int, now: datetime
) -> tuple[Check, ...]:
    """The owner's other limits against what is read now; what has fallen silent is not read."""
    checks = []
    if limits.vat_to_c is not None:
        fresh = len(vat) and ms_of(now) - int(vat.times_ms[-1]) <= gap_limit_ms
        value = float(vat.values[-1]) if fresh else None
        checks.append(Check("Vat", value, limits.vat_to_c, "°C", at_most=True))
    for name, role, limit, at_most in (
        ("Room humidity", Role.ROOM_HUMIDITY, limits.humidity_to_pct, True),
        ("Heat chamber", Role.CHAMBER_TEMPERATURE, limits.chamber_from_c, False),
    ):
        if limit is not None:
            value = _last(workshop, role, now)
            checks.append(Check(name, value, limit, role.unit, at_most=at_most))
    return tuple(checks)


def _last(workshop: Workshop, role: Role, now: datetime) -> float | None:
    """The last reading of the first channel of a role; None when it has fallen silent."""
    for channel in workshop.settings.channels:
        if channel.role is role:
            start = now - timedelta(milliseconds=channel.gap_limit_ms)
            series = workshop.series(channel.id, Window(start, now)).without(DOUBTFUL)
            kept = series.times_ms <= ms_of(now)
            values = series.values[kept]
            fresh = len(values) and ms_of(now) - int(series.times_ms[kept][-1])
            return float(values[-1]) if len(values) and fresh <= channel.gap_limit_ms else None
    return None
