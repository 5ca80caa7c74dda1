"""Time beyond any temperature: minutes with bounds, single runs, degree-minutes, on a bare Series of °C with a UTC index.

Every function leaves readings without a value out first. ``gap`` marks which steps between neighbouring
readings *with* a value are gaps (one bool a step); without it ``timeline.neighbours`` decides, which takes the median step of a Series too short to keep one.
Nothing is ever bridged: a gap gives no weight, no minutes and no degree-minutes, only doubt.
"""

from __future__ import annotations

from typing import NamedTuple

import numpy as np
import numpy.typing as npt
import pandas as pd

from coldchain_kit.base import KitError
from coldchain_kit.model import timeline

US_PER_MIN = 60_000_000


class Beyond(NamedTuple):
    """Minutes beyond a limit: on the straight line between readings, at least, at most [min]."""

    minutes: float
    least: float
    most: float


class StepTable(NamedTuple):
    """What each step between two neighbouring readings gives beyond one limit.

    ``start_us``, ``end_us``: the step; ``from_us``, ``to_us``: its part beyond the limit on the straight line
    (equal where there is none); ``least``, ``most``: whether the whole step counts in the bounds; ``gap``;
    ``coarse``: of a regular stretch coarser than the interval that nothing states, which proves no minutes;
    ``joined``: whether the reading at the step's start is itself beyond, so that the run goes on.
    Times are microseconds since 1970 (UTC), as numbers; fractions occur at crossings.
    """

    start_us: np.ndarray
    end_us: np.ndarray
    from_us: np.ndarray
    to_us: np.ndarray
    least: np.ndarray
    most: np.ndarray
    gap: np.ndarray
    coarse: np.ndarray
    joined: np.ndarray


def known(series: pd.Series) -> np.ndarray:
    """The values that are there."""
    values = series.to_numpy(dtype="float64")
    return values[np.isfinite(values)]


def times_us(series: pd.Series) -> np.ndarray:
    """The index as microseconds since 1970 (UTC)."""
    return pd.DatetimeIndex(series.index).as_unit("us").asi8


def gap_marks(series: pd.Series, gap: npt.ArrayLike | None, *, readings: int) -> np.ndarray:
    """One mark for each step between readings with a value; rows without a value tell the interval in force, too."""
    if gap is None:
        return timeline.neighbours(series).gap
    mask = np.asarray(gap, dtype=bool)
    if len(mask) != max(readings - 1, 0):
        raise KitError(f"{len(mask)} gap marks for {readings} readings with a value", expected="one mark for each step between them")
    return mask


def step_table(celsius: pd.Series, *, limit_c: float, direction: str, u_c: npt.ArrayLike = 0.0, as_read_c: pd.Series | None = None, gap: npt.ArrayLike | None = None, coarse: npt.ArrayLike | None = None, hidden_k: np.ndarray | float = 0.0, inclusive: bool = False) -> StepTable:
    """What each step between neighbouring readings gives beyond a limit (CONTRACTS rules 4 to 6).

    Parameters
    ----------
    celsius : Series of float
        Corrected temperatures [°C] on a UTC index.
    limit_c : float
        The limit [°C].
    direction : str
        "above" or "below".
    u_c : float or array of float
        Standard uncertainty [°C]; U = 2 u_c. An array has one value for each row of ``celsius``.
    as_read_c : Series of float, optional
        Temperatures as read [°C]; where they lie further outside they rule, except in ``least``.
    gap : array of bool, optional
        Which steps between readings with a value are gaps.
    coarse : array of bool, optional
        Which of them are of a coarser regular stretch that nothing states; where ``gap`` is given, none by default.
    hidden_k : float or array of float
        How far the course may have gone beyond both readings of a step [K]; widens ``most`` only.
    inclusive : bool
        True where the limit itself is already outside ("below -15").

    Raises
    ------
    KitError
        For a direction that is neither above nor below, or marks that do not fit the readings.
    """
    if direction not in ("above", "below"):
        raise KitError(f"direction '{direction}'", expected="above or below")
    value = celsius.to_numpy(dtype="float64")
    keep = np.isfinite(value)
    if gap is None:
        gap, coarse = timeline.neighbours(celsius)[4:6]
    marks = gap_marks(celsius, gap, readings=int(keep.sum()))
    rough = np.zeros(len(marks), dtype=bool) if coarse is None else np.asarray(coarse, dtype=bool)
    spread = 2.0 * np.broadcast_to(np.asarray(u_c, dtype="float64"), value.shape)[keep]
    read = None if as_read_c is None else as_read_c.to_numpy(dtype="float64")[keep]
    return steps_of(
        times_us(celsius)[keep], value[keep], read, limit_c=limit_c, direction=direction, expanded_c=spread, gap=marks, coarse=rough, hidden_k=hidden_k, inclusive=inclusive
    )  # fmt: skip


