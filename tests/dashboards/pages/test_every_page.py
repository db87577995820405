"""What holds of every page: it answers, full or empty, says its zone, and keeps to this server."""

from __future__ import annotations

import html
import json
import re
import subprocess
import sys
from html.parser import HTMLParser
from pathlib import Path

import pytest
from starlette.testclient import TestClient

from api.answers import Workshop
from api.prints import Part, Print
from api.record import Record, Resin
from collector.store.sqlite import SqliteStore
from tests.dashboards import workshops
from tests.dashboards.pages.conftest import client_of

PAGES = [
    "/",
    "/prints",
    "/prints/new",
    "/prints/refused",
    "/prints/import",
    "/prints/found",
    "/causes",
    "/soak",
    "/breaks",
    "/resins",
    "/shelf",
    "/shelf/resins/new",
    "/shelf/bottles/new",
    "/shelf/plates/new",
    "/shelf/machines/new",
    "/health",
    "/sensors",
    "/sensors/chamber",
]
FILLED = [
    *PAGES,
    "/?hours=24",
    "/?hours=168",
    "/prints/1",
    "/prints/41",
    "/prints/42",
    "/prints/41/correct",
    "/prints/new?machine=1",
    "/prints/41/outcome",
    "/prints/41/correct?afterwork=last",
    "/prints?outcome=failed&machine=3&resin=1&since=2025-11-01&until=2026-01-01",
    "/prints?outcome=not-looked",
    "/causes?level=0.05",
    "/causes?level=0,5",
    "/causes?first=1&second=2&coldest=15&warmest=26",
    "/causes?setting=normal+exposure&above=2.5",
    "/soak/1",
    "/shelf/resins/1",
    "/shelf/machines/1",
    "/?hours=24&counted=all",
    "/sensors/vat-north?ice_read_c=0,4&preview=yes",
    "/sensors/room-humidity?take=reference&reference_true=60&preview=yes",
]


class Links(HTMLParser):
    """Every address a page would load or lead to, and every label of a field."""

    def __init__(self) -> None:
        super().__init__()
        self.loaded: list[str] = []
        self.ids: list[str] = []
        self.labels: set[str] = set()
        self.fields: list[dict[str, str | None]] = []

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        named = dict(attrs)
        if tag in ("script", "img", "link", "form"):
            found = named.get("src") or named.get("action") or named.get("href")
            self.loaded += [found] if found else []
        if tag == "label" and named.get("for"):
            self.labels.add(str(named["for"]))
        if tag in ("input", "select", "textarea") and named.get("type") != "hidden":
            self.fields.append(named)
        if named.get("id"):
            self.ids.append(str(named["id"]))


def read(page: str) -> Links:
    links = Links()
    links.feed(page)
    return links


@pytest.mark.parametrize("path", FILLED)
def test_a_page_answers_in_a_workshop_at_work(client: TestClient, path: str) -> None:
    answer = client.get(path)
    assert answer.status_code == 200
    assert "All times are " in answer.text
    assert answer.text.count("<h1>") == 1


@pytest.mark.parametrize("path", PAGES)
def test_a_page_answers_before_anything_has_happened(empty_client: TestClient, path: str) -> None:
    assert empty_client.get(path).status_code == 200


def test_a_page_answers_without_any_channel(tmp_path: Path) -> None:
    workshop = workshops.empty_workshop(tmp_path, channels=())
    with client_of(workshop) as client:
        assert "No channels yet" in client.get("/").text
        assert client.get("/soak").status_code == 200
    workshops.close(workshop)


@pytest.mark.parametrize("path", FILLED)
def test_a_page_loads_from_this_server_alone_and_evaluates_nothing(
    client: TestClient, path: str
) -> None:
    answer = client.get(path)
    assert all(address.startswith("/") for address in read(answer.text).loaded)
    policy = answer.headers["content-security-policy"]
    assert policy.startswith("default-src 'self'")
    assert "unsafe" not in policy
    assert " style=" not in answer.text
    assert not re.search(r"\son[a-z]+=", answer.text)


@pytest.mark.parametrize("path", FILLED)
def test_every_field_has_a_label_and_every_id_is_given_once(client: TestClient, path: str) -> None:
    links = read(client.get(path).text)
    assert len(links.ids) == len(set(links.ids))
    for field in links.fields:
        wrapped = field.get("type") in ("radio", "checkbox")
        assert wrapped or field.get("id") in links.labels or field.get("aria-label"), field


@pytest.mark.parametrize("path", FILLED)
def test_every_chart_has_words_rows_and_a_table(client: TestClient, path: str) -> None:
    text = client.get(path).text
    figures = re.findall(r"<figure .*?</figure>", text, re.DOTALL)
    assert len(figures) == text.count("data-chart=")
    for figure in figures:
        rows = re.search(r'<script type="application/json">(.*?)</script>', figure, re.DOTALL)
        assert rows is not None
        assert json.loads(html.unescape(rows[1]))
        assert "<figcaption>" in figure
        assert "<table>" in figure


HOSTILE = "<script>alert(1)</script>\"'&</textarea>"


