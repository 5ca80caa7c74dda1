"""Instants from what a logger's clock showed."""

from __future__ import annotations

import datetime as dt
from zoneinfo import ZoneInfo

import numpy as np

from tests.oracle.model import File, Logger


def utc_s(wall: dt.datetime, zone: str, *, fold: int = 0) -> float:
    return wall.replace(tzinfo=ZoneInfo(zone), fold=fold).timestamp()


def fixed_offset_s(clock: object, zone: str) -> float | None:
    """Offset of a clock that does not follow the zone."""
    if clock == "utc":
        return 0.0
    if isinstance(clock, tuple):
        noon = dt.datetime.combine(clock[1], dt.time(12), ZoneInfo(zone))
        return noon.utcoffset().total_seconds()
    if clock == "local":
        return None
    hours, minutes = clock[1:].split(":")
    return (-1 if clock[0] == "-" else 1) * (int(hours) * 3600 + int(minutes) * 60)


def shown_to_utc(clock: object, zone: str, walls: list[dt.datetime]) -> list[float]:
    """Wall times as shown, in the order of the file. In the repeated hour the order says which is which."""
    offset = fixed_offset_s(clock, zone)
    if offset is not None:
        return [wall.replace(tzinfo=dt.UTC).timestamp() - offset for wall in walls]
    found: list[float] = []
    for wall in walls:
        first, second = (utc_s(wall, zone, fold=fold) for fold in (0, 1))
        found.append(second if found and first <= found[-1] else first)
    return found


def drift_s(logger: Logger, zone: str, shown: np.ndarray) -> np.ndarray:
    """Seconds to add: straight between checks. reading: constant before the first and after the last."""
    if not logger.clock_checks:
        return np.zeros_like(shown)
    true = [utc_s(check[0], zone) for check in logger.clock_checks]
    seen = [shown_to_utc(logger.clock, zone, [check[1]])[0] for check in logger.clock_checks]
    return np.interp(shown, seen, np.subtract(true, seen))


def file_times(logger: Logger, zone: str, file: File) -> np.ndarray:
    """Instants of the lines that were read, in the order of the file."""
    shown = np.array(shown_to_utc(logger.clock, zone, [line.wall for line in file.lines if line.wall is not None]))
    return np.round(shown + drift_s(logger, zone, shown), 6)
