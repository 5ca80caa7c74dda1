"""Every reading of the window as data: from this file alone each figure of a record can be reckoned again."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
import pandas as pd

from coldchain_kit import quality
from coldchain_kit.base import zones
from coldchain_kit.model import FLAG_WORDS, Trace

if TYPE_CHECKING:
    from coldchain_kit.assessment import Assessment

COLUMNS = (
    "unit", "probe", "decides", "time_utc", "time_local", "as_read_c", "corrected_c", "u_c", "one_sided", "bound_c", "text", "flag", "flags", "clock_doubt_s", "file", "line",
)  # fmt: skip


def table(assessment: Assessment) -> pd.DataFrame:
    """One row a reading of each probe, in the window (start included, end not).

    Returns
    -------
    DataFrame with COLUMNS: ``time_utc`` (ISO 8601, Z) and ``time_local`` (the site's zone, with offset); ``as_read_c`` [°C, degF and K
    converted], ``corrected_c`` [°C, after the certificate], ``u_c`` [°C, standard uncertainty], ``one_sided`` ("at or above", "at or below",
    "" for a number), ``bound_c`` [°C] and the file's own ``text`` of such a reading, ``flag`` (QARTOD: 1 good, 2 not evaluated, 3 suspect,
    4 fail, 9 missing), ``flags`` (the tests that marked it, in words), ``clock_doubt_s`` [s], ``file`` and ``line`` where it stands.
    """
    parts = [_of(trace, unit.name, assessment) for unit in assessment.units.values() for trace in unit.traces.values()]
    parts = [part for part in parts if len(part)]
    return pd.concat(parts, ignore_index=True)[list(COLUMNS)] if parts else pd.DataFrame(columns=list(COLUMNS))


def _of(trace: Trace, unit: str, assessment: Assessment) -> pd.DataFrame:
    index = trace.readings.index
    here = np.asarray((index >= assessment.window.start) & (index < assessment.window.end))
    held, times = trace.readings[here], pd.DatetimeIndex(index[here])
    files = np.array([source.file for source in trace.sources] or [""], dtype=object)
    return pd.DataFrame(
        {
            "unit": unit, "probe": trace.probe.name, "decides": trace.probe.decides, "time_utc": _utc(times), "time_local": _local(times, assessment.site.timezone),
            "as_read_c": held["as_read_c"].to_numpy(), "corrected_c": held["celsius"].to_numpy(), "u_c": held["u_c"].to_numpy(),
            "one_sided": held["one_sided"].map({0: "", 1: "at or above", -1: "at or below"}).to_numpy(), "bound_c": held["bound_c"].to_numpy(), "text": held["text"].to_numpy(),
            "flag": quality.rolled(trace).to_numpy()[here], "flags": _marks(trace.flags[here]), "clock_doubt_s": held["clock_doubt_s"].to_numpy(),
            "file": files[np.clip(held["source"].to_numpy(), 0, len(files) - 1)], "line": held["line"].to_numpy(),
        }
    )  # fmt: skip


def _utc(times: pd.DatetimeIndex) -> list[str]:
    """ISO 8601 with Z, fractions of a second only where there are any."""
    fine = bool((times.microsecond != 0).any())
    texts = times.strftime("%Y-%m-%dT%H:%M:%S.%fZ" if fine else "%Y-%m-%dT%H:%M:%SZ")
    return [text.replace(".000000Z", "Z") for text in texts] if fine else list(texts)


def _local(times: pd.DatetimeIndex, zone: str) -> list[str]:
    """The site's wall clock with its offset from UTC; worked out once for each stretch of one offset."""
    wall = times.tz_convert(zones.database(zone))
    texts = wall.tz_localize(None).strftime("%Y-%m-%dT%H:%M:%S")
    ahead_s = ((wall.tz_localize(None) - times.tz_localize(None)) / pd.Timedelta(seconds=1)).to_numpy().astype(int)
    words = {one: f"{'-' if one < 0 else '+'}{abs(one) // 3600:02d}:{abs(one) % 3600 // 60:02d}" for one in np.unique(ahead_s).tolist()}
    return [f"{text}{words[int(one)]}" for text, one in zip(texts, ahead_s, strict=True)]


def _marks(flags: pd.DataFrame) -> list[str]:
    """The tests that found something, with their word: "spike failed; rate suspect"; "" for most readings."""
    told = [""] * len(flags)
    for name in flags.columns:
        codes = flags[name].to_numpy()
        for at in np.flatnonzero((codes == 3) | (codes == 4)):
            told[at] += f"{'; ' if told[at] else ''}{name} {FLAG_WORDS[int(codes[at])]}"
    return told
