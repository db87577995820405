"""Where a soak run stands: its readings and looks fetched, folded, and judged."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime

from api.conditions import DOUBTFUL
from api.prints import Window
from api.record import Kept, LoggedLook
from api.soak.engine import fold
from api.soak.events import Abandoned, Ended, LookTaken, Mark, Started, Trace, in_order
from api.soak.program import SoakRun
from api.soak.state import RunState
from api.soak.verdict import SpecimenVerdict, verdicts
from api.workshop import Workshop
from collector.readings import Series, ms_of


@dataclass(frozen=True, slots=True)
class SoakNow:
    """A soak run with its looks, where it stands, what each specimen stood, and the readings.

    ``profile`` holds the readings by channel, doubtful ones left out and counted in
    ``marked_out``; they make a hole in which nothing is counted.
    """

    run: Kept[SoakRun]
    looks: tuple[Kept[LoggedLook], ...]
    state: RunState
    verdicts: tuple[SpecimenVerdict, ...]
    profile: Mapping[str, Series]
    marked_out: int


def soak_state(workshop: Workshop, soak_id: int, now: datetime) -> SoakNow:
    """A run folded from its program, the chamber's readings up to ``now``, and its looks.

    Nothing of it is stored: after a crash it is folded again to the same state.
    """
    run = workshop.record.soaks.get(soak_id)
    looks = workshop.record.looks.of(soak_id)
    entry = run.entry
    channels = [*entry.chamber_channels]
    if entry.specimen_channel is not None:
        channels.append(entry.specimen_channel)
    window = Window(entry.started, max(entry.ended or now, entry.started))
    found = {channel: _readings(workshop, channel, window) for channel in channels}
    profile = {channel: series.without(DOUBTFUL) for channel, series in found.items()}
    started = Started(
        ms_of(entry.started),
        specimens=tuple(specimen.name for specimen in entry.specimens),
        probes=entry.chamber_channels,
        specimen_probe=entry.specimen_channel,
    )
    traces = [Trace(s.times_ms, s.values, channel) for channel, s in profile.items()]
    state = fold(entry.program, in_order(started, traces, _marks(entry, looks)))
    return SoakNow(
        run=run,
        looks=tuple(looks),
        state=state,
        verdicts=verdicts(state),
        profile=profile,
        marked_out=sum(len(found[channel]) - len(profile[channel]) for channel in channels),
    )


def _readings(workshop: Workshop, channel: str, window: Window) -> Series:
    return workshop.store.between(channel, ms_of(window.start), ms_of(window.end) + 1)


def _marks(run: SoakRun, looks: Sequence[Kept[LoggedLook]]) -> list[Mark]:
    """What people did: looks, and the end."""
    marks: list[Mark] = [
        LookTaken(ms_of(look.entry.time), look.entry.specimen, look.entry.finding) for look in looks
    ]
    if run.ended is not None and run.abandoned is not None:
        marks.append(Abandoned(ms_of(run.ended), run.abandoned))
    elif run.ended is not None:
        marks.append(Ended(ms_of(run.ended)))
    return marks
