"""Is the record believable: tests that flag readings and never delete one.

The tests on a bare Series are ``quality.gross_range``, ``quality.spike`` and so on; :func:`run` applies them to a Trace with
thresholds from the probe's role, declared time constant and resolution; :func:`faults` turns flags into one readable line each;
:func:`believable` answers the question in one line.

An excursion is evidence, not an outlier: warm-up in a power cut, a door opening and a defrost are within what a probe can do.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any, NamedTuple

import numpy as np
import pandas as pd

from coldchain_kit.model import FAIL, GOOD, MISSING, NOT_EVALUATED, SUSPECT, Condition, ConflictRow, Notice, Trace, roll_up
from coldchain_kit.quality import pairs, repeat, resolution, response, series, steps
from coldchain_kit.quality.findings import believable, faults, logger_of, unit_mixup
from coldchain_kit.quality.repeat import repeated
from coldchain_kit.quality.resolution import resolution_change
from coldchain_kit.quality.response import disagreement, lag_min
from coldchain_kit.quality.series import end_value, flat_line, gap, gross_range, noise, rate_of_change, resolution_c, spike
from coldchain_kit.register import Logger

__all__ = [
    "IMPOSSIBLE", "REQUIRED", "at_odds", "believable", "disagreement", "end_value", "faults", "flat_line", "gap", "gross_range", "impossible", "lag_min", "noise",
    "rate_of_change", "repeated", "resolution_c", "resolution_change", "rolled", "run", "run_all", "spike", "unit_mixup",
]  # fmt: skip

# A reading is good only where these could judge it. The others judge what they can (a first day without history, the first and last
# reading of a spike test) and count where they find something.
REQUIRED = ("gross_range", "rate")
# A 4 of these means that the reading cannot be true: excursions that rest on such readings are "faulty".
IMPOSSIBLE = ("gross_range", "end_value", "spike", "rate", "flat_line")
# Where no measuring range is declared: outside this no sensor of a cold store can be [°C]; the second where the record itself is colder
# than -60 °C most of the time (dry ice, liquid nitrogen). Common practice, no source.
SPAN_C, COLD_SPAN_C, COLD_C = (-100.0, 100.0), (-200.0, 100.0), -60.0
# Standing still, in hours (suspect, fail) for a resolution of 0.1 °C, in proportion to it from 0.01 to 1 °C: a well buffered probe in a good
# refrigerator stands still for most of a day. Common practice, no source.
STILL_H, STILL_OUTSIDE_H = (48.0, 144.0), (12.0, 48.0)
STILL_RESOLUTION_C = 0.1
# Readings this close together [min] do not go up and down with the compressor: there noise counts from half a degree [°C] (common practice, no
# source; none in simulated refrigerators and freezers), else from the least step of the probe, a degree or more.
QUICK_MIN, QUICK_NOISE_C = 2.0, 0.5
UNKNOWN_RESOLUTION_C = 0.5  # coarsest usual step: where a record never changes, its resolution is not known


def run(
    trace: Trace,
    *,
    logger: Logger | None = None,
    others: Mapping[str, Trace] | None = None,
    notices: Sequence[Notice] = (),
    condition: Condition | None = None,
    dated: Sequence[pd.Timestamp] = (),
) -> Trace:
    """The trace with one flag column for each test that ran. The tests look at the values as read; one-sided readings are not evaluated.

    Parameters
    ----------
    trace : Trace
    logger : Logger, optional
        Its measuring range, where the probe states none.
    others : mapping of name -> Trace, optional
        The unit's other probes; room probes are not compared.
    notices : sequence of dict, optional
        Findings of the clock: readings in a span shorter than half the record become suspect in the column "clock".
    condition : Condition, optional
        For values that stand still outside the limits and for a unit mix-up.
    dated : sequence of Timestamp, optional
        UTC instants at which the register says that a setting of the logger changed: they explain another step of the values.

    Returns
    -------
    Trace with columns gross_range, end_value, spike, rate, flat_line, noise, repeated, resolution and, where they could run, disagreement, unit_mixup,
    clock; its last Step holds every threshold.

    Examples
    --------
    >>> times = pd.date_range("2026-03-01", periods=6, freq="5min", tz="UTC")
    >>> done = run(Trace.of(pd.Series([5.0, 5.1, 850.0, 5.1, 5.0, None], index=times, dtype="float64")))
    >>> rolled(done).tolist(), impossible(done).tolist()
    ([1, 1, 4, 1, 1, 9], [False, False, True, False, False, False])
    """
    return _run(trace, _see(trace), {name: _see(other) for name, other in _comparable(trace, others or {}).items()}, logger, notices, condition, dated, {})


def run_all(
    traces: Mapping[str, Trace],
    *,
    logger: Logger | Mapping[str | None, Logger] | None = None,
    notices: Sequence[Mapping[str, Any]] = (),
    condition: Condition | None = None,
    dated: Sequence[pd.Timestamp] | Mapping[str | None, Sequence[pd.Timestamp]] = (),
) -> dict[str, Trace]:
    """Every probe of a unit through :func:`run`, each with all others beside it; the work they share is done once.

    ``logger``, ``dated``: one for all, or by the name of the probe's logger (None where it has no name). A notice about another logger does
    not concern it.
    """
    kept: dict = {}
    seen = {name: _see(trace) for name, trace in traces.items()}
    beside = {name: {k: t for k, t in traces.items() if k != name} for name in traces}
    return {
        name: _run(
            trace, seen[name], {k: seen[k] for k in _comparable(trace, beside[name])}, logger_of(trace, logger),
            [row for row in notices if row.get("logger") in (None, trace.probe.logger)], condition,
            dated.get(trace.probe.logger, ()) if isinstance(dated, Mapping) else dated, kept,
        )
        for name, trace in traces.items()
    }  # fmt: skip


class _Seen(NamedTuple):
    """What several tests need of one probe's readings."""

    line: series.Course
    step_c: float | None
    hours: pairs.Hours
    stands: pd.DataFrame


