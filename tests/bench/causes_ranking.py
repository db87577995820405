"""Question 2 against its numbers to reach: ten conditions, three resins, a known cause or none."""

from __future__ import annotations

import math
import time
from collections.abc import Iterable
from dataclasses import dataclass

import numpy as np

from api.causes.ranking import ConditionRow, Ranking, rank
from api.causes.ranking_words import Standing
from tests.bench.causes_worlds import (
    DAY_MS,
    RESINS,
    Floats,
    expit,
    logit,
    not_reached,
    smooth_noise,
    vat_c,
)

#: Conditions that move with the vat temperature by their nature.
WARMTH = ("vat temperature", "vat temperature, whole print", "room temperature", "dew point")

#: Conditions that move with the humidity by their nature.
DAMP = ("room humidity", "dew point")


@dataclass(frozen=True)
class RankingWorld:
    """A room of ten conditions; ``cause`` adds ``effect`` logits per unit (per sd if ``per_sd``).

    ``resins`` and ``settings`` say what follows the season (or failures: "reactive");
    ``trouble`` adds failures that no condition has to do with: "spells" or "drift".
    """

    name: str
    cause: str | None = None
    effect: float = 0.0
    per_sd: bool = True
    resins: str = "mixed"
    settings: str = "free"
    trouble: str | None = None

    @property
    def group(self) -> tuple[str, ...]:
        """The conditions that may be named for the cause without being wrong."""
        for members in (WARMTH, DAMP):
            if self.cause in members:
                return members
        return (self.cause,) if self.cause else ()

    def log(self, seed: int, prints_n: int) -> list[ConditionRow]:
        """The log of one seed, the same every time."""
        rng = np.random.default_rng([seed, prints_n, 2])
        vat = vat_c(rng, prints_n)
        slow = np.convolve(np.pad(vat, 5, mode="edge"), np.full(11, 1 / 11), "valid")
        resin_of = rng.integers(3, size=prints_n)
        if self.resins == "season":
            third = np.searchsorted(np.quantile(slow, [1 / 3, 2 / 3]), slow)
            resin_of = np.where(rng.random(prints_n) < 0.6, third, resin_of)
        columns = self._conditions(rng, vat, slow)
        return self._outcomes(rng, columns, resin_of)

    def _conditions(self, rng: np.random.Generator, vat: Floats, slow: Floats) -> dict[str, Floats]:
        n = len(vat)
        room = vat - 1.5 + rng.normal(0.0, 2.0, n)
        humidity = 52.0 - 0.8 * (slow - 20.0) + smooth_noise(rng, n, 7.0, 0.4)
        season = -(slow - slow.mean()) / 2.5 if self.settings == "season" else np.zeros(n)
        return {
            "vat temperature": vat,
            "vat temperature, whole print": vat + rng.normal(0.0, 1.5, n),
            "room temperature": room,
            "room humidity": humidity,
            "dew point": 0.6 * room + 0.25 * humidity + rng.normal(0.0, 1.0, n),
            "bottom_exposure_s": 30.0 + 2.0 * np.round(season + _held(rng, n, 0.30)),
            "normal_exposure_s": 2.0 + 0.1 * np.round(season + _held(rng, n, 0.30)),
            "lift_speed_mm_min": 60.0 + 5.0 * np.round(_held(rng, n, 0.20)),
            "resin age": _sawtooth(rng, n, 10),
            "prints since film change": _sawtooth(rng, n, 20),
        }

    def _outcomes(
        self, rng: np.random.Generator, columns: dict[str, Floats], resin_of: np.ndarray
    ) -> list[ConditionRow]:
        n = len(resin_of)
        base = rng.normal(0.0, 0.5, 3)[resin_of]
        if self.cause:
            x = columns[self.cause]
            scale = 1.0 / max(float(x.std()), 1e-9) if self.per_sd else 1.0
            base = base + self.effect * scale * (x - x.mean())
        if self.trouble == "drift":
            base = base + np.linspace(-1.0, 1.0, n) * rng.choice([-1.0, 1.0])
        bad, rows, exposure = False, [], 0.0
        names = ("bottom_exposure_s", "normal_exposure_s", "lift_speed_mm_min")
        for i in range(n):
            bad = rng.random() >= 1 / 6 if bad else rng.random() < 1 / 18
            spell = (1.3 if bad else -0.7) if self.trouble == "spells" else 0.0
            failed = float(rng.random() < expit(logit(0.17) + base[i] + spell))
            conditions = {name: float(column[i]) for name, column in columns.items()}
            if self.settings == "reactive":
                conditions["bottom_exposure_s"] += 2.0 * exposure
                exposure = exposure + 1.0 if failed else exposure * 0.8
            settings = {name: conditions[name] for name in names}
            resin = RESINS[resin_of[i]]
            rows.append(ConditionRow(f"print-{i}", i * DAY_MS, failed, resin, settings, conditions))
        return rows


