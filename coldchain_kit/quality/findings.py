"""Flags turned into faults: one readable line each, with the span it concerns; and the answer to "is the record believable"."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from typing import Literal, TypedDict

import numpy as np
import pandas as pd

from coldchain_kit.model import FAIL, SUSPECT, CalibrationRow, Condition, FaultKind, FaultRow, GapRow, Notice, Trace, Unit, one_sided, rows_of, timeline
from coldchain_kit.quality import pairs, stated, uncertainty
from coldchain_kit.quality.resolution import TIMES
from coldchain_kit.quality.sentences import TEXTS, arguments_of, as_shown, count, duration, look_at
from coldchain_kit.quality.series import runs
from coldchain_kit.register import Logger

# Flag column -> kind of fault (CONTRACTS faults[]).
KINDS: dict[str, FaultKind] = {
    "gross_range": "range", "end_value": "range", "spike": "spike", "rate": "rate", "noise": "spike",
    "flat_line": "flat_line", "stillness": "flat_line", "straight": "flat_line", "lone": "spike", "shift": "rate",
    "repeated": "repeated", "disagreement": "disagreement",
}  # fmt: skip
LEAST_STEP_C = 0.15  # a step of 0.1 °C or °F under a finer declared one moves U by no more than 0.03 °C: not told
NO_BAD_QUALITY = ("gap", "no_value")  # alone they leave a record incomplete, not unbelievable (CONTRACTS rule 11)
# Readings that a line above told about already need no second one.
TOLD_ONCE = ("spike", "rate", "noise", "flat_line", "stillness", "straight", "lone", "shift")
NEVER_JOINED = ("flat_line", "stillness", "straight", "shift", "repeated")
JOIN_READINGS = 12  # flagged readings this few apart make one line
MOST_LINES, WIDER_JOINS = 60, (12, 100, 1000, 10_000)  # more lines of one kind than a person reads are joined over wider distances
# A download fits its condition only in the other unit: hardly any reading inside as read, most of them when read in the other unit.
# Common practice, no source.
MIXUP_INSIDE, MIXUP_OTHER, MIXUP_READINGS = 0.05, 0.75, 12
# Within a download: a jump of at least this many degrees that is this near to the same temperature in the other unit [°C]. Own rule, no source.
MIXUP_JUMP_C, MIXUP_NEAR_C = 8.0, 2.0
ROOM_C = (5.0, 40.0)  # a room probe is compared with this instead
COVERED_ENOUGH, COVERED_LEAST, BAD_MOST = 0.995, 0.5, 0.25
Answer = Literal["complete", "usable with limits", "not usable"]


class _Found(TypedDict):
    """A fault of one trace: a row of faults without its unit and probe."""

    start: pd.Timestamp
    end: pd.Timestamp
    kind: FaultKind
    readings: int
    text: str


class Mixup(_Found):
    """The same of one download, by its number among the sources."""

    source: int


def faults(
    unit: Unit,
    *,
    condition: Condition,
    logger: Logger | Mapping[str | None, Logger] | None = None,
    start: pd.Timestamp | None = None,
    end: pd.Timestamp | None = None,
) -> list[FaultRow[pd.Timestamp]]:
    """Everything wrong with a unit's record in a half-open window: rows {unit, probe, start, end, kind, readings, text}.

    ``start``, ``end`` are UTC Timestamps (None where a notice has none), ``probe`` None where the finding concerns the whole download.
    Rows that only touch time outside the window are left out; the rows are in order of time, probe and kind.
    """
    rows = [_notice(unit, notice) for notice in unit.notices]
    for trace in unit.traces.values():
        rows += [{"unit": unit.name, "probe": trace.probe.name, **row} for row in _of_trace(trace, condition, logger_of(trace, logger), start, end)]
    rows += stated.contradictions(unit, condition=condition, logger=logger)
    rows = [row for row in rows if _touches(row, start, end)]
    return in_order(rows)


def in_order(rows: Iterable[FaultRow[pd.Timestamp]]) -> list[FaultRow[pd.Timestamp]]:
    """Faults in order of time, probe and kind."""
    return sorted(rows, key=lambda row: (str(row["start"]), str(row["probe"]), row["kind"], row["text"]))


def logger_of(trace: Trace, logger: Logger | Mapping[str | None, Logger] | None) -> Logger | None:
    """The logger of a probe: the one there is, or that of its name."""
    return logger.get(trace.probe.logger) if isinstance(logger, Mapping) else logger


def _notice(unit: Unit, notice: Notice) -> FaultRow[pd.Timestamp]:
    return {
        "unit": unit.name, "probe": notice.get("probe"), "start": notice.get("start"), "end": notice.get("end"), "kind": notice["kind"],
        "readings": int(notice.get("readings") or 0), "text": notice["text"],
    }  # fmt: skip


def _touches(row: FaultRow[pd.Timestamp], start: pd.Timestamp | None, end: pd.Timestamp | None) -> bool:
    first, last = row["start"], row["end"]
    return (last is None or start is None or last >= start) and (first is None or end is None or first < end)


def _of_trace(trace: Trace, condition: Condition, logger: Logger | None, start: pd.Timestamp | None, end: pd.Timestamp | None) -> Iterable[_Found]:
    index = timeline.times_of(trace.readings)
    told = np.zeros(len(index), dtype=bool)
    look = look_at(trace)
    for name, kind in KINDS.items():
        if name not in trace.flags:
            continue
        codes = trace.flags[name].to_numpy()
        bad = (codes == SUSPECT) | (codes == FAIL)
        for first, last in _lines(bad, join=0 if name in NEVER_JOINED else JOIN_READINGS):
            here = first + np.flatnonzero(bad[first : last + 1])
            if name in TOLD_ONCE and told[here].all():
                continue
            text = TEXTS[name](look, here, codes[here]) + as_shown(look, here, codes[here], logger)
            yield _row(index, first, last, kind, len(here), text)
        told |= bad
    for row in unit_mixup(trace, condition):
        yield {"start": row["start"], "end": row["end"], "kind": row["kind"], "readings": row["readings"], "text": row["text"]}
    yield from _absent(trace, start, end)
    yield from _declared_step(trace)


def _declared_step(trace: Trace) -> Iterable[_Found]:
    """A display step that the register declares and the readings do not keep: theirs is much coarser (CONTRACTS rule 6 takes the declared one)."""
    declared, kept = trace.probe.resolution_c, uncertainty.display_step_c(trace)
    if declared is None or kept is None or kept < TIMES * declared or kept < LEAST_STEP_C:
        return
    text = (
        f"Probe {trace.probe.name}: the register declares a display step of {declared:g} °C, and every reading keeps one of {kept:.2g} °C. By what the readings show the uncertainty is larger "
        f"than the one used: half a step alone is ±{kept / 2:.2g} °C. Correct the register, or find out why the readings are rounded."
    )
    yield _row(timeline.times_of(trace.readings), 0, len(trace.readings) - 1, "resolution", len(trace.readings), text)


def _lines(mask: np.ndarray, *, join: int) -> list[tuple[int, int]]:
    """Runs of a mask, joined over wider distances while there are more than a person reads."""
    found = runs(mask, join=join)
    for wider in WIDER_JOINS:
        if len(found) <= MOST_LINES:
            break
        found = runs(mask, join=max(join, wider))
    return found


def _row(index: pd.DatetimeIndex, first: int, last: int, kind: FaultKind, readings: int, text: str) -> _Found:
    return {"start": index[first], "end": index[last], "kind": kind, "readings": readings, "text": text}


def _absent(trace: Trace, start: pd.Timestamp | None, end: pd.Timestamp | None) -> Iterable[_Found]:
    """no_value, one_sided and gap rows."""
    index, name = timeline.times_of(trace.readings), trace.probe.name
    side, empty = trace.readings["one_sided"].to_numpy(), trace.as_read_c.isna().to_numpy()
    blank = empty & (side == 0)
    for first, last in _lines(blank, join=0):
        empties = int(blank[first : last + 1].sum())
        yield _row(index, first, last, "no_value", empties, f"Probe {name}: {count(empties)} without a value. What the temperature was is not known.")
    for sign in (1, -1):
        for first, last in _lines(side == sign, join=0):
            here = first + np.flatnonzero(side[first : last + 1] == sign)
            yield _row(index, first, last, "one_sided", len(here), f"Probe {name}: {count(len(here))} {_one_sided_text(trace.readings.iloc[here], sign)}")
    yield from _interval(trace)
    if len(index):
        spans = timeline.gaps(trace, start=start if start is not None else index[0], end=end if end is not None else index[-1])
        for row in rows_of(spans, GapRow[pd.Timestamp]):
            text = f"Probe {name}: no readings for {duration(row['minutes'])}. What happened in this time is not known; it does not count as in range."
            yield {"start": row["start"], "end": row["end"], "kind": "gap", "readings": 0, "text": text}


def _one_sided_text(readings: pd.DataFrame, sign: int) -> str:
    """What one-sided readings of one side say: their bound or that there is none, with the file's own text."""
    bound, side = readings["bound_c"].to_numpy(), "above" if sign > 0 else "below"
    own = one_sided.quoted(readings) or ", the end of the declared range,"
    if np.isnan(bound).any():
        return f"{side} what the probe or logger can show{own}: a side and no number. How far {side} is not known."
    return f"{one_sided.WORDS[sign]} {np.max(sign * bound) * sign:.1f} °C{own}: a bound, not a measured temperature. The true one may lie further out."


