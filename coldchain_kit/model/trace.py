"""The one type that flows through the kit: a :class:`Trace` is one probe over one stretch of time.

Functions that change a trace return a new one; ``as_read_c`` is never altered.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, field, replace
from typing import Any

import numpy as np
import pandas as pd

from coldchain_kit.base import KitError
from coldchain_kit.model import cadence, one_sided
from coldchain_kit.model.cadence import Cadence, Stated
from coldchain_kit.model.rows.fields import Role
from coldchain_kit.model.rows.given import ClockState, ConflictRow, EventRow, FlagCounts, LoggerEvent, Notice

__all__ = [
    "FAIL", "FLAG_WORDS", "GOOD", "MISSING", "NOT_EVALUATED", "SUSPECT",
    "Probe", "Source", "Step", "Trace", "Unit", "flag_counts", "roll_up",
]

# Flag codes of QARTOD (FACTS F1): an array starts at NOT_EVALUATED, never at GOOD.
GOOD, NOT_EVALUATED, SUSPECT, FAIL, MISSING = 1, 2, 3, 4, 9
FLAG_WORDS = {GOOD: "good", NOT_EVALUATED: "not_evaluated", SUSPECT: "suspect", FAIL: "fail", MISSING: "missing"}
_SEVERITY = np.zeros(10, dtype=np.int8)
_SEVERITY[[GOOD, NOT_EVALUATED, SUSPECT, FAIL, MISSING]] = [0, 1, 2, 3, 4]
_BY_SEVERITY = np.array([GOOD, NOT_EVALUATED, SUSPECT, FAIL, MISSING], dtype=np.int8)

ROLES = ("buffered", "air", "room", "surface", "unknown")
READING_COLUMNS = ("as_read_c", "celsius", "u_c", "one_sided", "bound_c", "text", "clock_doubt_s", "source", "line")


@dataclass(frozen=True)
class Probe:
    """One sensing point.

    ``decides``: product verdicts rest on it. ``time_constant_min`` [min] is declared, never fitted;
    ``resolution_c`` [°C], ``span_c`` the sensor's measuring range [°C].
    """

    name: str
    role: Role = "unknown"
    decides: bool = True
    time_constant_min: float | None = None
    resolution_c: float | None = None
    span_c: tuple[float, float] | None = None
    column: str | None = None
    registered: bool = True
    logger: str | None = None  # its name, where the unit has several


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
    events: tuple[EventRow, ...] = ()
    stated: tuple[dict[str, Any], ...] = ()


@dataclass(frozen=True)
class Step:
    """One thing done to a trace, appended on success only."""

    function: str
    arguments: dict[str, Any]
    kit_version: str
    rows_changed: int


@dataclass(frozen=True, eq=False)
class Trace:
    """One probe, one stretch of time.

    ``readings``: DataFrame indexed by ``time`` (UTC-aware, strictly increasing) with columns
    as_read_c [°C, degF and K converted, never altered], celsius [°C, after correction, rounded to 1e-6],
    u_c [°C, standard uncertainty], one_sided [int8: 0, +1 "at or above", -1 "at or below": such a reading has no number in
    as_read_c and celsius, see :mod:`one_sided`], bound_c [°C, its bound, NaN where there is none], text [the file's own, of
    one-sided readings, else ""], clock_doubt_s [s, doubt of the instant], source [int16, index into ``sources``], line [int64].
    ``flags``: DataFrame on the same index, one int8 column for each quality test that ran.
    ``cadences``: when each of its downloads read and what states its interval; none: the readings' own times tell it.
    """

    probe: Probe
    readings: pd.DataFrame
    flags: pd.DataFrame
    steps: tuple[Step, ...] = ()
    sources: tuple[Source, ...] = ()
    cadences: tuple[Cadence, ...] = ()

    @classmethod
    def of(
        cls,
        series: pd.Series,
        *,
        probe: Probe | str = "A",
        u_c: float | None = None,
        one_sided: np.ndarray | None = None,
        sources: tuple[Source, ...] = (),
        interval_min: float | tuple[float, ...] | None = None,
    ) -> Trace:
        """A trace from a bare Series of °C on a UTC index, for notebooks and tests; ``interval_min``: what states its interval [min].

        ``one_sided``: sides (+1, -1, 0) a reading; the Series holds the bound [°C] of a one-sided one, NaN for none.

        Examples
        --------
        >>> times = pd.date_range("2026-03-01", periods=3, freq="5min", tz="UTC")
        >>> Trace.of(pd.Series([4.0, 5.0, 6.0], index=times)).check()
        []
        """
        index = pd.DatetimeIndex(series.index, name="time")
        values = series.to_numpy(dtype="float64")
        n = len(index)
        side = np.zeros(n, "int8") if one_sided is None else np.asarray(one_sided, "int8")
        number = np.where(side == 0, values, np.nan)
        readings = pd.DataFrame(
            {
                "as_read_c": number,
                "celsius": number.round(6),
                "u_c": np.full(n, np.nan if u_c is None else u_c),
                "one_sided": side,
                "bound_c": np.where(side == 0, np.nan, values),
                "text": np.full(n, "", dtype=object),
                "clock_doubt_s": np.zeros(n),
                "source": np.zeros(n, "int16"),
                "line": np.arange(1, n + 1),
            },
            index=index,
        )
        who = probe if isinstance(probe, Probe) else Probe(probe)
        stated = () if interval_min is None else (Stated(interval_min if isinstance(interval_min, tuple) else (interval_min,)),)
        cadences = (cadence.of(index.as_unit("us").asi8, stated),) if stated else ()
        return cls(who, readings, pd.DataFrame(index=index), (), sources, cadences)

    @property
    def celsius(self) -> pd.Series:
        """Temperatures in °C that everything rests on (corrected where a certificate is given)."""
        return self.readings["celsius"]

    @property
    def as_read_c(self) -> pd.Series:
        """Temperatures in °C as the file shows them."""
        return self.readings["as_read_c"]

    @property
    def heard(self) -> pd.Series:
        """0 where a reading stands, one-sided or not, else NaN: what :mod:`timeline` needs to find steps and gaps."""
        return pd.Series(np.where(one_sided.heard(self.readings), 0.0, np.nan), index=self.readings.index)

    def remembered(self, name: str, work: Callable[[], Any]) -> Any:
        """What ``work`` gives, worked out once for these times, readings and cadences; not to be changed in place."""
        side = self.readings["one_sided"].to_numpy()
        known = self.readings["celsius"].to_numpy(dtype="float64")
        known = np.where(side == 0, known, np.copysign(np.inf, side)) if side.any() else known
        kept = self.__dict__.get("_kept", {})
        before = kept.get(name)
        if before is None or before[0] is not self.cadences or not before[1].equals(self.readings.index) or not np.array_equal(before[2], known, equal_nan=True):
            before = (self.cadences, self.readings.index, known.copy(), work())
            object.__setattr__(self, "_kept", {**kept, name: before})
        return before[3]

    def __getstate__(self) -> dict[str, Any]:
        """Without what is remembered: it can be worked out again."""
        return {name: value for name, value in self.__dict__.items() if name != "_kept"}

    def check(self) -> list[str]:
        """Every breach of the rules a trace must keep, numbered; an empty list when it is sound.

        1. index is UTC-aware; 2. index is strictly increasing; 3. reading columns are present;
        4. flags share the index; 5. flags hold only 1, 2, 3, 4, 9; 6. one_sided holds only -1, 0, 1;
        7. for every source rows = read + rejected; 8. a one-sided reading has no number, and only such a reading has a bound.
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
        if not missing and not _sides_kept(self.readings):
            breaches.append("8: a one-sided reading has a number, or another one a bound")
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
    events: tuple[LoggerEvent, ...] = ()
    conflicts: tuple[ConflictRow[pd.Timestamp], ...] = ()
    sources: tuple[Source, ...] = ()
    notices: tuple[Notice, ...] = ()
    clock: ClockState = field(default_factory=ClockState)


def flag_counts(flags: np.ndarray | pd.Series) -> FlagCounts:
    """How many readings have each flag.

    Examples
    --------
    >>> flag_counts(np.array([1, 1, 4]))["good"]
    2
    """
    good, not_evaluated, suspect, fail, missing = (int((flags == code).sum()) for code in FLAG_WORDS)
    return {"good": good, "not_evaluated": not_evaluated, "suspect": suspect, "fail": fail, "missing": missing}


def _sides_kept(readings: pd.DataFrame) -> bool:
    side = readings["one_sided"].to_numpy() != 0
    number = np.isfinite(readings["celsius"].to_numpy()) | np.isfinite(readings["as_read_c"].to_numpy())
    return not (number & side).any() and not (np.isfinite(readings["bound_c"].to_numpy()) & ~side).any()


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