def _held(rng: np.random.Generator, n: int, changes: float) -> Floats:
    """A setting that is changed now and then and kept in between; spread about 1."""
    values = rng.normal(0.0, 1.0, n)
    changed = rng.random(n) < changes
    changed[0] = True
    return np.asarray(values[np.maximum.accumulate(np.where(changed, np.arange(n), 0))])


def _sawtooth(rng: np.random.Generator, n: int, length: int) -> Floats:
    """Counts up from each renewal, which comes after about ``length`` prints."""
    age, ages = float(rng.integers(length)), np.empty(n)
    for i in range(n):
        age = 0.0 if rng.random() < 1.0 / length else age + 1.0
        ages[i] = age
    return ages


@dataclass(frozen=True)
class RankingBounds:
    """The numbers a cell has to reach; None where the method asks for none."""

    flagged: float | None = None
    flagged_most: float | None = None
    cause_first: float | None = None
    group_first: float | None = None
    unrelated_most: float | None = None
    lead_holds: float | None = None
    lead_size_most: float | None = None


@dataclass(frozen=True)
class RankingCell:
    """One world at one length of log."""

    world: RankingWorld
    prints_n: int
    bounds: RankingBounds

    @property
    def name(self) -> str:
        return f"{self.world.name}, {self.prints_n} prints"


@dataclass(frozen=True)
class RankingFigures:
    """What a cell came to; shares of all logs, those of the lead set of flagged logs."""

    cell: RankingCell
    flagged: float
    cause_first: float
    group_first: float
    unrelated: float
    unrelated_alone: float
    lead_holds: float
    lead_size: float
    seconds: float

    @property
    def name(self) -> str:
        return self.cell.name

    @property
    def shown(self) -> tuple[float, ...]:
        """The figures under :data:`HEADINGS`."""
        return (
            self.flagged,
            self.cause_first,
            self.group_first,
            self.unrelated,
            self.unrelated_alone,
            self.lead_holds,
            self.lead_size,
        )

    def misses(self, slack: float = 0.0) -> list[str]:
        """Which numbers were not reached; ``slack`` widens them for short runs."""
        b = self.cell.bounds
        least = [
            ("flagged", self.flagged, b.flagged),
            ("cause first", self.cause_first, b.cause_first),
            ("group first", self.group_first, b.group_first),
            ("lead set holds it", self.lead_holds, b.lead_holds),
        ]
        most = [
            ("flagged", self.flagged, b.flagged_most),
            ("unrelated", self.unrelated, b.unrelated_most),
            ("lead set size", self.lead_size, b.lead_size_most),
        ]
        return not_reached(least, most, slack)


def run(cell: RankingCell, logs_n: int) -> RankingFigures:
    """All logs of a cell, seeds 0 to ``logs_n`` - 1."""
    began = time.process_time()
    world, group = cell.world, cell.world.group
    answers = [rank(world.log(seed, cell.prints_n)) for seed in range(logs_n)]
    named = [flagged_in(answer) for answer in answers]
    hits = [bool(set(n) & set(group)) if group else bool(n) for n in named]
    leads = [answer.lead_set for answer, hit in zip(answers, hits, strict=True) if hit]
    first = [answer.candidates[0].name if answer.candidates else "" for answer in answers]
    return RankingFigures(
        cell=cell,
        flagged=float(np.mean(hits)),
        cause_first=float(np.mean([f == world.cause for f in first])) if group else math.nan,
        group_first=float(np.mean([f in group for f in first])) if group else math.nan,
        unrelated=share_of([bool(set(n) - set(group)) for n in named]),
        unrelated_alone=share_of(
            [bool(set(flagged_in(a, Standing.EXPLAINED)) - set(group)) for a in answers]
        ),
        lead_holds=(
            float(np.mean([world.cause in lead for lead in leads])) if group and leads else math.nan
        ),
        lead_size=float(np.mean([len(lead) for lead in leads])) if leads else math.nan,
        seconds=time.process_time() - began,
    )


