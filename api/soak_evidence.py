"""The files that prove a soak run: what was recorded, entered and concluded, each as it stands.

Everything an answer was computed from goes in, so that somebody else can compute it again:
the readings as received and as believed, the program with every change made to it, the looks,
the calibrations, the photographs. Charts and the printed report are added above.
"""

from __future__ import annotations

import csv
import io
import json
from collections.abc import Iterable, Iterator
from datetime import datetime
from typing import Any

import numpy as np

from api.conditions import DOUBTFUL
from api.photographs import ending_of, picture_of
from api.record import Kept, Photograph, Revision
from api.soak_answers import SoakNow
from api.soak_folds import channels_of
from api.workshop import Workshop
from collector.readings import Mark, Series, moment_of, ms_of

#: Columns of ``profile.csv``. ``received`` is as the sensor sent it (in the unit it is kept
#: in), ``believed_c`` [°C] after conversion and calibration; ``counted`` whether the run's
#: state rests on it.
PROFILE_COLUMNS = ("time", "channel", "received", "believed_c", "marks", "counted")


def record_files(workshop: Workshop, found: SoakNow, now: datetime) -> dict[str, bytes]:
    """The record's share of a run's evidence as of ``now``, by path.

    Looks and interventions come with those that were taken back, and every entry with what
    stood before a change.
    Raises ``NotFoundError`` where the picture of a photograph is gone.
    """
    record, run = workshop.record, found.run
    pictures = photographs_of(workshop, found)
    return {
        "run.json": _json(_entry(run) | {"before": _changes(record.soaks.revisions(run.id))}),
        "program.json": _json(run.entry.program.model_dump(mode="json")),
        "looks.json": _done_in(run.id, found.looks, record.looks.all_revisions()),
        "interventions.json": _done_in(
            run.id, found.interventions, record.interventions.all_revisions()
        ),
        "calibrations.json": _json(
            {
                channel: [_entry(kept) for kept in record.calibrations.of(channel)]
                for channel in channels_of(found.run.entry)
            }
        ),
        "profile.csv": _profile(workshop, found, now),
        **{path: picture_of(record, shown) for path, shown in pictures.items()},
    }


def photographs_of(workshop: Workshop, found: SoakNow) -> dict[str, Photograph]:
    """Every photograph of the run's looks, by its path in the bundle."""
    return {
        f"photographs/look-{look.id}-{number}.{ending_of(kept.entry)}": kept.entry
        for look in found.looks
        for number, kept in enumerate(workshop.record.photographs.of(look_id=look.id), start=1)
    }


def _done_in(soak_id: int, entries: Iterable[Kept[Any]], revisions: Iterable[Revision]) -> bytes:
    """What was done in a run as it stands, and what was corrected or taken back."""
    return _json(
        {
            "entries": [_entry(kept) for kept in entries],
            "before": _changes(one for one in revisions if one.before.get("soak") == soak_id),
        }
    )


def _profile(workshop: Workshop, found: SoakNow, now: datetime) -> bytes:
    run = found.run.entry
    start_ms, end_ms = ms_of(run.started), ms_of(run.ended or now) + 1
    into = io.StringIO(newline="")
    writer = csv.writer(into, lineterminator="\n")
    writer.writerow(PROFILE_COLUMNS)
    for channel in channels_of(found.run.entry):
        received = workshop.received.between(channel, start_ms, end_ms)
        believed = workshop.store.between(channel, start_ms, end_ms)
        writer.writerows(_rows(received, believed))
    return into.getvalue().encode()


def _rows(received: Series, believed: Series) -> Iterator[tuple[str, ...]]:
    """Received readings beside what is believed of them; a value that no chain can turn into a
    temperature is believed nowhere and stands alone."""
    places = np.searchsorted(believed.times_ms, received.times_ms)
    for reading, place in zip(received, places.tolist(), strict=True):
        known = place < len(believed) and int(believed.times_ms[place]) == reading.time_ms
        value = repr(float(believed.values[place])) if known else ""
        counted = known and not Mark(int(believed.marks[place])) & DOUBTFUL
        yield (
            moment_of(reading.time_ms).isoformat(timespec="milliseconds").replace("+00:00", "Z"),
            reading.channel,
            repr(reading.value),
            value,
            " ".join(mark.name.lower() for mark in Mark if mark in reading.marks and mark.name),
            "yes" if counted else "no",
        )


def _entry(kept: Kept[Any]) -> dict[str, Any]:
    """An entry of the record with its number and revision."""
    return {"id": kept.id, "revision": kept.revision, **kept.entry.model_dump(mode="json")}


def _changes(revisions: Iterable[Revision]) -> list[dict[str, Any]]:
    """What stood before each change, when it was made, and what it was."""
    return [
        {
            "id": one.id,
            "revision": one.revision,
            "changed": one.changed.isoformat(),
            "change": one.change,
            "before": one.before,
        }
        for one in revisions
    ]


def _json(content: object) -> bytes:
    return (json.dumps(content, indent=1, ensure_ascii=False) + "\n").encode()