def _interval(trace: Trace) -> Iterable[_Found]:
    """Stretches with a coarser regular step than the interval in force that nothing states (CONTRACTS rule 4)."""
    coarse = timeline.pairs(trace).coarse
    if not coarse.any():
        return
    steps = timeline.steps(trace)
    for first, last in _lines(coarse, join=JOIN_READINGS):
        here = steps.iloc[first : last + 1]
        here = here[here["coarse"]]
        text = (
            f"Probe {trace.probe.name}: from {here['start'].iloc[0]:%Y-%m-%d %H:%M} UTC on {count(len(here) + 1)} stand {here['minutes'].median():g} min apart instead of "
            f"{here['interval_min'].min():g} min, {_whose(trace, float(here['minutes'].median()))} "
            "Readings may have been left out. This time counts as unknown and proves no minutes."
        )
        yield {"start": here["start"].iloc[0], "end": here["end"].iloc[-1], "kind": "interval", "readings": len(here) + 1, "text": text}


def _whose(trace: Trace, step_min: float) -> str:
    """That nothing states a step, or what states it against the finer one."""
    said = sorted({row.source for one in trace.cadences for row in one.stated if any(abs(given - step_min) <= step_min / 10 for given in row.intervals_min)})
    if not said:
        return "and nothing states it: no setting of the register, no line of the download, no event of the logger."
    named = " and ".join({"register": "the register", "preamble": "the download's preamble"}.get(one, one) for one in said)
    return f"as {named} states, although the download keeps a finer step, or another paper states one: they are at odds."


