"""Downloads made by hand, for the tests of clock and combine."""

from __future__ import annotations

import datetime as dt
from typing import Any

import numpy as np

from coldchain_kit.downloads import Column, Download
from coldchain_kit.model import Probe, Source, conditions
from coldchain_kit.register import Logger, ProbeEntry, UnitEntry


def download(times: Any, values: Any = None, *, file: str = "F2.csv", header: str = "A (°C)", label: str = "A", time_kind: str = "wall", **more: Any) -> Download:
    """One file with one temperature column, lines counted from 2."""
    shown = np.asarray(times, dtype="M8[us]")
    celsius = np.full(len(shown), 5.0) if values is None else np.asarray(values, "float64")
    source = Source(file, file, len(shown), len(shown), 0, events=more.pop("events", ()))
    columns = more.pop("columns", (Column(header, label, "temperature", celsius, "C", "header"),))
    return Download(source, shown, time_kind, np.arange(2, len(shown) + 2), columns, **more)


def entry(*probes: Probe, condition: str = "refrigerated", settings: tuple = (), channels: dict | None = None, certificates: tuple = (), **logger: Any) -> UnitEntry:
    """A unit whose logger has the given settings."""
    known = {probe.name: ProbeEntry(probe, None, certificates) for probe in probes}
    return UnitEntry("F2", "refrigerator", "", conditions.built_in()[condition], logger=Logger(**logger), settings=settings, probes=known, channels=channels or {})


def every(minutes: float, start: str, end: str) -> np.ndarray:
    """Local wall times at an even step, end left out, as a clock shows them that nobody sets."""
    return np.arange(np.datetime64(start, "us"), np.datetime64(end, "us"), np.timedelta64(int(minutes * 60), "s"))


def walls(zone: str, start: str, end: str, minutes: float) -> tuple[np.ndarray, np.ndarray]:
    """(UTC, local wall times) of an even record, worked out with the standard library alone, one time after the other."""
    import zoneinfo

    rules = zoneinfo.ZoneInfo(zone)
    utc = every(minutes, start, end)
    local = [dt.datetime.fromtimestamp(int(at.astype("int64")) / 1e6, tz=rules).replace(tzinfo=None) for at in utc]
    return utc, np.array(local, "M8[us]")
