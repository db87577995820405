"""Parts that die come back, and stopping stops them all."""

from __future__ import annotations

import subprocess
import sys
import time
from collections.abc import Callable
from pathlib import Path

import psutil

from dashboards.supervise import Child, Supervisor, free_port, port_is_free

SLEEPS = [sys.executable, "-c", "import time; time.sleep(60)"]


def wait_for(true: Callable[[], bool], limit_s: float = 15.0) -> None:
    """Wait until a thing is true; fail after a bounded time."""
    end = time.monotonic() + limit_s
    while not true():
        assert time.monotonic() < end, "it never came true"
        time.sleep(0.02)


def test_a_part_that_was_killed_is_started_again_and_told_of() -> None:
    said: list[str] = []
    supervisor = Supervisor([Child("collector", SLEEPS)], say=said.append)
    supervisor.start()
    try:
        first = supervisor.children[0].process
        assert first is not None
        first.kill()
        wait_for(lambda: supervisor.children[0].process not in (None, first))
        assert said == ["vatside: the collector stopped (code -9); starting it again in 0.5 s."]
    finally:
        supervisor.stop()
    second = supervisor.children[0].process
    assert second is not None
    assert second.poll() is not None


def test_the_pause_doubles_while_a_part_keeps_dying() -> None:
    child = Child("broker", [sys.executable, "-c", "raise SystemExit(3)"])
    supervisor = Supervisor([child], say=lambda text: None)
    supervisor.start()
    try:
        wait_for(lambda: child.pause_s >= 2.0)
    finally:
        supervisor.stop()


def test_a_part_that_runs_once_is_not_started_again(tmp_path: Path) -> None:
    mark = tmp_path / "ran"
    once = Child(
        "simulator",
        [sys.executable, "-c", f"open({str(mark)!r}, 'a').write('x')"],
        restart=False,
    )
    supervisor = Supervisor([once], say=lambda text: None)
    supervisor.start()
    try:
        wait_for(lambda: once.process is None)
        time.sleep(0.5)
        assert mark.read_text() == "x"
    finally:
        supervisor.stop()


def test_a_taken_port_is_noticed() -> None:
    import socket

    with socket.socket() as taken:
        taken.bind(("127.0.0.1", 0))
        taken.listen()
        assert not port_is_free("127.0.0.1", taken.getsockname()[1])
    assert port_is_free("127.0.0.1", free_port())


def test_a_part_ends_when_the_process_that_started_it_is_killed(tmp_path: Path) -> None:
    mark = tmp_path / "child"
    child = (
        "import os, time; from dashboards.supervise import end_with_parent;"
        f"open({str(mark)!r}, 'w').write(str(os.getpid())); end_with_parent(); time.sleep(60)"
    )
    parent = (
        "import sys, time; from dashboards.supervise import Child;"
        f"Child('part', [sys.executable, '-c', {child!r}]).start(0.0); time.sleep(60)"
    )
    started = subprocess.Popen([sys.executable, "-c", parent])
    wait_for(lambda: mark.exists() and mark.read_text() != "")
    pid = int(mark.read_text())
    started.kill()
    started.wait()
    wait_for(lambda: not psutil.pid_exists(pid))
