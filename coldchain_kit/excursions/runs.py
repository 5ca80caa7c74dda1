"""Excursions: one probe, one direction, one continuous run outside the limits, with bounds on its start, end and minutes.

Rules: CONTRACTS "How the numbers are made", rules 3 to 7. One reading outside is enough; neighbouring runs are
never merged; an excursion ends at a gap and at the edge of the record.
"""

from __future__ import annotations

from statistics import NormalDist
from typing import Any

import numpy as np
import pandas as pd

from coldchain_kit import quality
from coldchain_kit.excursions import bounds
from coldchain_kit.excursions.bounds import SIGN, Course
from coldchain_kit.model import Condition, Trace, Trustworthy, flag_counts

COLUMNS = (
    "probe", "direction", "limit_c", "basis", "start", "end", "first_out", "last_out", "first_back", "start_earliest", "end_latest", "minutes",
    "minutes_least", "minutes_most", "extreme_c", "extreme_bound", "extreme_text", "extreme_time", "degree_minutes", "degree_minutes_bound", "readings", "verdict", "p_outside", "faulty", "open_start",
    "open_end", "flags", "trustworthy",
)  # fmt: skip


def find(trace: Trace, condition: Condition) -> pd.DataFrame:
    """Every run of readings outside the condition's limits.

    Parameters
    ----------
    trace : Trace
        Judged on as-read and corrected values; where they differ the one further outside rules (``basis``).
    condition : Condition
        Inclusive limits, in their own unit.

    Returns
    -------
    DataFrame with the columns of CONTRACTS ``excursions[]``: times UTC, temperatures [°C], durations [min],
    ``degree_minutes`` [°C min]; ``flags`` counts of the run's readings; ``trustworthy`` the same figures
    without readings the quality tests call impossible.

    Cannot see: what happened between readings (bounds say how much), or in gaps.

    Examples
    --------
    >>> from coldchain_kit.model import conditions
    >>> times = pd.date_range("2026-03-01", periods=5, freq="10min", tz="UTC")
    >>> rows = find(Trace.of(pd.Series([7.0, 9, 11, 9, 7], index=times), u_c=0.25, interval_min=10), conditions.get("refrigerated"))
    >>> rows[["minutes", "degree_minutes"]].values.tolist()
    [[30.0, 45.0]]
    """
    rows: list[dict[str, object]] = []
    rolled, impossible = quality.rolled(trace).to_numpy(), quality.impossible(trace)
    for direction in SIGN:
        line = bounds.course(trace, condition, direction)
        if line is None or not line.outside.any():
            continue
        codes, never = rolled[line.at], impossible[line.at]
        rows.extend(_row(trace, line, i, j, codes, never) for i, j in _runs(line))
    table = pd.DataFrame(rows, columns=list(COLUMNS))
    return table.sort_values(["start", "direction"], ignore_index=True) if len(table) else table


def _runs(line: Course) -> list[tuple[int, int]]:
    """First and last position of every run of readings outside, broken at gaps."""
    out = line.outside
    joined = np.concatenate(([False], out[:-1] & out[1:] & ~line.steps.gap)) if len(out) > 1 else np.zeros(len(out), bool)
    starts = np.flatnonzero(out & ~joined)
    follows = np.concatenate((joined[1:], [False]))
    ends = np.flatnonzero(out & ~follows)
    return list(zip(starts.tolist(), ends.tolist(), strict=True))


