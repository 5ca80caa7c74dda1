"""Readings later than the download that brought them, by the logbook (CONTRACTS rule 12)."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import PurePosixPath

import pandas as pd

from coldchain_kit.base import zones
from coldchain_kit.model import FaultRow, Source, Unit
from coldchain_kit.register import LogEntry


def than_download(unit: Unit, logbook: Sequence[LogEntry], *, zone: str) -> list[FaultRow[pd.Timestamp]]:
    """Rows of CONTRACTS ``faults[]``, kind clock: a file with readings later than its download.

    A line of the logbook that names the file is its download; of the others the last one bounds every file: nothing in the book brought later readings.

    Parameters
    ----------
    unit : Unit
    logbook : lines of the case
    zone : str
        The site's, for times in sentences.
    """
    lines = [line for line in logbook if line.kind == "download" and line.unit in (None, unit.name)]
    rows: list[FaultRow[pd.Timestamp]] = []
    for number, source in enumerate(unit.sources):
        line = _of(source, lines, unit.sources)
        if line is None:
            continue
        until = max(line.time, line.until or line.time)
        late = [trace.readings.index[(trace.readings["source"] == number) & (trace.readings.index > until)] for trace in unit.traces.values()]
        times = late[0].append(late[1:]).unique().sort_values() if late else pd.DatetimeIndex([])
        if len(times):
            text = (
                f"{source.file}: {len(times)} reading{'s are' if len(times) > 1 else ' is'} later than the last download that the logbook tells of (line {line.line}, "
                f"{zones.shown(until, zone=zone)}); the last is of {zones.shown(times[-1], zone=zone)}. Either a download was not written down, or the logger's clock is "
                "wrong, or the file is not what the logger gave."
            )
            rows.append({"unit": unit.name, "probe": None, "start": times[0], "end": times[-1], "kind": "clock", "readings": len(times), "text": text})
    return rows


def _of(source: Source, lines: Sequence[LogEntry], sources: Sequence[Source]) -> LogEntry | None:
    """The line of a file's download: the last that names it, else the last that names no other file."""
    name = PurePosixPath(source.file).name
    others = [PurePosixPath(other.file).name for other in sources if other is not source]
    named = [line for line in lines if name in line.text]
    free = [line for line in lines if not any(other in line.text for other in others)]
    return max(named or free, key=lambda line: (max(line.time, line.until or line.time), line.line), default=None)