def unit_mixup(trace: Trace, condition: Condition) -> list[Mixup]:
    """Downloads whose values fit the condition only when read in the other unit: a fault, never a conversion.

    Returns
    -------
    list of rows {source (number), start, end, kind "unit_mixup", readings, text}.

    Cannot see
    ----------
    Single readings in another unit; stretches of fewer than 12 readings; a unit that really was that warm or cold all the time
    looks the same, which is why nothing is converted.

    Examples
    --------
    >>> from coldchain_kit.model import conditions
    >>> times = pd.date_range("2026-03-01", periods=24, freq="h", tz="UTC")
    >>> rows = unit_mixup(Trace.of(pd.Series(40.0, index=times)), conditions.get("refrigerated"))
    >>> len(rows), rows[0]["kind"]
    (1, 'unit_mixup')
    """
    rows: list[Mixup] = []
    if trace.probe.role == "surface" or not len(trace.readings):
        return rows
    values, source = trace.as_read_c.to_numpy(), trace.readings["source"].to_numpy()
    known = np.flatnonzero(np.isfinite(values))
    known = known[np.argsort(source[known], kind="stable")]
    for at in np.split(known, np.flatnonzero(np.diff(source[known])) + 1):
        whole = _fits_other(values[at], trace, condition)
        for first, last, fits in [(0, len(at) - 1, whole)] if whole else _changes(values[at], trace, condition):
            rows.append(_mixed_row(trace, at, first, last, fits))
    return rows


