"""The Health page: is everything accounted for, does every sensor speak, what was refused."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime
from typing import Any

from fastapi import APIRouter
from fastapi.responses import HTMLResponse

from api.health import ChannelHealth, Health, ShownBytes, health_now, shown
from collector.clocks import Condition
from collector.readings import moment_of, ms_of
from collector.status import CollectorStatus
from collector.store.contract import Accounts, HandOver, RefusedMessage
from dashboards import words
from dashboards.pages.workshop import WorkshopHere
from dashboards.sheet import Now, SheetsHere
from dashboards.traces import label_of

router = APIRouter(include_in_schema=False)

#: Clock conditions that a person should look at.
CLOCK_TROUBLE = (Condition.AHEAD, Condition.BEHIND, Condition.AT_1970)


#: Refused messages about prints that the page shows; all are on a page of their own.
REFUSED_PRINTS_N = 3


@dataclass(frozen=True, slots=True)
class Sum:
    """One account as a sum: received = stored + seen before + refused."""

    of: str
    received: int
    stored: int
    duplicate: int
    refused: int


@dataclass(frozen=True, slots=True)
class Line:
    """One channel as the page tells it; ``facts`` are its further figures by label."""

    id: str
    label: str
    value: str
    unit: str
    age: str
    silent: bool
    facts: dict[str, str]


@dataclass(frozen=True, slots=True)
class Refused:
    """A refused message as the page tells it."""

    number: int
    moment: datetime
    topic: str
    reason: str
    payload: ShownBytes


@router.get("/health")
def health(workshop: WorkshopHere, sheets: SheetsHere, now: Now) -> HTMLResponse:
    """The whole page; it stands even when the store or the collector does not."""
    found = health_now(workshop, now)
    return sheets.page(
        "health.html",
        "/health",
        now,
        found=found,
        summing_up=summing_up(found),
        collector=collector_facts(found),
        sums=sums_of(found.accounts),
        lines=[line_of(one, now) for one in found.channels],
        refused=[refused_of(one) for one in found.refused],
        refused_prints=workshop.record.refused_prints.waiting(REFUSED_PRINTS_N),
        refused_prints_n=workshop.record.refused_prints.waiting_n(),
    )


@router.get("/health/now")
def health_texts(workshop: WorkshopHere, now: Now) -> dict[str, Any]:
    """What changes from moment to moment, in words; asked for by the live script."""
    found = health_now(workshop, now, refused_n=0)
    texts: dict[str, str] = summing_up(found)
    marks: dict[str, bool] = {}
    for line in (line_of(one, now) for one in found.channels):
        texts |= {f"value-{line.id}": line.value, f"age-{line.id}": line.age}
        texts |= {f"{name_of(label)}-{line.id}": text for label, text in line.facts.items()}
        marks[line.id] = line.silent
    texts |= {f"collector-{name_of(k)}": text for k, text in collector_facts(found).items()}
    for one in sums_of(found.accounts):
        for part in ("received", "stored", "duplicate", "refused"):
            texts[f"{one.of.lower()}-{part}"] = f"{getattr(one, part):,}"
    return {"texts": texts, "marks": marks}


def refused_of(one: RefusedMessage) -> Refused:
    """A refused message with its bytes as they can be shown."""
    moment = moment_of(one.received_ms)
    return Refused(one.number, moment, one.topic, one.reason, shown(one.payload))


def name_of(label: str) -> str:
    """A label as part of a name: ``Last 24 hours`` is ``last-24-hours``."""
    return label.lower().replace(" ", "-")


def sums_of(accounts: Accounts | None) -> list[Sum]:
    """Both accounts as sums; none while the store cannot be read."""
    if accounts is None:
        return []
    return [
        Sum(
            of.capitalize(),
            *(
                getattr(accounts, f"{of}_{part}")
                for part in ("received", "stored", "duplicate", "refused")
            ),
        )
        for of in ("messages", "readings")
    ]


def summing_up(found: Health) -> dict[str, str]:
    """The heading and the sentences that say at once how things are, a line each."""
    said = troubles(found)
    if not said:
        overdue = [label_of(one.now.channel) for one in found.channels if one.overdue]
        sensors = f"overdue are only {', '.join(overdue)}" if overdue else "every sensor speaks"
        well = f"Every message is accounted for, the collector is at work, and {sensors}."
        return {"headline": "All is well", "troubles": well}
    return {"headline": "To look at", "troubles": "\n".join(said)}


def troubles(found: Health) -> list[str]:
    """What a person should look at, the gravest first, as sentences."""
    said: list[str] = []
    if found.store_fault:
        said.append(f"The readings cannot be read: {found.store_fault}")
    if found.accounts and not found.accounts.balanced:
        said.append("The accounts do not add up: something was lost or counted wrongly.")
    said += _collector_troubles(found)
    said += _hand_over_troubles(found)
    told = [one for one in found.channels if not (found.store_fault and one.quiet_s is None)]
    for one in told:
        name = label_of(one.now.channel)
        if one.silent:
            length = "" if one.quiet_s is None else f" for {words.length(one.quiet_s)}"
            said.append(f"{name} has {'been silent' + length if length else 'never spoken'}.")
        if one.clock.condition in CLOCK_TROUBLE:
            said.append(f"The clock of {name} is {_clock(one, found.moment)}.")
    return said


def _collector_troubles(found: Health) -> list[str]:
    status, now = found.collector, found.moment
    if status is None:
        return ["No collector has been at work here yet."]
    if status.stopped:
        return [f"The collector was stopped, {words.moment(moment_of(status.at_ms), now)}."]
    if found.away:
        return [f"The collector has been away since {words.moment(moment_of(status.at_ms), now)}."]
    said = []
    if status.store_fault:
        since_ms = status.store_fault_since_ms or status.at_ms
        since = words.moment(moment_of(since_ms), now)
        said.append(f"The collector cannot store since {since}: {status.store_fault}")
    if status.link_fault:
        said.append(f"The link to the broker is down: {status.link_fault}")
    elif not status.subscribed:
        said.append("The collector is still connecting to the broker.")
    if status.let_go_n:
        said.append(f"{status.let_go_n:,} messages at QoS 0 found no room and were let go.")
    return said


def _hand_over_troubles(found: Health) -> list[str]:
    waiting = found.hand_over
    if waiting is None:
        return []
    if waiting.fault:
        return [f"InfluxDB takes no readings: {waiting.fault} {_waiting(waiting, found.moment)}."]
    if found.away and waiting.messages_n:
        return [f"InfluxDB: {_waiting(waiting, found.moment)}, until the collector is at work."]
    return []


def _waiting(waiting: HandOver, now: datetime) -> str:
    if waiting.since_ms is None:
        return "Nothing waits for it"
    since = words.moment(moment_of(waiting.since_ms), now)
    readings = f"{waiting.readings_n:,} reading{'' if waiting.readings_n == 1 else 's'}"
    return f"{readings} on disk for it since {since}"


def collector_facts(found: Health) -> dict[str, str]:
    """The collector's state by label; empty when none was ever seen."""
    status, now = found.collector, found.moment
    if status is None:
        return {}
    since = words.moment(moment_of(status.link_since_ms), now)
    facts = {
        "State": _state(found, status),
        "Link to the broker": _link(status, since),
        "Broker": status.broker_url,
        "Lag": "–" if status.lag_ms is None else _lag(status.lag_ms / 1_000),
        "Waiting": f"{words.count(status.waiting_n, 'message')}, {status.in_hand_n} in hand",
        "Store": status.store_fault or "takes readings",
        "This run": f"{status.stored:,} stored, {status.duplicate:,} seen before, "
        f"{status.conflict:,} in conflict, {status.refused:,} refused",
    }
    if found.hand_over is not None:
        ends = ", not tried any more" if found.hand_over.stopped else ", tried again and again"
        facts["InfluxDB"] = _waiting(found.hand_over, now) + (ends if found.hand_over.fault else "")
    return facts