def steps_of(
    time_us: np.ndarray, corrected_c: np.ndarray, as_read_c: np.ndarray | None, *, limit_c: float, direction: str, expanded_c: np.ndarray,
    gap: np.ndarray, coarse: np.ndarray, hidden_k: np.ndarray | float, inclusive: bool,
) -> StepTable:  # fmt: skip
    """:func:`step_table` of bare arrays; a one-sided reading without a number is infinite on its side (:mod:`model.one_sided`)."""
    sign, limit = 1.0 if direction == "above" else -1.0, round(limit_c, 6)
    corrected = np.round(sign * (np.round(corrected_c, 6) - limit), 6)
    further = corrected if as_read_c is None else np.fmax(corrected, np.round(sign * (np.round(as_read_c, 6) - limit), 6))
    # A limit that is itself outside moves every comparison by the smallest step there is, 1e-6 °C.
    edge = -0.5e-6 if inclusive else 0.0
    spread = np.round(expanded_c, 6)
    out, surely = further > edge, corrected > spread + edge
    maybe = np.maximum((further + spread)[:-1], (further + spread)[1:]) > edge - np.asarray(hidden_k)
    from_us, to_us = _beyond_parts(time_us, further, out, gap)
    return StepTable(time_us[:-1], time_us[1:], from_us, to_us, surely[:-1] & surely[1:] & ~gap & ~coarse, maybe, gap, coarse, out[:-1])


