"""A real office recording as the room of five prints: the api's conditions against pandas."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest
from fastapi.testclient import TestClient

from api.answers import Workshop
from tests.recordings import recording
from tests.stores import arrivals

#: Five windows within the recording, the last one reaching past its end.
WINDOWS = (
    ("2015-02-02T14:30:00Z", "2015-02-02T15:00:00Z"),
    ("2015-02-02T18:00:13Z", "2015-02-03T02:10:47Z"),
    ("2015-02-03T06:00:00Z", "2015-02-03T13:00:00Z"),
    ("2015-02-02T15:00:00Z", "2015-02-04T10:00:00Z"),
    ("2015-02-04T08:43:00Z", "2015-02-04T12:43:00Z"),
)

COLUMNS = {"Temperature": "room-temp", "Humidity": "room-humid"}
ROLES = {"Temperature": "room_temperature", "Humidity": "room_humidity"}


def seconds(moments: pd.Series | pd.DatetimeIndex) -> np.ndarray:
    epoch = pd.Timestamp("1970-01-01", tz="UTC")
    return np.asarray((pd.DatetimeIndex(moments) - epoch).total_seconds())


@pytest.mark.recordings
def test_conditions_over_http_equal_pandas(client: TestClient, workshop: Workshop) -> None:
    table = pd.read_csv(recording("room_climate_office_1min.csv"), parse_dates=["date"])
    assert len(table) == 2_665
    times = seconds(table["date"].dt.tz_localize("UTC"))
    for column, channel in COLUMNS.items():
        rows = zip(
            (times * 1_000).round().astype(int).tolist(), table[column].tolist(), strict=True
        )
        workshop.received.append(arrivals(channel, rows))
    assert workshop.store.count() == 5_330
    for start, end in WINDOWS:
        body = {"start": start, "end": end, "resin": 1, "machine": 2}
        address = client.post("/api/prints", json=body).headers["Location"]
        whole = client.get(f"{address}/conditions").json()["whole"]["measured"]
        for column, role in ROLES.items():
            found = whole[role]
            series = pd.Series(table[column].to_numpy(), index=times)
            first, last = seconds(pd.DatetimeIndex([start, end]))
            inside = series[(series.index >= first) & (series.index < last)]
            known = min(last, times[-1])
            edges = series.reindex(series.index.union([first, known])).interpolate("index")
            cut = edges[(edges.index >= first) & (edges.index <= known)]
            mean = np.trapezoid(cut.to_numpy(), cut.index.to_numpy()) / (known - first)
            assert found["mean"] == pytest.approx(mean, abs=1e-9)
            assert (found["minimum"], found["maximum"]) == (inside.min(), inside.max())
            assert found["count"] == len(inside)
            assert found["coverage"] == pytest.approx((known - first) / (last - first), abs=1e-12)
            assert found["longest_gap_s"] == (0 if known == last else last - known)
