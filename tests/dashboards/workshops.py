"""A small workshop for page tests: the invented cellar with a day of readings and a few prints.

Times hang on ``NOW``. North's vat sensor lost two hours in the night; South's has been silent
since noon; the chamber is hot.
"""

from __future__ import annotations

import math
import shutil
from collections.abc import Iterable, Sequence
from datetime import UTC, datetime, timedelta
from pathlib import Path

from api.answers import Workshop
from api.prints import FailureMode, Outcome, Part, Print, Settings
from api.record import ChannelLink, LoggedLook, Machine, Record, Resin
from api.soak.program import READY_MADE, Finding, Program, SoakRun, Specimen, Step
from collector.channels import Channel
from collector.config import PagesSettings, StoreSettings
from collector.config import Settings as VatsideSettings
from collector.readings import Reading, Role, ms_of
from collector.store.contract import Arrival
from collector.store.sqlite import SqliteStore

NOW = datetime(2026, 1, 14, 15, 0, tzinfo=UTC)

CHANNELS = (
    Channel(id="vat-north", place="North vat", role=Role.VAT_TEMPERATURE, topic="cellar/north"),
    Channel(id="vat-south", place="South vat", role=Role.VAT_TEMPERATURE, topic="cellar/south"),
    Channel(id="room-temp", place="Cellar", role=Role.ROOM_TEMPERATURE, topic="cellar/temp"),
    Channel(id="room-humidity", place="Cellar", role=Role.ROOM_HUMIDITY, topic="cellar/rh"),
    Channel(id="chamber", place="Heat chamber", role=Role.CHAMBER_TEMPERATURE, topic="bench"),
)

RESINS = ("Harbour Grey", "Kiln Amber", "Willow", "Fathom Clear")


def settings_in(folder: Path, channels: Iterable[Channel] = CHANNELS) -> VatsideSettings:
    """Settings with these channels whose store lies in a folder."""
    return VatsideSettings(
        broker=None,
        store=StoreSettings(folder),
        pages=PagesSettings(),
        channels=tuple(channels),
    )


def empty_workshop(folder: Path, channels: Iterable[Channel] = CHANNELS) -> Workshop:
    """A workshop in which nothing has happened yet."""
    settings = settings_in(folder, channels)
    folder.mkdir(parents=True, exist_ok=True)
    store = SqliteStore(settings.store.readings_path)
    return Workshop(settings, store, Record(settings.store.record_path))


def filled_workshop(folder: Path, now: datetime = NOW) -> Workshop:
    """The cellar workshop at ``now``."""
    workshop = empty_workshop(folder)
    _fill_readings(workshop, now)
    with workshop.record.transaction():  # one flush to disk instead of fifty
        _fill_record(workshop, now)
    return workshop


def copied_workshop(folder: Path, pattern: Path) -> Workshop:
    """A workshop of its own in ``folder``, as it stands in the folder of a closed one."""
    shutil.copytree(pattern, folder, dirs_exist_ok=True)
    return empty_workshop(folder)


def close(workshop: Workshop) -> None:
    """Let go of its files."""
    workshop.store.close()
    workshop.record.close()


def append(workshop: Workshop, channel: str, rows: Iterable[tuple[datetime, float]]) -> None:
    """Keep readings of one channel, a message each."""
    arrivals = [
        Arrival(f"cellar/{channel}", ms_of(at), (Reading(channel, ms_of(at), value),))
        for at, value in rows
    ]
    workshop.received.append(arrivals)


def run_in_the_power(
    workshop: Workshop,
    now: datetime = NOW,
    *,
    runs: Sequence[tuple[datetime, datetime]] | None = None,
    gaps: Sequence[tuple[datetime, datetime]] = (),
    off_from: datetime | None = None,
) -> None:
    """Give South (machine 2) a power channel with runs: 45 W printing, 8 W at rest, a minute each.

    Without ``runs`` it ran over the night; from ``off_from`` on it takes nothing at all.
    """
    night = (now - timedelta(hours=17, minutes=56), now - timedelta(hours=10, minutes=19))
    runs = [night] if runs is None else runs
    kept = workshop.record.machines.get(2)
    link = ChannelLink(channel="power-south", role=Role.PRINTER_POWER)
    channels = (*kept.entry.channels, link)
    workshop.record.machines.change(2, kept.entry.model_copy(update={"channels": channels}))
    rows = []
    for minute in range(30 * 60):
        at = now - timedelta(hours=30) + timedelta(minutes=minute)
        if any(a <= at < b for a, b in gaps):
            continue
        running = any(a <= at < b for a, b in runs)
        off = off_from is not None and at >= off_from
        rows.append((at, 45.0 if running else 0.0 if off else 8.0))
    append(workshop, "power-south", rows)


