"""Is the record believable: tests that flag readings and never delete one.

The tests on a bare Series are ``quality.gross_range``, ``quality.spike`` and so on; :func:`run` applies them to a Trace with
thresholds from the probe's role, declared time constant and resolution; :func:`faults` turns flags into one readable line each;
:func:`believable` answers the question in one line.

An excursion is evidence, not an outlier: warm-up in a power cut, a door opening and a defrost are within what a probe can do.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from types import MappingProxyType
from typing import Any, NamedTuple, TypedDict

import numpy as np
import pandas as pd

from coldchain_kit.model import FAIL, GOOD, MISSING, NOT_EVALUATED, SUSPECT, Condition, ConflictRow, Notice, Trace, roll_up, rows_of
from coldchain_kit.quality import lone, pairs, repeat, resolution, response, series, steps, stillness, straight, witness
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
# Readings this close together [min] do not go up and down with the compressor: there noise counts from under half the
# accuracy of a logger (0.5 °C, FACTS B9) and the usual range of twelve readings on; else from the least step of the
# probe, a degree or more, and twice that range. Own rule, no source; sound simulated cabinets stay below 0.42 of
# that range by the minute and reach 3.6 times it every 15 min.
QUICK_MIN, QUICK_NOISE_C, QUICK_RANGES, RANGES = 2.0, 0.2, 1.0, 2.0
UNKNOWN_RESOLUTION_C = 0.5  # coarsest usual step: where a record never changes, its resolution is not known


def run(
    trace: Trace,
    *,
    logger: Logger | None = None,
    others: Mapping[str, Trace] | None = None,
    notices: Sequence[Notice] = (),
    condition: Condition | None = None,
    dated: Sequence[pd.Timestamp] = (),
    channels: Mapping[str, pd.Series] = MappingProxyType({}),
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
    channels : mapping of name -> Series, optional
        The unit's other channels; those of kind power tell of a probe that stands still while the power is off.

    Returns
    -------
    Trace with columns gross_range, end_value, spike, rate, flat_line, stillness, straight, lone, shift, noise,
    repeated, resolution and, where they could run, disagreement, unit_mixup, clock; its last Step holds the thresholds.

    Examples
    --------
    >>> times = pd.date_range("2026-03-01", periods=6, freq="5min", tz="UTC")
    >>> done = run(Trace.of(pd.Series([5.0, 5.1, 850.0, 5.1, 5.0, None], index=times, dtype="float64")))
    >>> rolled(done).tolist(), impossible(done).tolist()
    ([1, 1, 4, 1, 1, 9], [False, False, True, False, False, False])
    """
    seen = {name: _see(other) for name, other in (others or {}).items()}
    return _run(trace, _see(trace), seen, _Given(logger, notices, condition, dated, channels, others or {}), {})


def run_all(
    traces: Mapping[str, Trace],
    *,
    logger: Logger | Mapping[str | None, Logger] | None = None,
    notices: Sequence[Notice] = (),
    condition: Condition | None = None,
    dated: Sequence[pd.Timestamp] | Mapping[str | None, Sequence[pd.Timestamp]] = (),
    channels: Mapping[str, pd.Series] = MappingProxyType({}),
) -> dict[str, Trace]:
    """Every probe of a unit through :func:`run`, each with all others beside it; the work they share is done once.

    ``logger``, ``dated``: one for all, or by the name of the probe's logger (None where it has no name). A notice about another logger does
    not concern it.
    """
    kept: response.Kept = {}
    seen = {name: _see(trace) for name, trace in traces.items()}
    beside = {name: {k: t for k, t in traces.items() if k != name} for name in traces}
    given = {
        name: _Given(
            logger_of(trace, logger), [row for row in notices if row.get("logger") in (None, trace.probe.logger)], condition,
            dated.get(trace.probe.logger, ()) if isinstance(dated, Mapping) else dated, channels, beside[name],
        )
        for name, trace in traces.items()
    }  # fmt: skip
    return {name: _run(trace, seen[name], {k: seen[k] for k in beside[name]}, given[name], kept) for name, trace in traces.items()}



