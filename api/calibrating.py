"""Finding a calibration: whether a sensor has settled, and what it should have read.

The sightings of a person at the sensor (ice water, boiling water, another instrument) become
the pairs of a calibration, each with its source and how far it may be off.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from datetime import datetime

import numpy as np

from api.checked import checked
from api.record import Calibration, CalibrationPair, FoundBy
from api.workshop import Workshop
from collector.channels import Channel
from collector.errors import InvalidError
from collector.fixed_points import air_pressure_hpa, boiling_point, ice_point
from collector.readings import Reading, Series, ms_of

#: The readings by which a sensor is judged reach back over so many of its intervals, within
#: these limits [ms].
SETTLING_INTERVALS_N = 6
SETTLING_MS = (180_000, 1_800_000)

#: It has settled when so many readings lie within so much; common practice, no source.
SETTLED_LEAST_N = 4
SETTLED_WITHIN = {"°C": 0.3, "%RH": 1.0, "W": 5.0}


@dataclass(frozen=True, slots=True)
class Steadiness:
    """The last minutes of a sensor, before any correction, in the unit of its role.

    ``readings`` newest first; ``over_s`` the length of time they were looked for; ``why_not``
    says why the mean is not to be taken yet, None when the sensor has settled.
    """

    readings: tuple[Reading, ...]
    over_s: float
    mean: float | None
    lowest: float | None
    highest: float | None
    why_not: str | None

    @property
    def spread(self) -> float | None:
        """Highest less lowest."""
        if self.highest is None or self.lowest is None:
            return None
        return self.highest - self.lowest


def steadiness(workshop: Workshop, channel: Channel, now: datetime) -> Steadiness:
    """How steady a channel is; reckoned from its newest reading, whatever its clock says."""
    newest = workshop.converted.latest().get(channel.id)
    if newest is None:
        return Steadiness((), 0.0, None, None, None, "there is no reading yet")
    longest = workshop.converted.between(
        channel.id, newest.time_ms - SETTLING_MS[1], newest.time_ms + 1
    )
    over_ms = _settling_ms(longest)
    series = workshop.converted.between(channel.id, newest.time_ms - over_ms, newest.time_ms + 1)
    silent_ms = ms_of(now) - newest.time_ms
    silent = silent_ms > channel.gap_limit_ms
    return judged(series, over_ms / 1_000, channel.role.unit, silent=silent)


def _settling_ms(series: Series) -> int:
    """Over how long a sensor is judged [ms]: longer when it speaks seldom."""
    steps = np.diff(series.times_ms)[-SETTLING_INTERVALS_N:]
    interval_ms = float(np.median(steps)) if len(steps) else 0.0
    shortest, longest = SETTLING_MS
    return round(min(max(SETTLING_INTERVALS_N * interval_ms, shortest), longest))


def judged(series: Series, over_s: float, unit: str, *, silent: bool = False) -> Steadiness:
    """Readings of the last ``over_s`` seconds and whether they are steady."""
    if not len(series):
        return Steadiness((), over_s, None, None, None, "there is no reading yet")
    low, high = float(series.values.min()), float(series.values.max())
    within = SETTLED_WITHIN[unit]
    why_not = None
    if silent:
        why_not = "it has fallen silent; these are its last words"
    elif len(series) < SETTLED_LEAST_N:
        why_not = f"{len(series)} readings are too few; it takes {SETTLED_LEAST_N}"
    elif high - low > within:
        why_not = f"it still moves: by {high - low:.2f} {unit}, more than {within:g} {unit}"
    newest_first = tuple(series)[::-1]
    return Steadiness(newest_first, over_s, float(series.values.mean()), low, high, why_not)


@dataclass(frozen=True, slots=True, kw_only=True)
class Sightings:
    """What was seen at the sensor, in the unit of its role; None where nothing was.

    The boiling point also needs the air pressure at the place [hPa], or its height [m], with
    the pressure reduced to sea level [hPa] if that is known.
    """

    ice_read_c: float | None = None
    boiling_read_c: float | None = None
    pressure_hpa: float | None = None
    height_m: float | None = None
    sea_level_hpa: float | None = None
    reference_read: float | None = None
    reference_true: float | None = None


@dataclass(frozen=True, slots=True)
class SeenPoint:
    """One pair with where the true value comes from and how far it may be off, if known [± K]."""

    pair: CalibrationPair
    source: str
    uncertainty_k: float | None


ICE_SOURCE = "melting ice of clean water, well stirred"
BOILING_SOURCE = "saturation line of water, IAPWS R7-97(2012)"
HEIGHT_SOURCE = "standard atmosphere, ISO 2533"


def points_of(seen: Sightings) -> tuple[SeenPoint, ...]:
    """The pairs of what was seen. Raises ``InvalidError`` naming the field that is wrong."""
    points = [*_ice(seen), *_boiling(seen), *_reference(seen)]
    if not points:
        raise InvalidError(
            "nothing was seen that a calibration could rest on",
            where="reference_read",
            remedy="Take the ice point, the boiling point, or both a reading and its true value.",
        )
    return tuple(points)


def _ice(seen: Sightings) -> Iterable[SeenPoint]:
    if seen.ice_read_c is None:
        return
    try:
        point = ice_point(seen.ice_read_c)
    except InvalidError as fault:
        raise InvalidError(fault.what, where="ice_read_c", remedy=fault.remedy) from None
    pair = CalibrationPair(read=point.read_c, true=point.true_c, found=FoundBy.ICE_POINT)
    yield SeenPoint(pair, ICE_SOURCE, point.uncertainty_k)


def _boiling(seen: Sightings) -> Iterable[SeenPoint]:
    if seen.boiling_read_c is None:
        return
    try:
        point = boiling_point(
            seen.boiling_read_c,
            pressure_hpa=seen.pressure_hpa,
            height_m=seen.height_m,
            sea_level_hpa=seen.sea_level_hpa,
        )
    except InvalidError as fault:
        where = "boiling_read_c" if fault.where == "read_c" else fault.where
        raise InvalidError(fault.what, where=where, remedy=fault.remedy) from None
    found = FoundBy.BOILING_POINT
    pair = CalibrationPair(read=point.read_c, true=round(point.true_c, 3), found=found)
    yield SeenPoint(pair, boiling_source(seen), point.uncertainty_k)


def boiling_source(seen: Sightings) -> str:
    """From where the boiling temperature was taken, in words."""
    if seen.height_m is None:
        return f"{BOILING_SOURCE}, at {seen.pressure_hpa:g} hPa"
    if seen.sea_level_hpa is None:
        at_hpa, weather = air_pressure_hpa(seen.height_m), "in average weather"
    else:
        at_hpa = air_pressure_hpa(seen.height_m, sea_level_hpa=seen.sea_level_hpa)
        weather = f"with {seen.sea_level_hpa:g} hPa at sea level"
    return (
        f"{BOILING_SOURCE}, at {at_hpa:.0f} hPa: {HEIGHT_SOURCE}, {seen.height_m:g} m above the "
        f"sea {weather}"
    )


def _reference(seen: Sightings) -> Iterable[SeenPoint]:
    if seen.reference_read is None and seen.reference_true is None:
        return
    for field in ("reference_read", "reference_true"):
        if getattr(seen, field) is None:
            raise InvalidError(
                "a reading and the true value go together",
                where=field,
                remedy="Give both what the sensor read and what the other instrument showed.",
            )
    try:
        pair = checked(CalibrationPair, {"read": seen.reference_read, "true": seen.reference_true})
    except InvalidError as fault:
        where = f"reference_{fault.where}"
        raise InvalidError(fault.what, where=where, remedy=fault.remedy) from None
    yield SeenPoint(pair, "the other instrument; it is as good as that was", None)


#: Readings at which a calibration is shown before it is stored, by unit.
SHOWN_AT = {"°C": (0.0, 20.0, 25.0, 60.0, 100.0), "%RH": (20.0, 50.0, 80.0), "W": (10.0, 100.0)}


@dataclass(frozen=True, slots=True)
class Effect:
    """What a calibration makes of a reading, and whether that lies beyond its outer pairs."""

    read: float
    corrected: float
    beyond: bool


@dataclass(frozen=True, slots=True)
class Preview:
    """What a calibration would do: at some readings, and to how many that are kept."""

    calibration: Calibration
    points: tuple[SeenPoint, ...]
    effects: tuple[Effect, ...]
    latest: Effect | None
    readings_n: int


def preview(
    workshop: Workshop,
    channel: Channel,
    calibration: Calibration,
    points: tuple[SeenPoint, ...],
) -> Preview:
    """What a calibration that is not on record yet would do."""
    correction = calibration.correction
    single = len(calibration.pairs) == 1

    def effect(read: float) -> Effect:
        corrected = float(correction.apply(np.array([read]))[0])
        return Effect(read, corrected, not single and not correction.covers(read))

    newest = workshop.converted.latest().get(channel.id)
    since_ms = ms_of(calibration.valid_from)
    readings_n = 0
    if newest is not None and newest.time_ms >= since_ms:
        readings_n = workshop.received.coverage(
            channel.id, since_ms, newest.time_ms + 1, gap_limit_ms=channel.gap_limit_ms
        ).count
    return Preview(
        calibration,
        points,
        tuple(effect(read) for read in SHOWN_AT[channel.role.unit]),
        None if newest is None else effect(newest.value),
        readings_n,
    )
