"""Runs found in the power wait for a verdict until one is given, and are never made of a gap."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import UTC, datetime, timedelta
from typing import Any

import numpy as np
import pytest
from fastapi.testclient import TestClient

from api.answers import Workshop
from api.found_prints import NO_POWER, accept_found, dismiss_found, found_prints
from api.prints import Print
from api.record import ChannelLink, Machine
from api.routes.asking import _now
from collector.errors import ConflictError, InvalidError, NotFoundError
from collector.readings import Role, ms_of
from tests.stores import arrivals
from tests.workshops import APPS

EVENING = datetime(2026, 1, 14, 19, 30, tzinfo=UTC)
NOW = EVENING + timedelta(hours=14)
HOUR = timedelta(hours=1)
NIGHT = (EVENING, EVENING + 7 * HOUR)


def plug(workshop: Workshop, machine: int, channel: str, since: datetime | None = None) -> None:
    """Give a machine a power channel, beside what it has."""
    kept = workshop.record.machines.get(machine)
    link = ChannelLink(channel=channel, role=Role.PRINTER_POWER, since=since)
    channels = (*kept.entry.channels, link)
    workshop.record.machines.change(machine, kept.entry.model_copy(update={"channels": channels}))


def power(
    workshop: Workshop,
    channel: str,
    runs: Sequence[tuple[datetime, datetime]],
    *,
    start: datetime = EVENING - 4 * HOUR,
    end: datetime = NOW,
    gaps: Sequence[tuple[datetime, datetime]] = (),
) -> None:
    """Readings every 10 s: some 45 W in a run, 8 W at rest, none in a gap."""
    rng = np.random.default_rng(3)
    moments = [start + timedelta(seconds=10 * n) for n in range(int((end - start) / HOUR * 360))]
    rows = []
    for moment in moments:
        if any(a <= moment < b for a, b in gaps):
            continue
        level = 45.0 if any(a <= moment < b for a, b in runs) else 8.0
        rows.append((ms_of(moment), level + float(rng.normal(0, 1))))
    workshop.received.append(arrivals(channel, rows))


@pytest.fixture
def found_night(workshop: Workshop) -> Workshop:
    """A night on which North printed and nobody wrote it down."""
    plug(workshop, 1, "power-north")
    power(workshop, "power-north", [NIGHT])
    return workshop


def test_a_night_nobody_logged_waits_for_a_verdict(found_night: Workshop) -> None:
    found = found_prints(found_night, NOW)
    (run,) = found.waiting
    assert abs(run.start - NIGHT[0]) <= timedelta(seconds=60)
    assert run.end is not None
    assert abs(run.end - NIGHT[1]) <= timedelta(seconds=60)
    assert (run.machine, run.channel, run.running, run.cut_short) == (
        1,
        "power-north",
        False,
        False,
    )
    assert run.start_certain
    assert run.end_certain
    assert found.refusals == {2: NO_POWER}
    assert found_prints(found_night, NOW, machine=2).waiting == ()
    assert found_prints(found_night, EVENING - HOUR).waiting == ()
    assert found_prints(found_night, NOW, since=NOW - HOUR).waiting == ()


def test_what_is_on_record_is_not_found_again(found_night: Workshop) -> None:
    add, take = found_night.record.prints.add, found_night.record.prints.delete
    base = {"resin": 1, "machine": 1}
    for fields, waits in (
        ({"start": EVENING + timedelta(minutes=12), "end": NIGHT[1]}, 0),
        ({"start": EVENING + timedelta(minutes=20)}, 0),  # still running, as far as one knows
        ({"start": EVENING, "parts": [{"name": "a", "outcome": "good"}]}, 0),  # no end noted
        ({"start": EVENING - 3 * HOUR, "end": EVENING + timedelta(minutes=5)}, 1),  # the one before
        ({"start": EVENING, "end": NIGHT[1], "machine": 2}, 1),  # another machine
        ({"start": EVENING, "order_only": True}, 1),  # only its order is known
    ):
        kept = add(Print.model_validate({**base, **fields}))
        assert len(found_prints(found_night, NOW).waiting) == waits, fields
        take(kept.id)


def test_accepting_makes_the_print_once(found_night: Workshop) -> None:
    (run,) = found_prints(found_night, NOW).waiting
    fields: dict[str, Any] = {
        "resin": 2,
        "parts": [{"name": "a", "outcome": "failed", "modes": ["warped"]}],
    }
    kept = accept_found(found_night, run.name, fields, NOW)
    assert (kept.entry.start, kept.entry.end, kept.entry.machine) == (run.start, run.end, 1)
    assert kept.entry.failed_share == 1
    assert accept_found(found_night, run.name, fields, NOW + HOUR).id == kept.id
    assert found_prints(found_night, NOW).waiting == ()
    with pytest.raises(NotFoundError):
        dismiss_found(found_night, run.name, "", NOW)
    with pytest.raises(InvalidError, match="taken from the power"):
        accept_found(found_night, run.name, {**fields, "end": None}, NOW)
    for name in ("1-5", "2-1768419000000", "nonsense", "1-" + "9" * 15):
        with pytest.raises(NotFoundError):
            accept_found(found_night, name, fields, NOW)


def test_a_verdict_that_makes_no_sense_keeps_nothing(found_night: Workshop) -> None:
    (run,) = found_prints(found_night, NOW).waiting
    wrong: list[tuple[dict[str, Any], str]] = [
        ({}, "resin"),
        ({"resin": 9}, "resin"),
        ({"resin": 1, "x": 1}, "x"),
    ]
    for fields, where in wrong:
        with pytest.raises(InvalidError) as fault:
            accept_found(found_night, run.name, fields, NOW)
        assert fault.value.where == where
    assert found_night.record.prints.all() == []


def test_dismissing_is_kept_and_can_be_taken_back(found_night: Workshop) -> None:
    (run,) = found_prints(found_night, NOW).waiting
    kept = dismiss_found(found_night, run.name, "levelled the plate", NOW)
    assert dismiss_found(found_night, run.name, "again", NOW).id == kept.id
    assert found_prints(found_night, NOW).waiting == ()
    found_night.record.dismissals.delete(kept.id)
    assert len(found_prints(found_night, NOW).waiting) == 1
    assert [r.change for r in found_night.record.dismissals.revisions(kept.id)] == ["deleted"]


def test_a_print_that_still_runs_is_found_without_an_end(workshop: Workshop) -> None:
    plug(workshop, 1, "power-north")
    now = EVENING + 3 * HOUR
    power(workshop, "power-north", [NIGHT], end=now)
    (run,) = found_prints(workshop, now).waiting
    assert (run.end, run.running, run.end_certain) == (None, True, False)
    with pytest.raises(ConflictError, match="has not ended"):
        dismiss_found(workshop, run.name, "", now)
    # Hours later, with no further reading, nobody can say that it still runs.
    (stale,) = found_prints(workshop, now + 3 * HOUR).waiting
    assert (stale.end, stale.running) == (None, False)
    assert accept_found(workshop, run.name, {"resin": 1}, now).entry.end is None


def test_nothing_is_made_of_a_gap_and_its_edges_are_told(workshop: Workshop) -> None:
    plug(workshop, 1, "power-north")
    plug(workshop, 2, "power-south")
    power(workshop, "power-north", [NIGHT], gaps=[(EVENING - HOUR, EVENING + HOUR)])
    power(workshop, "power-south", [], gaps=[NIGHT])
    found = found_prints(workshop, NOW)
    (run,) = found.waiting
    assert (run.machine, run.start_certain, run.end_certain) == (1, False, True)
    assert abs(run.start - (EVENING + HOUR)) <= timedelta(seconds=60)


def test_a_plug_that_moved_tells_of_the_machine_it_was_on(workshop: Workshop) -> None:
    moved = EVENING + 9 * HOUR
    later = (moved + HOUR, moved + 3 * HOUR)
    power(workshop, "power-1", [NIGHT, later])
    north = workshop.record.machines.get(1).entry
    early = ChannelLink(channel="power-1", role=Role.PRINTER_POWER, until=moved)
    workshop.record.machines.change(1, Machine(name=north.name, channels=(*north.channels, early)))
    plug(workshop, 2, "power-1", since=moved)
    found = found_prints(workshop, NOW).waiting
    assert [
        (run.machine, abs(run.start - at) < timedelta(minutes=1))
        for run, at in zip(found, (NIGHT[0], later[0]), strict=True)
    ] == [(1, True), (2, True)]


def test_the_verdicts_go_over_http(found_night: Workshop) -> None:
    with APPS.lent(found_night) as app, TestClient(app) as client:
        app.dependency_overrides[_now] = lambda: NOW
        found = client.get("/api/prints/found").json()
        (run,) = found["waiting"]
        assert found["refusals"] == {"2": NO_POWER}
        dismissed = client.post(f"/api/prints/found/{run['name']}/dismiss", json={"note": "test"})
        assert dismissed.status_code == 201
        address = dismissed.headers["Location"]
        assert client.get(address).json()["note"] == "test"
        assert len(client.get("/api/prints/found/dismissed").json()) == 1
        assert client.get("/api/prints/found").json()["waiting"] == []
        assert client.delete(address).status_code == 204
        assert client.get(f"{address}/revisions").json()[0]["change"] == "deleted"
        accepted = client.post(f"/api/prints/found/{run['name']}/accept", json={"resin": 1})
        assert accepted.status_code == 201
        assert client.get(accepted.headers["Location"]).json()["start"] == run["start"]
        assert client.post("/api/prints/found/1-1/accept", json={"resin": 1}).status_code == 404
        assert client.post(f"/api/prints/found/{run['name']}/accept", json={}).status_code == 201
        far = client.get("/api/prints/found", params={"from": "2025-01-01T00:00:00Z"})
        assert far.status_code == 422
