"""What a heat-soak run is: steps, programs, specimens, looks and the run itself. Pure.

A *program* is a sequence of *steps*; each holds the chamber in a band round its setpoint
until enough *dwell* has been counted. A *look* is one inspection of one specimen. What the
chamber really did is never stored here: it is folded from the readings (``engine``).
"""

from __future__ import annotations

import enum
import math
from collections.abc import Sequence

from pydantic import Field, model_validator

from api.prints import Frozen, Instant

#: How fast a chamber warms or cools when the step sets no ramp limit [K/min]: common
#: practice, no source (a small convection oven on its way between two steps).
APPROACH_DEFAULT_K_PER_MIN = 1.0

#: Longest stretch between two chamber readings across which dwell still counts [s].
GAP_LIMIT_DEFAULT_S = 300.0


class Step(Frozen):
    """One step: setpoint [°C], half-width of its band [K] and the dwell it asks for [min].

    ``ramp_limit_k_per_min`` is the fastest change allowed on the way there, averaged over at
    most 5 minutes; ``longest_approach_min`` the longest time that way may take. Both may be
    left out. A tolerance of 2 K and a ramp of 1 K/min are the values that IEC 60068-2-2:2007
    gives up to 200 °C (from memory).
    """

    setpoint_c: float = Field(ge=-100, le=500)
    tolerance_k: float = Field(2.0, ge=0.001, le=50)
    dwell_min: float = Field(60.0, gt=0, le=100_000)
    ramp_limit_k_per_min: float | None = Field(None, ge=0.001, le=1_000)
    longest_approach_min: float | None = Field(None, gt=0, le=100_000)

    @property
    def low_c(self) -> float:
        """Lower edge of the band, itself in band [°C]."""
        return self.setpoint_c - self.tolerance_k

    @property
    def high_c(self) -> float:
        """Upper edge of the band, itself in band [°C]."""
        return self.setpoint_c + self.tolerance_k

    @property
    def dwell_ms(self) -> float:
        """The dwell asked for [ms]."""
        return self.dwell_min * 60_000

    def holds(self, value_c: float) -> bool:
        """Whether a temperature [°C] lies in the band, its edges included."""
        return self.low_c <= value_c <= self.high_c


class SettleRule(enum.StrEnum):
    """How it is told that a step has settled and its dwell begins."""

    IN_BAND = "in_band"
    NEAR_FINAL = "near_final"
    SLOW_CHANGE = "slow_change"
    STEADY_TOGETHER = "steady_together"


class Settle(Frozen):
    """When a step counts as settled; in every rule the chamber is in band at that moment.

    ``in_band``: it has been so for ``hold_min`` without a break. ``near_final``: and for as
    long the specimen within ``within_k`` of the setpoint (IEC 60068-1: 3 K, from memory).
    ``slow_change``: the specimen has changed by no more than ``change_k`` from ``over_min``
    before (MIL-STD-810: 2 K in an hour, from memory). ``steady_together``: chamber and
    specimen have each stayed within ``change_k``, and never further apart than ``apart_k``,
    for ``over_min`` (MIL-DTL-87104C, 4.3.1.3: 2 K, 3.5 K, 10 min, read in a secondary
    source). Where no specimen is probed the chamber's own mean stands for it. The last two
    are judged at readings, and look back no further than the beginning of the step.
    """

    rule: SettleRule = SettleRule.IN_BAND
    hold_min: float = Field(0.0, ge=0, le=10_000)
    within_k: float = Field(3.0, gt=0, le=50)
    change_k: float = Field(2.0, gt=0, le=50)
    apart_k: float = Field(3.5, gt=0, le=50)
    over_min: float = Field(60.0, gt=0, le=10_000)


class Program(Frozen):
    """The steps of a run in order, upwards or downwards, when they settle and when to look.

    ``look_every_min`` asks for looks during the dwell beside the one at the end of each
    step, ``look_every_k`` for looks while the chamber climbs: that makes the program a ramp,
    whose results count in temperature reached, not in steps held. Above ``stop_above_c`` the
    run should be stopped, and ``stop_when_all_gave_way`` says so once every specimen has given
    way: by hand, nothing here switches a heater. After the last step the chamber cools down,
    and may be opened below ``cool_down_to_c``. Across a stretch without a chamber reading longer
    than ``gap_limit_s`` nothing is counted. ``note`` says where the program comes from.
    """

    name: str = Field(min_length=1, max_length=80)
    steps: tuple[Step, ...] = Field(min_length=1, max_length=100)
    settle: Settle = Settle()
    look_every_min: float | None = Field(None, gt=0, le=100_000)
    look_every_k: float | None = Field(None, gt=0, le=100)
    stop_above_c: float | None = Field(None, ge=-100, le=500)
    stop_when_all_gave_way: bool = True
    cool_down_to_c: float | None = Field(None, ge=-100, le=500)
    gap_limit_s: float = Field(GAP_LIMIT_DEFAULT_S, gt=0, le=86_400)
    note: str = Field("", max_length=2_000)

    @property
    def gap_limit_ms(self) -> float:
        """Longest stretch between two readings across which dwell counts [ms]."""
        return self.gap_limit_s * 1_000

    @property
    def dwell_min(self) -> float:
        """Dwell of all steps together [min]."""
        return math.fsum(step.dwell_min for step in self.steps)