class _Span(TypedDict):
    """First and last position of a finding, whatever else it says."""

    first: int
    last: int


class _Seen(NamedTuple):
    """What several tests need of one probe's readings."""

    line: series.Course
    step_c: float | None
    hours: pairs.Hours
    runs: pd.DataFrame  # every still run
    stands: pd.DataFrame  # those of two hours and more


class _Given(NamedTuple):
    """What the tests are told beside the readings (see :func:`run`)."""

    logger: Logger | None
    notices: Sequence[Notice]
    condition: Condition | None
    dated: Sequence[pd.Timestamp]
    channels: Mapping[str, pd.Series]
    others: Mapping[str, Trace]


def _see(trace: Trace) -> _Seen:
    line = series.course(trace.as_read_c)
    still_runs = series.still(line)
    stands = still_runs[still_runs["minutes"] >= 60.0 * pairs.STILL_HOURS].reset_index(drop=True)
    step_c = trace.probe.resolution_c or resolution_c(line.value)
    return _Seen(line, step_c, pairs.course_hours(line, resolution_c=step_c), still_runs, stands)


def _comparable(trace: Trace, others: Mapping[str, Trace]) -> dict[str, Trace]:
    return {name: other for name, other in others.items() if "room" not in (other.probe.role, trace.probe.role)}


def _run(trace: Trace, own: _Seen, beside: Mapping[str, _Seen], given: _Given, kept: response.Kept) -> Trace:
    near = {name: beside[name] for name in _comparable(trace, given.others)}
    line, known = own.line, own.step_c or UNKNOWN_RESOLUTION_C
    apart: list[response.ApartRow] = []
    span, span_from = span_c(trace, given.logger, line.value)
    far = steps.reach(trace.probe, line.value[(line.value >= span[0]) & (line.value <= span[1])], resolution_c=own.step_c)
    difference = np.diff(line.value)
    swing = series.out_and_back(difference) if len(difference) > 1 else np.zeros(0)
    codes = {
        "gross_range": series.range_codes(line, span),
        "end_value": series.end_codes(line)[0],
        "spike": steps.spike_codes(line, difference, swing, far),
        "rate": steps.rate_codes(line, difference, far),
        "repeated": repeat.repeat_codes(line)[0],
        "lone": lone.lone_codes(line, difference, step_c=own.step_c)[0],
    }
    one_sided = trace.readings["one_sided"].to_numpy()[line.at]  # held at the end of the range: that is told for itself
    codes["lone"] = np.where((one_sided != 0) & (codes["lone"] == SUSPECT), GOOD, codes["lone"]).astype(np.int8)
    codes["noise"] = _noise(line, codes["lone"] == SUSPECT, swing, far, own.step_c)
    codes["shift"] = lone.shift_codes(line, difference, codes["lone"] == SUSPECT, step_c=own.step_c)[0]
    codes["resolution"], _, changes = resolution.resolution_codes(line, dated=given.dated)
    limits = given.condition if trace.probe.role != "room" else None
    codes["flat_line"], stands = _still(own, list(near.values()), limits)
    codes["stillness"], odd = _stillness(own, beside, given.channels, one_sided)
    codes["straight"], drawn = straight.straight_codes(line, step_c=own.step_c)
    if near:
        found = {name: response.apart(own.hours, _testimony(other, own), resolution_c=known, lines=(line, other.line), kept=kept) for name, other in near.items()}
        codes["disagreement"] = response.apart_codes(line, list(found.values()))[0]
        apart = response.told(found)
    flags = {name: series.spread(line, found) for name, found in codes.items()}
    flags |= _whole_columns(trace, given.condition, given.notices)
    held: list[_Span] = [*stands, *odd, *drawn]
    for row in held:
        row["first"], row["last"] = int(line.at[row["first"]]), int(line.at[row["last"]])
    changed_steps = [{**change._asdict(), "at": int(line.at[change.at])} for change in changes]
    arguments: dict[str, Any] = {
        "span_c": list(span), "span_from": span_from, "resolution_c": own.step_c, "resolution_from": "register" if trace.probe.resolution_c else "record",
        "reach": {name: float(value) for name, value in far._asdict().items()}, "stands": stands, "others": sorted(near), "required": list(REQUIRED),
        **_found(still=odd, straight=drawn, apart=apart, resolution_changes=changed_steps),
    }  # fmt: skip
    table = pd.DataFrame({**{name: trace.flags[name] for name in trace.flags.columns if name not in flags}, **flags}, index=trace.readings.index)
    sided = trace.readings["one_sided"].to_numpy() != 0
    if sided.any():
        table.loc[sided, list(flags)] = np.int8(NOT_EVALUATED)  # no number, so nothing was tested (CONTRACTS rule 9)
    changed = int(np.any([(column == SUSPECT) | (column == FAIL) for column in flags.values()], axis=0).sum())
    return trace.stepped("quality.run", arguments, changed, flags=table)


