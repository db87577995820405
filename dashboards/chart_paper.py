"""A chart for paper: the shape and rows of a page's figure as SVG, PNG and PDF.

The same spec makes all three and the chart on the page; only the page's colours are put in by
value, since paper has no style sheet. The script engine that draws them takes more memory
than the web process, so it runs in a process of its own that ends when the files are made.
"""

from __future__ import annotations

import base64
import json
import subprocess
import sys
from collections.abc import Sequence

from api.prints import Frozen
from collector.errors import ChartError
from dashboards.chart_rows import Columns, Datasets
from dashboards.charts import SHAPES, Spec

#: The colours of app.css on light paper, by the names under which the shapes use them.
COLOURS = {
    "--ink": "#1b2024",
    "--rule": "#c3bca9",
    "--band": "#e3b25c",
    "--alarm": "#9c1c12",
    "--trace-0": "#1d4f80",
    "--trace-1": "#a3400f",
    "--trace-2": "#2c6a3c",
    "--trace-3": "#6b3487",
    "--trace-4": "#7a5a00",
    "--trace-5": "#2a6670",
}
WIDTH_PX = 720
#: Dots of a PNG for each of the spec's pixels: sharp in print at 18 cm.
PNG_SCALE = 2

FORMS = ("svg", "png", "pdf")

#: Drawing one chart takes a second or two; one that takes this long has failed [s].
PATIENCE_S = 90


class Asked(Frozen):
    """One chart to be drawn: its shape, its rows, the forms asked for, its width [px]."""

    shape: str
    datasets: dict[str, dict[str, list[float] | list[str]]]
    forms: tuple[str, ...]
    width_px: int


def paper_spec(shape: str, datasets: Datasets, width_px: int = WIDTH_PX) -> Spec:
    """The spec of a shape with its rows and colours in it, ``width_px`` wide."""
    text = json.dumps(SHAPES[shape]())
    for name, colour in COLOURS.items():
        text = text.replace(f"var({name})", colour)
    spec: Spec = json.loads(text)
    spec |= {
        "width": width_px,
        "background": "white",
        "datasets": {name: _rows(columns) for name, columns in datasets.items()},
    }
    return spec


def _rows(columns: Columns) -> list[dict[str, object]]:
    names = list(columns)
    return [dict(zip(names, row, strict=True)) for row in zip(*columns.values(), strict=True)]


def drawn(
    shape: str, datasets: Datasets, forms: Sequence[str] = FORMS, width_px: int = WIDTH_PX
) -> dict[str, bytes]:
    """The chart in each of ``forms`` (``svg``, ``png``, ``pdf``).

    Raises ``ChartError`` when it cannot be drawn.
    """
    asked = {"shape": shape, "datasets": datasets, "forms": forms, "width_px": width_px}
    try:
        made = subprocess.run(
            [sys.executable, "-P", "-m", "dashboards.chart_paper"],
            input=json.dumps(asked).encode(),
            capture_output=True,
            timeout=PATIENCE_S,
            check=True,
        )
    except (OSError, subprocess.SubprocessError) as fault:
        detail = getattr(fault, "stderr", None) or str(fault).encode()
        said = detail.decode(errors="replace").strip().splitlines()
        raise ChartError(
            f"The chart could not be drawn ({said[-1] if said else 'no reason was given'}).",
            where=shape,
            remedy="Try again; if it stays so, see whether memory is short.",
        ) from fault
    return {form: base64.b64decode(text) for form, text in json.loads(made.stdout).items()}


def _draw(asked: Asked) -> dict[str, str]:
    import vl_convert

    spec = paper_spec(asked.shape, asked.datasets, asked.width_px)  # type: ignore[arg-type]
    into: dict[str, bytes] = {}
    for form in asked.forms:
        if form == "svg":
            into[form] = vl_convert.vegalite_to_svg(spec).encode()
        elif form == "png":
            into[form] = vl_convert.vegalite_to_png(spec, scale=PNG_SCALE)
        else:
            into[form] = vl_convert.vegalite_to_pdf(spec)
    return {form: base64.b64encode(content).decode() for form, content in into.items()}


if __name__ == "__main__":
    json.dump(_draw(Asked.model_validate_json(sys.stdin.read())), sys.stdout)
