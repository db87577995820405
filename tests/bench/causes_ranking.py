"""Question 2 against its numbers to reach: ten conditions, three resins, a known cause or none."""

from __future__ import annotations

import math
import time
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, replace
from functools import partial

import numpy as np

from api.causes.ranking import ConditionRow, Ranking, rank
from api.causes.ranking_words import Standing
from tests.bench.acceptance_table import Bound, Cell, Figures, at_least, at_most
from tests.bench.causes_worlds import (
    DAY_MS,
    RESINS,
    Floats,
    expit,
    logit,
    smooth_noise,
    vat_c,
)

#: Conditions that move with the vat temperature by their nature.
WARMTH = ("vat temperature", "vat temperature, whole print", "room temperature", "dew point")

#: Conditions that move with the humidity by their nature.
DAMP = ("room humidity", "dew point")


@dataclass(frozen=True)
class Room:
    """How closely conditions follow each other, and how long things are kept.

    ``whole_print_k`` and ``room_k`` are how far the whole print's mean and the room lie from
    the vat in the first layers (standard deviations), ``memory`` is that of the humidity from
    print to print, ``exposure_changes`` and ``lift_changes`` the chance that a setting is
    changed before a print, ``bottle_prints`` and ``film_prints`` how long those last.
    """

    name: str
    whole_print_k: float
    room_k: float
    memory: float
    exposure_changes: float
    lift_changes: float
    bottle_prints: int
    film_prints: int


