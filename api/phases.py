"""The phases of a print, from its settings and its real duration. Pure.

A print of *n* layers is *b* bottom layers of exposure *E*, *t* transition layers whose
exposures go down evenly from *E* to *e*, and a body of n - b - t layers of exposure *e*.
Before each exposure the plate moves:

    duration = b E + t (E + e) / 2 + (n - b - t) e + n x between

What the settings say of *between* (light-off delay, lift, retract at constant speed) is its
lower bound; the rest is *overhead* (slowing down, homing, the machine's own waits), which the
real duration tells. All lengths are seconds.
"""

from __future__ import annotations

import enum
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta
from statistics import median, quantiles

from api.prints import Print, Settings, Window, window_of

#: Length of the first-layers window when the settings do not tell it (common practice, no
#: source: bottom layers with their long exposures take about this long).
FIRST_LAYERS_DEFAULT = timedelta(minutes=30)

#: Seconds of lifting and retracting per layer when the settings do not tell them
#: (common practice, no source).
MOVE_DEFAULT_S = 8.0

#: Times noted by hand may be this far off [s]; a duration is called impossible only beyond it.
NOTED_SLACK_S = 120.0

#: More overhead than this on each layer [s] is not explained by any machine's own waits
#: (common practice, no source).
OVERHEAD_MOST_S = 30.0

#: From this many prints on the machine's own history is a rule rather than a hint.
HISTORY_ENOUGH_N = 5


class Fit(enum.StrEnum):
    """Whether settings and real duration can both be true."""

    FITS = "fits"
    TOO_SHORT = "too_short"
    TOO_LONG = "too_long"


class BetweenFrom(enum.StrEnum):
    """What the time between two exposures was taken from."""

    DURATION = "duration"
    SETTINGS = "settings"
    COMMON_PRACTICE = "common_practice"


@dataclass(frozen=True, slots=True)
class Layers:
    """How many layers each phase has, and how long they are exposed in all [s]."""

    first_n: int
    transition_n: int
    body_n: int
    first_s: float
    transition_s: float
    body_s: float

    @property
    def count(self) -> int:
        """All layers."""
        return self.first_n + self.transition_n + self.body_n

    @property
    def exposed_s(self) -> float:
        """Exposure of all layers [s]."""
        return self.first_s + self.transition_s + self.body_s


@dataclass(frozen=True, slots=True)
class Phases:
    """The phases of a print as windows, and what its duration says of each layer.

    ``transition`` and ``body`` are None where the settings do not tell the first from the
    second, or the print ended before. ``between_s`` lies between two exposures, taken from
    ``between_from``; ``overhead_s`` is the implied part of it that the settings do not explain
    (None without a real duration). ``planned_s`` is the duration by the settings alone.
    ``sentence`` says in words where settings and duration cannot both be true.
    """

    first_layers: Window
    transition: Window | None
    body: Window | None
    between_s: float
    between_from: BetweenFrom
    overhead_s: float | None
    planned_s: float | None
    fit: Fit
    sentence: str | None


@dataclass(frozen=True, slots=True)
class Plan:
    """How long a print will take and when it is done, by its settings and the machine's history.

    ``ratio`` is the median of real over planned durations of ``history_n`` earlier prints;
    ``low_s`` and ``high_s`` are its quartiles applied (None with fewer than two prints).
    """

    planned_s: float
    corrected_s: float
    low_s: float | None
    high_s: float | None
    ratio: float
    history_n: int
    finish: datetime
    sentence: str


def move_s(settings: Settings) -> float:
    """Seconds between two exposures: light-off delay, lift and retract [s].

    Lift and retract are taken at constant speed over the lift distance. Where one of the
    three numbers was not logged, :data:`MOVE_DEFAULT_S` stands for the movement.
    """
    movement = _movement_s(settings)
    return (settings.light_off_delay_s or 0.0) + (MOVE_DEFAULT_S if movement is None else movement)


