"""The heat soaks of the invented winter: programs, specimens and what each look found. Pure."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np

from dashboards.demo.dice import Dice
from dashboards.demo.physics import (
    DAY_S,
    HOUR_S,
    Cellar,
    ChamberRun,
    Floats,
    Step,
    run_chamber,
)


@dataclass(frozen=True, slots=True)
class PlannedLook:
    """A look at one specimen: when, in which step (from 0), and what was seen."""

    time_s: float
    step: int
    specimen: str
    seen: str


@dataclass(frozen=True, slots=True)
class PlannedSpecimen:
    """A specimen and the chamber temperature at which it truly gives way [°C]."""

    name: str
    resin: str
    gives_way_c: float


@dataclass(frozen=True, slots=True)
class PlannedSoak:
    """One stepped soak: program, specimens, what the chamber did and every look at it."""

    key: str
    title: str
    steps: tuple[Step, ...]
    specimens: tuple[PlannedSpecimen, ...]
    run: ChamberRun
    looks: tuple[PlannedLook, ...]

    @property
    def end_s(self) -> float:
        """When the heater was switched off [s]."""
        return self.run.ends_s[-1]


def planned_soaks(now_s: float, cellar: Cellar, dice: Dice) -> Iterator[PlannedSoak]:
    """Two finished runs and one under way, each a stepped soak of an hour a step."""
    midnight_s = now_s // DAY_S * DAY_S
    plans = (
        (
            "soak-kiln-amber",
            "Kiln Amber, how hot",
            (60, 70, 80, 90, 100, 110),
            ("Kiln Amber",) * 5,
            midnight_s - 52 * DAY_S + 9 * HOUR_S,
        ),
        (
            "soak-harbour-grey",
            "Harbour Grey, how hot",
            (50, 60, 70, 80),
            ("Harbour Grey",) * 5,
            midnight_s - 24 * DAY_S + 9 * HOUR_S,
        ),
        (
            "soak-under-way",
            "Willow and Fathom Clear side by side",
            (50, 60, 70, 80),
            ("Willow",) * 3 + ("Fathom Clear",) * 3,
            now_s - 1.75 * HOUR_S,
        ),
    )
    for key, title, setpoints_c, resins, start_s in plans:
        steps = tuple(Step(float(setpoint_c), 3.0, HOUR_S) for setpoint_c in setpoints_c)
        specimens = tuple(
            PlannedSpecimen(
                f"{resin} {number}",
                resin,
                dice.normal(*cellar.truth.failing_c[resin]),
            )
            for number, resin in enumerate(resins, start=1)
        )
        room_c = float(cellar.room_c(np.array([start_s]))[0])
        run = run_chamber(steps, start_s, room_c, chamber=cellar.truth.chamber)
        yield PlannedSoak(key, title, steps, specimens, run, _looks(run, steps, specimens))


def _looks(
    run: ChamberRun, steps: tuple[Step, ...], specimens: tuple[PlannedSpecimen, ...]
) -> tuple[PlannedLook, ...]:
    """One look at every specimen at the end of each step; one that gave way is taken out."""
    looks, out = [], set()
    for number, end_s in enumerate(run.ends_s):
        dwell: Floats = np.arange(end_s - steps[number].dwell_s, end_s, run.grid_s)
        mean_c = float(run.at(dwell).mean())
        for place, specimen in enumerate(specimens):
            if specimen.name in out:
                continue
            gave_way = specimen.gives_way_c <= mean_c
            time_s = end_s - 60.0 + 5.0 * place
            looks.append(
                PlannedLook(time_s, number, specimen.name, "softened" if gave_way else "sound")
            )
            if gave_way:
                out.add(specimen.name)
    return tuple(looks)
