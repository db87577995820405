"""The demo's sensors: when each reads, and what it reads of the truth. Pure.

A reading is the true value plus noise, cut to the sensor's resolution; some readings are lost
on the way, and three faults are built in so that the pages have something to show: a vat
sensor that was off for hours, a humidity sensor that stuck, and single impossible values.
Noise and losses belong to the moment (see :func:`physics.scatter`), so that any stretch can
be made at any time, in any order, always the same.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from itertools import pairwise

import numpy as np
import numpy.typing as npt

from dashboards.demo.physics import (
    DAY_S,
    HOUR_S,
    Floats,
    chance,
    mean_power_w,
    quantised,
    scatter,
)
from dashboards.demo.soaks import PlannedSoak
from dashboards.demo.winter import PlannedPrint, Winter, first_layers_s, movement_s

#: The channels, in the order of the demo's settings; a channel's place is its noise salt.
CHANNELS = (
    "vat-north",
    "vat-south",
    "room-temp",
    "room-humidity",
    "chamber",
    "power-north",
    "power-south",
)

#: Seconds between live readings; every history interval is a multiple of its channel's.
LIVE_INTERVAL_S = {
    "vat-north": 10,
    "vat-south": 10,
    "room-temp": 30,
    "room-humidity": 30,
    "chamber": 5,
    "power-north": 10,
    "power-south": 10,
}

SPARSE_S = 300
POWER_SPARSE_S = 600
DENSE_S = 60
FIRST_LAYERS_S = 30
CHAMBER_S = 10
RECENT_DAYS = 3.0
AROUND_PRINT_S = 2 * HOUR_S
#: The chamber's probe is plugged in this long before and after a run, and at no other time.
AROUND_SOAK_S = 600.0

#: Resolution of the sensors in their own units: 1/16 K (usual for small digital thermometers,
#: from memory), 0.1 °C, 0.1 %RH, 0.25 °C and 0.1 W (invented).
_RESOLUTION = {"vat": 0.0625, "room-temp": 0.1, "room-humidity": 0.1, "chamber": 0.25, "power": 0.1}


@dataclass(frozen=True, slots=True)
class Fault:
    """Something wrong with one channel's readings in [start_s, end_s).

    ``value`` None: nothing arrives; else every reading says this (°C or %RH).
    """

    channel: str
    start_s: float
    end_s: float
    value: float | None


def faults(winter: Winter) -> tuple[Fault, ...]:
    """The built-in faults: a sensor off over a print, one stuck, three impossible values."""
    off = next(
        plate for plate in winter.prints_on("North") if plate.logged and _late(winter, plate)
    )
    stuck_s = winter.now_s - 12.0 * DAY_S
    stuck_pct = float(quantised(winter.cellar.humidity_pct(np.array([stuck_s])), 0.1)[0])
    spikes = (("vat-south", 1.21, 85.0), ("vat-south", 33.4, 85.0), ("vat-north", 2.63, -127.0))
    return (
        Fault("vat-north", off.start_s - 1.2 * HOUR_S, off.end_s + 3.1 * HOUR_S, None),
        Fault("room-humidity", stuck_s, stuck_s + 9 * HOUR_S, stuck_pct),
        *(_spike(winter, channel, days, value) for channel, days, value in spikes),
    )


def _late(winter: Winter, plate: PlannedPrint) -> bool:
    return plate.start_s > winter.now_s - 40 * DAY_S


def _spike(winter: Winter, channel: str, days: float, value: float) -> Fault:
    """One reading's worth of an impossible value, as sensors send at power-on or unplugged."""
    start_s = (winter.now_s - days * DAY_S) // SPARSE_S * SPARSE_S
    return Fault(channel, start_s, start_s + 1.0, value)


def history_times(winter: Winter, channel: str, until_s: float) -> Floats:
    """When a channel read [s], from the winter's start to just before ``until_s``; sorted.

    Every :data:`SPARSE_S`, closer around prints and in the last days, closest in first layers;
    the chamber only during soak runs.
    """
    if channel == "chamber":
        stretches = [
            (soak.run.start_s - AROUND_SOAK_S, soak.end_s + HOUR_S, CHAMBER_S)
            for soak in winter.soaks
        ]
    else:
        stretches = list(_stretches(winter, channel))
    grids = [_grid(start_s, min(end_s, until_s), every) for start_s, end_s, every in stretches]
    times = _merged(grids)
    return times[times >= winter.start_s]


def first_layers_times(winter: Winter, machine: str, until_s: float) -> Floats:
    """The history of a vat around the first layers of each of its prints [s]; sorted."""
    grids = [
        _grid(plate.start_s - 1_200, min(plate.start_s + 2_400, until_s), FIRST_LAYERS_S)
        for plate in winter.prints_on(machine)
    ]
    return _merged(grids)


