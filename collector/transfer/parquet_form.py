"""Readings as Parquet, through pyarrow, which is installed for it alone (``vatside[parquet]``).

The only module that knows pyarrow. Columns are those of the CSV, typed: ``channel``, ``unit`` and
``marks`` are texts, ``time`` a UTC timestamp in ms, the value float64 and ``nth`` a whole number.
"""

from __future__ import annotations

import importlib.util
from collections.abc import Iterable, Iterator
from itertools import islice
from pathlib import Path
from typing import Any

from collector.errors import InvalidError, PayloadError
from collector.transfer.cells import Columns, RowMaker
from collector.transfer.rows import Fault, Found, Row, Values, marks_text

#: Rows in one group, which is what has to be in memory at once.
GROUP_ROWS_N = 65_536


def check_installed() -> None:
    """Raise ``InvalidError`` with the remedy when pyarrow is not there."""
    if importlib.util.find_spec("pyarrow") is None:
        raise InvalidError(
            "Parquet needs the package pyarrow, which is not installed.",
            where="--form parquet",
            remedy='Install it beside vatside (`pip install "vatside[parquet]"`, or '
            "`.venv/bin/pip install pyarrow` in this folder), or use CSV.",
        )


def write(path: Path, rows: Iterable[Row], values: Values = Values.RECEIVED) -> Iterator[int]:
    """Write rows to a file, a group at a time; gives how many are in it after each group."""
    check_installed()
    import pyarrow
    from pyarrow import parquet

    texts = pyarrow.dictionary(pyarrow.int32(), pyarrow.string())
    schema = pyarrow.schema(
        [
            ("channel", texts),
            ("time", pyarrow.timestamp("ms", "UTC")),
            (values.column, pyarrow.float64()),
            ("unit", texts),
            ("marks", texts),
            ("nth", pyarrow.int32()),
        ],
        metadata={"values": values.value},
    )
    done_n = 0
    coming = iter(rows)
    with parquet.ParquetWriter(path, schema, compression="zstd") as writer:
        while group := list(islice(coming, GROUP_ROWS_N)):
            columns = [
                [row.channel for row in group],
                [row.time_ms for row in group],
                [row.value for row in group],
                [row.unit for row in group],
                [marks_text(row.marks) for row in group],
                [row.nth for row in group],
            ]
            arrays = [
                pyarrow.array(column, field.type)
                for column, field in zip(columns, schema, strict=True)
            ]
            writer.write_batch(pyarrow.record_batch(arrays, schema=schema))
            done_n += len(group)
            yield done_n


def read(path: Path, columns: Columns) -> Iterator[tuple[int, Found]]:
    """Row number (the first is 1) and row of each row; raises ``InvalidError``."""
    check_installed()
    import pyarrow
    from pyarrow import parquet

    number = 0
    make = RowMaker(columns)
    try:
        with parquet.ParquetFile(path) as file:
            headings = list(file.schema_arrow.names)
            places = columns.places(headings, str(path))
            wanted = [headings[place] for place in places.values()]
            fields = dict(zip(places, wanted, strict=True))
            for batch in file.iter_batches(GROUP_ROWS_N, columns=wanted):
                cells = {
                    field: _cells(batch.column(heading), heading)
                    for field, heading in fields.items()
                }
                for one in zip(*cells.values(), strict=True):
                    number += 1
                    named = dict(zip(cells, one, strict=True))
                    yield number, _row(make, named)
    except (pyarrow.ArrowException, OSError) as error:
        raise InvalidError(
            f"It cannot be read as Parquet ({str(error)[:200]}).",
            where=str(path) if not number else f"{path}, after row {number}",
            remedy="Write it again.",
        ) from error


def _cells(column: Any, heading: str) -> list[object]:
    """A column as Python values; a timestamp as whole ms since 1970."""
    import pyarrow
    import pyarrow.compute

    kind = column.type
    if not pyarrow.types.is_timestamp(kind):
        return list(column.to_pylist())
    if kind.tz is None:
        raise InvalidError(
            "Its timestamps have no time zone, so they name no moment.",
            where=f"column {heading}",
            remedy="Write them with a zone, such as UTC.",
        )
    parts = {"s": 1_000, "ms": 1, "us": 1, "ns": 1}[kind.unit]
    over = {"s": 1, "ms": 1, "us": 1_000, "ns": 1_000_000}[kind.unit]
    counts = column.cast(pyarrow.int64()).to_pylist()
    return [None if count is None else count * parts // over for count in counts]


def _row(make: RowMaker, cells: dict[str, object]) -> Found:
    if type(cells.get("time")) is int:
        cells["unix_ms"] = cells.pop("time")
    try:
        return make.row(cells)
    except PayloadError as fault:
        raw = ", ".join(f"{field}={cell}" for field, cell in cells.items() if cell is not None)
        return Fault(fault.what, "Correct the row and write the file again.", raw)
