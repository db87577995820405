"""Units that sensors send, turned into the one unit that each role keeps. Pure.

Names are the trade's (``°C``, ``°F``, ``K``, ``%RH``, ``fraction``, ``W``) and those of the
SenML units registry (RFC 8428 section 12.1: ``Cel``, ``K``, ``%RH``, ``/``, ``W``). SenML's
``%`` is left out on purpose: the registry makes it a ratio of 0 to 1, most senders a
percentage, and nobody can tell which one a reading means.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from types import MappingProxyType
from typing import TypeAlias

from collector.readings import Role

Conversion: TypeAlias = Callable[[float], float]


#: Decimals that a converted value keeps: far below any sensor's, above float64's noise, which
#: would make 294.55 K into 21.400000000000034 °C.
DECIMALS = 9


def _c_from_f(value_f: float) -> float:
    return round((value_f - 32.0) * 5.0 / 9.0, DECIMALS)


def _c_from_k(value_k: float) -> float:
    return round(value_k - 273.15, DECIMALS)


def _pct_from_fraction(fraction: float) -> float:
    return round(fraction * 100.0, DECIMALS)


def _thousandfold(value: float) -> float:
    return round(value * 1_000.0, DECIMALS)


#: Kept unit -> unit as sent -> how to convert; None where the value stays as it is.
CONVERSIONS: Mapping[str, Mapping[str, Conversion | None]] = MappingProxyType(
    {
        "°C": MappingProxyType(
            {"°C": None, "Cel": None, "°F": _c_from_f, "K": _c_from_k},
        ),
        "%RH": MappingProxyType(
            {"%RH": None, "fraction": _pct_from_fraction, "/": _pct_from_fraction},
        ),
        "W": MappingProxyType({"W": None}),
        # What bare sensors send; the registry's names are Ohm and V.
        "Ω": MappingProxyType({"Ω": None, "Ohm": None, "kΩ": _thousandfold}),
        "mV": MappingProxyType({"mV": None, "V": _thousandfold}),
    }
)


def fits(role: Role, unit: str) -> bool:
    """Whether readings of a role may be sent in a unit."""
    return unit in CONVERSIONS[role.unit]


def conversion(role: Role, unit: str) -> Conversion | None:
    """How to turn a value in ``unit`` into the role's unit; None when it stays as it is.

    Raises ``KeyError`` for a unit that does not fit the role; ask :func:`fits` first.
    """
    return CONVERSIONS[role.unit][unit]