class Specimen(Frozen):
    """One piece in the chamber, with the resin it is made of (its number on record)."""

    name: str = Field(min_length=1, max_length=80)
    resin: int | None = None


class Finding(enum.StrEnum):
    """What a look found, in the bench's words."""

    SOUND = "sound"
    SOFTENED = "softened"
    SAGGED = "sagged"
    WARPED = "warped"
    CRACKED = "cracked"
    CRAZED = "crazed"
    DISCOLOURED = "discoloured"
    BROKE = "broke"

    @property
    def gave_way(self) -> bool:
        """Whether the specimen gave way; a change of colour alone is noted, not failure."""
        return self not in (Finding.SOUND, Finding.DISCOLOURED)


class Look(Frozen):
    """One inspection of one specimen at the moment it was looked at, entered late or not."""

    specimen: str = Field(min_length=1, max_length=80)
    time: Instant
    finding: Finding
    sag_mm: float | None = Field(None, ge=0, le=1_000)
    note: str = Field("", max_length=2_000)

    @model_validator(mode="after")
    def _only_a_sagged_specimen_has_a_sag(self) -> Look:
        if self.sag_mm is not None and self.finding is not Finding.SAGGED:
            raise ValueError("sag_mm belongs to the finding 'sagged'; leave it out otherwise")
        return self


class SoakRun(Frozen):
    """One run on the soak bench: its program, channels, specimens and window.

    ``chamber_channels`` are the probes in the chamber's air (all of them must be in band),
    ``specimen_channel`` a probe in or on a specimen. ``ended`` is None while it runs;
    ``abandoned`` is the operator's reason for breaking it off.
    """

    name: str = Field(min_length=1, max_length=80)
    program: Program
    chamber_channels: tuple[str, ...] = Field(min_length=1, max_length=8)
    specimen_channel: str | None = None
    specimens: tuple[Specimen, ...] = Field((), max_length=200)
    started: Instant
    ended: Instant | None = None
    abandoned: str | None = Field(None, min_length=1, max_length=2_000)

    @model_validator(mode="after")
    def _hangs_together(self) -> SoakRun:
        if self.ended is not None and self.ended <= self.started:
            raise ValueError("a run ends after it starts; check both times and their zone")
        if self.abandoned is not None and self.ended is None:
            raise ValueError("an abandoned run has an end; give the time it was broken off")
        names = [specimen.name for specimen in self.specimens]
        if len(set(names)) != len(names):
            raise ValueError("two specimens have the same name; give each its own")
        channels = [*self.chamber_channels, self.specimen_channel]
        if len(set(channels)) != len(channels):
            raise ValueError("a channel is named twice; give each probe its own")
        return self


def stepped(name: str, setpoints_c: Sequence[float], *, dwell_min: float, note: str) -> Program:
    """A program of equal dwells over these setpoints [°C], with a tolerance of 2 K."""
    steps = tuple(Step(setpoint_c=c, dwell_min=dwell_min) for c in setpoints_c)
    return Program(name=name, steps=steps, note=note)


def steady_ramp(
    name: str, to_c: float, *, rate_k_per_min: float, look_every_k: float, note: str
) -> Program:
    """A steady climb to a temperature [°C] with looks on the way, held for a minute at the end."""
    end = Step(setpoint_c=to_c, dwell_min=1, ramp_limit_k_per_min=rate_k_per_min)
    return Program(name=name, steps=(end,), look_every_k=look_every_k, note=note)


#: Programs to start from.
READY_MADE: tuple[Program, ...] = (
    stepped(
        "Ten-kelvin steps",
        range(50, 121, 10),
        dwell_min=60,
        note="An hour each 10 K from 50 °C: common practice, no source.",
    ),
    stepped(
        "Preferred dry-heat temperatures",
        (55, 70, 85, 100, 125),
        dwell_min=120,
        note=(
            "Takes its temperatures and its 2 hours from the preferred values of "
            "IEC 60068-2-2 for dry heat; it is not that test."
        ),
    ),
    stepped(
        "Five-kelvin steps",
        range(50, 81, 5),
        dwell_min=30,
        note=(
            "Half an hour each 5 K, to narrow down where a resin gave way between two wider "
            "steps: common practice, no source."
        ),
    ),
    Program(
        name="One long soak at 70 °C",
        steps=(Step(setpoint_c=70, dwell_min=16 * 60, ramp_limit_k_per_min=1),),
        settle=Settle(rule=SettleRule.NEAR_FINAL),
        look_every_min=240,
        note=(
            "Takes 70 °C and 16 hours from the preferred values of IEC 60068-2-2, its 2 K and "
            "1 K/min from the edition of 2007 and the 3 K of settling from IEC 60068-1 (these "
            "three from memory); it is not that test."
        ),
    ),
    steady_ramp(
        "Steady ramp",
        150,
        rate_k_per_min=2,
        look_every_k=10,
        note=(
            "Climbs at the 2 K/min that ISO 75 and ASTM D648 heat at; without their load and "
            "deflection it is not those tests."
        ),
    ),
)
