"""What the workshop's owner writes into the record, and when. Pure.

Each entry is one request to the api: something new under a key of its own, so that writing
the same winter twice puts nothing on record twice, or the end of something that was under
way. Ids are the api's; an entry names what it needs by :class:`Of` until they are known.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass, field
from datetime import UTC, datetime

from dashboards.demo.breaks import (
    GAUGE_LIMIT_N,
    SPAN_MM,
    THICKNESS_MM,
    WIDTH_MM,
    PlannedBreak,
)
from dashboards.demo.soaks import PlannedSoak
from dashboards.demo.winter import (
    MACHINES,
    PLATES,
    RESINS,
    PlannedPrint,
    Winter,
)

#: The range that a maker prints reaches this far on both sides of the exposure it means [s].
PRINTED_EITHER_WAY_S = 0.4

Body = dict[str, object]

#: A print's plate is looked at this long after it ended: in the morning, mostly.
LOOKED_AT_AFTER_S = 900.0


#: How every plate is washed, and what that takes.
WASH: Mapping[str, object] = {
    "minutes": 4.0,
    "fluid": "wash alcohol",
    "fluid_used_ml": 85.0,
    "fluid_price_per_l": 4.2,
}

#: Names of the one fixture and the one gauge of the break bench.
FIXTURE, GAUGE = "Flat bars, 64 mm", "Hand gauge"


@dataclass(frozen=True, slots=True)
class Of:
    """Stands in a body for the id of what another entry, with this key, put on record."""

    key: str


@dataclass(frozen=True, slots=True)
class Entry:
    """One request, due at ``time_s``: ``path`` and ``body``; ids in both filled in later.

    A creation has its own ``key``. A change has the key of what it changes as ``changes`` and
    is made only while the field ``unless`` is still empty there.
    """

    time_s: float
    path: str
    body: Body
    key: str = ""
    changes: str = ""
    unless: str = ""
    within: tuple[Of, ...] = field(default=())


def entries(winter: Winter) -> tuple[Entry, ...]:
    """Every entry of the winter and of the hours after it, in the order they are made."""
    made = [
        *_resins(winter),
        *_plates(winter),
        *_machines(winter),
        *(entry for plate in winter.prints if plate.logged for entry in _print(winter, plate)),
        *(entry for soak in winter.soaks for entry in _soak(winter, soak)),
        *_bench(winter),
        *(_break(winter, piece) for piece in winter.breaks),
    ]
    return tuple(sorted(made, key=lambda entry: entry.time_s))


def filled(value: object, ids: Mapping[str, int]) -> object:
    """A body with every :class:`Of` in it replaced by the id it stands for."""
    if isinstance(value, Of):
        return ids[value.key]
    if isinstance(value, dict):
        return {name: filled(inner, ids) for name, inner in value.items()}
    if isinstance(value, list):
        return [filled(inner, ids) for inner in value]
    return value


def rfc3339(time_s: float) -> str:
    """A time [s since 1970] as the api takes it."""
    return datetime.fromtimestamp(time_s, UTC).isoformat().replace("+00:00", "Z")


def _key(winter: Winter, name: str) -> str:
    """A key of creation: the same winter and thing, the same key."""
    return f"demo {winter.seed} {rfc3339(winter.now_s)} {name}"


def _resins(winter: Winter) -> Iterator[Entry]:
    for resin in RESINS:
        body: Body = {
            "name": resin.name,
            "category": resin.purpose,
            "density_g_cm3": resin.density_g_cm3,
            "price_per_kg": resin.price_per_kg,
            "guidance": {
                "normal_exposure_s": {
                    "low": round(resin.normal_exposure_s - PRINTED_EITHER_WAY_S, 1),
                    "high": round(resin.normal_exposure_s + PRINTED_EITHER_WAY_S, 1),
                }
            },
        }
        yield Entry(winter.start_s, "/api/resins", body, key=_key(winter, resin.name))


def _plates(winter: Winter) -> Iterator[Entry]:
    for plate in PLATES:
        parts = [{"name": f"{plate.part} {number + 1}"} for number in range(plate.part_count)]
        body: Body = {"name": plate.name, "parts": parts, "resin_ml": plate.resin_ml}
        yield Entry(winter.start_s, "/api/plates", body, key=_key(winter, plate.name))


def _machines(winter: Winter) -> Iterator[Entry]:
    for machine in MACHINES:
        since = rfc3339(winter.start_s)
        links = [
            {"channel": f"vat-{machine.lower()}", "role": "vat_temperature", "since": since},
            {"channel": f"power-{machine.lower()}", "role": "printer_power", "since": since},
        ]
        body: Body = {"name": machine, "channels": links}
        yield Entry(winter.start_s, "/api/machines", body, key=_key(winter, machine))


def _print(winter: Winter, plate: PlannedPrint) -> Iterator[Entry]:
    """A print that is over is entered whole; one that runs at ``now`` is started, then ended."""
    key = _key(winter, plate.key)
    body: Body = {
        "start": rfc3339(plate.start_s),
        "resin": Of(_key(winter, plate.resin)),
        "machine": Of(_key(winter, plate.machine)),
        "settings": dict(plate.settings),
        "parts": [{"name": part.name} for part in plate.parts],
        "plate": Of(_key(winter, plate.plate)),
    }
    resin_ml = {one.name: one.resin_ml for one in PLATES}[plate.plate]
    outcome: Body = {
        "end": rfc3339(plate.end_s),
        "parts": _looked_at(plate),
        "resin_used_ml": resin_ml,
        "afterwork": {"wash": dict(WASH)},
    }
    looked_at_s = plate.end_s + LOOKED_AT_AFTER_S
    if looked_at_s <= winter.now_s:
        yield Entry(looked_at_s, "/api/prints", body | outcome, key=key)
    else:
        yield Entry(plate.start_s, "/api/prints", body, key=key)
        yield Entry(looked_at_s, "/api/prints", outcome, changes=key, unless="end")


def _looked_at(plate: PlannedPrint) -> list[Body]:
    return [
        {"name": part.name, "outcome": part.outcome, "modes": list(part.modes)}
        for part in plate.parts
    ]


def _soak(winter: Winter, soak: PlannedSoak) -> Iterator[Entry]:
    """A run is entered when it starts, its looks as they are taken, its end when it ends."""
    key = _key(winter, soak.key)
    program: Body = {
        "name": f"{len(soak.steps)} steps from {soak.steps[0].setpoint_c:g} °C",
        "steps": [
            {
                "setpoint_c": step.setpoint_c,
                "tolerance_k": step.tolerance_k,
                "dwell_min": step.dwell_s / 60.0,
            }
            for step in soak.steps
        ],
        "gap_limit_s": 60.0,
    }
    body: Body = {
        "name": soak.title,
        "program": program,
        "chamber_channels": ["chamber"],
        "specimens": [
            {"name": specimen.name, "resin": Of(_key(winter, specimen.resin))}
            for specimen in soak.specimens
        ],
        "started": rfc3339(soak.run.start_s),
    }
    yield Entry(soak.run.start_s, "/api/soaks", body, key=key)
    for look in soak.looks:
        seen: Body = {
            "specimen": look.specimen,
            "time": rfc3339(look.time_s),
            "finding": look.seen,
        }
        name = f"{soak.key} {look.step} {look.specimen}"
        yield Entry(
            look.time_s, "/api/soaks/{}/looks", seen, key=_key(winter, name), within=(Of(key),)
        )
    ended: Body = {"ended": rfc3339(soak.end_s)}
    yield Entry(soak.end_s, "/api/soaks", ended, changes=key, unless="ended")


def _bench(winter: Winter) -> Iterator[Entry]:
    fixture: Body = {
        "name": FIXTURE,
        "holding": "three_point",
        "span_mm": SPAN_MM,
        "width_mm": WIDTH_MM,
        "thickness_mm": THICKNESS_MM,
    }
    yield Entry(winter.start_s, "/api/fixtures", fixture, key=_key(winter, FIXTURE))
    gauge: Body = {"name": GAUGE, "limit": {"value": GAUGE_LIMIT_N, "unit": "N"}}
    yield Entry(winter.start_s, "/api/gauges", gauge, key=_key(winter, GAUGE))


def _break(winter: Winter, piece: PlannedBreak) -> Entry:
    """A piece is written down as soon as it was tested; one that held has no load."""
    runs = [] if piece.soak is None else [Of(_key(winter, piece.soak))]
    body: Body = {
        "piece": piece.piece,
        "resin": Of(_key(winter, piece.resin)),
        "fixture": Of(_key(winter, FIXTURE)),
        "gauge": Of(_key(winter, GAUGE)),
        "soaked": [{"soak": run, "specimen": piece.piece} for run in runs],
        "tested": rfc3339(piece.time_s),
        "cured": rfc3339(piece.cured_s),
        "outcome": "broke",
    }
    if piece.load_n is None:
        body["outcome"] = "no_break_at_the_limit"
    else:
        body["load"] = {"value": piece.load_n, "unit": "N"}
    name = f"break {piece.soak or 'bars'} {piece.piece}"
    return Entry(piece.time_s, "/api/breaks", body, key=_key(winter, name))