def test_names_are_text_and_never_markup(filled: Workshop, client: TestClient) -> None:
    resin = filled.record.resins.add(Resin(name=HOSTILE, category=HOSTILE)).id
    for running in filled.record.prints.running():
        over = running.entry.model_copy(update={"end": workshops.NOW})
        filled.record.prints.change(running.id, over)
    part = Part(name=HOSTILE, note=HOSTILE)
    kept = filled.record.prints.add(
        Print(start=workshops.NOW, resin=resin, machine=1, parts=(part,), note=HOSTILE)
    )
    run = filled.record.soaks.get(1).entry
    filled.record.soaks.add(run.model_copy(update={"name": HOSTILE}))
    pages = ["/", "/prints", f"/prints/{kept.id}", f"/prints/{kept.id}/correct", "/shelf"]
    for path in [*pages, "/prints/new", "/soak", "/soak/2", f"/prints?since={HOSTILE}", "/causes"]:
        text = client.get(path).text
        assert "<script>alert" not in text, path
        assert "</textarea>&" not in text, path


@pytest.mark.parametrize(
    ("path", "status", "said"),
    [
        ("/prints/9999", 404, "There is no print 9999 on record."),
        ("/prints/nothing", 422, "integer"),
        ("/soak/9999", 404, "There is no soak 9999 on record."),
        ("/prints/9999", 404, '<a class="button" href="/prints">Go to Prints</a>'),
        ("/shelf/resins/9999", 404, '<a class="button" href="/shelf">Go to The shelf</a>'),
        ("/no/such/page", 404, "Go to Room"),
        ("/prints?outcome=splendid", 422, "is not an outcome"),
        ("/prints?since=yesterday", 422, "is not a time"),
        ("/prints?machine=north", 422, "names no machine"),
        ("/prints?before=rubbish", 422, "cursor"),
        ("/?hours=0", 422, "greater than or equal to 1"),
        ("/causes?level=2", 422, "is not between"),
        ("/causes?level=warm", 422, "is not a number"),
        ("/?counted=some", 422, "plausible"),
        ("/sensors/nowhere", 404, "There is no channel"),
        ("/sensors/chamber?ice_read_c=cold&preview=yes", 422, "is not a number"),
    ],
)
def test_a_refusal_is_a_page_that_says_what_to_do(
    client: TestClient, path: str, status: int, said: str
) -> None:
    answer = client.get(path)
    assert answer.status_code == status
    assert answer.headers["content-type"].startswith("text/html")
    assert said in html.unescape(answer.text)
    assert "Traceback" not in answer.text


def test_a_page_before_the_collectors_first_reading_waits_for_it(tmp_path: Path) -> None:
    settings = workshops.settings_in(tmp_path)
    store = SqliteStore(settings.store.readings_path, read_only=True)
    workshop = Workshop(settings, store, Record(settings.store.record_path))
    with client_of(workshop) as client:
        answer = client.get("/")
        assert answer.status_code == 503
        assert 'http-equiv="refresh"' in answer.text
        assert client.get("/prints").status_code == 200
        health = client.get("/health")
        assert health.status_code == 200
        assert "No collector has been at work here yet." in health.text
        collector = SqliteStore(settings.store.readings_path)
        assert client.get("/").status_code == 200
        collector.close()
    workshops.close(workshop)


def test_programs_get_problems_and_never_pages(client: TestClient) -> None:
    for path, accept in (("/api/prints/9999", "text/html"), ("/prints/9999", "application/json")):
        answer = client.get(path, headers={"accept": accept})
        assert answer.headers["content-type"] == "application/problem+json"


def test_a_fault_of_ours_is_a_page_without_a_traceback(
    filled: Workshop, monkeypatch: pytest.MonkeyPatch, caplog: pytest.LogCaptureFixture
) -> None:
    def broken(*_: object) -> None:
        raise RuntimeError("a secret place in the code")

    monkeypatch.setattr("dashboards.pages.room.board", broken)
    with client_of(filled) as client:
        answer = client.get("/")
    assert answer.status_code == 500
    assert "a secret place" not in answer.text
    assert "<h1>vatside made a mistake</h1>" in answer.text
    assert "a secret place" in caplog.text


@pytest.mark.parametrize(
    "headers",
    [{"sec-fetch-site": "cross-site"}, {"origin": "http://elsewhere.example"}],
)
def test_a_form_of_another_site_changes_nothing(
    filled: Workshop, client: TestClient, headers: dict[str, str]
) -> None:
    before = filled.record.prints.get(41)
    answer = client.post("/prints/41/outcome", data={"outcome": "good"}, headers=headers)
    assert answer.status_code == 403
    assert filled.record.prints.get(41) == before


def test_our_own_files_are_kept_for_long_and_nothing_else_is_given_out(client: TestClient) -> None:
    address = re.search(r'href="(/static/[^"]+app\.css)"', client.get("/").text)
    assert address is not None
    answer = client.get(address[1])
    assert "immutable" in answer.headers["cache-control"]
    assert client.get("/static/old/app.css").headers["cache-control"] == "no-cache"
    assert client.get("/static/old/app.py").status_code == 404
    assert client.get("/charts/state").json()["state"] == "preparing"
    assert client.get("/charts/none/charts.js").status_code == 404


def test_the_app_loads_without_the_heavy_libraries() -> None:
    check = (
        "import sys, dashboards.app\n"
        "heavy = ('scipy', 'altair', 'vl_convert', 'statsmodels', 'pandas', 'paho')\n"
        "print([m for m in heavy if m in sys.modules])"
    )
    done = subprocess.run(
        [sys.executable, "-c", check], capture_output=True, text=True, check=True, timeout=60
    )
    assert done.stdout.strip() == "[]"
