"""Writes the sample site: Tern Bay Health Centre, invented, every trace simulated with its truth beside it.

``python -m coldchain_kit.simulate.tern_bay DIR`` writes the downloads, their truth and what its people entered in the case; seeds and
times are fixed, so the same kit writes the same bytes. The register, the case and its papers are written by hand and not touched.
"""

from __future__ import annotations

import datetime as dt
import json
import sys
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd

from coldchain_kit.model import conditions, physics, timeline
from coldchain_kit.register import entries
from coldchain_kit.simulate import simulation
from coldchain_kit.simulate.simulation import Cabinet, Event, SimProbe, Simulation

ZONE = "Europe/Lisbon"
FIRST = pd.Timestamp("2026-02-01", tz=ZONE).tz_convert("UTC")
DAYS = 38  # 1 February to 10 March 2026; the loggers were read out on 9 March
FRIDAY_NIGHT = pd.Timestamp("2026-03-06T21:30", tz=ZONE).tz_convert("UTC")
POWER_BACK = pd.Timestamp("2026-03-07T02:10", tz=ZONE).tz_convert("UTC")
READ_OUT = "2026-03-09T09:05"  # all loggers on Monday morning, site's time: the logbook's line for F2
MONTHS = {"2026-02": ("2026-02-01", "2026-03-01"), "2026-03": ("2026-03-01", "2026-03-11")}


@dataclass(frozen=True)
class Plan:
    """How one unit of the site is simulated."""

    cabinet: Cabinet
    events: tuple[Event, ...]
    interval_min: float
    seed: int


def _after_min(time: pd.Timestamp) -> float:
    return (time - FIRST) / pd.Timedelta(minutes=1)


def plans() -> dict[str, Plan]:
    """The units and what happens to them; only F2 has an excursion, a power cut on Friday night 6 March 2026."""
    cut = Event("power_loss", _after_min(FRIDAY_NIGHT), _after_min(POWER_BACK) - _after_min(FRIDAY_NIGHT))
    vaccine = simulation.cabinet(set_c=4.6, hysteresis_k=1.6, contents_kj_k=35.0, walls_w_k=2.3, doors_per_day=9.0, probes=(SimProbe("upper", "air", 12.0), SimProbe("return", "air", 2.5)))
    reserve = simulation.cabinet(set_c=4.8, hysteresis_k=1.4, contents_kj_k=70.0, doors_per_day=5.0, probes=(SimProbe("probe", "air", 14.0, resolution_c=0.05),))
    freezer = simulation.cabinet("freezer", set_c=-22.0, probes=(SimProbe("basket", "contents", 10.0), SimProbe("air", "air", 2.0)))
    room = simulation.cabinet("room", probes=(SimProbe("room", "air", 5.0, resolution_c=0.1),))
    return {
        "F1": Plan(reserve, (), 10.0, 101),
        "F2": Plan(vaccine, (cut,), 5.0, 202),
        "Z1": Plan(freezer, (), 10.0, 303),
        "R1": Plan(room, (), 15.0, 404),
    }


def write(folder: Path) -> None:
    """Write downloads/ and truth.json under a site's folder."""
    truths = {}
    for name, plan in plans().items():
        made = simulation.run(plan.cabinet, plan.events, start=FIRST, hours=24 * DAYS, seed=plan.seed)
        readings = made.sampled(plan.interval_min)
        local = readings.set_axis(timeline.times_of(readings).tz_convert(ZONE).tz_localize(None))
        for month, (start, end) in MONTHS.items():
            part = local[(local.index >= start) & (local.index < end) & (local.index <= READ_OUT)]
            path = folder / "downloads" / name / f"{name}_{month}.{'txt' if name == 'Z1' else 'csv'}"
            path.parent.mkdir(parents=True, exist_ok=True)
            path.write_bytes(LAYOUTS[name](part, made))
        truths[name] = truth(made, name)
    (folder / "truth.json").write_text(json.dumps(truths, indent=2) + "\n", encoding="utf-8")


def truth(made: Simulation, unit: str) -> dict[str, Any]:
    """What really happened: cause, onset, end, and the minutes each probe was truly outside, from its course every 10 s."""
    condition = conditions.get("frozen" if unit == "Z1" else "refrigerated")
    row: dict[str, Any] = {"cause": made.cause, "onset": None if made.onset is None else made.onset.isoformat(), "end": None if made.end is None else made.end.isoformat(), "probes": {}}
    if unit == "R1":
        return row
    for probe in made.cabinet.probes:
        course = made.truth[f"probe_{probe.name}"].to_numpy()
        row["probes"][probe.name] = {
            side: round(float(condition.outside(course, side).sum()) * simulation.STEP_S / 60.0, 2) for side in ("above", "below")
        } | {"lowest_c": round(float(course.min()), 3), "highest_c": round(float(course.max()), 3)}  # fmt: skip
    return row


def _f2(part: pd.DataFrame, made: Simulation) -> bytes:
    """Semicolons, decimal comma, day first, date and time apart, a preamble, an event block at the end."""
    rows = ["Serial number;TB-20417", "Unit;F2 dispensary", "Interval;5 min", "", "No.;Date;Time;Upper shelf [°C];Return air [°C]"]
    for n, (time, upper, air) in enumerate(zip(part.index, part["upper"], part["return"], strict=True), 1):
        rows.append(f"{n};{time:%d.%m.%Y};{time:%H:%M:%S};{_comma(upper)};{_comma(air)}")
    events = _high_alarms(part["upper"], 8.0, 10)
    if events:
        rows += ["", "Events"] + [f"{time:%d.%m.%Y};{time:%H:%M:%S};{text}" for time, text in events]
    return ("\r\n".join(rows) + "\r\n").encode("utf-8-sig")


