"""The Health page: sums shown as sums, what is wrong said first, nothing from outside as markup."""

from __future__ import annotations

import re
from datetime import timedelta
from pathlib import Path

from starlette.testclient import TestClient

from api.answers import ChannelNow, Workshop
from api.health import ChannelHealth, Health
from collector.channels import Channel
from collector.clocks import ClockState, Condition, Step
from collector.readings import Mark, Reading, Role, ms_of
from collector.status import ChannelStatus, write_status
from collector.store.contract import Arrival, Refusal
from collector.store.sqlite import SqliteStore
from dashboards.pages.health import summing_up
from tests.api.test_health import status
from tests.dashboards import workshops

NOW_MS = ms_of(workshops.NOW)


def text_of(page: str) -> str:
    """A page as one reads it: without markup and in single blanks."""
    return " ".join(re.sub(r"<[^>]+>", " ", page).split())


def test_the_accounts_are_shown_as_sums(filled: Workshop, client: TestClient) -> None:
    refused = Arrival("cellar/x", NOW_MS, (), (Refusal("no number"),), b"warm")
    filled.received.append([refused])
    accounts = filled.store.accounts()
    said = text_of(client.get("/health").text)
    total = accounts.messages_received
    assert (
        f"Messages: {total:,} received = {total - 1:,} stored + 0 seen before + 1 refused" in said
    )
    assert "Both sums add up." in said
    texts = client.get("/health/now").json()["texts"]
    assert texts["messages-received"] == f"{total:,}"
    assert texts["readings-refused"] == "1"


def test_what_is_wrong_is_said_first(filled: Workshop, client: TestClient, tmp_path: Path) -> None:
    step = Step(NOW_MS - 7_200_000, 0, 3_300_000)
    clock = ClockState(Condition.BEHIND, 3_300_000, NOW_MS - 7_200_000, step)
    write_status(
        filled.settings.store.folder,
        status(
            at_ms=NOW_MS,
            connected=False,
            link_fault="Connection refused",
            store_fault="disk is full",
            store_fault_since_ms=NOW_MS - 60_000,
            channels=(ChannelStatus(channel="vat-south", battery=2.9, radio=-71.0, clock=clock),),
        ),
    )
    said = text_of(client.get("/health").text)
    assert "To look at" in said
    assert "The collector cannot store since" in said
    assert "disk is full" in said
    assert "The link to the broker is down: Connection refused" in said
    assert "South vat has been silent for 3 h." in said
    assert "Battery, as sent 2.9" in said
    assert "Radio, as sent −71" in said
    assert "The clock of South vat is 55 min behind since" in said
    assert "stepped back 55 min at" in said


def test_all_is_well_names_who_is_overdue() -> None:
    north, south = (
        Channel(id=id, place=place, role=Role.VAT_TEMPERATURE, topic=id)
        for id, place in (("north", "North vat"), ("south", "South vat"))
    )

    def said(quiet_s: float) -> str:
        channels = tuple(
            ChannelHealth(
                now=ChannelNow(channel, None, quiet_s, silent=False),
                heard=None,
                quiet_s=quiet_s if channel is south else 1.0,
                interval_s=10.0,
                interval_set=False,
                clock=ClockState(),
                marks={},
                conflicts_n=0,
                status=ChannelStatus(channel=channel.id),
            )
            for channel in (north, south)
        )
        found = Health(workshops.NOW, None, None, status(at_ms=NOW_MS), channels, ())
        assert summing_up(found)["headline"] == "All is well"
        return summing_up(found)["troubles"]

    assert said(50.0).endswith("the collector is at work, and every sensor speaks.")
    assert said(51.0).endswith("and overdue are only South vat.")


def test_a_collector_that_is_away_is_said_to_be_and_since_when(
    filled: Workshop, client: TestClient
) -> None:
    folder = filled.settings.store.folder
    assert "No collector has been at work here yet." in client.get("/health").text
    write_status(folder, status(at_ms=NOW_MS - 3_600_000))
    assert "The collector has been away since" in client.get("/health").text
    write_status(folder, status(at_ms=NOW_MS, stopped=True))
    assert "The collector was stopped, " in client.get("/health").text
    write_status(folder, status(at_ms=NOW_MS))
    now = client.get("/health/now").json()["texts"]
    assert now["collector-state"].startswith("at work since")
    assert now["collector-lag"] == "40 ms"