def _fits_other(mine: np.ndarray, trace: Trace, condition: Condition) -> tuple[str, str, np.ndarray] | None:
    """(unit in which the values fit, unit in which they were read, values in the other unit) where they fit in the other unit only."""
    if len(mine) < MIXUP_READINGS or _inside(mine, trace, condition) > MIXUP_INSIDE:
        return None
    ways = (("°F", "°C", (mine - 32.0) / 1.8), ("°C", "°F", mine * 1.8 + 32.0))
    return next(((word, read, other) for word, read, other in ways if _inside(other, trace, condition) >= MIXUP_OTHER), None)


def _changes(values: np.ndarray, trace: Trace, condition: Condition) -> list[tuple[int, int, tuple[str, str, np.ndarray]]]:
    """Stretches of one download that begin or end with a jump from one unit's number to the other's, and fit in the other unit only."""
    before, after = values[:-1], values[1:]
    to_f, to_c = np.abs((after - 32.0) / 1.8 - before), np.abs((before - 32.0) / 1.8 - after)
    jump = (np.abs(after - before) >= MIXUP_JUMP_C) & (np.minimum(to_f, to_c) <= MIXUP_NEAR_C)
    edges = [0, *(np.flatnonzero(jump) + 1).tolist(), len(values)]
    parts = [(first, stop) for first, stop in zip(edges, edges[1:], strict=False) if len(edges) > 2]
    found = [(first, stop - 1, _fits_other(values[first:stop], trace, condition)) for first, stop in parts]
    return [(first, last, fits) for first, last, fits in found if fits is not None]


def _mixed_row(trace: Trace, at: np.ndarray, first: int, last: int, fits: tuple[str, str, np.ndarray]) -> Mixup:
    word, read, other = fits
    number = int(trace.readings["source"].to_numpy()[at[0]])
    file = trace.sources[number].file if number < len(trace.sources) else "the download"
    here = at[first : last + 1]
    mine = trace.as_read_c.to_numpy()[here]
    lines = trace.readings["line"].to_numpy()[here]
    where = f"the values of {file}" if len(here) == len(at) else f"from line {lines[0]} to line {lines[-1]} the values of {file}"
    text = (
        f"Probe {trace.probe.name}: {where}, read as {read}, hardly ever fit the storage condition (middle value {np.median(mine):.1f} °C); "
        f"the same numbers read as {word} would fit it (middle value {np.median(other):.1f} °C). Check the logger's unit of measure. Nothing was converted."
    )
    return {"source": number, **_row(timeline.times_of(trace.readings), here[0], here[-1], "unit_mixup", len(here), text)}


def _inside(values: np.ndarray, trace: Trace, condition: Condition) -> float:
    if trace.probe.role == "room":
        return float(((values >= ROOM_C[0]) & (values <= ROOM_C[1])).mean())
    return float((~(condition.outside(values, "above") | condition.outside(values, "below"))).mean())


