"""The invented winter: what the two-printer workshop printed and baked, and what came of it. Pure.

Everything follows from a ``now`` and a seed: the weather in the cellar, when its owner
printed what, which plates failed (drawn from the true risk of the true vat temperature in the
first layers) and at which temperature each soaked specimen gave way. The season is tied to
``now``, not to the calendar: it was coldest five weeks ago, whatever the month.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, field, replace

import numpy as np

from dashboards.demo.breaks import PlannedBreak, planned_breaks
from dashboards.demo.dice import Dice
from dashboards.demo.physics import (
    DAY_S,
    HOUR_S,
    TRUTH,
    Cellar,
    PowerDraw,
    Pulse,
    Swing,
    Truth,
    Vat,
)
from dashboards.demo.soaks import PlannedSoak, planned_soaks

SEED = 1
WINTER_DAYS = 110
PRINTS_PER_MACHINE = 31
MACHINES = ("North", "South")

#: Printed once, in the power trace, and never written into the log by its forgetful owner.
FORGOTTEN_PER_MACHINE = 1

#: Key of the print that is running at ``now``.
RUNNING = "south-running"


@dataclass(frozen=True, slots=True)
class Resin:
    """An invented resin: what it is for, its normal exposure and its share of the prints."""

    name: str
    purpose: str
    density_g_cm3: float
    price_per_kg: float
    normal_exposure_s: float
    share: float


RESINS = (
    Resin("Harbour Grey", "general purpose", 1.12, 32.0, 2.6, 0.40),
    Resin("Kiln Amber", "heat resistant", 1.19, 78.0, 3.2, 0.20),
    Resin("Willow", "flexible", 1.08, 64.0, 3.6, 0.15),
    Resin("Fathom Clear", "transparent", 1.11, 45.0, 2.2, 0.25),
)


@dataclass(frozen=True, slots=True)
class Plate:
    """A set of parts that is printed again and again; ``resin_ml`` goes into them together."""

    name: str
    part: str
    part_count: int
    layer_count: int
    resin_ml: float


PLATES = (
    Plate("Lamp collars", "Lamp collar", 4, 2_000, 96.0),
    Plate("Sensor housings", "Sensor housing", 6, 1_640, 132.0),
    Plate("Housing lids", "Housing lid", 8, 900, 58.0),
)


@dataclass(frozen=True, slots=True)
class PlannedPart:
    """A part and what came of it: outcome and failure modes in the record's own words."""

    name: str
    outcome: str
    modes: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True)
class PlannedPrint:
    """One plate of the winter; ``first_layers_c`` is the true mean vat temperature then [°C].

    ``logged`` is False for the plates that are in the power trace alone.
    """

    key: str
    start_s: float
    end_s: float
    machine: str
    resin: str
    plate: str
    settings: dict[str, float | int]
    parts: tuple[PlannedPart, ...]
    first_layers_c: float
    logged: bool = True


@dataclass(frozen=True, slots=True)
class Winter:
    """Everything that happened, in [start_s, now_s], and what is planned for the next hours."""

    seed: int
    start_s: float
    now_s: float
    truth: Truth
    cellar: Cellar
    prints: tuple[PlannedPrint, ...]
    soaks: tuple[PlannedSoak, ...]
    breaks: tuple[PlannedBreak, ...] = ()
    draw: PowerDraw = field(default=PowerDraw())

    def prints_on(self, machine: str) -> tuple[PlannedPrint, ...]:
        """Prints of one machine in start order, the forgotten ones among them."""
        return tuple(plate for plate in self.prints if plate.machine == machine)


