"""Time beyond each temperature that a condition speaks of, and whether it could have frozen."""

from __future__ import annotations

import numpy as np
import pandas as pd

from coldchain_kit.excursions import bounds, time_beyond
from coldchain_kit.model import BandRow, Condition, FreezingRow, Trace, one_sided


def bands(trace: Trace, condition: Condition, *, start: pd.Timestamp, end: pd.Timestamp) -> list[BandRow]:
    """Time beyond each temperature of the condition's bands in a window, with bounds (CONTRACTS rule 6).

    Returns
    -------
    list of dict: probe, direction, limit_c [°C], minutes, minutes_least, minutes_most, longest, longest_least,
    longest_most (the longest single run) [min].
    """
    edges = pd.DatetimeIndex([start, end]).as_unit("us").asi8
    rows: list[BandRow] = []
    for direction, limit_c in condition.bands():
        steps = bounds.trace_steps(trace, limit_c=limit_c, direction=direction, condition=condition, cut=True)
        whole, single = (measure(steps, start_us=edges[0], end_us=edges[1]) for measure in (time_beyond.total, time_beyond.longest))
        rows.append({
            "probe": trace.probe.name, "direction": direction, "limit_c": limit_c, "minutes": whole.minutes, "minutes_least": whole.least,
            "minutes_most": whole.most, "longest": single.minutes, "longest_least": single.least, "longest_most": single.most,
        })  # fmt: skip
    return rows


def freezing(trace: Trace, *, freeze_c: float = 0.0, start: pd.Timestamp, end: pd.Timestamp) -> FreezingRow[pd.Timestamp] | None:
    """Possible freezing: the lowest reading (as read or corrected) less U at or below ``freeze_c``, for any time.

    A reading "at most" something may lie anywhere below it, so it is possible whatever its bound; one without a number counts as the lowest.

    Returns
    -------
    dict: probe, role, time, lowest_c (reading; None where it has no number), lowest_one_sided ("at most", "at least" or None),
    lowest_text (the file's own text of such a reading), expanded_c (its U), lowest_less_u_c [°C or None], possible (bool); None without a reading.

    Examples
    --------
    >>> times = pd.date_range("2026-03-01", periods=3, freq="5min", tz="UTC")
    >>> trace = Trace.of(pd.Series([2.0, 0.4, 2.0], index=times), u_c=0.25)
    >>> row = freezing(trace, start=times[0], end=times[-1])
    >>> row["lowest_less_u_c"], row["possible"]
    (-0.1, True)
    """
    index = trace.readings.index
    part = trace.readings[(index >= start) & (index < end) & one_sided.heard(trace.readings)]
    if not len(part):
        return None
    side = part["one_sided"].to_numpy()
    lowest = np.round(np.fmin(*(one_sided.judged_c(part, column) for column in ("celsius", "as_read_c"))), 6)
    expanded = 2.0 * np.nan_to_num(part["u_c"].to_numpy())
    below = np.round(lowest - expanded, 6)
    order = np.where(side < 0, -np.inf, below)
    at = int(np.lexsort((lowest, order))[0])
    number = bool(np.isfinite(lowest[at]))
    return {
        "probe": trace.probe.name, "role": trace.probe.role, "time": part.index[at], "lowest_c": float(lowest[at]) if number else None,
        "lowest_one_sided": one_sided.WORDS.get(int(side[at])), "lowest_text": part["text"].iloc[at] or None, "expanded_c": float(expanded[at]),
        "lowest_less_u_c": float(below[at]) if number else None, "possible": bool(side[at] < 0 or below[at] <= freeze_c),
    }  # fmt: skip