def _movement_s(settings: Settings) -> float | None:
    distance, up, down = (
        settings.lift_distance_mm,
        settings.lift_speed_mm_min,
        settings.retract_speed_mm_min,
    )
    if distance is None or up is None or down is None:
        return None
    return 60.0 * distance / up + 60.0 * distance / down


def missing_settings(settings: Settings) -> tuple[str, ...]:
    """The settings that have to be known before a duration can be planned, and are not."""
    needed = ["layer_count", "normal_exposure_s", "bottom_layer_count"]
    if settings.bottom_layer_count != 0:
        needed.append("bottom_exposure_s")
    return tuple(name for name in needed if getattr(settings, name) is None)


def layers_of(settings: Settings) -> Layers | None:
    """The layers of each phase; None where the settings do not tell them.

    Exposures of transition layers go down evenly, E - k (E - e) / (t + 1) for k = 1 to t
    (common practice, no source). A print of few layers may end within its bottom layers.
    """
    if missing_settings(settings):
        return None
    count = settings.layer_count or 0
    normal_s, bottom_s = settings.normal_exposure_s or 0.0, settings.bottom_exposure_s or 0.0
    asked = settings.transition_layer_count or 0
    first_n = min(settings.bottom_layer_count or 0, count)
    if first_n == 0:
        asked = 0
    transition_n = min(asked, count - first_n)
    down_s = (bottom_s - normal_s) / (asked + 1)
    transition_s = transition_n * bottom_s - down_s * transition_n * (transition_n + 1) / 2
    body_n = count - first_n - transition_n
    return Layers(
        first_n, transition_n, body_n, first_n * bottom_s, transition_s, body_n * normal_s
    )


def planned_s(settings: Settings, *, overhead_s: float = 0.0) -> float | None:
    """The duration by the settings [s], with an overhead on each layer; None: not told."""
    layers = layers_of(settings)
    if layers is None:
        return None
    return layers.exposed_s + layers.count * (move_s(settings) + overhead_s)


def overhead_s(settings: Settings, duration_s: float) -> float | None:
    """The overhead on each layer that a duration implies [s]: the inverse of :func:`planned_s`.

    Negative where the duration is shorter than the settings allow. None: not told.
    """
    planned = planned_s(settings)
    if planned is None or settings.layer_count is None:
        return None
    return (duration_s - planned) / settings.layer_count


def fit_of(settings: Settings, duration_s: float) -> tuple[Fit, str | None]:
    """Whether settings and a whole print's duration [s] can both be true, and why not."""
    layers = layers_of(settings)
    if layers is None:
        return Fit.FITS, None
    known_s = (settings.light_off_delay_s or 0.0) + (_movement_s(settings) or 0.0)
    least_s = layers.exposed_s + layers.count * known_s
    if duration_s < least_s - NOTED_SLACK_S:
        return Fit.TOO_SHORT, (
            f"By its settings this print takes {_length(least_s)} at the very least, and it took "
            f"{_length(duration_s)}: a setting, the layer count or one of the times is wrong, "
            "or it was cut short."
        )
    most_s = layers.exposed_s + layers.count * (move_s(settings) + OVERHEAD_MOST_S)
    if duration_s > most_s + NOTED_SLACK_S:
        return Fit.TOO_LONG, (
            f"It took {_length(duration_s)}, and its settings explain "
            f"{_length(planned_s(settings) or 0.0)}: it stood still for long, or a setting, the "
            "layer count or one of the times is wrong."
        )
    return Fit.FITS, None


def first_layers(window: Window, settings: Settings, *, between_s: float | None = None) -> Window:
    """The first-layers window: from the start until the last bottom layer is exposed.

    Bottom layer count times (bottom exposure + time between exposures), never longer than the
    print; :data:`FIRST_LAYERS_DEFAULT` where count or exposure was not logged. The time between
    is that of the settings unless ``between_s`` is known better.
    """
    count, exposure = settings.bottom_layer_count, settings.bottom_exposure_s
    if not count or exposure is None:
        length = FIRST_LAYERS_DEFAULT
    else:
        between = move_s(settings) if between_s is None else between_s
        length = timedelta(seconds=count * (exposure + between))
    return Window(window.start, window.start + min(length, window.end - window.start))


