"""A soak run under way over a real broker while everything of ours is killed ten times."""

from __future__ import annotations

import contextlib
import csv
import math
import random
import subprocess
import sys
import threading
import time
import urllib.request
from collections.abc import Iterator
from datetime import UTC, datetime, timedelta
from pathlib import Path

import numpy as np
import pytest

from api.record import LoggedLook, Record
from api.soak.engine import fold
from api.soak.events import Ended, LookTaken, Started, Trace, in_order
from api.soak.program import Finding, Program, SoakRun, Specimen, Step
from api.soak.verdict import verdicts
from api.soak_answers import soak_state
from api.workshop import Workshop
from collector.channels import Channel
from collector.config import Settings, StoreSettings
from collector.readings import Role, ms_of
from collector.replay import replay
from collector.store.sqlite import SqliteStore
from tests.brokers import (
    CollectorProcess,
    broker_settings,
    free_port,
    mosquitto,
    wait_for_count,
    wait_until,
)
from tests.recordings import recording

pytestmark = pytest.mark.services

START = datetime(2026, 1, 14, 9, 0, tzinfo=UTC)
EVERY_S = 10
LENGTH_S = 3 * 3_600
KILLS_N = 10
#: The three hours are played in about so long [s]; ten kills fall into it.
PLAYED_S = 20.0

CHAMBER = Channel(
    id="chamber",
    place="Heat chamber",
    role=Role.CHAMBER_TEMPERATURE,
    topic="cellar/chamber",
    value="/value",
    time="/at",
)
SETTINGS = """
[store]
folder = "kept"
[[channel]]
id = "chamber"
place = "Heat chamber"
role = "chamber_temperature"
topic = "cellar/chamber"
value = "/value"
time = "/at"
"""
PROGRAM = Program(
    name="Two hours",
    steps=(Step(setpoint_c=50, dwell_min=60), Step(setpoint_c=60, dwell_min=60)),
)
#: When each piece was looked at, and what was seen.
LOOKS = (
    (4_600, "amber 1", Finding.SOUND),
    (4_610, "willow 1", Finding.SOUND),
    (9_700, "willow 1", Finding.SAGGED),
    (9_720, "amber 1", Finding.SOUND),
)


def chamber_c(at_s: int) -> float:
    """Up to 50 °C, an excursion of some minutes, at 4,700 s on to 60 °C, with a ripple."""
    setpoint = 50.0 if at_s < 4_700 else 60.0
    begun = 0 if at_s < 4_700 else 4_700
    from_c = 20.0 if begun == 0 else 50.0
    value = setpoint - (setpoint - from_c) * math.exp(-(at_s - begun) / 240)
    if 2_400 <= at_s < 2_700:
        value -= 4.0
    return round(value + 0.3 * math.sin(at_s / 70), 3)


def rows() -> list[tuple[int, float]]:
    """Seconds from the start, and temperature."""
    return [(at_s, chamber_c(at_s)) for at_s in range(0, LENGTH_S + 1, EVERY_S)]


@contextlib.contextmanager
def serving(settings_path: Path, port: int) -> Iterator[list[subprocess.Popen[bytes]]]:
    """``vatside serve`` as a process that can be killed and started anew."""
    running: list[subprocess.Popen[bytes]] = [serve(settings_path, port)]
    try:
        yield running
    finally:
        running[0].kill()
        running[0].wait(20)


def serve(settings_path: Path, port: int) -> subprocess.Popen[bytes]:
    """The api and the pages."""
    command = [sys.executable, "-m", "dashboards.cli", "serve"]
    return subprocess.Popen(
        [*command, "--settings", str(settings_path), "--port", str(port)],
        stdout=subprocess.DEVNULL,
        stderr=subprocess.DEVNULL,
    )


def answers(port: int) -> bool:
    """Whether the run can be asked for."""
    try:
        address = f"http://127.0.0.1:{port}/api/soaks/1/state"
        with urllib.request.urlopen(address, timeout=5) as reply:
            return bool(reply.status == 200)
    except OSError:
        return False


