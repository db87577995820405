"""How fast a million readings leave and come back, and how much memory that takes.

Run by hand: ``python tests/bench/bench_transfer.py [readings]``. Each form has a process of its
own; printed are rows per second, bytes a row and the most memory [MB] of the process.
"""

from __future__ import annotations

import resource
import subprocess
import sys
import tempfile
import time
from pathlib import Path

from collector.readings import Reading
from collector.store.contract import Arrival
from collector.store.sqlite import SqliteStore
from collector.transfer.exporting import Exported, rows_from
from collector.transfer.files import Form, RowFile, write_rows
from collector.transfer.importing import import_readings, looked_over
from collector.transfer.taking import Taking

NOON_MS = 1_767_268_800_000


def fill(path: Path, readings_n: int) -> None:
    """A store of one channel, a reading a second."""
    with SqliteStore(path) as store:
        for first in range(0, readings_n, 5_000):
            times = range(first, min(first + 5_000, readings_n))
            readings = [
                Reading("vat-north", NOON_MS + n * 1_000, 20 + n % 997 / 100) for n in times
            ]
            store.append([Arrival("x", NOON_MS, tuple(readings))])
        while store.settle(1):
            pass


def one_form(folder: Path, form: Form) -> None:
    """Out to a file, into an empty store, and in again."""
    path = folder / f"readings.{form}"
    with SqliteStore(folder / "readings.db", read_only=True) as store:
        begin_s = time.perf_counter()
        write_rows(path, form, rows_from(store, store.channels(), {"vat-north": "°C"}, Exported()))
        n, out_s = store.count(), time.perf_counter() - begin_s
    taking = Taking((), new_channels=True)
    said = []
    with SqliteStore(folder / f"{form}.db") as store:
        for _ in range(2):
            begin_s = time.perf_counter()
            file = RowFile(path, form)
            import_readings(file, taking, store, looked_over(file, taking), NOON_MS)
            said.append(n / (time.perf_counter() - begin_s))
    most_mb = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1_024
    print(
        f"{form:8} out {n / out_s:9,.0f}/s, in {said[0]:9,.0f}/s, again {said[1]:9,.0f}/s, "
        f"{path.stat().st_size / n:5.1f} bytes a row, {most_mb:4.0f} MB at most",
        flush=True,
    )


if __name__ == "__main__":
    if len(sys.argv) == 3:
        one_form(Path(sys.argv[1]), Form(sys.argv[2]))
    else:
        with tempfile.TemporaryDirectory() as name:
            fill(Path(name) / "readings.db", int(sys.argv[1]) if sys.argv[1:] else 1_000_000)
            for form in Form:
                subprocess.run([sys.executable, __file__, name, form], check=True)