def _comma(value: float) -> str:
    return "---" if np.isnan(value) else f"{value:.1f}".replace(".", ",")


def _high_alarms(series: pd.Series, limit_c: float, delay_min: int) -> list[tuple[pd.Timestamp, str]]:
    """The logger's own alarm list: beyond the limit for the delay, and back inside."""
    events: list[tuple[pd.Timestamp, str]] = []
    since: pd.Timestamp | None = None
    ringing = False
    for time, value in zip(timeline.times_of(series), series, strict=True):
        out = value > limit_c
        since = (since or time) if out else None
        if since is not None and not ringing and time - since >= pd.Timedelta(minutes=delay_min):
            events.append((time, "Alarm high, Upper shelf"))
            ringing = True
        if not out and ringing:
            events.append((time, "Alarm end, Upper shelf"))
            ringing = False
    return events


def _f1(part: pd.DataFrame, made: Simulation) -> bytes:
    """Commas, month first with a 12 h clock, degrees Fahrenheit."""
    rows = ["Reading,Date/Time,Probe 1 (°F)"]
    fahrenheit = physics.celsius_to_fahrenheit(part["probe"].to_numpy())
    rows += [f"{n},{time.month}/{time.day}/{time.year} {time:%I:%M:%S %p},{value:.1f}" for n, (time, value) in enumerate(zip(part.index, fahrenheit, strict=True), 1)]
    return ("\n".join(rows) + "\n").encode("cp1252")


def _z1(part: pd.DataFrame, made: Simulation) -> bytes:
    """Tabs, ISO times without offset, a comment line."""
    rows = ["# Freezer Z1, readings every 10 min", "Timestamp\tBasket (C)\tAir (C)"]
    rows += [f"{time:%Y-%m-%dT%H:%M:%S}\t{basket:.1f}\t{air:.1f}" for time, basket, air in zip(part.index, part["basket"], part["air"], strict=True)]
    return ("\n".join(rows) + "\n").encode("utf-8")


def _r1(part: pd.DataFrame, made: Simulation) -> bytes:
    """Commas, UTC with Z."""
    utc = timeline.times_of(part).tz_localize(ZONE).tz_convert("UTC")
    rows = ["time,Room [°C]"] + [f"{time:%Y-%m-%dT%H:%M:%SZ},{value:.1f}" for time, value in zip(utc, part["room"], strict=True)]
    return ("\n".join(rows) + "\n").encode("utf-8")


# What the people of Tern Bay entered, in order: minutes after the first entry, who, field, answer.
CASE = "2026-014"
FIRST_ENTRY = dt.datetime(2026, 3, 9, 9, 12, tzinfo=dt.UTC)
ENTERED = (
    (0, "M. Alder", "immediate.marked", "Yes, all three shelves carry a do-not-use sign."),
    (1, "M. Alder", "immediate.where", "In F2, where it was; F2 has been back in range since Saturday 02:35."),
    (2, "M. Alder", "immediate.condition", "Yes, 4.3 °C on the display at 08:44 and in the download."),
    (2, "M. Alder", "immediate.by", "M. Alder, seen by J. Fenn"),
    (3, "M. Alder", "immediate.when", "Monday 9 March 2026, 08:50"),
    (3, "M. Alder", "immediate.logger", "Yes, at 09:05; the alarm sign was not cleared before."),
    (4, "M. Alder", "immediate.informed", "Pharmacist on duty and the programme's office, 09:10"),
    (5, "M. Alder", "found.how", "Alarm sign on the logger's display on arrival"),
    (5, "M. Alder", "found.by", "M. Alder"),
    (5, "M. Alder", "found.when", "Monday 9 March 2026, 08:40"),
    (95, "M. Alder", "why.1", "F2 had no power from Friday night until early Saturday."),
    (97, "M. Alder", "why.2", "The mains in Harbour Street were off; the network operator confirms 21:30 to 02:10."),
    (99, "M. Alder", "why.3", "F2 is not on the emergency supply, and its alarm does not leave the building."),
    (104, "M. Alder", "group.power", "Mains off for 4 h 40 min; no emergency supply on the dispensary circuit."),
    (106, "M. Alder", "group.monitoring", "The alarm sounds in an empty building at night; nobody is called."),
    (110, "M. Alder", "cause.root", "Power cut in the street; no emergency supply and no alarm that reaches a person out of hours."),
    (112, "M. Alder", "cause.reasons", "Network operator's notice and the time match the trace; both probes rose together, slowly. Nothing speaks against it."),
    (130, "J. Fenn", "risk", "Three lots were exposed or present that day; makers A and C are asked, lot TBI-0911 had left before."),
    (133, "J. Fenn", "class", "major"),
    (133, "J. Fenn", "class.reason", "Vaccine out of range for hours, seen after two days."),
)


def write_entries(folder: Path) -> None:
    """Write the case's entries.jsonl afresh, as its people would have through the forms."""
    (folder / entries.FILE).unlink(missing_ok=True)
    for minutes, who, field, answer in ENTERED:
        entries.append(folder, who=who, field=field, new=answer, now=FIRST_ENTRY + dt.timedelta(minutes=minutes))


LAYOUTS = {"F1": _f1, "F2": _f2, "Z1": _z1, "R1": _r1}


if __name__ == "__main__":
    write(Path(sys.argv[1]))
    write_entries(Path(sys.argv[1]) / "cases" / CASE)