def test_killed_ten_times_within_one_run(tmp_path: Path) -> None:
    path = tmp_path / "chamber.csv"
    with path.open("w", newline="") as file:
        writer = csv.writer(file)
        writer.writerow(("time", "chamber"))
        writer.writerows((int(START.timestamp()) + at_s, value) for at_s, value in rows())
    settings_path = tmp_path / "vatside.toml"
    settings_path.write_text(SETTINGS)
    settings = Settings(store=StoreSettings(tmp_path / "kept"), channels=(CHAMBER,))
    settings.store.folder.mkdir()
    specimens = ("amber 1", "willow 1")
    run = SoakRun(
        name="Under fire",
        program=PROGRAM,
        chamber_channels=("chamber",),
        specimens=tuple(Specimen(name=name) for name in specimens),
        started=START,
    )
    port, chance = free_port(), random.Random(7)
    with (
        contextlib.closing(Record(settings.store.record_path)) as record,
        mosquitto(tmp_path / "broker") as broker,
        CollectorProcess(settings_path, broker.url) as collector,
        serving(settings_path, port) as pages,
    ):
        record.soaks.add(run)
        collector.wait_until_listening()
        played = threading.Thread(
            target=replay,
            args=(path, {"chamber": "chamber"}, settings),
            kwargs={
                "broker": broker_settings(broker.url),
                "speed": LENGTH_S / PLAYED_S,
                "time_column": "time",
            },
        )
        played.start()
        looks = list(LOOKS)
        for _ in range(KILLS_N):
            time.sleep(chance.uniform(0.5, 1.5))
            collector.kill()
            pages[0].kill()
            pages[0].wait(20)
            # What people do goes on record meanwhile; the record outlives both.
            if looks:
                log_look(record, *looks.pop(0))
            collector.start()
            pages[0] = serve(settings_path, port)
        assert played.is_alive() or not looks
        played.join(120)
        for look in looks:
            log_look(record, *look)
        with SqliteStore(settings.store.readings_path, read_only=True) as store:
            wait_for_count(store, len(rows()))
        wait_until(lambda: answers(port), "the pages answer", 60)
        record.soaks.change(
            1, run.model_copy(update={"ended": START + timedelta(seconds=LENGTH_S)})
        )
        with SqliteStore(settings.store.readings_path, read_only=True) as store:
            found = soak_state(Workshop(settings, store, record), 1, datetime.now(UTC))
        assert collector.stop() == 0

    times = np.array([ms_of(START) + at_s * 1_000 for at_s, _ in rows()])
    values = np.array([value for _, value in rows()])
    marks = [LookTaken(ms_of(START) + at_s * 1_000, name, seen) for at_s, name, seen in LOOKS]
    told = in_order(
        Started(ms_of(START), specimens=specimens, probes=("chamber",)),
        [Trace(times, values, "chamber")],
        [*marks, Ended(ms_of(START) + LENGTH_S * 1_000)],
    )
    without = fold(PROGRAM, told)
    assert found.verdicts == verdicts(without)
    assert found.state.steps == without.steps
    assert found.state.excursions == without.excursions
    assert len(without.excursions) >= 1
    assert [one.highest_step_held for one in found.verdicts] == [2, 1]


def log_look(record: Record, at_s: int, specimen: str, finding: Finding) -> None:
    """Put a look on record."""
    record.looks.add(
        LoggedLook(soak=1, specimen=specimen, time=START + timedelta(seconds=at_s), finding=finding)
    )


@pytest.mark.recordings
def test_a_cooling_mug_over_a_broker_is_folded_as_from_its_file(tmp_path: Path) -> None:
    """mosaicData CoolingWater, 222 one-minute readings, played as a chamber going down."""
    with recording("cooling_water.csv").open(newline="") as file:
        cooled = [(float(row["time"]), float(row["temp"])) for row in csv.DictReader(file)]
    path = tmp_path / "mug.csv"
    with path.open("w", newline="") as file:
        writer = csv.writer(file)
        writer.writerow(("time", "chamber"))
        writer.writerows((int(START.timestamp() + 60 * at), value) for at, value in cooled)
    settings_path = tmp_path / "vatside.toml"
    settings_path.write_text(SETTINGS)
    settings = Settings(store=StoreSettings(tmp_path / "kept"), channels=(CHAMBER,))
    settings.store.folder.mkdir()
    program = Program(
        name="down",
        steps=tuple(
            Step(setpoint_c=c, tolerance_k=k, dwell_min=d)
            for c, k, d in ((70, 5, 5.0), (50, 5, 12.0), (35, 5, 100.0))
        ),
    )
    run = SoakRun(
        name="A mug",
        program=program,
        chamber_channels=("chamber",),
        started=START,
        ended=START + timedelta(minutes=cooled[-1][0]),
    )
    with (
        contextlib.closing(Record(settings.store.record_path)) as record,
        mosquitto(tmp_path / "broker") as broker,
        CollectorProcess(settings_path, broker.url) as collector,
    ):
        record.soaks.add(run)
        collector.wait_until_listening()
        replay(
            path,
            {"chamber": "chamber"},
            settings,
            broker=broker_settings(broker.url),
            time_column="time",
        )
        with SqliteStore(settings.store.readings_path, read_only=True) as store:
            wait_for_count(store, len(cooled))
            found = soak_state(Workshop(settings, store, record), 1, datetime.now(UTC))
        assert collector.stop() == 0
    # By looking into the file: 50 ± 5 °C from minute 35 on for 12 minutes, 35 ± 5 °C from 80
    # to 152.
    steps, minute = found.state.steps, 60_000
    assert steps[1].settled_ms == ms_of(START) + 35 * minute
    assert steps[1].done_ms == ms_of(START) + 47 * minute
    assert steps[2].dwell_ms == 72 * minute