def believable(
    unit: Unit,
    *,
    faults: Sequence[FaultRow[pd.Timestamp]],
    start: pd.Timestamp,
    end: pd.Timestamp,
    calibration: Sequence[CalibrationRow] = (),
) -> tuple[Answer, list[str]]:
    """The one-line answer "complete", "usable with limits" or "not usable" for a window, and its reasons in plain words.

    Not usable: no deciding probe; fewer than half of the window covered, or more than a quarter of its readings not believable, for every
    deciding probe; a unit of measure in doubt. Usable with limits: any fault, gap, assumed or overdue calibration, clock that is not verified. Shares: common
    practice, no source.

    Parameters
    ----------
    faults : rows of :func:`faults`
    start, end : UTC, half-open
    calibration : rows of ``calibration.state``

    Examples
    --------
    >>> believable(Unit("F2"), faults=[], start=pd.Timestamp("2026-03-01", tz="UTC"), end=pd.Timestamp("2026-03-02", tz="UTC"))
    ('not usable', ['No probe of this unit is one that product verdicts rest on.'])
    """
    deciding = [trace for trace in unit.traces.values() if trace.probe.decides]
    stops, limits = [], []
    if not deciding:
        stops.append("No probe of this unit is one that product verdicts rest on.")
    worst = [_probe_reasons(trace, start, end) for trace in deciding]
    limits += [text for _, texts in worst for text in texts]
    if deciding and all(bad for bad, _ in worst):
        stops.append("No deciding probe has enough believable readings.")
    names = {trace.probe.name for trace in deciding}
    for kind in dict.fromkeys(row["kind"] for row in faults):
        mine = [row for row in faults if row["kind"] == kind]
        if kind == "unit_mixup" and any(row["probe"] is None or row["probe"] in names for row in mine):
            stops.append("The unit of measure is in doubt: " + mine[0]["text"])
        elif kind not in NO_BAD_QUALITY:
            limits.append(mine[0]["text"] if len(mine) == 1 else f"{len(mine)} findings of the kind '{kind.replace('_', ' ')}'; the first: {mine[0]['text']}")
    limits += [row["text"] for row in calibration if row["overdue"] or row["as_found_out"] or (row["u_from"] == "assumed" and row["probe"] in names)]
    if unit.clock.get("state") == "not_verified":
        limits.append(unit.clock.get("text") or "The logger's clock is not verified.")
    limits += _resolution_reasons(deciding)
    return ("not usable" if stops else "usable with limits" if limits else "complete"), stops + limits


def _probe_reasons(trace: Trace, start: pd.Timestamp, end: pd.Timestamp) -> tuple[bool, list[str]]:
    """Whether a probe's record in the window is too thin or too bad, and what limits it."""
    cover = timeline.coverage(trace, start=start, end=end)["covered_share"] if len(trace.readings) else 0.0
    inside = (trace.readings.index >= start) & (trace.readings.index < end)
    apart = {row["how"] for row in arguments_of(trace).get("apart", ())}
    answers_only = bool(apart) and apart <= set(pairs.ANSWERS)  # its response changed: worth a look, but it still shows a true temperature
    bad, doubtful = np.zeros(len(trace.readings), dtype=bool), np.zeros(len(trace.readings), dtype=bool)
    for name in KINDS:
        if name in trace.flags:
            codes = trace.flags[name].to_numpy()
            hit = (codes == SUSPECT) | (codes == FAIL)
            doubtful |= hit
            if not (name == "disagreement" and answers_only):
                bad |= hit
    share, bad_share = (float(mask[inside].mean()) if inside.any() else 0.0 for mask in (doubtful, bad))
    texts = [] if cover >= COVERED_ENOUGH else [f"Probe {trace.probe.name}: readings cover {int(cover * 1000) / 10:.1f} % of the time; the rest is not known."]
    texts += [f"Probe {trace.probe.name}: {share:.1%} of the readings are suspect or cannot be true."] if share else []
    return cover < COVERED_LEAST or bad_share > BAD_MOST, texts


def _resolution_reasons(deciding: Sequence[Trace]) -> list[str]:
    """Changes of the values' step that no dated setting tells of; no fault kind of its own."""
    texts = []
    for trace in deciding:
        for row in arguments_of(trace).get("resolution_changes", ()):
            if not row["dated"]:
                since, word = trace.readings.index[row["at"]], "coarser" if row["after_c"] > row["before_c"] else "finer"
                texts.append(
                    f"Probe {trace.probe.name}: from {since:%Y-%m-%d %H:%M} UTC on the values come in {word} steps, {row['after_c']:.2g} °C instead of {row['before_c']:.2g} °C, and "
                    "the register has no change of settings then: another logger, another setting, or an edited record."
                )
    return texts
