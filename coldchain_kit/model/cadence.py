"""How often a logger reads: what states an interval, the finest step that a download keeps, coarser stretches.

Rules: CONTRACTS "How the numbers are made", rule 4. Times are microseconds since 1970 (UTC) as int64, intervals minutes;
NaN stands for an interval that is not known.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field

import numpy as np

KEPT = 12  # steps in a row, or in all where they make a tenth of all (rule 4)
GAP_FACTOR = 2.5  # a step longer than this many intervals is a gap (rule 4)
GAP_FLOOR_MIN = 5.0  # unless it is no longer than this: loggers with uneven steps (rule 4)
MISSING_FACTOR = 1.5  # a longer step of an even logger holds missing readings (rule 4)
EVEN_SHARE = 0.8  # own rule, no source
TENTH = 0.1  # how far a step may lie from another and still be the same one; and a share of all steps (rule 4)
US_PER_MIN = 60_000_000
_TICK_US = 1000.0  # times are compared to a millisecond


@dataclass(frozen=True)
class Stated:
    """Intervals [min] that something states, from ``since_us`` on (None: from the beginning) until it states others.

    ``source``: "register", "preamble" of the download, or "event" of the logger.
    """

    intervals_min: tuple[float, ...]
    since_us: int | None = None
    source: str = "register"


@dataclass(frozen=True, eq=False)
class Cadence:
    """When one download read, and how often it should have.

    ``times_us``: its instants, strictly increasing (n); ``interval_min``: the interval in force on each step between them
    (n - 1), NaN where none is known; ``coarse``: steps of a regular stretch coarser than that which nothing states;
    ``edges_min``: in force at the first and at the last instant; ``stated``: what states an interval.
    """

    times_us: np.ndarray
    interval_min: np.ndarray
    coarse: np.ndarray
    edges_min: tuple[float, float]
    stated: tuple[Stated, ...] = field(default=())

    @property
    def intervals_min(self) -> tuple[float, ...]:
        """Every interval in force, finest first; empty where none is known.

        Examples
        --------
        >>> of(np.arange(20) * 5 * US_PER_MIN).intervals_min
        (5.0,)
        """
        known = self.interval_min if len(self.interval_min) else np.array(self.edges_min[:1])
        return tuple(float(one) for one in np.unique(np.round(known[np.isfinite(known)], 6)))

    def says_nothing(self, opens_us: int, closes_us: int) -> bool:
        """Whether between two instants the download reads at some time for which nothing states an interval.

        Examples
        --------
        >>> late = of(np.arange(20) * 5 * US_PER_MIN, [Stated((5.0,), since_us=50 * US_PER_MIN)])
        >>> late.says_nothing(0, 60 * US_PER_MIN), late.says_nothing(55 * US_PER_MIN, 60 * US_PER_MIN)
        (True, False)
        """
        if not len(self.times_us) or self.times_us[-1] < opens_us or self.times_us[0] >= closes_us:
            return False
        first = max(opens_us, int(self.times_us[0]))
        return not any(row.since_us is None or row.since_us <= first + _TICK_US for row in self.stated)

    @property
    def one_min(self) -> float | None:
        """The one interval of the download [min]; None where it has none, or several."""
        every = self.interval_min if len(self.interval_min) else np.array(self.edges_min[:1])
        return self.intervals_min[0] if len(self.intervals_min) == 1 and np.isfinite(every).all() else None


def of(times_us: np.ndarray, stated: Sequence[Stated] = ()) -> Cadence:
    """The interval in force on every step of one download (rule 4).

    The finer of what is stated for that time and of the finest step that the download keeps. A regular stretch of 12
    and more coarser steps is judged by itself where that step is stated; where nothing states it, it is ``coarse``.
    So are scattered steps of one coarser length where they are 12 and a tenth of all: else a further loss that breaks
    up the stretch would turn unknown time into known. A word that is at odds with a finer one, or with the steps that the
    download keeps, completes nothing (own reading of rule 4, which speaks of one logger's two stated steps).

    Parameters
    ----------
    times_us : array of int64
        Instants; sorted here, each counted once.

    Examples
    --------
    Five minutes, then hourly, and nothing that states it; then with both stated:

    >>> times = np.cumsum([0] + [5] * 40 + [60] * 20) * US_PER_MIN
    >>> found = of(times)
    >>> sorted(set(found.interval_min.tolist())), int(found.coarse.sum())
    ([5.0], 20)
    >>> both = of(times, [Stated((5.0, 60.0))])
    >>> both.intervals_min, int(both.coarse.sum())
    ((5.0, 60.0), 0)

    A register that says 60 and nothing else is at odds with what the download keeps:

    >>> int(of(times, [Stated((60.0,))]).coarse.sum())
    20
    """
    times = np.asarray(times_us, dtype="int64")
    if (np.diff(times) <= 0).any():
        times = np.unique(times)
    steps = np.diff(times).astype("float64")
    base = _finer(times, tuple(stated), finest_kept(steps))
    interval, coarse = base[:-1].copy() if len(base) else base, np.zeros(len(steps), dtype=bool)
    known = base[np.isfinite(base)]
    if len(known) and len(steps):
        finest = float(known.min())
        for first, stop in regular(steps, coarser_than=finest):
            step = float(np.median(steps[first:stop]))
            said = {row for at in (first, first + 1) for row in _words(stated, int(times[at]))}  # the first step may hold the change
            given = [one for row in said if _stands(row, stated, times, int(times[first])) for one in row.intervals_min if _near(np.array([step]), one * US_PER_MIN)[0]]
            interval[first:stop], coarse[first:stop] = (min(given) * US_PER_MIN, False) if given else (interval[first:stop], True)
        coarse |= _scattered(steps, interval, tuple(stated))
    ends = interval if len(interval) else base if len(base) else np.array([np.nan])
    edges = float(ends[0]) / US_PER_MIN, float(ends[-1]) / US_PER_MIN
    return Cadence(times, interval / US_PER_MIN, coarse, edges, tuple(stated))


def finest_kept(steps: np.ndarray) -> float:
    """The finest step that keeps within a tenth for 12 steps in a row, or for 12 steps and a tenth of all; NaN where none does.

    The median of the steps within a tenth of it stands for it. Steps and answer in one unit, microseconds.

    Examples
    --------
    >>> finest_kept(np.array([300e6] * 11)), finest_kept(np.array([300e6] * 12 + [60e6] * 5))
    (nan, 300000000.0)
    """
    if len(steps) < KEPT:
        return float("nan")
    if steps.max() <= steps.min() * (1 + TENTH):  # the plain case: one step throughout
        return float(np.median(steps))
    ordered = np.sort(steps)
    tried = np.unique(np.round(ordered, -5))  # to a tenth of a second
    count = np.searchsorted(ordered, tried * (1 + TENTH) + _TICK_US, "right") - np.searchsorted(ordered, tried * (1 - TENTH) - _TICK_US, "left")
    often = tried[count >= max(KEPT, TENTH * len(steps))]
    low, high = _windows(steps)
    first = np.searchsorted(tried, (high - _TICK_US) / (1 + TENTH) - 1e-3)
    there = first < len(tried)
    in_a_row = tried[first[there]][tried[first[there]] * (1 - TENTH) - _TICK_US <= low[there]]
    found = np.concatenate((often, in_a_row))
    return float(np.median(steps[_near(steps, float(found.min()))])) if len(found) else float("nan")


def _windows(steps: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Shortest and longest of every 12 steps in a row."""
    low, high = steps[: len(steps) - KEPT + 1].copy(), steps[: len(steps) - KEPT + 1].copy()
    for k in range(1, KEPT):
        part = steps[k : len(steps) - KEPT + 1 + k]
        np.minimum(low, part, out=low)
        np.maximum(high, part, out=high)
    return low, high


def _near(steps: np.ndarray, step: float) -> np.ndarray:
    return np.abs(steps - step) <= TENTH * step + _TICK_US


def regular(steps: np.ndarray, *, coarser_than: float) -> list[tuple[int, int]]:
    """Stretches of 12 and more steps that keep one step coarser than ``coarser_than``; half-open positions.

    Examples
    --------
    >>> regular(np.array([5.0] * 20 + [15.0] * 12 + [5.0]) * US_PER_MIN, coarser_than=5.0 * US_PER_MIN)
    [(20, 32)]
    """
    wide = steps > (1 + TENTH) * coarser_than + _TICK_US
    edges = np.flatnonzero(np.diff(np.concatenate(([0], wide.view("int8"), [0]))))
    found = []
    for a, b in zip(edges[::2].tolist(), edges[1::2].tolist(), strict=True):
        k = a
        while b - k >= KEPT:
            off = np.flatnonzero(~_near(steps[k:b], float(steps[k])))
            stop = k + int(off[0]) if len(off) else b
            if stop - k >= KEPT:
                found.append((k, stop))
            k = stop
    return found


def even(steps: np.ndarray, interval: np.ndarray, *, stated: float | None = None) -> bool:
    """Whether four of five steps lie within a tenth of the interval in force or of a multiple of it.

    Missing readings make no logger uneven. Nor is one uneven that has less than four of five of the readings which its ``stated``
    interval promises (same unit as the steps; gaps apart): its steps are uneven because readings are missing. The shares are our
    own rule, no source.

    Examples
    --------
    >>> even(np.array([5.0, 10.0, 5.0]), np.full(3, 5.0)), even(np.array([5.0, 8.0, 6.5]), np.full(3, 5.0))
    (True, False)
    """
    known = np.isfinite(interval)
    if known.sum() < 3:
        return True
    ratio = steps[known] / interval[known]
    if stated is not None:
        promised = steps[known] / np.maximum(interval[known], stated)
        promised = promised[promised <= GAP_FACTOR]
        if len(promised) and promised.mean() * EVEN_SHARE > 1:
            return True
    return bool((np.abs(ratio - np.maximum(np.round(ratio), 1)) <= TENTH).mean() >= EVEN_SHARE)


def _scattered(steps: np.ndarray, interval: np.ndarray, stated: tuple[Stated, ...]) -> np.ndarray:
    """Steps of one multiple of the interval that nothing states, 12 and a tenth of all, wherever they stand.

    Only steps that would be bridged anyway: a longer one that stands alone stays a gap.
    """
    found = np.zeros(len(steps), dtype=bool)
    most = np.fmax(GAP_FACTOR * interval, GAP_FLOOR_MIN * US_PER_MIN)
    wide = np.flatnonzero((steps > MISSING_FACTOR * interval + _TICK_US) & (steps <= most + _TICK_US))
    least = max(KEPT, TENTH * len(steps))
    if len(wide) < least or not even(steps, interval):
        return found
    times = np.round(steps[wide] / interval[wide]).astype("int64")
    said = np.array([one * US_PER_MIN for row in stated for one in row.intervals_min])
    for many in np.flatnonzero(np.bincount(times) >= least).tolist():
        alike = wide[times == many]
        alike = alike[_near(steps[alike], many * interval[alike])]
        if len(alike) >= least and not (len(said) and _near(said, float(np.median(steps[alike]))).any()):
            found[alike] = True
    return found


def _words(stated: Sequence[Stated], time_us: int) -> list[Stated]:
    """What stands for an instant: the latest word of each source."""
    found: dict[str, Stated] = {}
    for row in sorted(stated, key=lambda row: (row.since_us is not None, row.since_us or 0)):
        if row.since_us is None or row.since_us <= time_us + _TICK_US:
            found[row.source] = row
    return list(found.values())


def _in_force(stated: Sequence[Stated], time_us: int) -> list[float]:
    """Intervals [min] stated for an instant."""
    return [one for row in _words(stated, time_us) for one in row.intervals_min]


def _stands(row: Stated, stated: Sequence[Stated], times: np.ndarray, time_us: int) -> bool:
    """Whether a word makes a coarser stretch complete: the logger's own event does; another only where nothing is at odds with it.

    At odds is a finer word of the register or the preamble for the same time; with the register also a finer step that the download
    keeps while its word stands (a preamble shows what was set at the download, and may follow finer steps): a register that is too
    coarse, or was never changed, must not turn a record with readings taken out into a complete one.
    """
    if row.source == "event":
        return True
    finest = min(row.intervals_min)
    if any(min(other.intervals_min) < finest * (1 - TENTH) for other in _words(stated, time_us) if other.source != "event"):
        return False
    if row.source == "preamble":
        return True
    later = [other.since_us for other in stated if other.source == row.source and other.since_us is not None and other.since_us > (row.since_us or -(2**62))]
    since, until = row.since_us if row.since_us is not None else -(2**62), min(later, default=2**62)
    kept = finest_kept(np.diff(times[(times >= since - _TICK_US) & (times <= until + _TICK_US)]).astype("float64"))
    return not kept < finest * (1 - TENTH) * US_PER_MIN


def _finer(times: np.ndarray, stated: tuple[Stated, ...], kept: float) -> np.ndarray:
    """The finer of what is stated and kept, at each instant [µs]."""
    base = np.full(len(times), kept)
    cuts = sorted({row.since_us for row in stated if row.since_us is not None})
    for low, high in zip([None, *cuts], [*cuts, None], strict=True):
        a = 0 if low is None else int(np.searchsorted(times, low - _TICK_US))
        b = len(times) if high is None else int(np.searchsorted(times, high - _TICK_US))
        if a < b:
            said = [one * US_PER_MIN for one in _in_force(stated, int(times[a]))]
            base[a:b] = np.nanmin([*said, kept]) if said or np.isfinite(kept) else np.nan
    return base


def on_steps(us: np.ndarray, downloads: Sequence[Cadence]) -> tuple[np.ndarray, np.ndarray]:
    """Interval in force [min] and coarseness of each step between a probe's readings, by the downloads it lies in.

    Of two downloads the finer; between two downloads the longer of theirs; NaN where none is known.

    Examples
    --------
    >>> one = of(np.arange(20) * 5 * US_PER_MIN)
    >>> on_steps(one.times_us[[0, 1, 5]], [one])[0].tolist()
    [5.0, 5.0]
    """
    left, right = us[:-1], us[1:]
    interval, coarse = np.full(len(left), np.nan), np.ones(len(left), dtype=bool)
    inside = np.zeros(len(left), dtype=bool)
    for one in downloads:
        if not len(one.times_us):
            continue
        here = (one.times_us[0] <= left + _TICK_US) & (one.times_us[-1] >= right - _TICK_US)
        if not here.any():
            continue
        finest, rough = _within(one, left[here], right[here])
        interval[here] = np.fmin(interval[here], finest)
        coarse[here] &= rough
        inside |= here
    coarse &= inside
    if not inside.all():
        away = np.flatnonzero(~inside)
        interval[away] = _between(left[away], right[away], downloads)
    return interval, coarse


def _within(one: Cadence, left: np.ndarray, right: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Finest interval and coarseness over the download's own steps that lie in each step."""
    if len(one.times_us) < 2:
        return np.full(len(left), one.edges_min[0]), np.zeros(len(left), dtype=bool)
    a = np.searchsorted(one.times_us, left + _TICK_US) - 1
    a = np.clip(a, 0, len(one.interval_min) - 1)
    b = np.clip(np.searchsorted(one.times_us, right - _TICK_US), a + 1, len(one.interval_min))
    finest = one.interval_min[a].copy()
    for k in np.flatnonzero(b > a + 1).tolist():
        part = one.interval_min[a[k] : b[k]]
        finest[k] = np.nanmin(part) if np.isfinite(part).any() else np.nan
    return finest, one.coarse[a] & (b == a + 1)


def _between(left: np.ndarray, right: np.ndarray, downloads: Sequence[Cadence]) -> np.ndarray:
    found = np.full(len(left), np.nan)
    for one in downloads:
        if not len(one.times_us):
            continue
        first, last = one.times_us[0], one.times_us[-1]
        ends = (np.abs(last - left) <= _TICK_US) | ((left < last) & (last < right))
        begins = (left < first) & (first <= right + _TICK_US)
        found = np.where(ends, np.fmax(found, one.edges_min[1]), found)
        found = np.where(begins, np.fmax(found, one.edges_min[0]), found)
    return found


def edges_min(downloads: Sequence[Cadence]) -> tuple[float, float]:
    """Interval in force at the first and at the last instant of all downloads [min], NaN where not known."""
    full = [one for one in downloads if len(one.times_us)]
    if not full:
        return float("nan"), float("nan")
    return min(full, key=lambda one: one.times_us[0]).edges_min[0], max(full, key=lambda one: one.times_us[-1]).edges_min[1]
