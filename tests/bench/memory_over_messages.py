"""Memory of a collector over two million messages, at full speed; some minutes.

python tests/bench/memory_over_messages.py [MESSAGES]
"""

from __future__ import annotations

import sys
import tempfile
from pathlib import Path

from tests.bench.bench_ingest import machine, memory_mb
from tests.brokers import mosquitto


def main() -> None:
    """Print the memory after each twentieth of the messages."""
    n = int(sys.argv[1]) if len(sys.argv) > 1 else 2_000_000
    print(machine())
    with tempfile.TemporaryDirectory(dir=".") as place:
        folder = Path(place).absolute()
        with mosquitto(folder / "broker", ["max_inflight_messages 1000"]) as broker:
            looked = memory_mb(broker.url, folder / "alone", n, looks_n=20)
    for number, megabytes in enumerate(looked, start=1):
        print(f"{number * n // 20:12,} messages  {megabytes:6.1f} MB")


if __name__ == "__main__":
    main()