def _see(trace: Trace) -> _Seen:
    line = series.course(trace.as_read_c)
    stands = series.still(line)
    stands = stands[stands["minutes"] >= 60.0 * pairs.STILL_HOURS].reset_index(drop=True)
    step_c = trace.probe.resolution_c or resolution_c(line.value)
    return _Seen(line, step_c, pairs.course_hours(line, resolution_c=step_c), stands)


def _comparable(trace: Trace, others: Mapping[str, Trace]) -> dict[str, Trace]:
    return {name: other for name, other in others.items() if "room" not in (other.probe.role, trace.probe.role)}


def _run(
    trace: Trace,
    own: _Seen,
    near: Mapping[str, _Seen],
    logger: Logger | None,
    notices: Sequence[Notice],
    condition: Condition | None,
    dated: Sequence[pd.Timestamp],
    kept: response.Kept,
) -> Trace:
    line, known, apart = own.line, own.step_c or UNKNOWN_RESOLUTION_C, []
    span, span_from = span_c(trace, logger, line.value)
    far = steps.reach(trace.probe, line.value[(line.value >= span[0]) & (line.value <= span[1])], resolution_c=own.step_c)
    difference = np.diff(line.value)
    swing = series.out_and_back(difference) if len(difference) > 1 else np.zeros(0)
    codes = {
        "gross_range": series.range_codes(line, span),
        "end_value": series.end_codes(line)[0],
        "spike": steps.spike_codes(line, difference, swing, far),
        "rate": steps.rate_codes(line, difference, far),
        "noise": series.noise_codes(line, floor_c=_noise_floor_c(line, far, own.step_c), swing=swing)[0],
        "repeated": repeat.repeat_codes(line)[0],
    }
    codes["resolution"], _, changes = resolution.resolution_codes(line, dated=dated)
    codes["flat_line"], stands = _still(own, list(near.values()), condition if trace.probe.role != "room" else None)
    if near:
        found = {name: response.apart(own.hours, _testimony(other, own), resolution_c=known, lines=(line, other.line), kept=kept) for name, other in near.items()}
        codes["disagreement"] = response.apart_codes(line, list(found.values()))[0]
        apart = response.told(found)
    flags = {name: series.spread(line, found) for name, found in codes.items()} | _whole_columns(trace, condition, notices)
    for row in stands:
        row["first"], row["last"] = int(line.at[row["first"]]), int(line.at[row["last"]])
    arguments = {
        "span_c": list(span), "span_from": span_from, "resolution_c": own.step_c, "resolution_from": "register" if trace.probe.resolution_c else "record",
        "reach": {name: float(value) for name, value in far._asdict().items()}, "stands": stands, "others": sorted(near), "required": list(REQUIRED),
        **({"apart": apart} if apart else {}), **({"resolution_changes": [{**row._asdict(), "at": int(line.at[row.at])} for row in changes]} if changes else {}),
    }  # fmt: skip
    table = pd.DataFrame({**{name: trace.flags[name] for name in trace.flags.columns if name not in flags}, **flags}, index=trace.readings.index)
    sided = trace.readings["one_sided"].to_numpy() != 0
    if sided.any():
        table.loc[sided, list(flags)] = np.int8(NOT_EVALUATED)  # no number, so nothing was tested (CONTRACTS rule 9)
    changed = int(np.any([(column == SUSPECT) | (column == FAIL) for column in flags.values()], axis=0).sum())
    return trace.stepped("quality.run", arguments, changed, flags=table)