def test_marks_and_intervals_stand_with_each_sensor(filled: Workshop, client: TestClient) -> None:
    doubtful = tuple(
        Reading("vat-north", NOW_MS - 30_000 - n, 99.0, Mark.IMPLAUSIBLE | Mark.JUMP)
        for n in range(3)
    )
    filled.received.append([Arrival("cellar/north", NOW_MS, doubtful)])
    texts = client.get("/health/now").json()["texts"]
    assert texts["last-24-hours-vat-north"] == "3 implausible, 3 jump"
    assert texts["expected-room-temp"] == "every 1 min, learned"
    assert texts["last-24-hours-room-temp"] == "no doubts"
    assert texts["clock-room-temp"] == "sends no time"


def test_refused_messages_are_listed_as_text_or_hex_and_never_as_markup(
    filled: Workshop, client: TestClient
) -> None:
    for n, payload in enumerate((b"<script>alert(1)</script>", b"\xff\x00", b"", b"x" * 900)):
        refused = Arrival(f"cellar/<b>{n}</b>", NOW_MS + n, (), (Refusal("no number"),), payload)
        filled.received.append([refused])
    page = client.get("/health").text
    assert "<script>alert" not in page
    assert "<b>" not in page
    assert "&lt;script&gt;alert(1)&lt;/script&gt;" in page
    said = text_of(page)
    assert "ff 00 (hexadecimal)" in said
    assert "It was empty." in said
    assert "The beginning of 900 bytes." in said
    assert said.index("cellar/&lt;b&gt;3") < said.index("cellar/&lt;b&gt;0")


def test_marked_readings_stand_apart_from_the_line(filled: Workshop, client: TestClient) -> None:
    at = workshops.NOW - timedelta(minutes=30, seconds=30)
    reading = Reading("vat-north", ms_of(at), 99.0, Mark.IMPLAUSIBLE)
    late = Reading("vat-north", ms_of(at) + 500, 23.0, Mark.LATE)  # no doubt about its value
    filled.received.append([Arrival("cellar/north", NOW_MS, (reading, late))])

    def panel(counted: str) -> tuple[float, int]:
        charts = client.get("/room/charts", params={"hours": 6, "counted": counted}).json()
        rows = charts["figures"]["panel-0"]
        assert rows["marked"]["words"] == ["North vat: 99.0 °C, implausible"]
        assert rows["marked"]["value"][0] <= rows["frame"]["value"][1]
        return max(rows["readings"]["high"]), len(rows["marked"]["at"])

    assert panel("plausible")[0] < 30
    assert panel("unmarked")[0] < 30
    assert panel("all")[0] == 99.0
    said = text_of(client.get("/").text)
    assert "1 doubtful reading (1 implausible); 1 reading not part of the line." in said
    assert "doubtful" not in text_of(client.get("/?hours=6").text).split("Relative humidity")[1]


def test_a_print_says_how_many_readings_did_not_count(filled: Workshop, client: TestClient) -> None:
    plate = filled.record.prints.get(41).entry
    at = plate.start + timedelta(minutes=2, seconds=7)
    reading = Reading("vat-north", ms_of(at), 99.0, Mark.IMPLAUSIBLE)
    filled.received.append([Arrival("cellar/north", NOW_MS, (reading,))])
    said = text_of(client.get("/prints/41").text)
    assert "1 marked reading left out" in said
    assert "to 99.0" not in said
    every = text_of(client.get("/prints/41?counted=all").text)
    assert "left out" not in every.split("What stood before")[0]
    assert "to 99.0" in every


def test_what_was_taken_out_on_purpose_is_told_from_silence(
    filled: Workshop, client: TestClient
) -> None:
    store = filled.received
    assert isinstance(store, SqliteStore)
    window = ("room-temp", NOW_MS - 4 * 3_600_000, NOW_MS - 2 * 3_600_000)
    gone_n = store.delete_range(*window, reason="kept no longer")
    texts = client.get("/health/now").json()["texts"]
    assert texts["taken-out-room-temp"].startswith(f"{gone_n} kept no longer, between ")
    assert "taken-out-vat-north" not in texts
    told = client.get("/api/health").json()["channels"]
    removed = {one["channel"]: one["removed"] for one in told}
    assert removed["vat-north"] == []
    assert [(one["reason"], one["readings"]) for one in removed["room-temp"]] == [
        ("kept no longer", gone_n)
    ]
    room = text_of(client.get("/").text)
    assert f"no silence of a sensor: Cellar, room temperature: {gone_n} kept no longer" in room
    assert "Taken out on purpose" not in text_of(client.get("/?hours=1").text)
