"""The printed report of a soak run, and its evidence bundle: everything in one checked archive.

The report is one document with its style and chart in it: it loads nothing, runs no script and
prints the same anywhere. The bundle holds it beside the charts as files and all that the
record knows of the run (``api/soak_evidence.py``).
"""

from __future__ import annotations

import base64
from collections.abc import Iterator
from dataclasses import dataclass
from datetime import datetime
from importlib.metadata import version

from api.answers import SoakNow, Workshop, soak_state
from api.evidence import MANIFEST, packed, sealed, sum_of
from api.photographs import picture_of, reduced
from api.routes.soak_shape import shape_of
from api.soak_answers import fastest_changes, profile_of
from api.soak_evidence import photographs_of, record_files
from api.soak_folds import channels_of
from collector.readings import moment_of
from dashboards import chart_paper, soak_words, words
from dashboards.figure import Figure
from dashboards.pages.soak import profile_figure
from dashboards.pages.workshop import resin_names
from dashboards.sheet import HERE, Sheets

#: Longest side of a photograph in the report [pixels]; the bundle has it whole.
PHOTOGRAPH_PX = 900


@dataclass(frozen=True, slots=True)
class Bundle:
    """An evidence bundle: the archive's bytes, its file name, and the seal to note down."""

    archive: bytes
    name: str
    seal: str


def bundle_of(workshop: Workshop, sheets: Sheets, soak_id: int, now: datetime) -> Bundle:
    """The evidence of a run as of ``now``.

    Raises ``NotFoundError`` for a run that is not on record, ``ChartError``.
    """
    found = soak_state(workshop, soak_id, now)
    figure = profile_figure(workshop, found, now)
    charts = chart_paper.drawn(figure.shape, figure.datasets)
    report = report_of(workshop, sheets, found, figure, charts["svg"].decode(), now)
    files = {
        **record_files(workshop, found, now),
        **{f"profile.{form}": content for form, content in charts.items()},
        "state.json": shape_of(found).model_dump_json(indent=1).encode() + b"\n",
        "report.html": report.encode(),
    }
    about = {"soak": soak_id, "name": found.run.entry.name, "vatside": version("vatside")}
    whole = sealed(files, about, now.isoformat(timespec="seconds"))
    return Bundle(packed(whole), f"soak-{soak_id}-evidence.zip", sum_of(whole[MANIFEST]))


def report_of(
    workshop: Workshop, sheets: Sheets, found: SoakNow, figure: Figure, svg: str, now: datetime
) -> str:
    """The report as one document of HTML; ``svg`` is ``figure`` drawn for paper."""
    run, names = found.run.entry, resin_names(workshop)
    return sheets.text(
        "soak_report.html",
        now,
        style=(HERE / "templates" / "soak_report.css").read_text(encoding="utf-8"),
        svg=svg,
        figure=figure,
        kept=found.run,
        run=run,
        found=found,
        state=found.state,
        resin_of={
            piece.name: None if piece.resin is None else names.get(piece.resin)
            for piece in run.specimens
        },
        readings={
            channel: len(series) for channel, series in profile_of(workshop, run, now).items()
        },
        calibrated=_calibrated(workshop, found),
        pictures=list(_pictures(workshop, found)),
        said=soak_words,
        too_fast=soak_words.too_fast(fastest_changes(workshop, found, now)),
        at=_at,
        when=_when,
        version=version("vatside"),
    )


def _calibrated(workshop: Workshop, found: SoakNow) -> dict[str, str]:
    """Of each probe: since when it is calibrated, or that it is not."""
    said: dict[str, str] = {}
    for channel in channels_of(found.run.entry):
        entries = [kept.entry for kept in workshop.record.calibrations.of(channel)]
        before = [one for one in entries if one.valid_from <= found.run.entry.started]
        if before:
            last = max(one.valid_from for one in before)
            said[channel] = f"calibrated on {words.local(last):%-d %B %Y}"
        else:
            said[channel] = "without a calibration on record before the run"
    return said


def _pictures(workshop: Workshop, found: SoakNow) -> Iterator[tuple[str, str]]:
    for path, shown in photographs_of(workshop, found).items():
        small = reduced(picture_of(workshop.record, shown), PHOTOGRAPH_PX)
        yield path, f"data:image/jpeg;base64,{base64.b64encode(small).decode()}"


def _at(time_ms: float | None) -> str:
    """A moment of the run as the report's tables say it."""
    if time_ms is None:
        return "not reached"
    return f"{words.local(moment_of(round(time_ms))):%-d %b %H:%M:%S}"


def _when(at: datetime) -> str:
    """A moment as a report says it: years later nobody knows what "today" was."""
    return f"{words.local(at):%-d %b %Y %H:%M}"