def _fill_readings(workshop: Workshop, now: datetime) -> None:
    minutes = [now - timedelta(minutes=m) for m in range(36 * 60, -1, -1)]
    hours_ago = [(now - at).total_seconds() / 3_600 for at in minutes]

    def swing(base: float, depth: float) -> list[tuple[datetime, float]]:
        return [
            (at, round(base + depth * math.cos(ago / 24 * 2 * math.pi), 2))
            for at, ago in zip(minutes, hours_ago, strict=True)
        ]

    lost = (now - timedelta(hours=12), now - timedelta(hours=10))
    silent_since = now - timedelta(hours=3)
    north = [row for row in swing(21.4, 1.8) if not lost[0] < row[0] < lost[1]]
    south = [row for row in swing(20.1, 2.2) if row[0] <= silent_since]
    append(workshop, "vat-north", north)
    append(workshop, "vat-south", south)
    append(workshop, "room-temp", swing(17.5, 2.5))
    append(workshop, "room-humidity", swing(58.0, 6.0))
    since = now - timedelta(hours=4)
    moments = [since + timedelta(seconds=30 * n) for n in range(4 * 120 + 1)]
    append(
        workshop, "chamber", [(at, _chamber_c((at - since).total_seconds() / 60)) for at in moments]
    )


def _chamber_c(minutes: float) -> float:
    """The chamber `minutes` into the soak: at 50 °C until minute 190, then up to 60 °C [°C]."""
    ripple = 0.6 * math.sin(minutes)
    if minutes < 190:
        return round(min(20.0 + minutes, 50.0 + ripple), 2)
    return round(min(50.0 + (minutes - 190), 60.0 + ripple), 2)


def _fill_record(workshop: Workshop, now: datetime) -> None:
    record = workshop.record
    resins = [record.resins.add(Resin(name=name)).id for name in RESINS]
    north = record.machines.add(_machine("North", "vat-north")).id
    south = record.machines.add(_machine("South", "vat-south")).id
    # Without a sensor: the vats of its prints were read by hand.
    old = record.machines.add(_machine("Old machine")).id
    exposure = Settings(
        layer_height_mm=0.05,
        layer_count=1_200,
        normal_exposure_s=2.6,
        bottom_exposure_s=30,
        bottom_layer_count=5,
    )
    for number in range(40):
        start = now - timedelta(days=60 - 1.4 * number)
        vat_c = round(21.0 + 4.0 * math.sin(number * 1.7), 1)
        failed = vat_c < 19.0 or number % 17 == 3
        record.prints.add(
            Print(
                start=start,
                end=start + timedelta(hours=6),
                resin=resins[number % 2],
                machine=old,
                settings=exposure,
                parts=_parts(4, failed),
                logged_vat_c=vat_c,
            )
        )
    end = now - timedelta(hours=5)
    record.prints.add(
        Print(
            start=end - timedelta(hours=9),
            end=end,
            resin=resins[0],
            machine=north,
            settings=exposure,
            parts=_parts(4, None),
        )
    )
    record.prints.add(
        Print(
            start=now - timedelta(hours=2),
            resin=resins[3],
            machine=south,
            settings=exposure,
            parts=_parts(2, None),
        )
    )
    soak = record.soaks.add(
        SoakRun(
            name="Collars, first run",
            program=READY_MADE[0],
            chamber_channels=("chamber",),
            specimens=(
                Specimen(name="grey 1", resin=resins[0]),
                Specimen(name="amber 1", resin=resins[1]),
            ),
            started=now - timedelta(hours=4),
        )
    ).id
    for name in ("grey 1", "amber 1"):
        record.looks.add(
            LoggedLook(
                soak=soak, specimen=name, time=now - timedelta(hours=2), finding=Finding.SOUND
            )
        )


def _machine(name: str, vat: str | None = None) -> Machine:
    links = [{"channel": vat, "role": Role.VAT_TEMPERATURE}] if vat else []
    return Machine.model_validate({"name": name, "channels": links})


def _parts(count: int, failed: bool | None) -> tuple[Part, ...]:
    if failed is None:
        return tuple(Part(name=f"Lamp collar {n + 1}") for n in range(count))
    outcome = Outcome.FAILED if failed else Outcome.GOOD
    modes = (FailureMode.OFF_SUPPORTS,) if failed else ()
    return tuple(
        Part(name=f"Lamp collar {n + 1}", outcome=outcome, modes=modes) for n in range(count)
    )


def short_run(started: datetime) -> SoakRun:
    """A run of two steps of ten minutes with one specimen."""
    return SoakRun(
        name="Collars, short",
        program=Program(
            name="Two short steps",
            steps=(Step(setpoint_c=50, dwell_min=10), Step(setpoint_c=60, dwell_min=10)),
        ),
        chamber_channels=("chamber",),
        specimens=(Specimen(name="amber 1"),),
        started=started,
    )
