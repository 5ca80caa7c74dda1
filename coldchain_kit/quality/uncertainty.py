"""The uncertainty of each reading: its parts and their root sum of squares (CONTRACTS rule 6).

Parts of U (expanded, k = 2) are standard uncertainties u [°C]: the certificate's; half a display step, rectangular; drift since
the certificate, rectangular; going on beyond the certificate's points. Without a certificate U is assumed.
"""

from __future__ import annotations

import math
from collections.abc import Sequence

import numpy as np
import pandas as pd

from coldchain_kit.base import zones
from coldchain_kit.model import Trace
from coldchain_kit.register import Certificate

# Without a certificate: a logger's usual accuracy of +-0.5 °C (FACTS B9, READ), taken as U with k = 2. The least that
# U is
# allowed to be far from the certificate's points, too (own rule, no source).
ASSUMED_U_C = 0.5
MOST_RATIO = 2.0  # the doubt of going on grows no further than this many spacings (own rule, no source)
ROOT3 = math.sqrt(3.0)  # half width of a rectangular distribution to its standard uncertainty (GUM 4.3.7)
DAYS_A_YEAR = 365.25
_DAY_US = 86_400e6
# A display step is seen in at least so many readings and so many different numbers (own rule, no source).
SEEN_READINGS, SEEN_NUMBERS = 12, 4
_GRID = 1000.0  # displays show at most three decimals (common practice, no source)


def step_part_c(step_c: float | None) -> float:
    """Standard uncertainty of a display step, half of it taken as rectangular [°C] (GUM 4.3.7, F.2.2.1).

    Examples
    --------
    >>> round(step_part_c(0.1), 4), step_part_c(None)
    (0.0289, 0.0)
    """
    return (step_c or 0.0) / 2.0 / ROOT3


def display_step_c(trace: Trace) -> float | None:
    """The step that the readings themselves keep [°C], in the file's own unit; None where too few of them show one.

    All differences of the numbers of one unit of measure are multiples of it. Where downloads differ the coarsest
    counts.

    Examples
    --------
    A display in whole °F moves by 0.556 °C:

    >>> times = pd.date_range("2026-03-01", periods=16, freq="5min", tz="UTC")
    >>> shown_f = [40.0, 41, 42, 43, 44, 43, 42, 41] * 2
    >>> round(display_step_c(Trace.of(pd.Series([(f - 32) / 1.8 for f in shown_f], index=times).round(6))), 4)
    0.5556
    """
    values, source = trace.readings["as_read_c"].to_numpy(dtype="float64"), trace.readings["source"].to_numpy()
    known = np.isfinite(values)
    groups: dict[str, list[np.ndarray]] = {}
    for number in np.unique(source[known]).tolist():
        mine = values[known & (source == number)]
        unit = _unit_of(trace, number, mine)
        groups.setdefault(unit, []).append(mine * 1.8 + 32.0 if unit == "F" else mine)
    steps = [
        _kept_step(np.concatenate(parts)) / (1.8 if unit == "F" else 1.0) for unit, parts in groups.items() if unit
    ]
    return max(steps, default=0.0) or None


def _unit_of(trace: Trace, number: int, values: np.ndarray) -> str:
    """ "F" or "C" by the file's layout, else by the grid that its values lie on; "" on none: then they show no step."""
    layout = trace.sources[number].layout if number < len(trace.sources) else {}
    units = {column.get("unit") for column in layout.get("columns", ()) if column.get("kind") == "temperature"}
    stated = {"F": "F", "C": "C", "K": "C"}.get(units.pop(), "") if len(units) == 1 else ""
    for unit in (stated,) if stated else ("C", "F"):
        if (np.abs(_off_grid(values * 1.8 + 32.0 if unit == "F" else values)) < 2e-3).all():
            return unit
    return ""


def _off_grid(values: np.ndarray) -> np.ndarray:
    return values * _GRID - np.round(values * _GRID)


def _kept_step(values: np.ndarray) -> float:
    """What all differences of these numbers are multiples of, in their own unit; 0 where too few show it."""
    different = np.unique(np.round(values * _GRID).astype("int64"))
    if len(values) < SEEN_READINGS or len(different) < SEEN_NUMBERS:
        return 0.0
    return float(np.gcd.reduce(np.diff(different))) / _GRID


