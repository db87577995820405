"""Whatever is looked up by a role or its unit knows every one (DEVELOPERS.md, "How to add")."""

from __future__ import annotations

from collections.abc import Collection

import pytest

from api.calibrating import SETTLED_WITHIN, SHOWN_AT
from collector.quality import LIMITS
from collector.readings import Role
from collector.transfer.senml_form import UNITS
from collector.units import CONVERSIONS
from dashboards import words
from dashboards.chart_rows import LEAST_SPANS
from dashboards.charts import PANEL_SHAPES
from dashboards.figure import QUANTITIES
from tests.test_docs import developers

BY_ROLE: dict[str, list[Collection[Role]]] = {
    "collector/quality.py": [LIMITS],
    "dashboards/words.py": [words.ROLES],
}
BY_UNIT: dict[str, list[Collection[str]]] = {
    "collector/units.py": [CONVERSIONS],
    "collector/transfer/senml_form.py": [UNITS],
    "api/calibrating.py": [SETTLED_WITHIN, SHOWN_AT],
    "dashboards/words.py": [words._PLACES],
    "dashboards/chart_rows.py": [LEAST_SPANS],
    "dashboards/charts.py": [PANEL_SHAPES],
    "dashboards/figure.py": [QUANTITIES],
}


@pytest.mark.parametrize("module", BY_ROLE)
def test_every_role_is_known(module: str) -> None:
    for table in BY_ROLE[module]:
        assert set(table) == set(Role)


@pytest.mark.parametrize("module", BY_UNIT)
def test_every_unit_of_a_role_is_known(module: str) -> None:
    for table in BY_UNIT[module]:
        assert {role.unit for role in Role} <= set(table)


def test_the_recipe_names_each_of_these_modules() -> None:
    recipe = developers().split("- **a sensor role**")[1].split("- **")[0]
    assert [module for module in {**BY_ROLE, **BY_UNIT} if f"`{module}`" not in recipe] == []
