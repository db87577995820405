"""Conditions computed another way: pandas for the pieces, scipy for the integrals."""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
import pandas as pd

#: Nodes and weights of Gauss and Legendre on [-1, 1]: exact up to the fifth power.
NODES = np.array([-np.sqrt(0.6), 0.0, np.sqrt(0.6)])
WEIGHTS = np.array([5, 8, 5]) / 9


def joined(
    first: pd.Series[float],
    second: pd.Series[float],
    gaps_s: tuple[float, float],
    combine: Callable[[pd.Series[float], pd.Series[float]], pd.Series[float]],
) -> pd.Series[float]:
    """Two series at every time of either, each interpolated within its own gap limit."""
    columns = []
    index = first.index.union(second.index)
    for series, gap in zip((first, second), gaps_s, strict=True):
        times = pd.Series(series.index, index=series.index)
        near = times.reindex(index).bfill() - times.reindex(index).ffill() <= gap
        columns.append(series.reindex(index).interpolate(method="index").where(near))
    table = pd.concat(columns, axis=1, keys=["first", "second"]).dropna()
    return combine(table["first"], table["second"]).dropna()


def figures(
    values: pd.Series[float],
    start_s: float,
    end_s: float,
    gap_s: float,
    *,
    below: float | None = None,
    above: float | None = None,
) -> dict[str, float]:
    """Every figure of a window; ``values`` is indexed by seconds, without doubtful readings."""
    from scipy.integrate import quad

    times = values.index.to_numpy(float)
    off = [values.to_numpy(float) - limit for limit in (below, above) if limit is not None]
    crossings: list[float] = []
    for away in off:
        at = np.flatnonzero(away[:-1] * away[1:] < 0)
        crossings += list(times[at] - away[at] * np.diff(times)[at] / np.diff(away)[at])
    knots = values.index.union(pd.Index([start_s, end_s])).union(pd.Index(crossings))
    line = values.reindex(knots).interpolate(method="index")
    read = pd.Series(times, index=values.index)
    table = pd.DataFrame(
        {
            "begin": knots[:-1].to_numpy(float),
            "end": knots[1:].to_numpy(float),
            "first": line.to_numpy()[:-1],
            "last": line.to_numpy()[1:],
            "round": read.reindex(knots).bfill().to_numpy()[1:]
            - read.reindex(knots).ffill().to_numpy()[:-1],
        }
    )
    table = table[(table["round"] <= gap_s) & (table["begin"] >= start_s) & (table["end"] <= end_s)]
    length = table["end"] - table["begin"]
    covered = length.sum()
    inside = values[(values.index >= start_s) & (values.index < end_s)]
    found = {"count": float(len(inside)), "coverage": covered / (end_s - start_s)}
    if len(table) == 0:
        return found
    # Points and weights of each piece, for moments by quadrature.
    half = (length / 2).to_numpy()[:, None]
    at = (table["begin"] + length / 2).to_numpy()[:, None] + half * NODES
    share = (at - table["begin"].to_numpy()[:, None]) / (2 * half)
    values_at = (
        table["first"].to_numpy()[:, None] * (1 - share) + table["last"].to_numpy()[:, None] * share
    )
    weight = (half * WEIGHTS).ravel() / covered
    x, y = at.ravel() - start_s, values_at.ravel()
    mean = float(weight @ y)
    found |= {
        "mean": mean,
        "deviation": float(np.sqrt(weight @ (y - mean) ** 2)),
        "slope_per_h": float(np.polyfit(x - weight @ x, y - mean, 1, w=np.sqrt(weight))[0]) * 3_600,
        "minimum": float(inside.min()) if len(inside) else float("nan"),
        "maximum": float(inside.max()) if len(inside) else float("nan"),
    }
    middle = (table["first"] + table["last"]) / 2
    for name, limit, sign in (("below", below, 1.0), ("above", above, -1.0)):
        if limit is None:
            continue
        beyond = table[sign * (limit - middle) > 0]
        piece = beyond["end"] - beyond["begin"]
        found[f"minutes_{name}"] = piece.sum() / 60
        depth = sign * (limit - (beyond["first"] + beyond["last"]) / 2)
        found[f"degree_hours_{name}"] = (piece * depth).sum() / 3_600
    if len(table) < 40:  # the plainest way of all, where it is quick
        area = sum(
            quad(lambda t, row=row: np.interp(t, row[:2], row[2:4]), row[0], row[1])[0]
            for row in table[["begin", "end", "first", "last"]].to_numpy()
        )
        assert abs(area / covered - mean) < 1e-9
    return found
