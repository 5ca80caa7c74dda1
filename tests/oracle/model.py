"""What the oracle is told: a record's lines, the register, the logbook, the stock."""

from __future__ import annotations

import datetime as dt
from dataclasses import dataclass

EPS = 1e-9
TICK_S = 0.001
ASSUMED_C = 0.5  # expanded uncertainty without a certificate


class Refused(Exception):
    """No deciding probe has a reading in the window, and the case gives no reason (rule 10)."""


@dataclass(frozen=True)
class Choices:
    """Readings of the contract between which its words do not choose, and which move every figure behind them."""

    between_points: bool = False  # the doubt of going on from the points also between two of them
    reference_spacing: bool = False  # spacing of the points by their references, not by what was indicated
    drift_scale: float = 1.0  # 0 leaves the drift out


@dataclass(frozen=True)
class Cell:
    """One cell: a number in the column's unit, None for no value; ``side`` 1 for ">50" and HI, -1 for "<-40" and LO."""

    value: float | None
    side: int = 0


@dataclass(frozen=True)
class Line:
    number: int
    wall: dt.datetime | None  # None: the line is refused
    cells: tuple[Cell, ...] = ()


@dataclass(frozen=True)
class File:
    name: str
    units: tuple[str, ...]  # "C" or "F", a column each
    probes: tuple[str, ...]
    lines: tuple[Line, ...]


@dataclass(frozen=True)
class Certificate:
    expanded_c: float
    points: tuple[tuple[float, float], ...] = ()  # (reference, indicated)
    due: dt.date | None = None
    date: dt.date | None = None
    coverage: float = 2.0
    as_found: tuple[tuple[float, float], ...] = ()


@dataclass(frozen=True)
class Probe:
    name: str
    role: str
    decides: bool | None = None
    certificate: Certificate | None = None
    resolution_c: float | None = None
    later: tuple[dt.datetime, Certificate] | None = None  # from this local time on, another certificate
    logger: str = ""

    def certificates(self) -> tuple[Certificate, ...]:
        return tuple(one for one in (self.certificate, self.later and self.later[1]) if one)


@dataclass(frozen=True)
class Stated:
    """Steps that something states from this local time on; None: from the beginning."""

    steps_min: tuple[float, ...]
    since: dt.datetime | None = None


@dataclass(frozen=True)
class Logger:
    clock: object  # "local" | ("as_set", date) | "utc" | "+01:00"
    files: tuple[File, ...]
    clock_checks: tuple[tuple[dt.datetime, dt.datetime], ...] = ()
    stated: tuple[Stated, ...] = ()
    range_c: tuple[float, float] | None = None
    name: str = ""


@dataclass(frozen=True)
class Condition:
    low: float | None
    high: float | None
    unit: str = "C"
    frozen: bool = False
    mkt: tuple[float, float, str] | None = None  # limit_c, window_hours, direction

    def limit(self, sign: int) -> float | None:
        """The limit in degC, times the sign of its direction."""
        value = self.high if sign > 0 else self.low
        return None if value is None else sign * celsius(value, self.unit)


@dataclass(frozen=True)
class Allowance:
    lot: str
    from_c: float
    to_c: float
    hours: float
    counting: str
    state: str = ""  # empty: unopened


@dataclass(frozen=True)
class Stay:
    lot: str
    moved_in: dt.datetime
    moved_out: dt.datetime | None
    earlier_out_hours: float | None = 0.0  # None: not known
    unit: str = "U"
    state: str = ""  # empty: taken as unopened


@dataclass(frozen=True)
class Check:
    """A logbook line of the kind check: what the display showed, degC, and whether it was reset after reading it."""

    time: dt.datetime
    low_c: float | None = None
    high_c: float | None = None
    reset: bool = False


@dataclass(frozen=True)
class Scenario:
    """One unit of a case; stock and allowances stand with the case's first unit."""

    zone: str
    loggers: tuple[Logger, ...]
    probes: tuple[Probe, ...]
    condition: Condition
    start: dt.datetime | None = None
    end: dt.datetime | None = None
    join_min: float = 120.0
    stays: tuple[Stay, ...] = ()
    allowances: tuple[Allowance, ...] = ()
    uneven: bool = False
    cold: bool = True  # a refrigerator: stock must not freeze unless the list says otherwise
    checks: tuple[Check, ...] = ()
    downloaded: dt.datetime | None = None  # the logbook's only line of a download
    no_readings: str | None = None

    @property
    def clock_checks(self) -> tuple[tuple[dt.datetime, dt.datetime], ...]:
        return tuple(check for logger in self.loggers for check in logger.clock_checks)

    @property
    def files(self) -> tuple[File, ...]:
        return tuple(file for logger in self.loggers for file in logger.files)

    def logger_of(self, probe: Probe) -> Logger:
        return next(logger for logger in self.loggers if logger.name == probe.logger)


def celsius(value: float, unit: str) -> float:
    return round(value if unit == "C" else (value - 32) * 5 / 9, 6)