def _row(trace: Trace, line: Course, i: int, j: int, codes: np.ndarray, never: np.ndarray) -> dict[str, object]:
    n, gap, sign = len(line.us), line.steps.gap, SIGN[line.direction]
    open_start = i == 0 or bool(gap[i - 1])
    open_end = j == n - 1 or bool(gap[j])
    start = float(line.us[i]) if open_start else _crossing_us(line, i - 1)
    end = float(line.us[j]) if open_end else _crossing_us(line, j)
    back = np.flatnonzero(~line.outside[j + 1 :])
    latest = line.us[min(j + 1, n - 1)]
    run = slice(i, j + 1)
    top = i + int(np.argmax(sign * line.ruling_c[run]))
    chance = _p_outside(line, i, j)
    impossible = never[run]
    as_read, corrected = (line.condition.outside(values[run], line.direction).any() for values in (line.as_read_c, line.corrected_c))
    least, most = _bounds_min(line, i, j)
    return {
        "probe": trace.probe.name,
        "direction": line.direction,
        "limit_c": line.limit_c,
        "basis": "both" if as_read and corrected else ("as_read" if as_read else "corrected"),
        "start": _utc(start),
        "end": _utc(end),
        "first_out": _utc(line.us[i]),
        "last_out": _utc(line.us[j]),
        "first_back": _utc(line.us[j + 1 + back[0]]) if len(back) else None,
        "start_earliest": _utc(line.us[max(i - 1, 0)]),
        "end_latest": _utc(latest),
        "minutes": (end - start) / 60e6,
        "minutes_least": least,
        "minutes_most": most,
        **_size(trace, line, i, j, start, end),
        "extreme_time": _utc(line.us[top]),
        "readings": j - i + 1,
        "verdict": "outside" if bool(line.surely[run].any()) else "undecided",
        "p_outside": chance,
        "faulty": bool(impossible.mean() >= 0.5),
        "open_start": open_start,
        "open_end": open_end,
        "flags": flag_counts(codes[run]),
        "trustworthy": _trustworthy(line, i, j, impossible, start, end),
    }


def _size(trace: Trace, line: Course, i: int, j: int, start: float, end: float) -> dict[str, Any]:
    """Extreme and degree-minutes: null beside a reading without a number, bounds beside a one-sided one (CONTRACTS rule 9).

    ``extreme_text``: the file's own texts of the run's one-sided readings, or None.
    """
    run = slice(i, j + 1)
    sided, extreme = bool(line.side[run].any()), float(line.ruling_c[run][int(np.argmax(SIGN[line.direction] * line.ruling_c[run]))])
    number = bool(np.isfinite(line.ruling_c[run]).all())
    texts = dict.fromkeys(text for text in trace.readings["text"].iloc[line.at[run]] if text) if sided else {}
    return {
        "extreme_c": extreme if number else None,
        "extreme_bound": sided and number,
        "extreme_text": ", ".join(texts) or None,
        "degree_minutes": _degree_minutes(line, i, j, start, end),
        "degree_minutes_bound": sided and number,
    }


def _crossing_us(line: Course, k: int) -> float:
    """Instant [µs] at which the straight line of pair k meets the limit; the reading outside where it or its neighbour has no number."""
    first, second = line.beyond_c[k], line.beyond_c[k + 1]
    if not np.isfinite(first) or not np.isfinite(second):
        return float(line.us[k + 1] if line.outside[k + 1] else line.us[k])
    return float(line.us[k]) + first / (first - second) * float(line.us[k + 1] - line.us[k])


def _degree_minutes(line: Course, i: int, j: int, start: float, end: float) -> float | None:
    """Trapezoid of the distance beyond the limit over start, readings, end [°C min] (rule 5); None where one has no number."""
    if not np.isfinite(line.beyond_c[i : j + 1]).all():
        return None
    at = np.concatenate(([start], line.us[i : j + 1], [end])) / 60e6
    beyond = line.beyond_c[i : j + 1]
    first = beyond[0] if start == line.us[i] else 0.0
    last = beyond[-1] if end == line.us[j] else 0.0
    return float(np.trapezoid(np.concatenate(([first], beyond, [last])), at - at[0]))


def _bounds_min(line: Course, i: int, j: int) -> tuple[float, float]:
    """At least and at most for one run: its own pairs, and those beside it that stay within U of the limit.

    A pair at the border of two runs belongs to both, so that each bound encloses its own excursion; the probe's
    totals (:func:`bounds.totals`) count it once.
    """
    pairs = len(line.us) - 1
    if not pairs:
        return 0.0, 0.0
    least, most = line.steps.least, line.steps.most
    lo, hi = max(i - 1, 0), min(j, pairs - 1)
    while lo > 0 and most[lo - 1] and not line.outside[lo - 1] and not line.outside[lo]:
        lo -= 1
    while hi < pairs - 1 and most[hi + 1] and not line.outside[hi + 2] and not line.outside[hi + 1]:
        hi += 1
    minutes = np.diff(line.us) / 60e6
    own = slice(i, j)
    return float(minutes[own][least[own]].sum()), float(minutes[lo : hi + 1][most[lo : hi + 1]].sum())