def winter(now_s: float, seed: int = SEED, truth: Truth = TRUTH) -> Winter:
    """The winter that ends at ``now_s`` (s since 1970 UTC, floored to the minute)."""
    now_s = float(now_s // 60 * 60)
    start_s = now_s - WINTER_DAYS * DAY_S
    dice = Dice(seed)
    swings = _weather(now_s, dice)
    drafts = sorted(
        (draft for machine in MACHINES for draft in _drafts(machine, now_s, dice)),
        key=lambda draft: draft.start_s,
    )
    cellar = Cellar(
        truth=truth,
        mean_c=21.3,
        swings=swings,
        radiators=_radiators(drafts, truth, dice),
        dew_mean_c=9.5,
        dew_swings=_dew(now_s, dice),
        vats={
            "North": Vat(truth.north_k, _lamps(drafts, "North", truth)),
            "South": Vat(truth.south_k, _lamps(drafts, "South", truth)),
        },
    )
    prints = tuple(_finish(draft, cellar, now_s, dice) for draft in drafts)
    forgetful = _forget(prints, dice)
    soaks = tuple(planned_soaks(now_s, cellar, dice))
    return Winter(
        seed=seed,
        start_s=start_s,
        now_s=now_s,
        truth=truth,
        cellar=cellar,
        prints=forgetful,
        soaks=soaks,
        breaks=planned_breaks(now_s, soaks, truth, seed),
    )


def _weather(now_s: float, dice: Dice) -> tuple[Swing, ...]:
    """Season (coldest 35 days before now), spells of some days, and the day itself."""
    season = Swing(-2.9, 220 * DAY_S, now_s - 35 * DAY_S)
    spells = tuple(
        Swing(height_k, days * DAY_S, now_s - dice.uniform(0, days) * DAY_S)
        for days, height_k in ((12.7, 1.1), (7.9, 0.9), (4.3, 0.8), (2.6, 0.5))
    )
    day = Swing(0.7, DAY_S, now_s // DAY_S * DAY_S + 16 * HOUR_S)
    return (season, *spells, day)


def _dew(now_s: float, dice: Dice) -> tuple[Swing, ...]:
    season = Swing(-2.5, 220 * DAY_S, now_s - 30 * DAY_S)
    spells = tuple(
        Swing(height_k, days * DAY_S, now_s - dice.uniform(0, days) * DAY_S)
        for days, height_k in ((9.1, 1.6), (5.2, 1.0), (1.9, 0.6))
    )
    return (season, *spells)


@dataclass(frozen=True, slots=True)
class _Draft:
    """A print before its outcome is drawn."""

    key: str
    start_s: float
    end_s: float
    machine: str
    resin: Resin
    plate: Plate
    settings: dict[str, float | int]


def _drafts(machine: str, now_s: float, dice: Dice) -> Iterator[_Draft]:
    """Prints of one machine: at most one a day, most of them started in the evening."""
    midnight_s = now_s // DAY_S * DAY_S
    days = sorted(dice.sample(range(2, WINTER_DAYS - 1), PRINTS_PER_MACHINE), reverse=True)
    for number, day in enumerate(days, start=1):
        evening = dice.random() < 0.75
        hour = dice.uniform(17.5, 22.5) if evening else dice.uniform(7.5, 10.0)
        start_s = midnight_s - day * DAY_S + hour * HOUR_S
        yield _draft(f"{machine.lower()}-{number:02d}", machine, start_s, now_s, dice)
    if machine == "South":
        yield _draft(RUNNING, machine, now_s - 1.5 * HOUR_S, now_s, dice)


def _draft(key: str, machine: str, start_s: float, now_s: float, dice: Dice) -> _Draft:
    resin = dice.choice(RESINS, [resin.share for resin in RESINS])
    running = key == RUNNING
    plate = PLATES[0] if running else dice.choice(PLATES, (0.4, 0.4, 0.2))
    start_s = float(start_s // 60 * 60)
    settings = _settings(resin, plate, start_s > now_s - 50 * DAY_S, dice)
    length_s = planned_s(settings) * dice.uniform(1.005, 1.03)
    return _Draft(key, start_s, start_s + length_s // 60 * 60, machine, resin, plate, settings)


def _settings(resin: Resin, plate: Plate, later: bool, dice: Dice) -> dict[str, float | int]:
    """Printer settings; in mid-winter the owner lengthened the bottom exposure for good."""
    nudge_s = dice.choice((-0.2, 0.0, 0.0, 0.2))
    return {
        "layer_height_mm": 0.05,
        "layer_count": plate.layer_count,
        "normal_exposure_s": round(resin.normal_exposure_s + nudge_s, 1),
        "bottom_exposure_s": 36.0 if later else 32.0,
        "bottom_layer_count": 6,
        "transition_layer_count": 6,
        "lift_distance_mm": 6.0,
        "lift_speed_mm_min": 60.0,
        "retract_speed_mm_min": 150.0,
        "light_off_delay_s": 0.5,
    }


# The api has these sums too (``api.prints``), at the price of loading pydantic; a test holds
# the two together.


def movement_s(settings: dict[str, float | int]) -> float:
    """Seconds between two exposures: light-off delay, lift and retract at constant speed."""
    lift_mm = settings["lift_distance_mm"]
    return (
        settings["light_off_delay_s"]
        + 60.0 * lift_mm / settings["lift_speed_mm_min"]
        + 60.0 * lift_mm / settings["retract_speed_mm_min"]
    )


def first_layers_s(settings: dict[str, float | int]) -> float:
    """Length of the first layers [s]: bottom layers with exposure and movement."""
    return settings["bottom_layer_count"] * (settings["bottom_exposure_s"] + movement_s(settings))


def planned_s(settings: dict[str, float | int]) -> float:
    """Length of the whole print [s]; transition exposures fall evenly from bottom to normal."""
    normal_s, bottom_s = settings["normal_exposure_s"], settings["bottom_exposure_s"]
    transition_s = settings["transition_layer_count"] * (bottom_s - normal_s) / 2.0
    body = settings["layer_count"] - settings["bottom_layer_count"]
    return first_layers_s(settings) + transition_s + body * (normal_s + movement_s(settings))


def _radiators(drafts: list[_Draft], truth: Truth, dice: Dice) -> tuple[Pulse, ...]:
    """Before some prints the owner warms the cellar, whatever the weather; often not at all."""
    return tuple(
        Pulse(
            draft.start_s - dice.uniform(1.5, 4.0) * HOUR_S,
            draft.start_s + dice.uniform(0.5, 2.5) * HOUR_S,
            truth.radiator_rise_k,
        )
        for draft in drafts
        if dice.random() < 0.35
    )


def _lamps(drafts: list[_Draft], machine: str, truth: Truth) -> tuple[Pulse, ...]:
    return tuple(
        Pulse(draft.start_s, draft.end_s, truth.lamp_rise_k)
        for draft in drafts
        if draft.machine == machine
    )


def _finish(draft: _Draft, cellar: Cellar, now_s: float, dice: Dice) -> PlannedPrint:
    """Draw what came of a print from the true risk at its true first-layers temperature."""
    first = np.arange(draft.start_s, draft.start_s + first_layers_s(draft.settings), 5.0)
    first_layers_c = float(cellar.vat_c(draft.machine, first).mean())
    return PlannedPrint(
        key=draft.key,
        start_s=draft.start_s,
        end_s=draft.end_s,
        machine=draft.machine,
        resin=draft.resin.name,
        plate=draft.plate.name,
        settings=draft.settings,
        parts=_outcomes(draft.plate, first_layers_c, cellar.truth, dice),
        first_layers_c=first_layers_c,
    )


def _outcomes(plate: Plate, vat_c: float, truth: Truth, dice: Dice) -> tuple[PlannedPart, ...]:
    """Parts of one plate: together or each for itself, each failing with the true risk."""
    risk = truth.risk(vat_c)
    as_one = dice.random() < truth.together
    whole = dice.random() < risk
    cold = dice.random() < (risk - truth.floor) / risk
    parts = []
    for number in range(plate.part_count):
        name = f"{plate.part} {number + 1}"
        if whole if as_one else dice.random() < risk:
            parts.append(PlannedPart(name, "failed", (_mode(cold, dice),)))
        elif dice.random() < 0.04:
            flaw = dice.choice(("detail_lost", "warped", "white_haze_after_cure"))
            parts.append(PlannedPart(name, "flawed", (flaw,)))
        else:
            parts.append(PlannedPart(name, "good"))
    return tuple(parts)


def _mode(cold: bool, dice: Dice) -> str:
    """How a part failed: cold resin parts from the plate; other causes show otherwise."""
    modes = ("not_stuck_to_plate", "came_off_supports", "layers_parted", "warped", "holes_closed")
    return dice.choice(modes, (0.6, 0.25, 0.15, 0, 0) if cold else (0.1, 0.2, 0.2, 0.3, 0.2))


def _forget(prints: tuple[PlannedPrint, ...], dice: Dice) -> tuple[PlannedPrint, ...]:
    """Leave some plates out of the log; they stay in the power trace."""
    forgotten = {
        key
        for machine in MACHINES
        for key in dice.sample(
            [plate.key for plate in prints if plate.machine == machine and plate.key != RUNNING],
            FORGOTTEN_PER_MACHINE,
        )
    }
    return tuple(
        replace(plate, logged=False) if plate.key in forgotten else plate for plate in prints
    )
