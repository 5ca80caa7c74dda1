"""What states how often a unit's logger reads, and when each download did read (CONTRACTS rule 4)."""

from __future__ import annotations

import datetime as dt
from collections.abc import Sequence

import numpy as np

from coldchain_kit.base import zones
from coldchain_kit.downloads.joining.notices import instant_of
from coldchain_kit.downloads.readers import stating
from coldchain_kit.downloads.readers.download import Placed
from coldchain_kit.model import cadence
from coldchain_kit.register import UnitEntry

Known = dict[tuple[int, bytes], cadence.Cadence]


def stated(entry: UnitEntry, one: Placed, *, zone: str) -> tuple[cadence.Stated, ...]:
    """What the register's settings, the download's preamble and the logger's own events state of the interval.

    Settings and events hold from their time until the next; a preamble speaks of its whole download.
    """
    rows = [(None, entry.logger), *((zones.micros(_utc(since, zone))[0], logger) for since, logger in entry.settings)]
    found = [cadence.Stated(logger.interval_min, since) for since, logger in rows if logger.interval_min]
    if one.download.interval_min:
        found.append(cadence.Stated(one.download.interval_min, source="preamble"))
    for event in one.download.source.events:
        minutes = stating.interval_min(str(event.get("text") or ""))
        time = instant_of(one, event.get("time")) if minutes else None
        if minutes and time is not None:
            found.append(cadence.Stated((minutes,), time.value // 1000, "event"))
    return tuple(found)


def _utc(since: dt.date, zone: str) -> np.ndarray:
    return np.array([zones.instant(since, zone=zone).tz_localize(None).to_datetime64()])


def read(entry: UnitEntry, files: Sequence[Placed], pieces: Sequence[tuple[int, np.ndarray | None]], *, zone: str, known: Known) -> tuple[cadence.Cadence, ...]:
    """When each download of one probe read; ``pieces``: positions of files with the rows that are the probe's (None: all).

    ``known`` keeps what was worked out: probes side by side in one file share their instants.
    """
    found = []
    for position, rows in pieces:
        key = position, b"" if rows is None else np.asarray(rows).tobytes()
        if key not in known:
            time = files[position].utc.asi8 if rows is None else files[position].utc.asi8[rows]
            known[key] = cadence.of(time[time != zones.NAT], stated(entry, files[position], zone=zone))
        found.append(known[key])
    return tuple(found)
