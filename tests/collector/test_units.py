"""What sensors send, in the unit that the role keeps."""

from __future__ import annotations

import pytest

from collector import units
from collector.readings import Role


@pytest.mark.parametrize(
    ("role", "unit", "sent", "kept"),
    [
        # Fixed points of the scales: NIST SP 811 (2008), appendix B.9: t/°C = (t/°F - 32)/1.8
        # and t/°C = T/K - 273.15.
        (Role.VAT_TEMPERATURE, "°F", 32.0, 0.0),
        (Role.VAT_TEMPERATURE, "°F", 212.0, 100.0),
        (Role.VAT_TEMPERATURE, "°F", -40.0, -40.0),
        (Role.ROOM_TEMPERATURE, "K", 273.15, 0.0),
        (Role.ROOM_TEMPERATURE, "K", 294.55, 21.4),
        (Role.CHAMBER_TEMPERATURE, "°F", 70.7, 21.5),
        (Role.ROOM_HUMIDITY, "fraction", 0.57, 57.0),
        (Role.ROOM_HUMIDITY, "/", 0.07, 7.0),
    ],
)
def test_converted(role: Role, unit: str, sent: float, kept: float) -> None:
    convert = units.conversion(role, unit)
    assert convert is not None
    assert convert(sent) == kept


@pytest.mark.parametrize(
    ("role", "unit"),
    [
        (Role.SPECIMEN_TEMPERATURE, "°C"),
        (Role.VAT_TEMPERATURE, "Cel"),
        (Role.ROOM_HUMIDITY, "%RH"),
        (Role.PRINTER_POWER, "W"),
    ],
)
def test_kept_as_sent(role: Role, unit: str) -> None:
    assert units.conversion(role, unit) is None


def test_a_unit_of_another_quantity_does_not_fit() -> None:
    assert not units.fits(Role.VAT_TEMPERATURE, "W")
    assert not units.fits(Role.ROOM_HUMIDITY, "Cel")
    # SenML's % is a ratio by its registry and a percentage to most senders.
    assert not units.fits(Role.ROOM_HUMIDITY, "%")


def test_every_role_keeps_its_own_unit() -> None:
    for role in Role:
        assert units.fits(role, role.unit)
        assert units.conversion(role, role.unit) is None