def phases_of(plate: Print, now: datetime) -> Phases:
    """The phases of a print; one that still runs is taken up to ``now`` (aware).

    The time between exposures comes from the real duration where the print ran to its last
    layer, its settings tell its layers and both agree; else from the settings.
    """
    window, settings = window_of(plate, now), plate.settings
    layers = layers_of(settings)
    between, source = move_s(settings), BetweenFrom.SETTINGS
    if _movement_s(settings) is None:
        source = BetweenFrom.COMMON_PRACTICE
    fit, sentence, overhead = Fit.FITS, None, None
    if layers is not None and is_whole(plate):
        fit, sentence = fit_of(settings, window.length_s)
        overhead = overhead_s(settings, window.length_s)
        real_s = (window.length_s - layers.exposed_s) / layers.count
        if fit is Fit.FITS and real_s >= 0:
            between, source = real_s, BetweenFrom.DURATION
    first = first_layers(window, settings, between_s=between)
    transition, body = _later(window, first, layers, between)
    return Phases(
        first, transition, body, between, source, overhead, planned_s(settings), fit, sentence
    )


def is_whole(plate: Print) -> bool:
    """Whether start and end are both known and the print ran to its last layer."""
    return plate.end is not None and not plate.order_only and not plate.cut_short


def _later(
    window: Window, first: Window, layers: Layers | None, between_s: float
) -> tuple[Window | None, Window | None]:
    """Transition and body, the second reaching up to the end of the print."""
    body_from = first.end
    transition = None
    if layers is not None and layers.transition_n:
        length_s = layers.transition_s + layers.transition_n * between_s
        body_from = first.end + min(timedelta(seconds=length_s), window.end - first.end)
        transition = Window(first.end, body_from) if body_from > first.end else None
    return transition, Window(body_from, window.end) if body_from < window.end else None


def ratios_of(plates: Iterable[Print]) -> list[float]:
    """Real over planned duration of every print that ran whole and agrees with its settings."""
    ratios = []
    for plate in plates:
        planned = planned_s(plate.settings)
        if plate.end is None or planned is None or not is_whole(plate):
            continue
        real_s = (plate.end - plate.start).total_seconds()
        if fit_of(plate.settings, real_s)[0] is Fit.FITS:
            ratios.append(real_s / planned)
    return ratios


def plan(settings: Settings, start: datetime, ratios: Sequence[float] = ()) -> Plan | None:
    """The planned duration and finish, corrected by a machine's history of ``ratios_of``.

    None where the settings do not tell a duration (see :func:`missing_settings`).
    """
    planned = planned_s(settings)
    if planned is None:
        return None
    ratio = median(ratios) if ratios else 1.0
    low = high = None
    if len(ratios) >= 2:
        lower, _, upper = quantiles(ratios, n=4, method="inclusive")
        low, high = lower * planned, upper * planned
    return Plan(
        planned_s=planned,
        corrected_s=ratio * planned,
        low_s=low,
        high_s=high,
        ratio=ratio,
        history_n=len(ratios),
        finish=start + timedelta(seconds=ratio * planned),
        sentence=_history_in_words(ratio, len(ratios)),
    )


def _history_in_words(ratio: float, count: int) -> str:
    if count == 0:
        return "By the settings alone: no earlier print of this machine tells how long it takes."
    prints = "1 earlier print" if count == 1 else f"{count} earlier prints"
    few = "" if count >= HISTORY_ENOUGH_N else "; that is few, so take it as a hint"
    return f"The settings' duration times {ratio:.3f}, the median of {prints} of this machine{few}."


def _length(seconds: float) -> str:
    hours, minutes = divmod(max(0, round(seconds / 60)), 60)
    return f"{hours} h {minutes:02d} min"
