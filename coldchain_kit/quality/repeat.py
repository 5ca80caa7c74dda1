"""Copied stretches: the same readings, in the same order and spacing, twice in one record."""

from __future__ import annotations

import numpy as np
import pandas as pd

from coldchain_kit.model import GOOD, NOT_EVALUATED, SUSPECT
from coldchain_kit.quality.series import Course, course, table

BLOCK = 24  # readings that must agree before a stretch is looked at
LEAST_BITS = 60.0  # beyond what chance explains among all pairs of places
MOST_TRIED = 500  # places looked at before a record is taken as regular
ALL_UP_TO = 50_000  # records up to this long are compared everywhere, longer ones at one place in eight
_SEED = np.uint64(0x9E3779B97F4A7C15)


def repeated(series: pd.Series) -> pd.DataFrame:
    """Readings of a stretch that stands elsewhere in the record again, value for value. Judged: readings in the stretch.

    3 in both places. A stretch counts where its changes carry at least 60 bits more than chance explains: each change weighs
    -log2 of how often it follows the change before it in this record, so that steady or regular stretches weigh next to nothing.
    A record that repeats itself more than twice, or over a third of its length, is regular rather than copied and is not judged.

    Cannot see
    ----------
    Copies with altered values; copies of steady stretches; in long records copies of fewer than about 100 readings.

    Examples
    --------
    >>> rng = np.random.default_rng(1)
    >>> day = np.round(5 + rng.normal(0, 0.5, 96), 1)
    >>> values = np.concatenate([day, np.round(5 + rng.normal(0, 0.5, 96), 1), day])
    >>> flags = repeated(pd.Series(values, index=pd.date_range("2026-03-01", periods=288, freq="15min", tz="UTC")))["flag"]
    >>> int((flags == 3).sum()) >= 192
    True
    """
    line = course(series)
    codes, judged = repeat_codes(line)
    return table(line, series.index, codes, judged)


def repeat_codes(line: Course) -> tuple[np.ndarray, np.ndarray]:
    """Codes and judged numbers of :func:`repeated`."""
    n = len(line.value)
    codes, judged = np.full(n, NOT_EVALUATED, dtype=np.int8), np.zeros(n)
    if n < 2 * BLOCK:
        return codes, judged
    pairs = copies(line)
    if sum(length for _, _, length in pairs) > n / 3:
        return codes, judged
    codes[:] = GOOD
    for first, second, length in pairs:
        for start in (first, second):
            codes[start : start + length] = SUSPECT
            judged[start : start + length] = length
    return codes, judged


def copies(line: Course) -> list[tuple[int, int, int]]:
    """(first place, second place, readings) of every copied stretch, in order."""
    ticks = np.round(line.value * 1e4).astype(np.int64)
    information = _bits(ticks)
    total = np.concatenate(([0.0], np.cumsum(information)))
    found: list[tuple[int, int, int]] = []
    chance, tried = 2 * np.log2(len(ticks)), 0
    for first, second in _same_blocks(ticks, total):
        if tried >= MOST_TRIED or any(a <= first < a + length and second - first == b - a for a, b, length in found):
            continue
        tried += 1
        start, stop = _extend(ticks, line.minute, first, second)
        length, lag = stop - start, second - first
        if length > 0.9 * lag and length > lag:
            length = lag if length < 1.2 * lag else 0
        if length >= BLOCK and total[start + length] - total[start] >= LEAST_BITS + chance:
            found.append((start, start + lag, length))
    return found


def _bits(ticks: np.ndarray) -> np.ndarray:
    """What each reading's change tells, given the change before it [bit]; 0 for the first two."""
    change = np.diff(ticks)
    unit = np.abs(change[change != 0])
    unit = max(1, int(np.quantile(unit[:: max(1, len(unit) // 20_000)], 0.05))) if len(unit) else 1
    symbol = np.clip(np.round(change / unit), -8, 8).astype(np.int64) + 8
    pair = symbol[:-1] * 17 + symbol[1:]
    counts = np.bincount(pair, minlength=289).reshape(17, 17).astype("float64")
    share = counts / np.maximum(counts.sum(axis=1, keepdims=True), 1.0)
    weight = -np.log2(np.where(share > 0, share, 1.0))
    return np.concatenate(([0.0, 0.0], weight.ravel()[pair]))


def _same_blocks(ticks: np.ndarray, total: np.ndarray) -> list[tuple[int, int]]:
    """Pairs of places whose blocks agree, each block standing in two or three places only."""
    n = len(ticks)
    power = np.multiply.accumulate(np.full(n, _SEED, dtype=np.uint64))
    prefix = np.concatenate((np.zeros(1, np.uint64), np.cumsum((ticks.view(np.uint64) + _SEED) * power)))
    block = (prefix[BLOCK:] - prefix[:-BLOCK]) * power[n - BLOCK :: -1][: n - BLOCK + 1]
    keep = total[BLOCK:] - total[:-BLOCK] >= BLOCK / 2
    if n > ALL_UP_TO:
        keep &= (block * _SEED) >> np.uint64(61) == 0
    at = np.flatnonzero(keep)
    order = at[np.argsort(block[at], kind="stable")]
    key = block[order]
    same = key[1:] == key[:-1]
    crowded = np.zeros(len(key), dtype=bool)
    if len(key) > 3:
        many = key[3:] == key[:-3]
        for shift in range(4):
            crowded[shift : shift + len(many)] |= many
    pairs = [(int(order[k]), int(order[k + 1])) for k in np.flatnonzero(same & ~crowded[1:] & ~crowded[:-1])]
    return sorted(pair for pair in pairs if pair[1] - pair[0] >= BLOCK and np.array_equal(ticks[pair[0] : pair[0] + BLOCK], ticks[pair[1] : pair[1] + BLOCK]))


def _extend(ticks: np.ndarray, minute: np.ndarray, first: int, second: int) -> tuple[int, int]:
    """The whole stretch around two equal blocks: start and stop in the first place; steps must agree in time too."""
    lag, shift = second - first, minute[second] - minute[first]
    slack = 0.25 * float(np.median(np.diff(minute[first : first + BLOCK])))
    reach, start, stop = BLOCK, first, first + BLOCK
    while True:
        low, high = max(0, first - reach), min(len(ticks) - lag, first + reach)
        here, there = slice(low, high), slice(low + lag, high + lag)
        agree = (ticks[here] == ticks[there]) & (np.abs(minute[there] - minute[here] - shift) <= slack)
        wrong = np.flatnonzero(~agree) + low
        start = int(wrong[wrong < first][-1]) + 1 if (wrong < first).any() else low
        stop = int(wrong[wrong >= first][0]) if (wrong >= first).any() else high
        if (start > low or low == 0) and (stop < high or high == len(ticks) - lag):
            return start, max(stop, start)
        reach *= 2