def _found(**rows: Sequence[Mapping[str, object]]) -> dict[str, Sequence[Mapping[str, object]]]:
    """The findings that there are."""
    return {name: found for name, found in rows.items() if found}


def _noise(
    line: series.Course, alone: np.ndarray, swing: np.ndarray, far: steps.Reach, step_c: float | None
) -> np.ndarray:
    """Codes of noise; readings that stand alone are left out of it, they are told for themselves."""
    quick = response.step_min(line) <= QUICK_MIN
    floor_c = max(QUICK_NOISE_C, steps.LEAST_STEPS * (step_c or UNKNOWN_RESOLUTION_C)) if quick else far.least_c
    if alone.any():
        between = np.interp(line.minute, line.minute[~alone], line.value[~alone])
        line = line._replace(value=np.where(alone, between, line.value))
        swing = series.out_and_back(np.diff(line.value))
    codes = series.noise_codes(line, floor_c=floor_c, ranges=QUICK_RANGES if quick else RANGES, swing=swing)[0]
    return np.where(alone & (codes == SUSPECT), GOOD, codes).astype(np.int8)


def _testimony(other: _Seen, own: _Seen) -> pairs.Hours:
    """The other probe's hours without those in which it is itself held to be stuck."""
    stuck = np.zeros(len(other.hours.mean_c), dtype=bool)
    odd = stillness.habit(other.line, other.runs, step_c=other.step_c).odd
    held: list[_Span] = [*_still(other, [own], None)[1], *rows_of(other.runs[odd], _Span)]
    for row in held:
        first, last = (int(other.line.minute[at] // 60) - other.hours.first for at in (row["first"], row["last"]))
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
        outside_h=(scale * STILL_OUTSIDE_H[0], scale * STILL_OUTSIDE_H[1]), rests=stillness.resting(table),
    )  # fmt: skip


def _stillness(
    own: _Seen, beside: Mapping[str, _Seen], channels: Mapping[str, pd.Series], one_sided: np.ndarray
) -> tuple[np.ndarray, list[stillness.OddRun]]:
    """Codes of readings that stand still longer than usual here; findings (positions of those with a value)."""
    runs = own.runs if not one_sided.any() else own.runs[one_sided[own.runs["first"]] == 0]
    power = witness.power_off([series for series in channels.values() if series.attrs.get("kind") == "power"])
    hours = {name: other.hours for name, other in beside.items()}
    known, least = own.step_c or UNKNOWN_RESOLUTION_C, stillness.WITNESS_FLOOR_MIN
    moved = witness.of_runs(own.line, runs, hours, power, least_min=least, resolution_c=known)
    return stillness.habit_codes(own.line, runs, moved, step_c=own.step_c)


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