def _state(found: Health, status: CollectorStatus) -> str:
    told = words.moment(moment_of(status.at_ms), found.moment)
    if status.stopped:
        return f"stopped, {told}"
    if found.away:
        return f"away since {told}"
    started = words.moment(moment_of(status.started_ms), found.moment)
    return f"at work since {started}"


def _link(status: CollectorStatus, since: str) -> str:
    if status.link_fault:
        return f"down since {since}: {status.link_fault}"
    if status.subscribed:
        return f"up since {since}"
    return f"connecting since {since}"


def _lag(seconds: float) -> str:
    return f"{seconds * 1_000:.0f} ms" if seconds < 10 else words.length(seconds)


def line_of(one: ChannelHealth, now: datetime) -> Line:
    """One channel in words."""
    channel, reading = one.now.channel, one.now.reading
    if one.quiet_s is None:
        age = "Never heard"
    elif one.silent:
        age = f"Silent for {words.length(one.quiet_s)}"
    else:
        age = words.age(one.quiet_s) + (", overdue" if one.overdue else "")
    facts = {
        "Last reading": words.moment(moment_of(reading.time_ms) if reading else None, now),
        "Expected": _expected(one),
        "Clock": _clock(one, now),
        "Last 24 hours": _marks(one),
        "Conflicts": "not known" if one.conflicts_n is None else f"{one.conflicts_n:,}",
    }
    if one.removed:
        facts["Taken out"] = "; ".join(words.taken_out(each, now) for each in one.removed)
    status = one.status
    if status.battery is not None:
        facts["Battery, as sent"] = f"{status.battery:g}".replace("-", words.MINUS)
    if status.radio is not None:
        facts["Radio, as sent"] = f"{status.radio:g}".replace("-", words.MINUS)
    return Line(
        id=channel.id,
        label=label_of(channel),
        value=words.value(reading.value if reading else None, channel.role.unit),
        unit=channel.role.unit,
        age=age,
        silent=one.silent,
        facts=facts,
    )


def _expected(one: ChannelHealth) -> str:
    if one.interval_s is None:
        return "not known yet"
    length = f"{one.interval_s:.1f} s" if one.interval_s < 10 else words.length(one.interval_s)
    return f"every {length}, {'as set' if one.interval_set else 'learned'}"


def _clock(one: ChannelHealth, now: datetime) -> str:
    if not one.now.channel.dated and one.clock.condition is Condition.NOT_MEASURED:
        return "sends no time"
    zone = words.local(now).tzinfo
    assert zone is not None
    now_ms = ms_of(now)
    said = one.clock.words(now_ms, zone)
    step = one.clock.step
    return said if step is None else f"{said}; {step.words(now_ms, zone)}"


def _marks(one: ChannelHealth) -> str:
    if not one.marks:
        return "no doubts"
    return ", ".join(f"{count:,} {words.MARKS[mark]}" for mark, count in one.marks.items())