TIGHT = Room("tight room", 0.8, 1.2, 0.6, 0.15, 0.10, 18, 30)
LOOSE = Room("loose room", 1.5, 2.0, 0.4, 0.30, 0.20, 10, 20)


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
    room: Room = LOOSE

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
        n, of = len(vat), self.room
        room = vat - 1.5 + rng.normal(0.0, of.room_k, n)
        humidity = 52.0 - 0.8 * (slow - 20.0) + smooth_noise(rng, n, 7.0, of.memory)
        season = -(slow - slow.mean()) / 2.5 if self.settings == "season" else np.zeros(n)
        return {
            "vat temperature": vat,
            "vat temperature, whole print": vat + rng.normal(0.0, of.whole_print_k, n),
            "room temperature": room,
            "room humidity": humidity,
            "dew point": 0.6 * room + 0.25 * humidity + rng.normal(0.0, 1.0, n),
            "bottom_exposure_s": 30.0 + 2.0 * np.round(season + _held(rng, n, of.exposure_changes)),
            "normal_exposure_s": 2.0 + 0.1 * np.round(season + _held(rng, n, of.exposure_changes)),
            "lift_speed_mm_min": 60.0 + 5.0 * np.round(_held(rng, n, of.lift_changes)),
            "resin age": _sawtooth(rng, n, of.bottle_prints),
            "prints since film change": _sawtooth(rng, n, of.film_prints),
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


HEADINGS = (
    "flagged (any, or the cause's group)",
    "cause first",
    "its group first",
    "unrelated flagged",
    "flagged without the last rule",
    "unrelated without the last rule",
    "lead set holds it",
    "lead set size",
)


def run(world: RankingWorld, prints_n: int, logs_n: int) -> Figures:
    """All logs of a world, seeds 0 to ``logs_n`` - 1."""
    began = time.process_time()
    group = set(world.group)
    answers = [rank(world.log(seed, prints_n)) for seed in range(logs_n)]
    named = [flagged_in(answer) for answer in answers]
    alone = [flagged_in(answer, Standing.EXPLAINED) for answer in answers]
    hits = [_hit(names, group) for names in named]
    leads = [answer.lead_set for answer, hit in zip(answers, hits, strict=True) if hit]
    first = [answer.candidates[0].name if answer.candidates else "" for answer in answers]
    values = (
        mean(hits),
        mean([name == world.cause for name in first]) if group else math.nan,
        mean([name in group for name in first]) if group else math.nan,
        mean([bool(names - group) for names in named]),
        mean([_hit(names, group) for names in alone]),
        mean([bool(names - group) for names in alone]),
        mean([world.cause in lead for lead in leads]) if group else math.nan,
        mean([len(lead) for lead in leads]),
    )
    return Figures(logs_n, dict(zip(HEADINGS, values, strict=True)), time.process_time() - began)


def _hit(names: set[str], group: set[str]) -> bool:
    return bool(names & group if group else names)


def mean(marks: Sequence[bool] | Sequence[int]) -> float:
    return float(np.mean(marks)) if marks else math.nan


def flagged_in(answer: Ranking, *also: Standing) -> set[str]:
    """The conditions that an answer says go with failures, or that stand ``also`` so."""
    return {c.name for c in answer.candidates if c.standing in (Standing.FLAGGED, *also)}


def _cells() -> Iterable[Cell]:
    for room in (TIGHT, LOOSE):
        yield from _cells_of(room)


def _cells_of(room: Room) -> Iterable[Cell]:
    nothing = [
        (RankingWorld("nothing"), (0.05, 0.05, 0.05)),
        (RankingWorld("nothing, resins by season", resins="season"), (0.05, 0.05, 0.05)),
        (RankingWorld("nothing, settings by season", settings="season"), (0.05, 0.05, 0.05)),
        (RankingWorld("nothing, reactive settings", settings="reactive"), (0.05, 0.05, 0.05)),
        (RankingWorld("nothing, bad spells", trouble="spells"), (0.05, 0.06, 0.11)),
        (RankingWorld("nothing, slow machine drift", trouble="drift"), (0.07, 0.07, 0.07)),
    ]
    for world, most in nothing:
        for prints_n, number in zip((30, 60, 150), most, strict=True):
            yield _cell(world, room, prints_n, at_most(HEADINGS[0], number))
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
        for prints_n, numbers in ((60, short), (150, long)):
            yield _cell(world, room, prints_n, *_bounds(*numbers))


def _bounds(
    flagged: float, cause_first: float, group_first: float, unrelated: float, lead: float
) -> tuple[Bound, ...]:
    return (
        at_least(HEADINGS[0], flagged),
        at_least("cause first", cause_first),
        at_least("its group first", group_first),
        at_most("unrelated flagged", unrelated),
        at_least("lead set holds it", lead),
        at_most("lead set size", 3.0),
    )


def _cell(world: RankingWorld, room: Room, prints_n: int, *bounds: Bound) -> Cell:
    name = f"{room.name}: {world.name}, {prints_n} prints"
    return Cell(name, partial(run, replace(world, room=room), prints_n), bounds)


#: Every cell of the method's table for question 2, in both rooms.
CELLS = tuple(_cells())

NOTE = (
    "Ten conditions, three resins. The group of the vat temperature is both vat temperatures,"
    " the room's and the dew point, that of humidity includes the dew point. How closely the"
    " conditions follow each other, and how long a setting is kept, the method does not say:"
    " two rooms of ours stand for it. In the tight room, made first, the whole print's mean lies"
    " 0.8 °C (standard deviation) from the vat's first layers and the room 1.2 °C, and settings"
    " are kept for seven prints and bottles for eighteen; in the loose room, made when the tight"
    " one had missed numbers, these are 1.5 °C, 2.0 °C, three prints and ten. The last rule is"
    " ours too: outside the lead set a candidate must hold when adjusted for the first in rank;"
    " the columns *without* it are the method's own. The last two figures are of the logs in"
    " which the group was flagged."
    "\n\n"
    "The last rule is kept: over all these worlds it takes the cause's group from at most one"
    " log in 400, and what is unrelated is named in 0.087 of logs at most, without it in up to"
    " 0.147 (and in 0.135 instead of 0.020 where a strong cause has a long log). Missed by more"
    " than two standard errors, all in the tight room: the cause itself is first too seldom with"
    " vat temperature -0.35 (its group is first as often as asked: there the whole print's mean"
    " is nearly the same number), humidity at 150 prints is flagged in 0.892 instead of 0.93,"
    " and the resin's age at 60 prints is first in 0.640 instead of 0.70. In the loose room"
    " nothing is missed by more than about one."
)
