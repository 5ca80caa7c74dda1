"""Episodes: the unit-level groups of excursions that belong together, and regular short runs as one.

Rule: CONTRACTS "How the numbers are made", rule 8.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import TypedDict

import numpy as np
import pandas as pd

from coldchain_kit.model import Direction, ExcursionRow, RecurrentRow, rows_of

# Regular short runs (a freezer's defrost): at least this many, most of the expected times taken, each start within a
# tenth of the period of its time, and each run shorter than a quarter of the period (common practice, no source).
_LEAST_RUNS, _SHARE_TAKEN, _PHASE, _LENGTH = 4, 0.6, 0.1, 0.25
_ONE_RUN_MIN = 30.0  # crossings of one defrost, and those of two probes of a unit, lie closer together than this
_PERIODS_TRIED = 20


class Group(TypedDict):
    """Excursions that belong together: an episode without its name, unit and causes; ``rows``: they themselves."""

    direction: Direction
    excursions: list[str]
    start: pd.Timestamp
    end: pd.Timestamp
    recurrent: RecurrentRow | None
    rows: list[ExcursionRow[pd.Timestamp]]


class Regular(TypedDict):
    """Runs at regular times: their positions, and from one to the next [h]."""

    members: list[int]
    period_hours: float


def group(excursions: pd.DataFrame, *, join_min: float, shown: Sequence[ExcursionRow[pd.Timestamp]] = ()) -> list[Group]:
    """Excursions of one unit put together into episodes.

    Parameters
    ----------
    excursions : DataFrame
        Rows of :func:`excursions.find` of all deciding probes of one unit, with a column ``id``.
    join_min : float
        Runs of one direction less than this far apart [min], or parted by a gap only, belong together.
    shown : sequence of dict
        Excursions by the display of the unit, with ids: their time is not known, so that they belong to no regular runs.

    Returns
    -------
    list of dict: direction, excursions (ids), start, end (UTC), recurrent: None or {count, longest_min, total_min, period_hours};
    in order of start.
    """
    found: list[Group] = []
    for direction in ("above", "below"):
        mine = excursions[excursions["direction"] == direction].sort_values(["start", "end"]) if len(excursions) else excursions
        rows = rows_of(mine, ExcursionRow[pd.Timestamp]) if len(mine) else []
        runs = _clusters(rows, min(join_min, _ONE_RUN_MIN))
        regular = recurrent([run["start"] for run in runs], [run["end"] for run in runs])
        members = set(regular["members"]) if regular else set()
        if regular:
            found.append(_merged([runs[k] for k in regular["members"]], regular["period_hours"]))
        single = [row for k, run in enumerate(runs) if k not in members for row in run["rows"]]
        displayed = [row for row in shown if row["direction"] == direction]
        found.extend(_clusters(sorted([*single, *displayed], key=lambda row: (row["start"], row["end"])) if displayed else single, join_min))
    return sorted(found, key=lambda episode: (episode["start"], episode["direction"]))


def _clusters(rows: list[ExcursionRow[pd.Timestamp]], join_min: float) -> list[Group]:
    clusters: list[Group] = []
    for row in rows:
        last = clusters[-1] if clusters else None
        if last and (_minutes(last["end"], row["start"]) < join_min or _gap_only(last["rows"], row)):
            last["rows"].append(row)
            last["excursions"].append(row["id"])
            last["end"] = max(last["end"], row["end"])
        else:
            clusters.append({"direction": row["direction"], "excursions": [row["id"]], "start": row["start"], "end": row["end"], "recurrent": None, "rows": [row]})
    return clusters


def _gap_only(before: list[ExcursionRow[pd.Timestamp]], row: ExcursionRow[pd.Timestamp]) -> bool:
    """Whether nothing but a gap parts this run from an earlier run of the same probe."""
    return row["open_start"] and any(
        other["probe"] == row["probe"] and other["open_end"] and other["end_latest"] == row["first_out"] for other in before
    )  # fmt: skip


def _minutes(a: pd.Timestamp, b: pd.Timestamp) -> float:
    return (b - a) / pd.Timedelta(minutes=1)


def recurrent(starts: list[pd.Timestamp], ends: list[pd.Timestamp]) -> Regular | None:
    """Which runs come at regular times, as a defrost does.

    Parameters
    ----------
    starts, ends : lists of UTC Timestamps, in order of start

    Returns
    -------
    dict: members (positions), period_hours [h]; None where nothing is regular.

    Examples
    --------
    >>> starts = list(pd.date_range("2026-03-01", periods=6, freq="6h", tz="UTC")) + [pd.Timestamp("2026-03-02T16:00Z")]
    >>> found = recurrent(starts, [s + pd.Timedelta("15min") for s in starts])
    >>> found["members"], round(found["period_hours"], 2)
    ([0, 1, 2, 3, 4, 5], 6.0)
    """
    if len(starts) < _LEAST_RUNS:
        return None
    at = np.array([_minutes(starts[0], s) for s in starts])
    length = np.array([_minutes(s, e) for s, e in zip(starts, ends, strict=True)])
    best: tuple[int, float, np.ndarray] | None = None
    periods, seen = np.unique(np.round(np.diff(at)), return_counts=True)
    likely = periods[np.argsort(-seen, kind="stable")][:_PERIODS_TRIED]
    for period in likely[likely >= 60]:
        for anchor in range(min(3, len(at))):
            period_fit, members = _on_the_clock(at, length, float(period), at[anchor])
            slots = np.ptp(at[members]) / period_fit + 1 if len(members) else np.inf
            good = len(members) >= _LEAST_RUNS and len(members) / slots >= _SHARE_TAKEN
            if good and (best is None or len(members) > best[0]):
                best = (len(members), period_fit, members)
    return None if best is None else {"members": best[2].tolist(), "period_hours": best[1] / 60.0}


def _on_the_clock(at: np.ndarray, length: np.ndarray, period: float, anchor: float) -> tuple[float, np.ndarray]:
    """Least-squares period and the runs that start on it."""
    for _ in range(3):
        slot = np.round((at - anchor) / period)
        close = np.abs(at - anchor - slot * period) <= _PHASE * period
        if len(np.unique(slot[close])) < 2:
            return period, np.zeros(0, int)
        period, anchor = np.polyfit(slot[close], at[close], 1)
    slot = np.round((at - anchor) / period)
    close = (np.abs(at - anchor - slot * period) <= _PHASE * period) & (length <= _LENGTH * period)
    return float(period), np.flatnonzero(close)


def _merged(clusters: list[Group], period_hours: float) -> Group:
    rows = [row for cluster in clusters for row in cluster["rows"]]
    length = [_minutes(cluster["start"], cluster["end"]) for cluster in clusters]
    return {
        "direction": clusters[0]["direction"],
        "excursions": [key for cluster in clusters for key in cluster["excursions"]],
        "start": min(cluster["start"] for cluster in clusters),
        "end": max(cluster["end"] for cluster in clusters),
        "recurrent": {"count": len(clusters), "longest_min": max(length), "total_min": float(sum(length)), "period_hours": period_hours},
        "rows": rows,
    }
