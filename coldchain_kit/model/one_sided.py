"""One-sided readings: HI, LO, a figure beside > or <, a value held at a declared range's end (CONTRACTS rule 9).

Such a reading says on which side of a bound the temperature lay, not where. In a Trace its ``as_read_c`` and
``celsius`` are
NaN, ``one_sided`` is its side (+1, -1), ``bound_c`` its bound [°C] (NaN where the file and the register give none)
and ``text``
the file's own text. So nothing that takes a mean, fits a course or draws a point ever meets a number that was not
measured;
what must judge it asks here. It is a reading: no gap lies beside it.
"""

from __future__ import annotations

from typing import Any

import numpy as np
import pandas as pd

from coldchain_kit.model.conditions import Condition

WORDS = {1: "at least", -1: "at most"}
ENDS = {"min": (np.nanargmin, -1), "max": (np.nanargmax, 1)}


def any_of(readings: pd.DataFrame) -> bool:
    """Whether a table of readings holds a one-sided one."""
    return bool(readings["one_sided"].to_numpy().any())


def heard(readings: pd.DataFrame) -> np.ndarray:
    """Which rows are readings: they have a number, or a side of one."""
    return np.isfinite(readings["celsius"].to_numpy()) | (readings["one_sided"].to_numpy() != 0)


def judged_c(readings: pd.DataFrame, column: str = "celsius") -> np.ndarray:
    """What each reading is judged by [°C]: its number; of a one-sided one the bound, or infinity on its side without
    a bound.

    For comparisons with limits only: these are no temperatures. NaN where there is no reading.

    Examples
    --------
    >>> celsius, bound = [5.0, np.nan, np.nan], [np.nan, 25.0, np.nan]
    >>> readings = pd.DataFrame({"celsius": celsius, "one_sided": [0, 1, -1], "bound_c": bound})
    >>> judged_c(readings).tolist()
    [5.0, 25.0, -inf]
    """
    side = readings["one_sided"].to_numpy()
    value = np.round(readings[column].to_numpy(dtype="float64"), 6)
    if not side.any():
        return value
    bound = readings["bound_c"].to_numpy(dtype="float64")
    return np.where(side == 0, value, np.where(np.isnan(bound), np.copysign(np.inf, side), bound))


def unknown(readings: pd.DataFrame, condition: Condition) -> np.ndarray:
    """One-sided readings whose bound says nothing about the limits: inside them on its own side, or outside on the
    other.

    They are unknown, like a gap. A side on which the condition has no limit needs no bound beyond it.

    Examples
    --------
    >>> fridge = Condition("own", "Own", 2.0, 8.0)
    >>> readings = pd.DataFrame({"celsius": np.nan, "one_sided": [1, 1, 1, -1], "bound_c": [5.0, 25.0, np.nan, -40.0]})
    >>> unknown(readings, fridge).tolist()
    [True, False, False, False]
    """
    side = readings["one_sided"].to_numpy()
    found = np.zeros(len(side), dtype=bool)
    if not side.any():
        return found
    end = judged_c(readings)
    for sign, own, other in ((1, "above", "below"), (-1, "below", "above")):
        known = condition.outside(end, own) if condition.limit_c(own) is not None else ~condition.outside(end, other)
        found |= (side == sign) & ~known
    return found


def short_of(readings: pd.DataFrame, limit_c: float, direction: str) -> np.ndarray:
    """One-sided readings on the limit's side whose bound does not reach beyond it: whether they were beyond is unknown.

    Examples
    --------
    >>> readings = pd.DataFrame({"celsius": np.nan, "one_sided": [1, 1, -1], "bound_c": [10.0, 25.0, 10.0]})
    >>> short_of(readings, 12.0, "above").tolist()
    [True, False, False]
    """
    sign = 1 if direction == "above" else -1
    side = readings["one_sided"].to_numpy()
    if not (side == sign).any():
        return np.zeros(len(side), dtype=bool)
    return (side == sign) & (np.round(sign * (judged_c(readings) - limit_c), 6) <= 0)