def _stretches(winter: Winter, channel: str) -> Iterator[tuple[float, float, int]]:
    power, vat = channel.startswith("power-"), channel.startswith("vat-")
    yield winter.start_s, winter.now_s + DAY_S, POWER_SPARSE_S if power else SPARSE_S
    yield winter.now_s - RECENT_DAYS * DAY_S, winter.now_s + DAY_S, DENSE_S
    for plate in winter.prints:
        if (power or vat) and machine_of(channel) != plate.machine:
            continue
        yield plate.start_s - AROUND_PRINT_S, plate.end_s + AROUND_PRINT_S, DENSE_S
        if vat:
            yield plate.start_s - 1_200, plate.start_s + 2_400, FIRST_LAYERS_S


def _grid(start_s: float, end_s: float, every_s: int) -> Floats:
    """Multiples of ``every_s`` in [start_s, end_s)."""
    first = -(-start_s // every_s) * every_s
    return np.arange(first, max(first, end_s), every_s, dtype=np.float64)


def _merged(grids: Sequence[Floats]) -> Floats:
    """All moments of these grids once, sorted (``np.unique`` would load 1.6 MB for it)."""
    times = np.sort(np.concatenate(grids))
    return np.asarray(times[np.diff(times, prepend=-np.inf) > 0.0], dtype=np.float64)


def live_times(channel: str, start_s: float, end_s: float) -> Floats:
    """When a channel reads live in [start_s, end_s) [s]."""
    return _grid(start_s, end_s, LIVE_INTERVAL_S[channel])


def machine_of(channel: str) -> str:
    """``vat-north`` and ``power-north`` belong to North."""
    return channel.partition("-")[2].capitalize()


def readings(winter: Winter, channel: str, times_s: Floats) -> tuple[Floats, Floats]:
    """Times and values that arrive when a channel reads at ``times_s``; losses left out."""
    salt = CHANNELS.index(channel)
    noise = scatter(winter.seed, salt, times_s)
    values = quantised(_sensed(winter, channel, times_s, noise), _resolution(channel))
    kept = chance(winter.seed, 1_000 + salt, times_s) > winter.truth.lost_share
    for fault in faults(winter):
        if fault.channel == channel:
            touched = (times_s >= fault.start_s) & (times_s < fault.end_s)
            if fault.value is None:
                kept &= ~touched
            else:
                values[touched] = fault.value
                kept |= touched
    if channel == "chamber":
        kept &= _plugged_in(winter, times_s)
    return times_s[kept], values[kept]


def _resolution(channel: str) -> float:
    return _RESOLUTION.get(channel) or _RESOLUTION[channel.partition("-")[0]]


def _sensed(winter: Winter, channel: str, times_s: Floats, noise: Floats) -> Floats:
    truth, cellar = winter.truth, winter.cellar
    if channel == "room-temp":
        return cellar.room_c(times_s) + truth.noise_room_k * noise
    if channel == "room-humidity":
        humidity_pct = cellar.humidity_pct(times_s) + truth.noise_humidity_pct * noise
        return np.clip(humidity_pct, 0.0, 100.0)
    if channel == "chamber":
        return chamber_c(winter, times_s) + truth.noise_chamber_k * noise
    if channel.startswith("vat-"):
        return cellar.vat_c(machine_of(channel), times_s) + truth.noise_vat_k * noise
    power = power_w(winter, machine_of(channel), times_s) + truth.noise_power_w * noise
    return np.maximum(0.0, power)


def chamber_c(winter: Winter, times_s: Floats) -> Floats:
    """True chamber temperature [°C]; the room's where no soak is near."""
    values = winter.cellar.room_c(times_s)
    for soak in winter.soaks:
        near = _near(soak, times_s)
        values[near] = soak.run.at(times_s[near])
    return values


def _near(soak: PlannedSoak, times_s: Floats) -> npt.NDArray[np.bool_]:
    """Whether the chamber's probe is plugged in for this soak at each time."""
    end_s = soak.run.start_s + soak.run.grid_s * (len(soak.run.temperatures_c) - 1)
    return np.asarray((times_s >= soak.run.start_s - AROUND_SOAK_S) & (times_s <= end_s))


def _plugged_in(winter: Winter, times_s: Floats) -> npt.NDArray[np.bool_]:
    plugged = np.zeros(len(times_s), dtype=np.bool_)
    for soak in winter.soaks:
        plugged |= _near(soak, times_s)
    return plugged


def power_w(winter: Winter, machine: str, times_s: Floats) -> Floats:
    """True mean power of a printer [W] over the moment of a reading."""
    draw = winter.draw
    values = np.full(len(times_s), draw.off_w)
    for plate in winter.prints_on(machine):
        settings, moving_s = plate.settings, movement_s(plate.settings)
        bottom_s = settings["bottom_exposure_s"]
        normal_s = settings["normal_exposure_s"]
        levels_w = (
            draw.standby_w,
            mean_power_w(draw, bottom_s, bottom_s + moving_s),
            mean_power_w(draw, normal_s, normal_s + moving_s),
            draw.standby_w,
        )
        turns_s = (
            plate.start_s - 1_500.0,
            plate.start_s,
            plate.start_s + first_layers_s(settings),
            plate.end_s,
            plate.end_s + 2_700.0,
        )
        for (from_s, to_s), level_w in zip(pairwise(turns_s), levels_w, strict=True):
            values[(times_s >= from_s) & (times_s < to_s)] = level_w
    return values
