"""The server: names that are not ours, clients that do not go on, headers on every answer."""

from __future__ import annotations

import socket
import threading
import time
from collections.abc import Iterator
from pathlib import Path

import pytest
from fastapi.testclient import TestClient

from api import problems, serve
from api.answers import Workshop
from api.app import create_app
from api.serve import KnownNamesOnly, is_ours, server_of
from collector.config import PagesSettings, load
from collector.errors import SettingsError


@pytest.mark.parametrize(
    ("asked", "ours"),
    [
        ("127.0.0.1:8460", True),
        ("localhost:8460", True),
        ("LOCALHOST", True),
        ("cellar.localhost:8460", True),
        ("[::1]:8460", True),
        ("192.168.1.20", True),
        ("cellar.example:8460", True),
        ("Cellar.Example.", True),
        ("evil.example:8460", False),
        ("cellar.example.evil.example", False),
        ("localhost.evil.example", False),
        ("127.0.0.1.evil.example", False),
        ("evil.example:80@127.0.0.1", True),  # what stands before the @ is no host
        ("[::1", False),
        (":8460", False),
    ],
)
def test_names_that_are_ours(asked: str, ours: bool) -> None:
    assert is_ours(asked, frozenset({"cellar.example"})) is ours


def test_a_page_whose_name_was_bent_to_our_address_reads_and_changes_nothing(
    workshop: Workshop,
) -> None:
    """The browser takes it for the same origin; the name that it asks for betrays it."""
    before = workshop.record.resins.all()
    app = create_app(workshop)
    app.add_middleware(KnownNamesOnly, names=frozenset[str](), port=8460)
    client = TestClient(app, base_url="http://evil.example:8460")
    same = {"Sec-Fetch-Site": "same-origin", "Origin": "http://evil.example:8460"}
    for answer in (
        client.get("/api/resins"),
        client.post("/api/resins", json={"name": "Fathom Clear"}, headers=same),
    ):
        assert answer.status_code == 421
        assert "evil.example" in answer.text
        assert "http://localhost:8460/" in answer.text
        assert answer.headers["X-Content-Type-Options"] == "nosniff"
    assert workshop.record.resins.all() == before
    home = TestClient(app, base_url="http://localhost:8460")
    assert home.post("/api/resins", json={"name": "Fathom Clear"}).status_code == 201


@pytest.mark.parametrize(
    ("pages", "asked"),
    [
        (PagesSettings(), True),
        (PagesSettings("0.0.0.0", names=("cellar.example",)), True),
        (PagesSettings("0.0.0.0"), False),
    ],
)
def test_names_are_asked_for_on_this_machine_and_where_the_settings_list_them(
    workshop: Workshop, pages: PagesSettings, asked: bool
) -> None:
    app = create_app(workshop)
    server_of(app, pages, 8460)
    client = TestClient(app, base_url="http://evil.example")
    assert client.get("/api/health").status_code == (421 if asked else 200)


def test_the_settings_list_names(tmp_path: Path) -> None:
    path = tmp_path / "vatside.toml"
    path.write_text('[pages]\nnames = ["Cellar.example", "pi"]\n')
    assert load(path, {}).pages.names == ("cellar.example", "pi")


@pytest.mark.parametrize("wrong", ['"cellar.example"', "[1]", '["http://cellar.example"]', '[""]'])
def test_names_that_are_no_names_are_refused(tmp_path: Path, wrong: str) -> None:
    path = tmp_path / "vatside.toml"
    path.write_text(f"[pages]\nnames = {wrong}\n")
    with pytest.raises(SettingsError) as fault:
        load(path, {})
    assert "line 2, [pages], names" in str(fault.value)
    assert 'names = ["cellar.example"]' in str(fault.value)


@pytest.mark.parametrize(
    "address",
    ["/api/health", "/api/docs", "/api/openapi.json", "/api/nowhere", "/api/resin-sheet.csv"],
)
def test_no_answer_is_guessed_at_or_framed(client: TestClient, address: str) -> None:
    answer = client.get(address)
    assert answer.headers["X-Content-Type-Options"] == "nosniff"
    assert "frame-ancestors 'none'" in answer.headers["Content-Security-Policy"]


@pytest.fixture
def address(workshop: Workshop, monkeypatch: pytest.MonkeyPatch) -> Iterator[tuple[str, int]]:
    """A real server that waits for next to no time."""
    monkeypatch.setattr(serve, "HEAD_WAIT_S", 0.2)
    monkeypatch.setattr(problems, "BODY_WAIT_S", 0.2)
    listening = socket.socket()
    listening.bind(("127.0.0.1", 0))
    host, port = listening.getsockname()
    server = server_of(create_app(workshop), PagesSettings(), port)
    server.config.timeout_keep_alive = 1
    thread = threading.Thread(target=server.run, kwargs={"sockets": [listening]})
    thread.start()
    while not server.started:
        time.sleep(0.01)
    try:
        yield host, port
    finally:
        server.should_exit = True
        thread.join()


def all_of(client: socket.socket) -> bytes:
    """What a server sends until it hangs up; a test gives up after half a minute."""
    client.settimeout(30)
    parts = []
    while part := client.recv(65_536):
        parts.append(part)
    return b"".join(parts)


HEAD = b"POST /api/resins HTTP/1.1\r\nHost: localhost\r\nContent-Type: application/json\r\n"


@pytest.mark.parametrize(
    ("sent", "status"),
    [
        (b"", b""),
        (b"GET /api/hea", b""),
        (b"GET /api/health HTTP/1.1\r\nHost: loc", b""),
        (b"GET /api/health HTTP/1.1\r\nHost: localhost\r\n\r\nGET /api", b"200"),
        (HEAD + b"Content-Length: 20\r\n\r\n{", b"408"),
        (HEAD + b"Transfer-Encoding: chunked\r\n\r\n1\r\n{\r\n", b"408"),
    ],
)
def test_a_client_that_does_not_go_on_is_not_waited_for(
    address: tuple[str, int], sent: bytes, status: bytes
) -> None:
    with socket.create_connection(address) as client:
        client.sendall(sent)
        answer = all_of(client)
    assert answer[9:12] == status
    assert b"\r\nx-content-type-options: nosniff\r\n" in answer or not status


def test_a_client_that_only_listens_may_take_its_time(
    address: tuple[str, int], workshop: Workshop
) -> None:
    """The live feed stays open well past the waits, and the next request on its time is heard."""
    with socket.create_connection(address) as client:
        client.settimeout(30)
        client.sendall(b"GET /api/live HTTP/1.1\r\nHost: localhost\r\n\r\n")
        assert b" 200 " in client.recv(65_536)
        closed = threading.Event()

        def listen() -> None:
            try:
                while client.recv(65_536):
                    pass
            except OSError:
                pass
            closed.set()

        threading.Thread(target=listen, daemon=True).start()
        assert not closed.wait(timeout=1)  # five times what a head or a body may take
        client.shutdown(socket.SHUT_RDWR)
