"""The one type that flows through the kit: a :class:`Trace` is one probe over one stretch of time.

Functions that change a trace return a new one; ``as_read_c`` is never altered.
"""

from __future__ import annotations

from dataclasses import dataclass, field, replace
from typing import Any

import numpy as np
import pandas as pd

from coldchain_kit.base import KitError

__all__ = [
    "FAIL", "FLAG_WORDS", "GOOD", "MISSING", "NOT_EVALUATED", "SUSPECT",
    "Probe", "Source", "Step", "Trace", "Unit", "roll_up",
]

# Flag codes of QARTOD (FACTS F1): an array starts at NOT_EVALUATED, never at GOOD.
GOOD, NOT_EVALUATED, SUSPECT, FAIL, MISSING = 1, 2, 3, 4, 9
FLAG_WORDS = {GOOD: "good", NOT_EVALUATED: "not_evaluated", SUSPECT: "suspect", FAIL: "fail", MISSING: "missing"}
_SEVERITY = np.zeros(10, dtype=np.int8)
_SEVERITY[[GOOD, NOT_EVALUATED, SUSPECT, FAIL, MISSING]] = [0, 1, 2, 3, 4]
_BY_SEVERITY = np.array([GOOD, NOT_EVALUATED, SUSPECT, FAIL, MISSING], dtype=np.int8)

ROLES = ("buffered", "air", "room", "surface", "unknown")
READING_COLUMNS = ("as_read_c", "celsius", "u_c", "one_sided", "clock_doubt_s", "source", "line")


@dataclass(frozen=True)
class Probe:
    """One sensing point.

    ``decides``: product verdicts rest on it. ``time_constant_min`` [min] is declared, never fitted;
    ``resolution_c`` [°C], ``span_c`` the sensor's measuring range [°C].
    """

    name: str
    role: str = "unknown"
    decides: bool = True
    time_constant_min: float | None = None
    resolution_c: float | None = None
    span_c: tuple[float, float] | None = None
    column: str | None = None
    registered: bool = True


@dataclass(frozen=True)
class Source:
    """One file as it was read. ``rows = read + rejected`` on every load.

    ``rejects``: (line, reason) pairs; ``no_value``: (line, column, text) of cells without a value;
    ``layout``: how the file was understood, JSON-ready; ``events``: the logger's own event lines,
    dicts with keys time (text as shown), kind, text, line; ``stated``: highest and lowest temperatures that
    lines beside the readings state, dicts with keys side (above | below), value_c [°C], value and unit as
    stated, text, line.
    """

    file: str
    sha256: str
    rows: int
    read: int
    rejected: int
    first: pd.Timestamp | None = None
    last: pd.Timestamp | None = None
    interval_min: float | None = None
    layout: dict[str, Any] = field(default_factory=dict)
    rejects: tuple[tuple[int, str], ...] = ()
    no_value: tuple[tuple[int, str, str], ...] = ()
    events: tuple[dict[str, Any], ...] = ()
    stated: tuple[dict[str, Any], ...] = ()


@dataclass(frozen=True)
class Step:
    """One thing done to a trace, appended on success only."""

    function: str
    arguments: dict[str, Any]
    kit_version: str
    rows_changed: int


