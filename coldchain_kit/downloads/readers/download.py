"""What a reader hands on: a download as it stands in the file, before its clock is judged."""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np
import pandas as pd

from coldchain_kit.model import Notice, Source


@dataclass(frozen=True)
class Hints:
    """What the register pins about a download; everything else is worked out from the content."""

    temperature_unit: str | None = None  # "C" | "F" | "K"
    date_order: str | None = None  # "dmy" | "mdy" | "ymd"
    probes: tuple[str, ...] = ()  # headers or plain labels that the register takes for temperatures, whatever their words


@dataclass(frozen=True)
class Column:
    """One column (or, in a long layout, one sensor) of a download.

    ``header`` as in the file, ``label`` the plain label of CONTRACTS.md; ``kind`` temperature | humidity | door |
    power | battery | other; for temperatures ``unit`` C | F | K as understood, ``unit_from`` cell | header |
    preamble | register | assumed, and ``values`` already in °C (rounded to 1e-6), NaN where there is no value.
    ``one_sided`` int8: +1 "at or above", -1 "at or below", 0 else; ``said`` the file's own text of such cells, "" else. ``rows``: positions in the download's
    ``time`` that belong to this column, None = all (a long layout has a subset for each sensor).
    """

    header: str
    label: str
    kind: str
    values: np.ndarray
    unit: str | None = None
    unit_from: str | None = None
    one_sided: np.ndarray | None = None
    rows: np.ndarray | None = None
    said: np.ndarray | None = None


@dataclass(frozen=True)
class Download:
    """A file as read: one row a reading line, in the file's order.

    ``time`` datetime64[us] as shown; ``time_kind`` "utc" (the file gives offsets, Z or epoch; already turned into
    UTC) or "wall" (what a clock showed). ``line`` int64, 1-based line of each row. ``serial`` of the logger where the
    preamble names one. ``notices``: dicts {kind, start, end, readings, text} found while reading (unit_mixup …).
    ``interval_min``: what the preamble states of the interval [min].
    """

    source: Source
    time: np.ndarray
    time_kind: str
    line: np.ndarray
    columns: tuple[Column, ...]
    serial: str | None = None
    notices: tuple[Notice, ...] = ()
    interval_min: tuple[float, ...] = ()


@dataclass(frozen=True)
class Placed:
    """A download whose rows have an instant (made by ``clock.place``).

    ``utc``: DatetimeIndex (UTC, datetime64[us]), NaT where a row has no sure instant (such rows go to the conflicts).
    ``doubt_s``: doubt of each instant [s]. ``state``: declared | proved | not_verified. ``text``: one plain sentence.
    ``likely_us``: for those rows the instant [µs UTC] that the shown time means to a clock which did not go forward, NaT elsewhere;
    None where every row has its instant. ``offset_s`` what was added to the shown time to get UTC. ``notices``: dicts {kind: "clock", start, end, readings, text}.
    """

    download: Download
    utc: pd.DatetimeIndex
    doubt_s: np.ndarray
    offset_s: np.ndarray
    state: str
    text: str
    notices: tuple[Notice, ...] = field(default_factory=tuple)
    likely_us: np.ndarray | None = None