def drift_c_per_year(certificate: Certificate, certificates: Sequence[Certificate]) -> float | None:
    """How fast a probe drifts [°C a year, positive]: as the register states it, else by two certificates; None where
    neither says.

    By two certificates: the largest change of the correction at a reference that both have (of the later one as
    found, where it
    states that), over the time between them.

    Examples
    --------
    >>> import datetime as dt
    >>> old = Certificate(date=dt.date(2024, 1, 1), points=((0.0, 0.1), (5.0, 5.2)))
    >>> new = Certificate(date=dt.date(2026, 1, 1), points=((0.0, 0.1), (5.0, 5.0)), as_found=((5.0, 5.4),))
    >>> round(drift_c_per_year(new, [old, new]), 3)
    0.1
    """
    if certificate.drift_c_per_year is not None:
        return abs(certificate.drift_c_per_year)
    rates = []
    for before, after in zip(certificates[:-1], certificates[1:], strict=True):
        if before.date is None or after.date is None or after.date <= before.date:
            continue
        first = {reference: reference - indicated for reference, indicated in before.points}
        again = [
            (reference, reference - indicated)
            for reference, indicated in after.as_found or after.points
            if reference in first
        ]
        if again:
            years = (after.date - before.date).days / DAYS_A_YEAR
            rates.append(max(abs(moved - first[reference]) for reference, moved in again) / years)
    return max(rates, default=None)


def drift_c(
    index: pd.DatetimeIndex, certificate: Certificate, certificates: Sequence[Certificate], *, zone: str | None = None
) -> np.ndarray:
    """How far the probe may have drifted since its certificate at each instant [°C]; 0 without a rate or a date."""
    rate = drift_c_per_year(certificate, certificates)
    if not rate or certificate.date is None:
        return np.zeros(len(index))
    since = zones.instant(certificate.date, zone=zone or "UTC")
    days = np.abs(index.as_unit("us").asi8 - since.value // 1000) / _DAY_US
    return rate * days / DAYS_A_YEAR


def away(as_read_c: np.ndarray, points: Sequence[tuple[float, float]]) -> tuple[np.ndarray, np.ndarray]:
    """Standard uncertainty of going on beyond the outermost points [°C], and where U must be at least ASSUMED_U_C.

    The largest difference of neighbouring corrections / sqrt 3 x distance to the nearest point / spacing of the last
    two points, at
    most twice that; with a single point, or further out than one spacing, U is at least 0.5 °C. Own rule, no source. A
    certificate without points says nothing of where it holds, and adds nothing.

    Examples
    --------
    >>> u, floor = away(np.array([2.5, 6.0, 12.0]), [(0.0, 0.1), (5.0, 5.3)])
    >>> u.round(4).tolist(), floor.tolist()
    ([0.0, 0.0155, 0.1488], [False, False, True])
    """
    none = np.zeros(len(as_read_c))
    table = np.asarray(points, dtype="float64").reshape(-1, 2)
    at, where = np.unique(table[:, 1], return_inverse=True)
    if len(at) < 2:
        return none, np.full(len(as_read_c), len(at) == 1)
    add = np.bincount(where, weights=table[:, 0] - table[:, 1]) / np.bincount(where)
    below, above = as_read_c < at[0], as_read_c > at[-1]
    spacing = np.where(below, at[1] - at[0], at[-1] - at[-2])
    distance = np.where(below, at[0] - as_read_c, np.where(above, as_read_c - at[-1], 0.0))
    ratio = distance / spacing
    return np.minimum(ratio, MOST_RATIO) * float(np.abs(np.diff(add)).max()) / ROOT3, ratio > 1.0 + 1e-9


def parts(
    certificate: Certificate | None,
    as_read_c: np.ndarray,
    *,
    step_c: float | None = None,
    drifted_c: np.ndarray | float = 0.0,
) -> dict[str, np.ndarray]:
    """The standard uncertainties [°C] that make u, each an array on the readings; u is the root of their squares.

    Returns
    -------
    dict: "assumed"; or "certificate", "resolution", "drift", "extrapolation" and "floor", what lifts U to 0.5 °C far
    from the points.

    Examples
    --------
    >>> own = parts(Certificate(expanded_uncertainty_c=0.2, points=((25.0, 25.0),)), np.array([8.0]))
    >>> round(2 * float(combined(own)[0]), 3)
    0.5
    """
    n = len(as_read_c)
    if certificate is None or certificate.expanded_uncertainty_c is None:
        return {"assumed": np.full(n, max(ASSUMED_U_C / 2.0, step_part_c(step_c)))}
    beyond, floor = away(as_read_c, certificate.points)
    found = {
        "certificate": np.full(n, certificate.expanded_uncertainty_c / certificate.coverage),
        "resolution": np.full(n, step_part_c(step_c)),
        "drift": np.broadcast_to(np.asarray(drifted_c, dtype="float64") / ROOT3, (n,)),
        "extrapolation": beyond,
    }
    short = (ASSUMED_U_C / 2.0) ** 2 - combined(found) ** 2
    return found | {"floor": np.where(floor, np.sqrt(np.maximum(short, 0.0)), 0.0)}


def combined(found: dict[str, np.ndarray]) -> np.ndarray:
    """Root sum of squares [°C]."""
    return np.sqrt(np.sum([part**2 for part in found.values()], axis=0))
