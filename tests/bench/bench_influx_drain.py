"""How fast a spool is drained into an InfluxDB server, printed in readings per second.

Run by hand: ``python tests/bench/bench_influx_drain.py [readings]``. The server is the double
of the tests in a process of its own, which reads each line as strictly as the real one. On a
busy machine the wall clock says little: the last figure is what both processes' CPU time allows
when one waits for the other.
"""

from __future__ import annotations

import subprocess
import sys
import tempfile
import time
from pathlib import Path

import psutil

from collector.influx_settings import InfluxSettings
from collector.readings import Reading
from collector.store.contract import Arrival
from collector.store.influx_store import InfluxStore
from tests.influx_double import ORG, TOKEN, InfluxDouble

NOON_MS = 1_767_268_800_000


def serve() -> None:
    """The double, until standard input ends."""
    with InfluxDouble() as double:
        print(double.url, flush=True)
        sys.stdin.read()


def measure(readings_n: int, in_message_n: int) -> None:
    """Fill a spool while nobody drains it, then drain it."""
    server = subprocess.Popen(
        [sys.executable, __file__, "serve"],
        stdin=subprocess.PIPE,
        stdout=subprocess.PIPE,
        text=True,
    )
    assert server.stdin
    assert server.stdout
    settings = InfluxSettings(server.stdout.readline().strip(), ORG, TOKEN)
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "spool.db"
        messages_n = readings_n // in_message_n
        away = InfluxSettings("http://127.0.0.1:9", ORG, TOKEN)
        begin_s = time.perf_counter()
        with InfluxStore(away, path, patience_s=0) as store:
            for first in range(0, messages_n, 2_000):
                store.append(
                    [
                        Arrival(
                            "cellar/all",
                            NOON_MS + at * 1_000,
                            tuple(
                                Reading(f"channel-{n}", NOON_MS + at * 1_000, 20 + at % 997 / 100)
                                for n in range(in_message_n)
                            ),
                        )
                        for at in range(first, min(first + 2_000, messages_n))
                    ]
                )
        filled_s = time.perf_counter() - begin_s
        idle_s = sum(psutil.Process(server.pid).cpu_times()[:2])
        begin_s, busy_s = time.perf_counter(), time.process_time()
        with InfluxStore(settings, path, patience_s=0) as store:
            while store.waiting_n:
                time.sleep(0.02)
            drained_s = time.perf_counter() - begin_s
            busy_s = time.process_time() - busy_s
            stored = store.accounts().readings_stored
    served_s = sum(psutil.Process(server.pid).cpu_times()[:2]) - idle_s
    server.stdin.close()
    server.wait(10)
    server.stdout.close()
    print(
        f"{stored} readings, {in_message_n} in a message: into the spool"
        f" {readings_n / filled_s:,.0f}/s, from it to the server {stored / drained_s:,.0f}/s"
        f" ({stored / busy_s:,.0f} per second of our own CPU time,"
        f" {stored / (busy_s + served_s):,.0f} per second of ours and the server's)"
    )


if __name__ == "__main__":
    if sys.argv[1:] == ["serve"]:
        serve()
    else:
        for in_message_n in (1, 8):
            measure(int(sys.argv[1]) if len(sys.argv) > 1 else 115_200, in_message_n)