def _noise_floor_c(line: series.Course, far: steps.Reach, step_c: float | None) -> float:
    quick = response.step_min(line) <= QUICK_MIN
    return max(QUICK_NOISE_C, steps.LEAST_STEPS * (step_c or UNKNOWN_RESOLUTION_C)) if quick else far.least_c


def _testimony(other: _Seen, own: _Seen) -> pairs.Hours:
    """The other probe's hours without those in which it is itself held to be stuck."""
    stuck = np.zeros(len(other.hours.mean_c), dtype=bool)
    for row in _still(other, [own], None)[1]:
        first, last = (int(other.line.minute[row[key]] // 60) - other.hours.first for key in ("first", "last"))
        stuck[first : last + 1] = True
    return pairs.Hours(*other.hours[:2], *(np.where(stuck, np.nan, column) for column in other.hours[2:]))


def span_c(trace: Trace, logger: Logger | None, value: np.ndarray) -> tuple[tuple[float, float], str]:
    """The range outside which a reading is impossible [°C] and where it is from: probe, logger or common practice."""
    if trace.probe.span_c:
        return trace.probe.span_c, "probe"
    if logger is not None and logger.range_c:
        return logger.range_c, "logger"
    cold = len(value) > 0 and float(np.median(value[:: max(1, len(value) // 20_000)])) < COLD_C
    return (COLD_SPAN_C if cold else SPAN_C), "common practice"


def _still(own: _Seen, near: Sequence[_Seen], condition: Condition | None) -> tuple[np.ndarray, list[pairs.Stand]]:
    """Codes of readings that stand still too long, and what was found (positions among the readings with a value)."""
    step_c, table = own.step_c or UNKNOWN_RESOLUTION_C, own.stands
    scale = min(max(step_c / STILL_RESOLUTION_C, 0.1), 10.0)
    outside = None if condition is None else condition.outside(table["value"], "above") | condition.outside(table["value"], "below")
    return pairs.still_codes(
        own.line, table, [other.hours for other in near], resolution_c=step_c, limits_h=(scale * STILL_H[0], scale * STILL_H[1]), outside=outside,
        outside_h=(scale * STILL_OUTSIDE_H[0], scale * STILL_OUTSIDE_H[1]),
    )  # fmt: skip


def _whole_columns(trace: Trace, condition: Condition | None, notices: Sequence[Notice]) -> dict[str, np.ndarray]:
    """Flag columns that concern whole downloads or spans: unit_mixup and clock."""
    index, missing, columns = trace.readings.index, trace.as_read_c.isna().to_numpy(), {}
    if condition is not None:
        column = np.full(len(index), GOOD, dtype=np.int8)
        for row in unit_mixup(trace, condition):
            column[(trace.readings["source"].to_numpy() == row["source"]) & (index >= row["start"]) & (index <= row["end"])] = SUSPECT
        columns["unit_mixup"] = column
    spans = [(first, last) for row in notices if row["kind"] == "clock" and (first := row["start"]) is not None and (last := row["end"]) is not None and row["readings"]]
    if spans:
        column = np.full(len(index), GOOD, dtype=np.int8)
        for first, last in spans:
            inside = slice(index.searchsorted(first), index.searchsorted(last, side="right"))
            if 2 * (inside.stop - inside.start) < len(index):
                column[inside] = SUSPECT
        columns["clock"] = column
    for column in columns.values():
        column[missing] = MISSING
    return columns


def at_odds(trace: Trace, conflicts: Sequence[ConflictRow[pd.Timestamp]]) -> Trace:
    """The trace with its kept readings that others contradict (rows of CONTRACTS ``conflicts[]``) marked suspect in the column "conflict"."""
    times = pd.DatetimeIndex([row["time"] for row in conflicts if row["probe"] == trace.probe.name and row["kept"] and row["time"] is not None], tz="UTC")
    if not len(times):
        return trace
    hit = trace.readings.index.isin(times.as_unit("us"))
    column = np.where(trace.heard.isna(), MISSING, np.where(hit, SUSPECT, GOOD)).astype("int8")
    return trace.stepped("quality.at_odds", {}, int(hit.sum()), flags=trace.flags.assign(conflict=column))


def rolled(trace: Trace) -> pd.Series:
    """One flag a reading: 9, else the worst of 4, 3, 2 (where one of ``REQUIRED`` could not judge), else 1."""
    return roll_up(trace.flags, required=REQUIRED)


def impossible(trace: Trace) -> np.ndarray:
    """Readings that cannot be true: a 4 of one of ``IMPOSSIBLE``."""
    mask = np.zeros(len(trace.readings), dtype=bool)
    for name in IMPOSSIBLE:
        if name in trace.flags:
            mask |= trace.flags[name].to_numpy() == FAIL
    return mask
