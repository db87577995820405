"""The questions that are put to DuckDB: the same that a chart of ours answers, and less. Pure."""

from __future__ import annotations


def plain_sql(source: str, window: tuple[int, int], n: int) -> str:
    """Minimum, maximum, plain mean and count of ``n`` equal stretches; also for SQLite."""
    width = (window[1] - window[0]) / n
    return (
        f"SELECT CAST((time_ms - {window[0]}) / {width} AS INTEGER) AS bucket,"
        " min(value), max(value), avg(value), count(*)"
        f" FROM {source} WHERE channel = 1 AND time_ms >= {window[0]} AND time_ms < {window[1]}"
        " GROUP BY 1"
    )


def same_sql(source: str, window: tuple[int, int], n: int, gap_ms: int) -> str:
    """Minimum, maximum, time-weighted mean, count and coverage of ``n`` equal stretches.

    A running integral of the stretches between neighbours that are no gap, taken at every edge
    (``ASOF JOIN``), as ``collector/store/stretches.py`` has it.
    """
    start, end = window
    span = end - start
    own = f"channel = 1 AND time_ms >= {start} AND time_ms < {end}"
    return f"""
WITH near AS (
  SELECT time_ms, value FROM {source} WHERE channel = 1
    AND time_ms >= (SELECT coalesce(max(time_ms), {start}) FROM {source}
      WHERE channel = 1 AND time_ms < {start} AND time_ms >= {start - gap_ms})
    AND time_ms <= (SELECT coalesce(min(time_ms), {end}) FROM {source}
      WHERE channel = 1 AND time_ms >= {end} AND time_ms <= {end + gap_ms})),
ways AS (
  SELECT time_ms, value, lead(time_ms) OVER following - time_ms AS way,
    lead(value) OVER following AS next
  FROM near WINDOW following AS (ORDER BY time_ms)),
sums AS (
  SELECT *, CASE WHEN way <= {gap_ms} THEN 1 ELSE 0 END AS rate,
    coalesce(sum(CASE WHEN way <= {gap_ms} THEN way * (value + next) / 2 ELSE 0 END)
      OVER before, 0) AS area,
    coalesce(sum(CASE WHEN way <= {gap_ms} THEN way ELSE 0 END) OVER before, 0) AS covered
  FROM ways WINDOW before AS (
    ORDER BY time_ms ROWS BETWEEN UNBOUNDED PRECEDING AND 1 PRECEDING)),
edges AS (
  SELECT i, {start} + i * {span // n} + i * {span % n} // {n} AS edge FROM range({n} + 1) t(i)),
at_edges AS (
  SELECT i, edge, coalesce(covered + rate * (edge - time_ms), 0) AS covered,
    coalesce(area + rate * (edge - time_ms)
      * (value + 0.5 * (next - value) / way * (edge - time_ms)), area, 0) AS area
  FROM edges ASOF LEFT JOIN sums ON edge >= time_ms),
spans AS (
  SELECT i, edge, lead(edge) OVER following - edge AS width,
    lead(area) OVER following - area AS area, lead(covered) OVER following - covered AS covered
  FROM at_edges WINDOW following AS (ORDER BY i)),
inside AS (
  SELECT i, value FROM (SELECT time_ms, value FROM {source} WHERE {own}) own
    ASOF JOIN edges ON own.time_ms >= edges.edge),
extremes AS (
  SELECT i, min(value) AS low, max(value) AS high, avg(value) AS plain, count(*) AS n
  FROM inside GROUP BY i)
SELECT edge, low, high,
  CASE WHEN n IS NULL THEN NULL WHEN covered > 0 THEN area / covered ELSE plain END AS mean,
  coalesce(n, 0) AS n, covered / width AS coverage
FROM spans LEFT JOIN extremes USING (i) WHERE i < {n} ORDER BY i
"""