def extremes(readings: pd.DataFrame) -> dict[str, Any]:
    """Lowest and highest of a stretch, whatever the flags, with what a one-sided reading leaves open.

    Returns
    -------
    dict: for min and max ``min_c`` [°C, None without a reading, or where a one-sided one without a number lies there],
    ``min_time`` (UTC), ``min_bound`` (True: the figure is a bound), ``min_one_sided`` ("at least", "at most" or None),
    ``min_text`` (the file's own text of such a reading, or None); ``as_read_min_c``, ``as_read_max_c`` [°C].

    A maximum beside a reading "> 25" is "at least", also where another reading is higher than 25: that one may have
    been higher still.

    Examples
    --------
    >>> times = pd.date_range("2026-03-01", periods=3, freq="5min", tz="UTC")
    >>> values, bound = [5.0, np.nan, 6.0], [np.nan, 25.0, np.nan]
    >>> columns = {"celsius": values, "as_read_c": values, "one_sided": [0, 1, 0], "bound_c": bound, "text": ["", "> 25", ""]}
    >>> readings = pd.DataFrame(columns, index=times)
    >>> found = extremes(readings)
    >>> found["max_c"], found["max_one_sided"], found["max_text"], found["min_c"], found["min_bound"]
    (25.0, 'at least', '> 25', 5.0, False)
    """
    found: dict[str, Any] = {}
    here = readings[heard(readings)]
    for end, (pick, own) in ENDS.items():
        found |= {
            f"{end}_c": None,
            f"{end}_time": None,
            f"{end}_bound": False,
            f"{end}_one_sided": None,
            f"{end}_text": None,
            f"as_read_{end}_c": None,
        }
        if not len(here):
            continue
        value, side = judged_c(here), here["one_sided"].to_numpy()
        at = int(pick(value))
        open_ = at if side[at] else int(np.argmax(side == own)) if (side == own).any() else None
        found |= {f"{end}_c": _finite(value[at]), f"{end}_time": here.index[at]}
        found[f"as_read_{end}_c"] = _finite(judged_c(here, "as_read_c")[pick(judged_c(here, "as_read_c"))])
        if open_ is not None:
            found |= {
                f"{end}_bound": found[f"{end}_c"] is not None,
                f"{end}_one_sided": WORDS[int(side[open_])],
                f"{end}_text": here["text"].iloc[open_] or None,
            }
    return found


def _finite(value: float) -> float | None:
    return float(value) if np.isfinite(value) else None


def rank(degree_minutes: float | None) -> float:
    """Degree-minutes to rank excursions by [°C min]: what is not known ranks first (CONTRACTS rules 9 and 11).

    Examples
    --------
    >>> max([3.0, None, 500.0], key=rank) is None
    True
    """
    return float("inf") if degree_minutes is None or np.isnan(degree_minutes) else float(degree_minutes)


def why_no_mean(readings: pd.DataFrame) -> str:
    """Why a mean of these readings cannot be given, or "" where nothing stands against it (CONTRACTS rule 9).

    Examples
    --------
    >>> why_no_mean(pd.DataFrame({"one_sided": [0, 1, 1], "text": ["", "HI", "HI"]}))
    'Not given: 2 readings in it have no number of their own (“HI”), and a mean needs one.'
    """
    side = readings["one_sided"].to_numpy()
    if not side.any():
        return ""
    count = int((side != 0).sum())
    words = f"{count} readings in it have no number of their own" if count > 1 else "1 reading in it has no number of its own"
    return f"Not given: {words}{quoted(readings)}, and a mean needs one."


def quoted(readings: pd.DataFrame) -> str:
    """The file's own texts of one-sided readings, as " (“HI”, “> 25”)"; "" where the file shows plain numbers.

    Examples
    --------
    >>> quoted(pd.DataFrame({"one_sided": [1, 1], "text": ["HI", "> 25"]}))
    ' (“HI”, “> 25”)'
    """
    texts = list(dict.fromkeys(text for text in readings.loc[readings["one_sided"] != 0, "text"] if text))
    shown = [f"“{text}”" for text in texts[:4]] + (["…"] if len(texts) > 4 else [])
    return f" ({', '.join(shown)})" if shown else ""