@dataclass(frozen=True)
class Trace:
    """One probe, one stretch of time.

    ``readings``: DataFrame indexed by ``time`` (UTC-aware, strictly increasing) with columns
    as_read_c [°C, degF and K converted, never altered], celsius [°C, after correction, rounded to 1e-6],
    u_c [°C, standard uncertainty], one_sided [int8: 0, +1 "at or above", -1 "at or below"],
    clock_doubt_s [s, doubt of the instant], source [int16, index into ``sources``], line [int64].
    ``flags``: DataFrame on the same index, one int8 column for each quality test that ran.
    """

    probe: Probe
    readings: pd.DataFrame
    flags: pd.DataFrame
    steps: tuple[Step, ...] = ()
    sources: tuple[Source, ...] = ()

    @classmethod
    def of(
        cls,
        series: pd.Series,
        *,
        probe: Probe | str = "A",
        u_c: float | None = None,
        one_sided: np.ndarray | None = None,
        sources: tuple[Source, ...] = (),
    ) -> Trace:
        """A trace from a bare Series of °C on a UTC index, for notebooks and tests.

        Examples
        --------
        >>> times = pd.date_range("2026-03-01", periods=3, freq="5min", tz="UTC")
        >>> Trace.of(pd.Series([4.0, 5.0, 6.0], index=times)).check()
        []
        """
        index = pd.DatetimeIndex(series.index, name="time")
        values = series.to_numpy(dtype="float64")
        n = len(index)
        readings = pd.DataFrame(
            {
                "as_read_c": values,
                "celsius": values.round(6),
                "u_c": np.full(n, np.nan if u_c is None else u_c),
                "one_sided": np.zeros(n, "int8") if one_sided is None else np.asarray(one_sided, "int8"),
                "clock_doubt_s": np.zeros(n),
                "source": np.zeros(n, "int16"),
                "line": np.arange(1, n + 1),
            },
            index=index,
        )
        who = probe if isinstance(probe, Probe) else Probe(probe)
        return cls(who, readings, pd.DataFrame(index=index), (), sources)

    @property
    def celsius(self) -> pd.Series:
        """Temperatures in °C that everything rests on (corrected where a certificate is given)."""
        return self.readings["celsius"]

    @property
    def as_read_c(self) -> pd.Series:
        """Temperatures in °C as the file shows them."""
        return self.readings["as_read_c"]

    def check(self) -> list[str]:
        """Every breach of the rules a trace must keep, numbered; an empty list when it is sound.

        1. index is UTC-aware; 2. index is strictly increasing; 3. reading columns are present;
        4. flags share the index; 5. flags hold only 1, 2, 3, 4, 9; 6. one_sided holds only -1, 0, 1;
        7. for every source rows = read + rejected.
        """
        index, breaches = self.readings.index, []
        if not isinstance(index, pd.DatetimeIndex) or str(index.tz) != "UTC":
            breaches.append("1: the index is not UTC-aware")
        elif not (index.is_monotonic_increasing and index.is_unique):
            breaches.append("2: the times are not strictly increasing")
        missing = [name for name in READING_COLUMNS if name not in self.readings]
        if missing:
            breaches.append(f"3: readings lack {', '.join(missing)}")
        if not self.flags.index.equals(index):
            breaches.append("4: the flags are not on the readings' index")
        if len(self.flags.columns) and not np.isin(self.flags.to_numpy(), list(FLAG_WORDS)).all():
            breaches.append("5: a flag is none of 1, 2, 3, 4, 9")
        if "one_sided" in self.readings and not self.readings["one_sided"].isin([-1, 0, 1]).all():
            breaches.append("6: one_sided is none of -1, 0, 1")
        for source in self.sources:
            if source.rows != source.read + source.rejected:
                breaches.append(f"7: {source.file}: {source.rows} rows are not {source.read} read + {source.rejected} refused")
        return breaches

    def checked(self) -> Trace:
        """The trace itself; raises KitError naming every breach of :meth:`check`."""
        breaches = self.check()
        if breaches:
            raise KitError(f"trace of probe {self.probe.name} breaks its rules: " + "; ".join(breaches))
        return self

    def stepped(self, function: str, arguments: dict[str, Any], rows_changed: int, **changes: Any) -> Trace:
        """A new trace with ``changes`` applied and the step recorded."""
        from coldchain_kit import __version__

        step = Step(function, arguments, __version__, int(rows_changed))
        return replace(self, steps=(*self.steps, step), **changes)


@dataclass(frozen=True)
class Unit:
    """A unit's traces, its other channels, the loggers' own events, conflicts and sources.

    ``channels``: name -> Series on a UTC index, with ``attrs["kind"]`` of door, power, humidity, battery.
    ``conflicts``: rows of CONTRACTS.md ``conflicts[]`` (time as UTC Timestamp).
    ``events``: rows of dicts {time (UTC Timestamp or None), kind, text, file, line}.
    ``notices``: findings of reading and clock, dicts {kind, probe, start, end, readings, text}: become ``faults[]``.
    ``clock``: {"state": declared|proved|not_verified, "text": …} for the page.
    """

    name: str
    traces: dict[str, Trace] = field(default_factory=dict)
    channels: dict[str, pd.Series] = field(default_factory=dict)
    events: tuple[dict[str, Any], ...] = ()
    conflicts: tuple[dict[str, Any], ...] = ()
    sources: tuple[Source, ...] = ()
    notices: tuple[dict[str, Any], ...] = ()
    clock: dict[str, Any] = field(default_factory=dict)


def roll_up(flags: pd.DataFrame, *, required: tuple[str, ...] = ()) -> pd.Series:
    """One flag a reading from the flags of all tests that ran.

    9 if missing, else 4, 3, 2 if a required test could not judge, else 1: a pass never outvotes
    "not evaluated". A test that is not required and could not judge does not count. With no test
    at all everything is 2.

    Parameters
    ----------
    flags : DataFrame of int8
        One column a test.
    required : tuple of str
        Names of the tests that must have judged; empty means every column present.

    Returns
    -------
    Series of int8 on the same index.

    Examples
    --------
    >>> flags = pd.DataFrame({"spike": [2, 1, 4, 9], "gross_range": [1, 1, 1, 9]}, dtype="int8")
    >>> roll_up(flags).tolist()
    [2, 1, 4, 9]
    """
    if not len(flags.columns):
        return pd.Series(np.full(len(flags), NOT_EVALUATED, "int8"), index=flags.index, name="flag")
    worst = np.zeros(len(flags), dtype=np.int8)
    for name in flags.columns:
        codes = flags[name].to_numpy()
        severity = _SEVERITY[codes]
        if required and name not in required:
            severity = np.where(codes == NOT_EVALUATED, 0, severity)
        np.maximum(worst, severity, out=worst)
    if any(name not in flags for name in required):
        np.maximum(worst, _SEVERITY[NOT_EVALUATED], out=worst)
    return pd.Series(_BY_SEVERITY[worst], index=flags.index, name="flag")
