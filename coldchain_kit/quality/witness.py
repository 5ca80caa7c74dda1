"""What else moved while a probe stood still: the room, another probe, the power."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import TypedDict

import numpy as np
import pandas as pd

from coldchain_kit.model import timeline
from coldchain_kit.quality.pairs import STILL_SUSPECT, Hours, still_against
from coldchain_kit.quality.series import Course

OFF_SHARE = 0.5  # a channel that is off more often than this does not tell of a power loss (own rule, no source)



class Moved(TypedDict, total=False):
    """What moved during a still run: the power was off, or another probe by so much [°C]."""

    power_off: bool
    other: str
    moved_c: float


def power_off(channels: Sequence[pd.Series]) -> np.ndarray:
    """Minutes since 1970 at which a power channel is off (0), those of all channels that are usually on.

    Examples
    --------
    >>> times = pd.date_range("1970-01-01", periods=4, freq="5min", tz="UTC")
    >>> power_off([pd.Series([1.0, 1.0, 0.0, 1.0], index=times)]).tolist()
    [10.0]
    """
    minutes = [np.zeros(0)]
    for series in channels:
        off = series.to_numpy(dtype="float64") == 0
        if len(off) and off.mean() <= OFF_SHARE:
            minutes.append(timeline.times_of(series).as_unit("us").asi8[off] / 60e6)
    return np.sort(np.concatenate(minutes))


def of_runs(
    line: Course,
    runs: pd.DataFrame,
    others: Mapping[str, Hours],
    off: np.ndarray,
    *,
    least_min: float,
    resolution_c: float,
) -> dict[int, Moved]:
    """Place of each still run of at least ``least_min`` [min] during which something moved -> {"power_off": bool} or
    {"other", "moved_c"}.

    Another probe moved where its three-hour mean changed as ``pairs.STILL_SUSPECT`` says; the room counts like any
    other.
    """
    steps, degrees = STILL_SUSPECT
    smooth = {name: hours._replace(mean_c=_three_hours(hours.mean_c)) for name, hours in others.items()}
    found: dict[int, Moved] = {}
    first, last = runs["first"].to_numpy(), runs["last"].to_numpy()
    for k in np.flatnonzero(runs["minutes"].to_numpy() >= least_min).tolist() if len(off) or smooth else []:
        span = float(line.minute[first[k]]), float(line.minute[last[k]])
        moved = {name: still_against(span, hours) for name, hours in smooth.items()}
        most = max(moved, key=lambda name: moved[name], default=None)
        if np.searchsorted(off, span[1]) > np.searchsorted(off, span[0]):
            found[k] = {"power_off": True}
        elif most is not None and moved[most] >= max(steps * resolution_c, degrees):
            found[k] = {"other": most, "moved_c": moved[most]}
    return found


def _three_hours(mean_c: np.ndarray) -> np.ndarray:
    return pd.Series(mean_c).rolling(3, center=True, min_periods=1).mean().to_numpy()
