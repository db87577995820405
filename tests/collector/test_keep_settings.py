"""The tables [[keep]]: what they may say, and what is told of those that cannot be."""

from __future__ import annotations

from pathlib import Path

import pytest

from collector.config import Settings, load
from collector.errors import SettingsError
from collector.keep_settings import KeepRule
from collector.readings import Role

CHANNEL = """
[[channel]]
id = "north-power"
role = "printer_power"
topic = "cellar/north/power"
gap_limit_s = 120
"""
DAY_MS = 86_400_000


def settings(folder: Path, text: str) -> Settings:
    path = folder / "vatside.toml"
    path.write_text(text + CHANNEL, encoding="utf-8")
    return load(path, {"VATSIDE_INFLUX_TOKEN": "t"})


def test_without_a_rule_all_is_kept(tmp_path: Path) -> None:
    assert settings(tmp_path, "").keep == ()


def test_rules_are_read_by_role(tmp_path: Path) -> None:
    text = """
[[keep]]
role = "printer_power"
thin_after_days = 60
every_s = 60
forget_after_days = 730
[[keep]]
role = "room_humidity"
forget_after_days = 365
"""
    power, humidity = settings(tmp_path, text).keep
    assert power == KeepRule(Role.PRINTER_POWER, 60 * DAY_MS, 60_000, 730 * DAY_MS)
    assert power.words == "printer_power: after 60 days a few of each 60 s, after 730 days none"
    assert humidity == KeepRule(Role.ROOM_HUMIDITY, forget_after_ms=365 * DAY_MS)
    assert humidity.words == "room_humidity: after 365 days none"


@pytest.mark.parametrize(
    ("text", "words"),
    [
        ("[keep]\nrole = 'printer_power'", "[[keep]]"),
        ("[[keep]]\nforget_after_days = 90", "no role"),
        ("[[keep]]\nrole = 'power'\nforget_after_days = 90", "printer_power"),
        ("[[keep]]\nrole = 'printer_power'", "neither when to thin nor when to forget"),
        ("[[keep]]\nrole = 'printer_power'\nthin_after_days = 90", "go together"),
        ("[[keep]]\nrole = 'printer_power'\nforget_after_days = 90\nevery_s = 9", "go together"),
        ("[[keep]]\nrole = 'printer_power'\nforget_after_days = 13", "from 14 to"),
        ("[[keep]]\nrole = 'printer_power'\nforget_after_days = 14.5", "from 14 to"),
        ("[[keep]]\nrole = 'printer_power'\nthin_after_days = 14\nevery_s = 0", "1 to 3600"),
        (
            "[[keep]]\nrole = 'printer_power'\nthin_after_days = 14\nevery_s = 121",
            "tear gaps into north-power",
        ),
        (
            "[[keep]]\nrole = 'printer_power'\nthin_after_days = 30\nevery_s = 60\n"
            "forget_after_days = 30",
            "before it would be thinned",
        ),
        ("[[keep]]\nrole = 'printer_power'\nforget_after = 30", "forget_after_days"),
        (
            "[[keep]]\nrole = 'printer_power'\nforget_after_days = 30\n"
            "[[keep]]\nrole = 'printer_power'\nforget_after_days = 40",
            "has a rule already",
        ),
        (
            "[influx]\nurl = 'http://127.0.0.1:8086'\norg = 'cellar'\n"
            "[[keep]]\nrole = 'printer_power'\nforget_after_days = 30",
            "retention of its own",
        ),
    ],
)
def test_what_cannot_be_is_told_with_place_and_remedy(
    tmp_path: Path, text: str, words: str
) -> None:
    with pytest.raises(SettingsError) as told:
        settings(tmp_path, text)
    assert words in str(told.value)
    assert "vatside.toml" in str(told.value.where)
    assert told.value.remedy
