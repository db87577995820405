"""A winter in the invented workshop: 40 prints on two machines, three that nobody wrote down.

One vat probe sat on North until the 12th of January and on South from then on; North got
another that day. What each print is told of its vat has to come from the probe that was in it.
"""

from __future__ import annotations

import math
from collections.abc import Iterator
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd
import pytest
from fastapi.testclient import TestClient

from api.answers import Workshop
from api.app import create_app
from api.record import ChannelLink, Machine, Record, Resin
from api.routes.asking import _now
from collector.channels import Channel
from collector.config import Settings
from collector.readings import Role, ms_of
from collector.store.sqlite import SqliteStore
from tests.api.print_oracle import figures, joined
from tests.stores import arrivals

BEGIN = datetime(2025, 11, 20, 18, 0, tzinfo=UTC)
MOVED = datetime(2026, 1, 12, 12, 0, tzinfo=UTC)
NOW = datetime(2026, 2, 20, 12, 0, tzinfo=UTC)
HOUR = timedelta(hours=1)
GAP_S = 300.0
NORTH, SOUTH = 1, 2
FORGOTTEN = (7, 18, 33)

#: Where each vat probe sat: machine, from, until.
PROBES = {
    "vat-1": ((NORTH, BEGIN, MOVED), (SOUTH, MOVED, NOW)),
    "vat-2": ((NORTH, MOVED, NOW),),
}
ROLES = {
    "vat-1": Role.VAT_TEMPERATURE,
    "vat-2": Role.VAT_TEMPERATURE,
    "room-temp": Role.ROOM_TEMPERATURE,
    "room-humid": Role.ROOM_HUMIDITY,
    "power-north": Role.PRINTER_POWER,
    "power-south": Role.PRINTER_POWER,
}


@dataclass(frozen=True)
class Run:
    """A print as it really was; ``level_c`` is its machine's vat."""

    number: int
    machine: int
    start: datetime
    end: datetime
    level_c: float

    @property
    def probe(self) -> str | None:
        """The probe that sat in its vat at its start."""
        for probe, places in PROBES.items():
            for machine, since, until in places:
                if machine == self.machine and since <= self.start < until:
                    return probe
        return None


def runs() -> list[Run]:
    """Forty nights, two days apart, on North and South in turn."""
    rng = np.random.default_rng(40)
    made = []
    for number in range(40):
        start = BEGIN + timedelta(days=2.2 * number, minutes=int(rng.integers(0, 90)))
        length = timedelta(minutes=float(rng.uniform(150, 420)))
        level = float(rng.uniform(16, 26))
        machine = NORTH if number % 2 else SOUTH
        made.append(Run(number, machine, start, start + length, level))
    return made


@dataclass(frozen=True)
class Winter:
    """The workshop, what really happened in it, and what its sensors said (by seconds)."""

    workshop: Workshop
    client: TestClient
    runs: list[Run]
    said: dict[str, pd.Series[float]]


def seconds(moment: datetime) -> float:
    return (moment - BEGIN).total_seconds()


def say(runs: list[Run]) -> dict[str, pd.Series[float]]:
    """Every channel round every run, the power all night where nobody wrote it down."""
    rng = np.random.default_rng(41)
    said: dict[str, list[pd.Series[float]]] = {channel: [] for channel in ROLES}
    for run in runs:
        times = np.arange(seconds(run.start - 3 * HOUR), seconds(run.end + HOUR), 75.0)
        times = np.round(times + rng.uniform(0, 30, len(times)), 3)
        wave = np.sin(times / 4_000)
        if run.number % 5 == 0:  # the radio dropped out
            hole = seconds(run.start) + 3_000
            times, wave = (part[(times < hole) | (times > hole + 1_500)] for part in (times, wave))
        for probe, places in PROBES.items():
            for machine, since, until in places:
                if since <= run.start < until:
                    # A probe tells of the vat it is in, whichever machine prints.
                    level = run.level_c if machine == run.machine else 40.0
                    said[probe].append(pd.Series(level + wave, index=times))
        said["room-temp"].append(pd.Series(11 + 2 * wave, index=times))
        said["room-humid"].append(pd.Series(60 - 9 * wave, index=times))
        if run.number in FORGOTTEN:
            night = np.arange(seconds(run.start - 3 * HOUR), seconds(run.end + 3 * HOUR), 10.0)
            prints = (night >= seconds(run.start)) & (night < seconds(run.end))
            power = np.where(prints, 48.0, 7.0) + rng.normal(0, 1, len(night))
            name = "power-north" if run.machine == NORTH else "power-south"
            said[name].append(pd.Series(power, index=night))
    return {channel: pd.concat(pieces) for channel, pieces in said.items() if pieces}


