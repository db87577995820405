"""A process that makes others work on a store file quickly, so that a test can kill many of them.

Run as ``python -m tests.store_zygote FILE``: for each line on its input, which says what to do, it
makes a child that does it to FILE and prints the child's process number; then it waits for the
child's end and prints how it ended.
"""

from __future__ import annotations

import os
import sys
from pathlib import Path

from collector.store.keeping import keep_only
from collector.store.sqlite import SqliteStore

#: What thinning leaves a few readings of, and the gap limit of the channel.
EVERY_MS = 60_000

FOREVER_MS = 253_402_300_800_000


def work(path: Path, what: str) -> None:
    """Pack hour by hour, thin slice by slice, or compact again and again."""
    with SqliteStore(path) as store:
        if what == "pack":
            while store.settle(0):
                pass
        elif what == "thin":
            for _ in keep_only(store, "vat-north", (0, FOREVER_MS), EVERY_MS, EVERY_MS):
                pass
        else:
            for _ in range(20):
                store.compact()


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
