"""What a print cost in resin and wash fluid, in the currency its prices are noted in. Pure."""

from __future__ import annotations

from dataclasses import dataclass

from api.prints import Print, Wash


@dataclass(frozen=True, slots=True)
class Cost:
    """Cost of resin and of wash fluid; None where ``missing`` names what was not noted."""

    resin: float | None
    fluid: float | None
    missing: tuple[str, ...]

    @property
    def total(self) -> float | None:
        """Both together; None unless both are known, as a sum of what is known says too little."""
        if self.resin is None or self.fluid is None:
            return None
        return self.resin + self.fluid


def cost_of(plate: Print, *, density_g_cm3: float | None, price_per_kg: float | None) -> Cost:
    """Resin used [ml] times density [g/cm³] times price per kg, and fluid used times its price.

    A wash that was not noted is not known to have cost nothing; an amount of 0 is.
    """
    resin, lacking = _product(
        {
            "resin_used_ml": plate.resin_used_ml,
            "resin.density_g_cm3": density_g_cm3,
            "resin.price_per_kg": price_per_kg,
        }
    )
    wash = plate.afterwork.wash or Wash()
    fluid, more = _product(
        {
            "afterwork.wash.fluid_used_ml": wash.fluid_used_ml,
            "afterwork.wash.fluid_price_per_l": wash.fluid_price_per_l,
        }
    )
    return Cost(resin, fluid, lacking + more)


def _product(factors: dict[str, float | None]) -> tuple[float | None, tuple[str, ...]]:
    """The product of all over a thousand (ml x price per l, g x price per kg), or what lacks."""
    if 0 in factors.values():
        return 0.0, ()
    lacking = tuple(name for name, factor in factors.items() if factor is None)
    if lacking:
        return None, lacking
    product = 1.0
    for factor in factors.values():
        product *= factor or 0.0
    return product / 1_000, ()
