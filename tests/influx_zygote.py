"""A process that makes collectors quickly, so that a test can kill many of them.

Run as ``python -m tests.influx_zygote URL FOLDER``: for each line on its input it makes a child
that sends what FOLDER/rows.json holds into an InfluxDB store, from where FOLDER/acknowledged
says, and prints the child's process number; then it waits for the child's end and prints how it
ended. As with a broker, a batch is acknowledged after it has been kept, and comes again when its
sender was killed in between.
"""

from __future__ import annotations

import json
import os
import sys
from pathlib import Path

import influxdb_client  # noqa: F401  (imported once, here, for all children)

from collector.influx_settings import InfluxSettings
from collector.store.influx_store import InfluxStore
from tests.influx_double import ORG, TOKEN
from tests.stores import arrivals

BATCH_N = 40


def send(url: str, folder: Path) -> None:
    """Send what has not been acknowledged, and wait until the server has it all."""
    rows = json.loads((folder / "rows.json").read_text())
    note = folder / "acknowledged"
    settings = InfluxSettings(url, ORG, TOKEN)
    with InfluxStore(settings, folder / "spool.db", patience_s=0.01, first_pause_s=0.01) as store:
        begin = int(note.read_text()) if note.exists() else 0
        for at in range(begin, len(rows), BATCH_N):
            store.append(arrivals("vat-north", [(t, v) for t, v in rows[at : at + BATCH_N]]))
            note.with_suffix(".new").write_text(str(at + BATCH_N))
            note.with_suffix(".new").replace(note)
        while store.waiting_n:
            store.append(arrivals("vat-north", []))
            os.sched_yield()


def main() -> None:
    """Make a child for each line of input."""
    url, folder = sys.argv[1], Path(sys.argv[2])
    for _ in sys.stdin:
        child = os.fork()
        if child == 0:
            send(url, folder)
            os._exit(0)
        print(child, flush=True)
        _, status = os.waitpid(child, 0)
        print(os.waitstatus_to_exitcode(status), flush=True)


if __name__ == "__main__":
    main()