@pytest.fixture(scope="module")
def winter(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Winter]:
    folder: Path = tmp_path_factory.mktemp("winter")
    store, record = SqliteStore(folder / "readings.db"), Record(folder / "record.db")
    channels = tuple(
        Channel(id=name, role=role, topic=f"cellar/{name}", place=name)
        for name, role in ROLES.items()
    )
    workshop = Workshop(Settings(channels=channels), store, record)
    record.resins.add(Resin(name="Harbour Grey", density_g_cm3=1.12, price_per_kg=32.5))
    for machine, name in ((NORTH, "North"), (SOUTH, "South")):
        links = [ChannelLink(channel=f"power-{name.lower()}", role=Role.PRINTER_POWER)]
        for probe, places in PROBES.items():
            links += [
                ChannelLink(
                    channel=probe,
                    role=Role.VAT_TEMPERATURE,
                    since=since,
                    until=None if until == NOW else until,
                )
                for place, since, until in places
                if place == machine
            ]
        record.machines.add(Machine(name=name, channels=tuple(links)))
    happened = runs()
    said = say(happened)
    for channel, series in said.items():
        times_ms = ms_of(BEGIN) + (series.index.to_numpy() * 1_000).round().astype(int)
        rows = zip(times_ms.tolist(), series.tolist(), strict=True)
        store.append(arrivals(channel, rows))
    app = create_app(workshop)
    app.dependency_overrides[_now] = lambda: NOW
    with TestClient(app) as client:
        for run in happened:
            if run.number not in FORGOTTEN:
                made = client.post("/api/prints", json=written_down(run))
                assert made.status_code == 201
        yield Winter(workshop, client, happened, said)
    record.close()
    store.close()


def written_down(run: Run) -> dict[str, Any]:
    """A print as somebody with gloves on logs it."""
    failed = run.level_c < 18.5
    return {
        "start": run.start.isoformat(),
        "end": run.end.isoformat(),
        "resin": 1,
        "machine": run.machine,
        "settings": {"bottom_layer_count": 8, "bottom_exposure_s": 40},
        "resin_used_ml": 40,
        "parts": [
            {
                "name": "lamp collar",
                "outcome": "failed" if failed else "good",
                "modes": ["not_stuck_to_plate"] if failed else [],
                "place": "middle",
            }
        ],
    }


def dew_point(t_c: pd.Series[float], rh_pct: pd.Series[float]) -> pd.Series[float]:
    """Over water, by the coefficients of WMO Guide No. 8, Annex 4.B, written out anew."""
    gamma = (rh_pct / 100).map(math.log) + 17.62 * t_c / (243.12 + t_c)
    return 243.12 * gamma / (17.62 - gamma)


def water_in_the_air(t_c: pd.Series[float], rh_pct: pd.Series[float]) -> pd.Series[float]:
    """Absolute humidity [g/m³]: 216.679 e / T, e in hPa, T in K."""
    saturated_hpa = 6.112 * (17.62 * t_c / (243.12 + t_c)).map(math.exp)
    return 216.679 * rh_pct / 100 * saturated_hpa / (t_c + 273.15)


@pytest.fixture(scope="module")
def found(winter: Winter) -> list[dict[str, Any]]:
    """What is found in the machines' power, taken on record: with it all forty are."""
    client, waiting = winter.client, []
    since = BEGIN - timedelta(days=1)
    while since < NOW:
        until = since + timedelta(days=60)
        query = {"from": since.isoformat(), "until": until.isoformat()}
        waiting += client.get("/api/prints/found", params=query).json()["waiting"]
        since = until
    for one, number in zip(waiting, FORGOTTEN, strict=True):
        body = {
            name: value
            for name, value in written_down(winter.runs[number]).items()
            if name not in ("start", "end", "machine")
        }
        accepted = client.post(f"/api/prints/found/{one['name']}/accept", json=body)
        assert accepted.status_code == 201
    return waiting


