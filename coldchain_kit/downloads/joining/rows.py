"""A probe's readings of several downloads, one under the other, before they are put together."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np


@dataclass(frozen=True)
class Rows:
    """Readings of one probe from all files, one after the other; time in µs UTC, NaT as the smallest int64.

    ``likely``: where it is NaT, the instant that a shown time which never was means to a clock that did not go forward (NaT: none).
    ``value`` [°C]; of a one-sided reading its bound, or infinity on its side where it has none. ``said``: the file's text of
    those, as codes into ``words`` (0 for none).
    """

    time: np.ndarray
    value: np.ndarray
    one_sided: np.ndarray
    doubt_s: np.ndarray
    source: np.ndarray
    line: np.ndarray
    shown: np.ndarray
    said: np.ndarray
    words: tuple[str, ...]
    likely: np.ndarray