def flagged_in(answer: Ranking, *also: Standing) -> list[str]:
    """The conditions that an answer says go with failures, or that stand ``also`` so."""
    return [c.name for c in answer.candidates if c.standing in (Standing.FLAGGED, *also)]


def share_of(marks: list[bool]) -> float:
    return float(np.mean(marks))


def _cells() -> Iterable[RankingCell]:
    nothing = [
        (RankingWorld("nothing"), (0.05, 0.05, 0.05)),
        (RankingWorld("nothing, resins by season", resins="season"), (0.05, 0.05, 0.05)),
        (RankingWorld("nothing, settings by season", settings="season"), (0.05, 0.05, 0.05)),
        (RankingWorld("nothing, reactive settings", settings="reactive"), (0.05, 0.05, 0.05)),
        (RankingWorld("nothing, bad spells", trouble="spells"), (0.05, 0.06, 0.11)),
        (RankingWorld("nothing, slow machine drift", trouble="drift"), (0.07, 0.07, 0.07)),
    ]
    for world, most in nothing:
        for prints_n, bound in zip((30, 60, 150), most, strict=True):
            yield RankingCell(world, prints_n, RankingBounds(flagged_most=bound))
    vat = "vat temperature"
    gentle = RankingWorld("vat temperature -0.35", vat, -0.35, per_sd=False)
    steep = RankingWorld("vat temperature -0.6", vat, -0.6, per_sd=False)
    tangled = RankingWorld(
        "vat -0.35, resins and settings by season", vat, -0.35, False, "season", "season"
    )
    humid = RankingWorld("room humidity, 1 logit per sd", "room humidity", 1.0)
    exposure = RankingWorld("first-layer exposure, 1 logit per sd", "bottom_exposure_s", -1.0)
    age = RankingWorld("resin age, 1 logit per sd", "resin age", 1.0)
    wanted = (
        (gentle, (0.30, 0.45, 0.68, 0.05, 0.85), (0.90, 0.75, 0.95, 0.05, 0.90)),
        (steep, (0.60, 0.60, 0.87, 0.05, 0.85), (0.98, 0.84, 0.98, 0.05, 0.90)),
        (tangled, (0.10, 0.30, 0.52, 0.05, 0.70), (0.66, 0.66, 0.85, 0.10, 0.90)),
        (humid, (0.37, 0.65, 0.73, 0.07, 0.85), (0.93, 0.91, 0.94, 0.07, 0.90)),
        (exposure, (0.17, 0.70, 0.71, 0.05, 0.85), (0.68, 0.95, 0.95, 0.05, 0.90)),
        (age, (0.20, 0.65, 0.70, 0.07, 0.85), (0.84, 0.95, 0.95, 0.07, 0.90)),
    )
    for world, short, long in wanted:
        for prints_n, (flagged, cause, group, unrelated, lead) in ((60, short), (150, long)):
            yield RankingCell(
                world,
                prints_n,
                RankingBounds(
                    flagged=flagged,
                    cause_first=cause,
                    group_first=group,
                    unrelated_most=unrelated,
                    lead_holds=lead,
                    lead_size_most=3.0,
                ),
            )


#: Every cell of the method's table for question 2.
CELLS = tuple(_cells())

HEADINGS = (
    "flagged (any, or the cause's group)",
    "cause first",
    "its group first",
    "unrelated flagged",
    "unrelated without the last rule",
    "lead set holds it",
    "lead set size",
)

NOTE = (
    "Ten conditions, three resins. The group of the vat temperature is both vat temperatures,"
    " the room's and the dew point, that of humidity includes the dew point. The last rule is"
    " ours: outside the lead set a candidate must hold when adjusted for the first in rank. The"
    " last two figures are of the logs in which the group was flagged."
)