def _p_outside(line: Course, i: int, j: int) -> float | None:
    """Highest probability, over the run, that the true value was outside: normal, u = U/2 (JCGM 106, FACTS D6)."""
    u = line.expanded_c[i : j + 1] / 2.0
    if not (u > 0).all():
        return None
    with np.errstate(over="ignore"):
        z = SIGN[line.direction] * (line.corrected_c[i : j + 1] - line.limit_c) / u
    if np.isposinf(z).any():
        return None  # a reading without a number: how far it was beyond is not known (CONTRACTS rule 9)
    return float(NormalDist().cdf(float(z.max())))


def _trustworthy(line: Course, i: int, j: int, impossible: np.ndarray, start: float, end: float) -> Trustworthy:
    """Minutes, degree-minutes, extreme and readings of the run without readings called impossible."""
    keep = np.flatnonzero(~impossible) + i
    if len(keep) == j - i + 1:
        degree, minutes = _degree_minutes(line, i, j, start, end), (end - start) / 60e6
    elif not len(keep):
        return {"minutes": 0.0, "degree_minutes": 0.0, "extreme_c": None, "extreme_bound": False, "readings": 0}
    else:
        pair = ~impossible[:-1] & ~impossible[1:]
        step = np.diff(line.us[i : j + 1]) / 60e6
        middle = (line.beyond_c[i:j] + line.beyond_c[i + 1 : j + 1]) / 2
        area = float((step * middle)[pair].sum())
        minutes, degree = float(step[pair].sum()), area if np.isfinite(line.ruling_c[keep]).all() else None
    top = float(line.ruling_c[keep[int(np.argmax(SIGN[line.direction] * line.ruling_c[keep]))]])
    number = bool(np.isfinite(line.ruling_c[keep]).all())
    bound = number and bool(line.side[keep].any())
    return {"minutes": minutes, "degree_minutes": degree, "extreme_c": top if number else None, "extreme_bound": bound, "readings": int(len(keep))}


def near_limit(trace: Trace, condition: Condition) -> pd.DataFrame:
    """Runs of readings inside a limit but within the uncertainty of it, away from any excursion. No excursions.

    Returns
    -------
    DataFrame: probe, direction, start, end (first and last such reading, UTC), extreme_c [°C], p_outside.

    Examples
    --------
    >>> from coldchain_kit.model import conditions
    >>> times = pd.date_range("2026-03-01", periods=3, freq="5min", tz="UTC")
    >>> near_limit(Trace.of(pd.Series([5.0, 7.75, 5.0], index=times), u_c=0.25), conditions.get("refrigerated"))["p_outside"].round(6).tolist()
    [0.158655]
    """
    rows = []
    for direction in SIGN:
        line = bounds.course(trace, condition, direction)
        if line is None or not len(line.us):
            continue
        near = line.near & ~line.outside
        gap = line.steps.gap
        edges = np.flatnonzero(np.diff(np.concatenate(([0], line.near.view("int8"), [0]))))
        for i, stop in zip(edges[::2].tolist(), edges[1::2].tolist(), strict=True):
            for a, b in _split(i, stop - 1, gap):
                if not near[a : b + 1].all():
                    continue
                top = a + int(np.argmax(line.beyond_c[a : b + 1]))
                rows.append({
                    "probe": trace.probe.name, "direction": direction, "start": _utc(line.us[a]), "end": _utc(line.us[b]),
                    "extreme_c": float(line.ruling_c[top]), "p_outside": _p_outside(line, a, b),
                })  # fmt: skip
    return pd.DataFrame(rows, columns=["probe", "direction", "start", "end", "extreme_c", "p_outside"])


def _split(i: int, j: int, gap: np.ndarray) -> list[tuple[int, int]]:
    """A run of positions i..j cut at gaps."""
    cuts = [i + int(k) for k in np.flatnonzero(gap[i:j])]
    return list(zip([i, *(cut + 1 for cut in cuts)], [*cuts, j], strict=True))


def _utc(us: float) -> pd.Timestamp:
    return pd.Timestamp(round(us), unit="us", tz="UTC").as_unit("us")
