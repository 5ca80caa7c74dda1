"""A made-up assessment for the tests of charts, tables, sentences and forms: one refrigerator, ten days, one warm night, one gap.

The figures of ``results`` are worked out here from the arrays (plain numpy), not by the functions under test.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd

from coldchain_kit import register
from coldchain_kit.model import Probe, Source, Trace, Unit

SITE = """
[site]
name = "Tern Bay Health Centre"
timezone = "{zone}"
demonstration = true
deviation_classes = ["minor", "major"]

[units.F2]
description = "Vaccine refrigerator, dispensary"
kind = "refrigerator"
condition = "refrigerated"
readings = ["*.csv"]

[units.F2.logger]
serial = "TB-0102"
interval_min = 5
clock = "local"
alarm = {{ enabled = true, low_c = 2.0, high_c = 8.0, delay_min = 0 }}

[units.F2.probes.A]
role = "buffered"
time_constant_min = 12.0
certificate = {{ number = "C-118", date = 2026-01-10, due = 2028-01-10, expanded_uncertainty_c = 0.3, points = [[0.0, 0.1], [5.0, 5.1]] }}

[units.F2.probes.B]
role = "air"
"""
CASE = """
[case]
id = "{id}"
title = "Refrigerator F2 above 8 °C <on> Friday night"
unit = "F2"
site = "site.toml"
start = 2026-03-01T00:00:00
end = 2026-03-11T00:00:00
found = {{ time = 2026-03-07T08:40:00, by = "I. Lopes" }}
"""


@dataclass(frozen=True)
class Window:
    start: pd.Timestamp
    end: pd.Timestamp
    stop: pd.Timestamp


@dataclass(frozen=True)
class Assessed:
    case: register.Case
    window: Window
    units: dict[str, Unit]
    results: dict[str, Any]
    room: Trace | None = None
    lots: tuple = ()
    logbook: tuple = ()

    @property
    def site(self) -> register.Site:
        return self.case.site


def z(stamp: pd.Timestamp) -> str:
    return stamp.strftime("%Y-%m-%dT%H:%M:%SZ") if not stamp.microsecond else stamp.strftime("%Y-%m-%dT%H:%M:%S.%fZ")


def assessed(folder: Path, *, peak_c: float = 11.3, warm: bool = True, gap: bool = True, zone: str = "Europe/Lisbon", number: str = "2026-014", days: int = 10) -> Assessed:
    """The assessment, its site.toml and case.toml written into ``folder``."""
    (folder / "site.toml").write_text(SITE.format(zone=zone), "utf-8")
    (folder / "case.toml").write_text(CASE.format(id=number), "utf-8")
    (folder / "F2.csv").write_text("time,A,B\n", "utf-8")
    case = register.load_case(folder / "case.toml")
    times = pd.date_range(case.start, periods=days * 288, freq="5min").as_unit("us")
    phase = np.arange(len(times))
    a = 5.0 + 0.4 * np.sin(phase / 10) + 0.1
    b = 4.6 + 1.2 * np.sin(phase / 10 + 0.6)
    if warm:
        hump = (peak_c - 5.0) * np.exp(-(((phase - 1700) / 40.0) ** 2))
        a, b = a + hump, b + hump * 1.2
    keep = ~((phase > 900) & (phase < 960)) if gap else np.ones(len(times), bool)
    times, a, b = times[keep], a[keep].round(2), b[keep].round(2)
    source = Source(
        "F2.csv", "ab" * 32, len(times) + 1, len(times), 1, times[0], times[-1], 5.0, {"separator": ",", "unit_from": "header"}, ((17, "the time '2026-13-01' cannot be read"),)
    )
    traces = {"A": _trace(a, times, Probe("A", "buffered", True, 12.0), 0.1, 0.15, source), "B": _trace(b, times, Probe("B", "air", False), 0.0, 0.25, source)}
    unit = Unit("F2", traces, sources=(source,), clock={"state": "declared", "text": "The logger's clock follows the site's local time, as the register says."})
    return Assessed(case, Window(case.start, case.end, case.end), {"F2": unit}, _results(case, traces, source, z))


def _trace(values: np.ndarray, times: pd.DatetimeIndex, probe: Probe, correction: float, u_c: float, source: Source) -> Trace:
    trace = Trace.of(pd.Series(values, index=times), probe=probe, u_c=u_c, sources=(source,))
    readings = trace.readings.assign(celsius=(values - correction).round(6))
    flags = pd.DataFrame({"gross_range": np.ones(len(values), "int8"), "spike": np.ones(len(values), "int8")}, index=readings.index)
    flags.iloc[[0, -1], 1] = 2
    return replace(trace, readings=readings, flags=flags)


def _results(case: register.Case, traces: dict[str, Trace], source: Source, z) -> dict[str, Any]:
    probes = [_probe(case, trace) for trace in traces.values()]
    excursions = _excursions(traces["A"])
    episodes = [
        {
            "id": "EP1", "unit": "F2", "excursions": [row["id"] for row in excursions], "start": excursions[0]["start"], "end": excursions[-1]["end"], "recurrent": False,
            "causes": [
                {"cause": "power_loss", "support": 0.81, "for": [_observed("All probes warmed together towards the room.")], "against": [_observed("No power channel shows it.")], "untested": ["Door channel: none recorded."], "check_next": ["Plug, breaker and the building's power log."]},
                {"cause": "cooling_failure", "support": 0.12, "for": [], "against": [_observed("It recovered to the old level by itself.")], "untested": [], "check_next": ["Ask for a service visit."]},
            ],
        }
    ] if excursions else []  # fmt: skip
    gaps = probes[0]["gaps"]
    faults = [
        {"unit": "F2", "probe": "A", "start": row["start"], "end": row["end"], "kind": "gap", "readings": 0, "text": f"No readings for {row['minutes']:g} minutes."} for row in gaps
    ]
    why = [f"excursion {row['id']}" for row in excursions] + ["time without readings"] * bool(gaps)
    lots = [
        {
            "lot": "L-7731", "product": "Vaccine <X>", "stays": [{"unit": "F2", "moved_in": z(case.start), "moved_out": None, "quantity": "40", "state": "unopened", "state_stated": False}],
            "exposures": [{"unit": "F2", "probe": "A", "direction": "above", "limit_c": 8.0, "minutes": sum(row["minutes"] for row in excursions), "minutes_least": sum(row["minutes_least"] for row in excursions), "minutes_most": sum(row["minutes_most"] for row in excursions), "max_c": probes[0]["max_c"], "min_c": probes[0]["min_c"]}],
            "product_beside": [], "allowances": [{"from_c": 8.0, "to_c": 12.0, "hours": 12.0, "counting": "total", "source": "letter of the manufacturer", "used_least": 4.0, "used_most": 9.5, "applicable": True, "state": "unopened", "used_bound": False, "more_than_stated": "no", "why": ""}],
            "freezing": {"unit": "F2", "probe": "B", "role": "air", "time": z(case.start), "lowest_c": probes[1]["min_c"], "lowest_less_u_c": probes[1]["min_c"] - 0.5, "expanded_c": 0.5, "freeze_c": 0.0, "do_not_freeze": True, "lowest_one_sided": None, "lowest_text": None},
            "outside": {"above": {"minutes_least": sum(row["minutes_least"] for row in excursions), "minutes_most": sum(row["minutes_most"] for row in excursions)}, "below": {"minutes_least": 0.0, "minutes_most": 0.0}},
            "possible_freezing": False, "needs_decision": bool(why), "why": why,
        }
    ]  # fmt: skip
    return {
        "schema": "coldchain-kit/results/1",
        "case": {"id": case.id, "title": case.title, "units": ["F2"], "window": [z(case.start), z(case.end)]},
        "sources": [
            {
                "file": source.file, "sha256": source.sha256, "rows": source.rows, "read": source.read, "rejected": source.rejected, "first": z(source.first), "last": z(source.last), "interval_min": 5.0,
                "layout": source.layout, "rejects": [{"line": line, "reason": reason} for line, reason in source.rejects], "events": [{"time": "2026-03-06 21:10", "kind": "alarm", "text": "HIGH", "line": 40}],
            }
        ],
        "probes": probes,
        "mkt": [],
        "excursions": excursions,
        "near_limit": [],
        "conflicts": [{"unit": "F2", "probe": "A", "time": z(source.first + pd.Timedelta("1h")), "value_c": 5.6, "file": "F2.csv", "line": 14, "kept": False, "why": "two files differ"}],
        "episodes": episodes,
        "faults": faults,
        "cause": {"cause": "power_loss", "support": 0.81} if episodes else {"cause": "none", "support": 1.0},
        "lots": lots,
    }  # fmt: skip


def _observed(text: str) -> dict[str, Any]:
    return {"observation": text, "number": None, "threshold": None, "unit": "", "weight": 1.0, "comment": ""}


def _probe(case: register.Case, trace: Trace) -> dict[str, Any]:
    values, index = trace.celsius, trace.readings.index
    step = np.diff(index.asi8) / 60e6
    gaps = [{"start": z(index[at]), "end": z(index[at + 1]), "minutes": float(step[at])} for at in np.flatnonzero(step > 12.5)]
    lost = sum(row["minutes"] - 5 for row in gaps)
    count = len(values)
    return {
        "unit": "F2", "probe": trace.probe.name, "role": trace.probe.role, "decides": trace.probe.decides, "readings": count,
        "flags": {"good": count - 2, "suspect": 0, "fail": 0, "missing": 0, "not_evaluated": 2},
        "min_c": float(values.min()), "min_time": z(values.idxmin()), "max_c": float(values.max()), "max_time": z(values.idxmax()),
        "as_read_min_c": float(trace.as_read_c.min()), "as_read_max_c": float(trace.as_read_c.max()), "mean_c": float(values.mean()), "mkt_c": float(values.mean()) + 0.2,
        "covered_share": 1 - lost / ((case.end - case.start) / pd.Timedelta("1min")), "missing_readings": int(lost / 5), "gaps": gaps, "u_c": 0.15 if trace.probe.name == "A" else 0.25,
        "u_from": "certificate" if trace.probe.name == "A" else "assumed", "outside": {"above": {"minutes": 300.0, "minutes_least": 280.0, "minutes_most": 320.0}, "below": {"minutes": 0.0, "minutes_least": 0.0, "minutes_most": 0.0}},
        "unknown_minutes": sum(row["minutes"] for row in gaps),
    }  # fmt: skip


def _excursions(trace: Trace) -> list[dict[str, Any]]:
    """The one run above 8 °C of as-read values, by plain numpy."""
    values, times = trace.as_read_c.to_numpy(), trace.readings.index
    out = np.flatnonzero(values > 8.0)
    if not len(out):
        return []
    i, j = out[0], out[-1]
    start = times[i - 1] + (times[i] - times[i - 1]) * (8 - values[i - 1]) / (values[i] - values[i - 1])
    end = times[j] + (times[j + 1] - times[j]) * (values[j] - 8) / (values[j] - values[j + 1])
    top = i + int(np.argmax(values[i : j + 1]))
    minutes = (end - start) / pd.Timedelta("1min")
    return [
        {
            "id": "E1", "unit": "F2", "probe": "A", "direction": "above", "limit_c": 8.0, "limit_source": "Refrigerator 2-8 °C (test)", "basis": "both", "start": z(start.floor("us")), "end": z(end.floor("us")),
            "first_out": z(times[i]), "last_out": z(times[j]), "first_back": z(times[j + 1]), "start_earliest": z(times[i - 1]), "end_latest": z(times[j + 1]), "minutes": float(minutes),
            "minutes_least": float(minutes - 12), "minutes_most": float(minutes + 17), "minutes_in_window": float(minutes), "extreme_c": float(values[top]), "extreme_time": z(times[top]),
            "degree_minutes": float(np.sum(values[i : j + 1] - 8) * 5), "readings": int(j - i + 1), "verdict": "outside", "p_outside": 0.9999, "faulty": False, "open_start": False, "open_end": False,
            "flags": {"good": int(j - i + 1), "suspect": 0, "fail": 0, "missing": 0, "not_evaluated": 0}, "logger_alarm": "yes",
        }
    ]  # fmt: skip