def test_the_three_forgotten_nights_are_found_and_told(
    winter: Winter, found: list[dict[str, Any]]
) -> None:
    truth = [winter.runs[number] for number in FORGOTTEN]
    assert [one["machine"] for one in found] == [run.machine for run in truth]
    for one, run in zip(found, truth, strict=True):
        for side, moment in (("start", run.start), ("end", run.end)):
            apart = datetime.fromisoformat(one[side]) - moment
            assert abs(apart) <= timedelta(seconds=60)
    assert winter.client.get("/api/prints").json()["count"] == 40
    query = {"from": (NOW - 90 * 24 * HOUR).isoformat()}
    assert winter.client.get("/api/prints/found", params=query).json()["waiting"] == []


@pytest.mark.usefixtures("found")
def test_the_conditions_of_all_forty_equal_an_independent_calculation(winter: Winter) -> None:
    listed = winter.client.get("/api/prints", params={"limit": 100}).json()["prints"]
    assert len(listed) == 40
    by_start = sorted(listed, key=lambda one: datetime.fromisoformat(one["start"]))
    moved = {False: 0, True: 0}
    for one, run in zip(by_start, winter.runs, strict=True):
        found = winter.client.get(f"/api/prints/{one['id']}/conditions").json()
        for name in ("before_start", "first_layers", "body", "whole"):
            window = found[name]
            start_s, end_s = (
                seconds(datetime.fromisoformat(window[side])) for side in ("start", "end")
            )
            sources = {"room_temperature": "room-temp", "room_humidity": "room-humid"}
            if run.probe is not None:
                sources["vat_temperature"] = run.probe
            else:
                assert window["missing"]["vat_temperature"].startswith("no vat sensor was linked")
            assert set(window["measured"]) == set(sources)
            for role, channel in sources.items():
                limits = {"below": 18.0, "above": 35.0} if channel.startswith("vat") else {}
                told = window["measured"][role]
                assert told["channel"] == channel
                series = winter.said[channel]
                for figure, value in figures(series, start_s, end_s, GAP_S, **limits).items():
                    assert told[figure] == pytest.approx(value, rel=1e-9, abs=1e-9), (name, figure)
            if run.probe is not None:
                above = joined(
                    winter.said[run.probe],
                    winter.said["room-temp"],
                    (GAP_S, GAP_S),
                    lambda vat, room: vat - room,
                )
                expected = figures(above, start_s, end_s, GAP_S)
                told = window["derived"]["vat_minus_room"]
                assert told["mean"] == pytest.approx(expected["mean"], rel=1e-9)
            air = (winter.said["room-temp"], winter.said["room-humid"])
            for quantity, formula in (
                ("dew_point", dew_point),
                ("absolute_humidity", water_in_the_air),
            ):
                expected = figures(joined(*air, (GAP_S, GAP_S), formula), start_s, end_s, GAP_S)
                told = window["derived"][quantity]
                for figure, value in expected.items():
                    assert told[figure] == pytest.approx(value, rel=1e-9, abs=1e-9), quantity
            assert window["not_derived"]["frost_point"].startswith("the dew point stayed above")
        if run.probe is not None:
            moved[run.start >= MOVED] += 1
            # The other machine's vat stood at 40 °C: a probe attributed wrongly would show it.
            assert found["vat"]["value_c"] == pytest.approx(run.level_c, abs=1.5)
    # Before the move only North had a probe, after it both.
    assert moved == {
        False: sum(run.start < MOVED and run.machine == NORTH for run in winter.runs),
        True: sum(run.start >= MOVED for run in winter.runs),
    }
    assert min(moved.values()) > 8


@pytest.mark.usefixtures("found")
def test_two_people_at_one_print_overwrite_nothing(winter: Winter) -> None:
    first = winter.client.get("/api/prints", params={"limit": 1}).json()["prints"][0]
    address, tag = f"/api/prints/{first['id']}", {"If-Match": f'"{first["revision"]}"'}
    mine = winter.client.patch(address, json={"note": "draught from the stairs"}, headers=tag)
    assert mine.status_code == 200
    theirs = winter.client.patch(address, json={"note": "lid left open"}, headers=tag)
    assert theirs.status_code == 409
    assert "Nothing was overwritten" in theirs.json()["remedy"]
    assert winter.client.get(address).json()["note"] == "draught from the stairs"


@pytest.mark.usefixtures("found")
def test_the_winters_table_is_never_taken_twice(winter: Winter) -> None:
    table = winter.client.get("/api/prints/export").text
    twice = winter.client.post("/api/prints/import?own=true", content=table.encode())
    assert twice.status_code == 422
    assert "40 of 40 rows" in twice.json()["detail"]
    assert winter.client.get("/api/prints").json()["count"] == 40