def _beyond_parts(time_us: np.ndarray, distance: np.ndarray, out: np.ndarray, gap: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Start and end of each step's part beyond the limit, on the straight line; equal where there is none.

    Beside a reading without a number there is no line: the part begins and ends at the reading outside (CONTRACTS rule 9).
    """
    start, end = time_us[:-1].astype("float64"), time_us[1:].astype("float64")
    before, after = distance[:-1], distance[1:]
    rising, falling = ~out[:-1] & out[1:], out[:-1] & ~out[1:]
    with np.errstate(divide="ignore", invalid="ignore"):
        change = after - before
        crossing = np.where(change != 0, start + (end - start) * (-before / change), start)
    if np.isinf(distance).any():
        crossing = np.where(np.isfinite(before) & np.isfinite(after), crossing, np.where(rising, end, start))
    from_us = np.where(rising, crossing, start)
    to_us = np.where(falling, crossing, end)
    nothing = gap | ~(out[:-1] | out[1:])
    return from_us, np.where(nothing, from_us, to_us)


def _clip(low_us: np.ndarray, high_us: np.ndarray, start_us: float | None, end_us: float | None) -> np.ndarray:
    if start_us is not None:
        low_us = np.maximum(low_us, start_us)
    if end_us is not None:
        high_us = np.minimum(high_us, end_us)
    return np.clip(high_us - low_us, 0, None) / US_PER_MIN


def _within(steps: StepTable, start_us: float | None, end_us: float | None) -> StepTable:
    """The steps that meet a span, so that a short stay in a long record costs little."""
    first = 0 if start_us is None else int(np.searchsorted(steps.end_us, start_us, side="right"))
    last = len(steps.gap) if end_us is None else int(np.searchsorted(steps.start_us, end_us, side="left"))
    return StepTable(*(part[first : max(first, last)] for part in steps))


def total(steps: StepTable, *, start_us: float | None = None, end_us: float | None = None) -> Beyond:
    """Minutes beyond the limit between two instants (microseconds since 1970), whole record where not given."""
    steps = _within(steps, start_us, end_us)
    straight = _clip(steps.from_us, steps.to_us, start_us, end_us)
    whole = _clip(steps.start_us, steps.end_us, start_us, end_us)
    return Beyond(float(straight.sum()), float(whole[steps.least].sum()), float(whole[steps.most].sum()))


def longest(steps: StepTable, *, start_us: float | None = None, end_us: float | None = None) -> Beyond:
    """The longest single run beyond the limit: on the straight line, at least, at most [min]."""
    steps = _within(steps, start_us, end_us)
    straight = _clip(steps.from_us, steps.to_us, start_us, end_us)
    whole = _clip(steps.start_us, steps.end_us, start_us, end_us)
    inside = whole > 0
    return Beyond(
        _longest_run(straight, straight > 0, steps.joined),
        _longest_run(whole, steps.least & inside),
        _longest_run(whole, steps.most & inside),
    )


def _longest_run(minutes: np.ndarray, use: np.ndarray, joined: np.ndarray | None = None) -> float:
    """Sum of the longest stretch of neighbouring used steps; ``joined`` False starts a new stretch."""
    if not use.any():
        return 0.0
    new = use & ~np.concatenate(([False], use[:-1]))
    if joined is not None:
        new |= use & ~joined
    run = np.cumsum(new)[use]
    return float(np.bincount(run, weights=minutes[use]).max())


def minutes_beyond(celsius: pd.Series, *, limit_c: float, direction: str, u_c: npt.ArrayLike = 0.0, as_read_c: pd.Series | None = None, gap: npt.ArrayLike | None = None, inclusive: bool = False) -> Beyond:
    """Minutes beyond a limit with their bounds (CONTRACTS rule 6): parameters as in :func:`step_table`.

    ``minutes`` follows the straight line between readings and takes nothing from a gap. ``least`` counts a
    whole step where both readings (corrected) are beyond by more than U; ``most`` where either (as read or
    corrected, whichever is further outside) is beyond the limit minus U, gaps included.

    Examples
    --------
    >>> times = pd.date_range("2026-03-01", periods=5, freq="10min", tz="UTC")
    >>> minutes_beyond(pd.Series([7.0, 9.0, 11.0, 9.0, 7.0], index=times), limit_c=8.0, direction="above", u_c=0.25, gap=[False] * 4)
    Beyond(minutes=30.0, least=20.0, most=40.0)
    """
    return total(step_table(celsius, limit_c=limit_c, direction=direction, u_c=u_c, as_read_c=as_read_c, gap=gap, inclusive=inclusive))


def longest_beyond(celsius: pd.Series, *, limit_c: float, direction: str, u_c: npt.ArrayLike = 0.0, as_read_c: pd.Series | None = None, gap: npt.ArrayLike | None = None, inclusive: bool = False) -> Beyond:
    """The longest single run beyond a limit, with bounds: parameters as in :func:`step_table`.

    Examples
    --------
    >>> times = pd.date_range("2026-03-01", periods=5, freq="10min", tz="UTC")
    >>> longest_beyond(pd.Series([9.0, 7.0, 9.0, 9.0, 9.0], index=times), limit_c=8.0, direction="above", gap=[False] * 4).minutes
    25.0
    """
    return longest(step_table(celsius, limit_c=limit_c, direction=direction, u_c=u_c, as_read_c=as_read_c, gap=gap, inclusive=inclusive))


def degree_minutes(celsius: pd.Series, *, limit_c: float, direction: str, gap: npt.ArrayLike | None = None) -> float:
    """Area between the straight-line course and the limit, beyond it only, nothing from a gap [°C min].

    Examples
    --------
    >>> times = pd.date_range("2026-03-01", periods=5, freq="10min", tz="UTC")
    >>> degree_minutes(pd.Series([7.0, 9.0, 11.0, 9.0, 7.0], index=times), limit_c=8.0, direction="above", gap=[False] * 4)
    45.0
    """
    steps = step_table(celsius, limit_c=limit_c, direction=direction, gap=gap)
    sign = 1.0 if direction == "above" else -1.0
    distance = np.clip(sign * (known(celsius) - limit_c), 0, None)
    minutes = (steps.to_us - steps.from_us) / US_PER_MIN
    return float(np.sum(minutes * (distance[:-1] + distance[1:]) / 2.0))
