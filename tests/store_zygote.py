"""A process that makes others work on a store file quickly, so that a test can kill many of them.

Run as ``python -m tests.store_zygote FILE``: for each line on its input, which says what to do, it
makes a child that does it to FILE and prints the child's process number; the child tells when it
has taken the first step, and at last it is printed how the child ended.
"""

from __future__ import annotations

import os
import sys
from collections.abc import Iterator
from pathlib import Path

from collector.store.keeping import keep_only
from collector.store.sqlite import SqliteStore

#: What thinning leaves a few readings of, and the gap limit of the channel.
EVERY_MS = 60_000

FOREVER_MS = 253_402_300_800_000


def _packed(store: SqliteStore) -> Iterator[None]:
    while store.settle(0):
        yield


def _thinned(store: SqliteStore) -> Iterator[None]:
    for one in keep_only(store, "vat-north", (0, FOREVER_MS), EVERY_MS, EVERY_MS):
        if one.readings_n:
            yield


def _compacted(store: SqliteStore) -> Iterator[None]:
    for _ in range(20):
        store.compact()
        yield


STEPS = {"pack": _packed, "thin": _thinned, "compact": _compacted}


def work(path: Path, what: str) -> None:
    """Pack hour by hour, thin slice by slice, or compact again and again; tell of the first."""
    with SqliteStore(path) as store:
        steps = STEPS[what](store)
        next(steps, None)
        print("begun", flush=True)
        for _ in steps:
            pass


def main() -> None:
    """Make a child for each line of input."""
    path = Path(sys.argv[1])
    for line in sys.stdin:
        child = os.fork()
        if child == 0:
            work(path, line.strip())
            os._exit(0)
        print(child, flush=True)
        _, status = os.waitpid(child, 0)
        print(os.waitstatus_to_exitcode(status), flush=True)


if __name__ == "__main__":
    main()
