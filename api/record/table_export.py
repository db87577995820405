"""The prints as a table that a spreadsheet opens and ``table_import`` reads back, exactly."""

from __future__ import annotations

import csv
import io
import json
from collections import Counter
from collections.abc import Iterable, Mapping

from api.prints import Print
from api.record import Bottle, Kept, Record
from api.record.table_import import OWN_FIELDS, PLAIN_FIELDS, STAGES


def prints_as_table(record: Record) -> str:
    """Every print by start, one a row, under the fields of an import; nothing is lost but ids.

    A bottle is told by its lot, or by ``#`` and its id where two bottles of a resin share it.
    """
    with record.reading():
        resins = {kept.id: kept.entry.name for kept in record.resins.all()}
        machines = {kept.id: kept.entry.name for kept in record.machines.all()}
        plates = {kept.id: kept.entry.name for kept in record.plates.all()}
        bottles = record.bottles.all()
        prints = record.prints.all()
    lots = _lots(bottles)
    names: dict[str, Mapping[int, str]] = {
        "resin": resins,
        "machine": machines,
        "plate": plates,
        "bottle": lots,
    }
    return _table(_cells(kept, names) for kept in prints)


def _lots(bottles: Iterable[Kept[Bottle]]) -> dict[int, str]:
    """How each bottle is told: by its lot, or by its id where that tells no bottle or two."""
    known = {kept.id: (kept.entry.resin, kept.entry.lot) for kept in bottles}
    times = Counter(known.values())
    return {
        number: one[1] if one[1] and one[1][0] != "#" and times[one] == 1 else f"#{number}"
        for number, one in known.items()
    }


def _table(rows: Iterable[Mapping[str, str]]) -> str:
    into = io.StringIO(newline="")
    writer = csv.DictWriter(into, OWN_FIELDS, restval="")
    writer.writeheader()
    writer.writerows(rows)
    return into.getvalue()


def _cells(kept: Kept[Print], names: Mapping[str, Mapping[int, str]]) -> dict[str, str]:
    plate = kept.entry
    cells = {
        "start": plate.start.isoformat(),
        "end": _text(plate.end and plate.end.isoformat()),
        "cut_short": "yes" if plate.cut_short else "",
        "order_only": "yes" if plate.order_only else "",
        "logged_vat": _text(plate.logged_vat_c),
        "parts": _parts(plate),
    }
    for kind, known in names.items():
        entry_id = getattr(plate, kind)
        cells[kind] = "" if entry_id is None else known[entry_id]
    cells |= {name: _text(getattr(plate, name)) for name in PLAIN_FIELDS}
    cells |= {name: _text(value) for name, value in plate.settings}
    for name in STAGES:
        stage = getattr(plate.afterwork, name)
        if stage is not None:
            noted = stage.model_dump(mode="json")
            cells |= {f"{name}.{one}": _text(value) for one, value in noted.items()}
    return cells


def _parts(plate: Print) -> str:
    if not plate.parts:
        return ""
    parts = [part.model_dump(mode="json", exclude_defaults=True) for part in plate.parts]
    return json.dumps(parts, ensure_ascii=False)


def _text(value: object) -> str:
    return "" if value is None else str(value)
