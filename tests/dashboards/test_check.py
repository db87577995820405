"""``vatside check``: what it looks at, what it says, its exit code, and that it changes nothing."""

from __future__ import annotations

import sqlite3
from collections.abc import Callable
from pathlib import Path

import pytest

from collector.broker import EmbeddedBroker
from collector.store.sqlite import SqliteStore
from dashboards.cli import main
from tests.brokers import CollectorProcess, embedded, free_port, mosquitto, wait_until
from tests.stores import arrivals

CHANNEL = """
[[channel]]
id = "vat-north"
role = "vat_temperature"
topic = "cellar/north/vat"
"""

Check = Callable[..., tuple[int, list[str]]]


@pytest.fixture
def check(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> Check:
    """Run the command on a settings text; its exit code and its lines."""

    def run(text: str, *options: str) -> tuple[int, list[str]]:
        path = tmp_path / "vatside.toml"
        path.write_text(text)
        code = main(["check", "--settings", str(path), *options])
        return code, capsys.readouterr().out.splitlines()

    return run


def line_of(lines: list[str], subject: str) -> str:
    (found,) = [line for line in lines if line[6:].startswith(subject)]
    return found


def test_before_the_first_start_all_is_well(check: Check, tmp_path: Path) -> None:
    ports = f"[embedded_broker]\nport = {free_port()}\nport_mqtt5 = {free_port()}\n"
    code, lines = check(ports + CHANNEL)
    assert code == 0
    assert all(line.startswith("ok") for line in lines)
    assert line_of(lines, "settings") == "ok    settings   1 channels on 1 topic filters"
    assert "does not run now" in line_of(lines, "broker")
    assert "not there yet" in line_of(lines, "store")
    assert "has not run" in line_of(lines, "collector")
    assert not (tmp_path / "vatside-data").exists()


def test_everything_running(check: Check, tmp_path: Path) -> None:
    text = CHANNEL
    with embedded() as broker:
        (tmp_path / "vatside.toml").write_text(text)
        with CollectorProcess(tmp_path / "vatside.toml", broker.url) as collector:
            collector.wait_until_listening()

            def running() -> bool:
                return "runs, with" in " ".join(check(text, "--broker", broker.url)[1])

            wait_until(running, "it is seen to run")
            code, lines = check(text, "--broker", broker.url)
            assert collector.log().count("listening") == 1  # its session was left alone
            assert collector.stop() == 0
    assert code == 0
    assert "lets us in and takes every topic filter" in line_of(lines, "broker")
    assert line_of(lines, "accounts").endswith(
        "0 messages = 0 stored + 0 duplicate + 0 refused;"
        " 0 readings = 0 stored + 0 duplicate + 0 refused"
    )
    code, lines = check(text)
    assert "was stopped" in line_of(lines, "collector")


def test_wrong_settings_are_one_line(check: Check, tmp_path: Path) -> None:
    code, lines = check(CHANNEL.replace("topic", "tpoic"))
    assert code == 1
    (line,) = lines
    assert line.startswith("WRONG settings")
    assert "line 5, [[channel]] 1, tpoic" in line
    assert main(["check", "--settings", str(tmp_path / "none.toml")]) == 1


def test_a_broker_that_is_away(check: Check) -> None:
    broker = f'[broker]\nurl = "mqtt://127.0.0.1:{free_port()}"\n'
    code, lines = check(broker + CHANNEL)
    assert code == 1
    assert "WRONG broker" in line_of(lines, "broker")
    assert "no connection: nothing listens at" in line_of(lines, "broker")


@pytest.mark.services
def test_a_broker_that_refuses(check: Check, tmp_path: Path) -> None:
    (tmp_path / "nobody").touch()
    refusing = ["allow_anonymous false", f"password_file {tmp_path / 'nobody'}"]
    with mosquitto(tmp_path / "broker", refusing) as it:
        code, lines = check(f'[broker]\nurl = "{it.url}"\n' + CHANNEL)
    assert code == 1
    assert "the broker refuses us: Not authorized" in line_of(lines, "broker")


@pytest.mark.services
def test_a_check_takes_nothing_from_a_group(check: Check, tmp_path: Path) -> None:
    from tests.collector.test_subscriber import listening, publish

    with mosquitto(tmp_path / "broker") as it:
        group = f'[broker]\nurl = "{it.url}"\nshare_group = "cellar"\n'
        with listening(it.url, "$share/cellar/cellar/north/vat") as member:
            assert check(group + CHANNEL)[0] == 0
            publish(it.url, *[b"20.5"] * 10, topic="cellar/north/vat")
            wait_until(lambda: member.link.waiting_n == 10, "all ten come to the group")


def test_a_store_that_is_damaged_or_does_not_add_up(check: Check, tmp_path: Path) -> None:
    ports = f"[embedded_broker]\nport = {free_port()}\nport_mqtt5 = {free_port()}\n"
    path = tmp_path / "vatside-data" / "readings.db"
    with SqliteStore(path) as store:
        store.append(arrivals("vat-north", [(1_767_268_800_000 + i, 20.0) for i in range(5)]))
    code, lines = check(ports + CHANNEL)
    assert code == 0
    assert "whole, with 5 readings" in line_of(lines, "store")
    connection = sqlite3.connect(path)
    connection.execute("UPDATE account SET count = 7 WHERE name = 'messages_received'")
    connection.execute("DELETE FROM reading WHERE time_ms = 1767268800000")
    connection.commit()
    connection.close()
    code, lines = check(ports + CHANNEL)
    assert code == 1
    assert "7 messages is not 5 stored" in line_of(lines, "accounts")
    path.write_bytes(b"no database" * 100)
    code, lines = check(ports + CHANNEL)
    assert code == 1
    assert "WRONG store" in line_of(lines, "store")


def test_the_embedded_broker_is_asked_where_the_settings_say(check: Check) -> None:
    broker = EmbeddedBroker(say=lambda _: None)
    ports = f"[embedded_broker]\nport = {broker.port}\nport_mqtt5 = {broker.port_v5}\n"
    with broker:
        code, lines = check(ports + CHANNEL)
    assert code == 0
    assert f"{broker.url} lets us in" in line_of(lines, "broker")
