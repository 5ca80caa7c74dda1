"""How bad it was on the whole: means, mean kinetic temperature and its windows.

Leaf functions take a bare Series of °C on a UTC index; ``gap`` marks which steps between readings *with* a value
are gaps (one bool a step), without it ``timeline.neighbours`` decides. Nothing is ever bridged.
"""

from __future__ import annotations

from typing import TypedDict, cast

import numpy as np
import numpy.typing as npt
import pandas as pd

from coldchain_kit.excursions import bounds, minutes_beyond, time_beyond
from coldchain_kit.model import Condition, ExcursionRow, MktRow, Trace, conditions, one_sided, physics, rows_of, timeline

DAY_HOURS = 24.0  # the short window that a longer one is compared with, for the dilution warning (FACTS A8, A9)


class Highest(TypedDict):
    """The window of the highest mean kinetic temperature."""

    window_start: pd.Timestamp
    window_end: pd.Timestamp
    mkt_c: float
    covered_share: float


class Extremes(TypedDict):
    """Lowest and highest of a stretch, with what a one-sided reading leaves open: ``one_sided.extremes``."""

    min_c: float | None
    min_time: pd.Timestamp | None
    min_bound: bool
    min_one_sided: str | None
    min_text: str | None
    max_c: float | None
    max_time: pd.Timestamp | None
    max_bound: bool
    max_one_sided: str | None
    max_text: str | None
    as_read_min_c: float | None
    as_read_max_c: float | None


class _Figure(TypedDict):
    """Mean kinetic temperature of a window; without a figure, why not."""

    window_start: pd.Timestamp
    window_end: pd.Timestamp
    covered_share: float | None
    mkt_c: float | None
    why_not: str


class _Window(_Figure):
    """The part of a row of mkt that differs from window to window."""

    rule: str
    direction: str
    used: bool
    excursion: str | None


def extremes(readings: pd.DataFrame) -> Extremes:
    """Lowest and highest of a stretch (:func:`one_sided.extremes`)."""
    return cast(Extremes, one_sided.extremes(readings))


def weights_min(celsius: pd.Series, *, gap: npt.ArrayLike | None = None) -> np.ndarray:
    """Weight of each reading with a value: half the step to each neighbour, nothing from a gap [min] (CONTRACTS rule 9).

    Examples
    --------
    >>> times = pd.to_datetime(["2026-03-01T00:00Z", "2026-03-01T00:05Z", "2026-03-01T00:10Z", "2026-03-01T03:00Z"])
    >>> weights_min(pd.Series([5.0, 6.0, 7.0, 8.0], index=times)).tolist()
    [2.5, 5.0, 2.5, 0.0]
    """
    time_us = time_beyond.times_us(celsius)[np.isfinite(celsius.to_numpy(dtype="float64"))]
    half = np.where(time_beyond.gap_marks(celsius, gap, readings=len(time_us)), 0.0, np.diff(time_us) / time_beyond.US_PER_MIN / 2.0)
    weights = np.zeros(len(time_us))
    weights[:-1] += half
    weights[1:] += half
    return weights


def mean_c(celsius: pd.Series, *, gap: npt.ArrayLike | None = None) -> float:
    """Time-weighted mean [°C]; NaN where no two neighbouring readings have a step without a gap between them.

    Examples
    --------
    >>> times = pd.to_datetime(["2026-03-01T00:00Z", "2026-03-01T00:05Z", "2026-03-01T00:10Z"])
    >>> mean_c(pd.Series([5.0, 6.0, 9.0], index=times))
    6.5
    """
    weights = weights_min(celsius, gap=gap)
    return float(np.sum(weights * time_beyond.known(celsius)) / weights.sum()) if weights.sum() > 0 else float("nan")


def mkt_c(celsius: pd.Series, *, ea_kj_mol: float = physics.ACTIVATION_ENERGY_KJ_MOL, gap: npt.ArrayLike | None = None) -> float:
    """Time-weighted mean kinetic temperature [°C] (USP <1160>, FACTS A1 READ; weights of CONTRACTS rule 9).

    Examples
    --------
    >>> times = pd.to_datetime(["2026-03-01T00:00Z", "2026-03-01T12:00Z", "2026-03-02T00:00Z"])
    >>> round(mkt_c(pd.Series([20.0, 20.0, 30.0], index=times), gap=[False, False]), 4)
    23.6445
    """
    return physics.mean_kinetic_temperature_c(time_beyond.known(celsius), weights_min(celsius, gap=gap), ea_kj_mol=ea_kj_mol)


def rolling_mkt(celsius: pd.Series, *, window_hours: float, ea_kj_mol: float = physics.ACTIVATION_ENERGY_KJ_MOL, gap: npt.ArrayLike | None = None) -> pd.DataFrame:
    """Mean kinetic temperature of the window that ends with each reading, in one pass over the record.

    Returns
    -------
    DataFrame on the readings with a value: window_start (UTC), mkt_c [°C], covered_share (0..1, minutes without a gap of the window's).

    Examples
    --------
    >>> times = pd.date_range("2026-03-01", periods=5, freq="1h", tz="UTC")
    >>> rolling_mkt(pd.Series([5.0, 5.0, 5.0, 12.0, 5.0], index=times), window_hours=2, gap=[False] * 4)["mkt_c"].round(3).tolist()
    [nan, 5.0, 5.0, 7.366, 9.207]
    """
    keep = np.isfinite(celsius.to_numpy(dtype="float64"))
    time_us, values = time_beyond.times_us(celsius)[keep], time_beyond.known(celsius)
    window_us = window_hours * 60 * time_beyond.US_PER_MIN
    step = np.where(time_beyond.gap_marks(celsius, gap, readings=len(values)), 0.0, np.diff(time_us))
    ratio = ea_kj_mol / physics.GAS_CONSTANT_KJ_MOL_K
    exponent = -ratio / (values + physics.KELVIN)
    top = exponent.max() if len(exponent) else 0.0
    rate = np.exp(exponent - top)
    reacted, minutes = (np.concatenate(([0.0], np.cumsum(part))) for part in (step * (rate[:-1] + rate[1:]) / 2.0, step))
    if not len(values):
        reacted, minutes = reacted[:0], minutes[:0]
    first = np.searchsorted(time_us, time_us - window_us, side="left")
    held = minutes - minutes[first]
    with np.errstate(divide="ignore", invalid="ignore"):
        mkt = ratio / -(top + np.log((reacted - reacted[first]) / held)) - physics.KELVIN
    starts = pd.DatetimeIndex(pd.to_datetime(time_us - round(window_us), unit="us", utc=True)).as_unit("us")
    return pd.DataFrame({"window_start": starts, "mkt_c": np.where(held > 0, mkt, np.nan), "covered_share": np.minimum(held / window_us, 1.0)}, index=celsius.index[keep])


def highest_window(celsius: pd.Series, *, window_hours: float, ea_kj_mol: float = physics.ACTIVATION_ENERGY_KJ_MOL, start: pd.Timestamp | None = None, end: pd.Timestamp | None = None, gap: npt.ArrayLike | None = None) -> Highest | None:
    """The window with the highest MKT among those that end in [start, end) and begin within the record.

    A record shorter than the window is one window. None where nothing can be computed.
    """
    rolled = rolling_mkt(celsius, window_hours=window_hours, ea_kj_mol=ea_kj_mol, gap=gap)
    inside = rolled[(rolled.index >= (start or rolled.index.min())) & ((rolled.index < end) if end is not None else True)] if len(rolled) else rolled
    whole = inside[inside["window_start"] >= rolled.index[0]] if len(inside) else inside
    chosen = whole if len(whole) else inside.tail(1)
    if not chosen["mkt_c"].notna().any():
        return None
    at = cast(pd.Timestamp, chosen["mkt_c"].idxmax())
    return {"window_start": cast(pd.Timestamp, chosen["window_start"][at]), "window_end": at, "mkt_c": float(chosen["mkt_c"][at]), "covered_share": float(chosen["covered_share"][at])}


def mkt_refusal(condition: Condition, *, role: str = "buffered", decides: bool = True) -> str:
    """Why MKT is not computed for this storage and probe, or "" (FACTS A7, READ-2: the table has no freezer row).

    Examples
    --------
    >>> from coldchain_kit.model import conditions
    >>> mkt_refusal(conditions.get("frozen"))
    'MKT is not computed for frozen product: the rule (USP <1079.2>) has no row for it, and thawing is not a matter of mean temperature.'
    """
    if condition.frozen:
        return "MKT is not computed for frozen product: the rule (USP <1079.2>) has no row for it, and thawing is not a matter of mean temperature."
    if role == "surface" or (role == "room" and not decides):
        return f"MKT is not computed from a {role} probe: it does not show the product's temperature."
    return ""


def mkt_rows(trace: Trace, condition: Condition, *, excursions: pd.DataFrame, start: pd.Timestamp, end: pd.Timestamp) -> list[MktRow[pd.Timestamp]]:
    """Rows of CONTRACTS ``mkt[]`` for one probe: each window of the condition's own MKT rule.

    For every excursion above: the window that ends with it ("back") and the one that begins with it ("forward"),
    since readers of the rule differ (FACTS A11); ``used`` marks the one the condition names. And the highest window
    of all that end in [start, end). ``warning`` says where a long window hides a hot day (dilution, FACTS A8, A9).

    Parameters
    ----------
    trace : Trace
    condition : Condition
        Without an MKT rule there are no rows; for frozen product ``mkt_c`` is None and ``why_not`` says so.
    excursions : DataFrame
        This probe's excursions (columns direction, start, end, id where known).

    Returns
    -------
    list of dict: probe, condition, rule, direction (back | forward | highest), used, excursion, window_start, window_end,
    covered_share, ea_kj_mol [kJ/mol], mkt_c [°C], limit_c [°C], source, why_not, warning.
    """
    rule = condition.mkt
    if rule is None:
        return []
    refusal = mkt_refusal(condition, role=trace.probe.role, decides=trace.probe.decides)
    windows = [] if refusal else _windows(trace, condition, rule, excursions, start, end)
    if refusal:
        windows = [{"rule": f"{rule.window_hours:g} h", "direction": rule.direction, "used": False, "excursion": None, "window_start": start, "window_end": end, "covered_share": None, "mkt_c": None, "why_not": refusal}]
    return [
        {
            "probe": trace.probe.name, "condition": condition.id, **window, "ea_kj_mol": condition.activation_energy_kj_mol, "limit_c": rule.limit_c,
            "source": rule.source or condition.source, "warning": "" if window["mkt_c"] is None else _warnings(trace, window, condition, rule),
        }
        for window in windows
    ]  # fmt: skip


def _windows(trace: Trace, condition: Condition, rule: conditions.MktRule, excursions: pd.DataFrame, start: pd.Timestamp, end: pd.Timestamp) -> list[_Window]:
    ea = condition.activation_energy_kj_mol
    span = pd.Timedelta(hours=rule.window_hours)
    hot = rows_of(excursions[excursions["direction"] == "above"], ExcursionRow[pd.Timestamp]) if len(excursions) else []
    rows: list[_Window] = []
    for row in hot:
        for direction, opens, closes in (("back", row["end"] - span, row["end"]), ("forward", row["start"], row["start"] + span)):
            mkt, share, why_not = _in_window(trace, condition, opens, closes)
            rows.append({
                "rule": f"{rule.window_hours:g} h {direction} from the excursion, itself included", "direction": direction, "used": rule.direction in (direction, "both"),
                "excursion": row.get("id"), "window_start": opens, "window_end": closes, "covered_share": share, "mkt_c": mkt, "why_not": why_not,
            })  # fmt: skip
    top = _highest(trace, span, ea, start, end)
    if top is not None:
        rows.append({"rule": f"highest {rule.window_hours:g} h", "direction": "highest", "used": not hot, "excursion": None, **top})
    return rows


def _highest(trace: Trace, span: pd.Timedelta, ea_kj_mol: float, start: pd.Timestamp, end: pd.Timestamp) -> _Figure | None:
    """The highest window of all; without a figure where one of them holds a reading without a number: that one may be higher."""
    index = trace.readings.index
    why_not = one_sided.why_no_mean(trace.readings[(index >= start - span) & (index < end)])
    if why_not:
        share = timeline.coverage(trace, start=start, end=end)["covered_share"]
        return {"window_start": start, "window_end": end, "mkt_c": None, "covered_share": share, "why_not": f"{why_not} Which window is the highest is not known."}
    gap, hours = bounds.pairs_without(trace, trace.readings["one_sided"].to_numpy() != 0).gap, span / pd.Timedelta(hours=1)
    top = highest_window(trace.celsius, window_hours=hours, ea_kj_mol=ea_kj_mol, start=start, end=end, gap=gap)
    return None if top is None else {**top, "why_not": ""}


def _in_window(trace: Trace, condition: Condition, opens: pd.Timestamp, closes: pd.Timestamp) -> tuple[float | None, float, str]:
    """MKT of a window (None beside a one-sided reading, with the reason), and how much of it is covered."""
    index = trace.readings.index
    part = trace.readings[(index >= opens) & (index <= closes)]
    share = timeline.coverage(trace, start=opens, end=closes)["covered_share"] if len(part) else 0.0
    why_not = one_sided.why_no_mean(part)
    if why_not:
        return None, share, why_not
    gap = timeline.gap_marks(trace, start=opens, stop=closes + pd.Timedelta(1, "us"))
    mkt = mkt_c(part["celsius"], ea_kj_mol=condition.activation_energy_kj_mol, gap=gap)
    return (mkt if np.isfinite(mkt) else None), share, ""


def _warnings(trace: Trace, window: _Window, condition: Condition, rule: conditions.MktRule) -> str:
    """What stands against a window's MKT: readings beyond the band its document speaks of, longer than it says, a hot day diluted."""
    found = [_beyond_band(trace, window, condition, rule), _dilution(trace, window, limit_c=rule.limit_c, hours=rule.window_hours, ea_kj_mol=condition.activation_energy_kj_mol)]
    return " ".join(text for text in found if text)


def _beyond_band(trace: Trace, window: _Window, condition: Condition, rule: conditions.MktRule) -> str:
    """A sentence where the window leaves the band of the rule (FACTS A7: for controlled cold 8 to 15 °C, at most 24 h), else ""."""
    low_c, high_c = condition.limit_c("below"), condition.limit_c("above")
    part = trace.readings[(trace.readings.index >= window["window_start"]) & (trace.readings.index <= window["window_end"])].dropna(subset="celsius")
    if rule.band_c is None or not len(part):
        return ""
    floor_c, ceiling_c = rule.band_c
    values = part[["as_read_c", "celsius"]]
    highest, lowest = float(values.max().max()), float(values.min().min())
    if round(highest - ceiling_c, 6) > 0:
        return f"A reading of {highest:g} °C lies beyond {ceiling_c:g} °C: the document's rule does not speak of that."
    if low_c is not None and floor_c < low_c and round(lowest - floor_c, 6) < 0:
        return f"A reading of {lowest:g} °C lies below {floor_c:g} °C: the document's rule does not speak of that."
    assert high_c is not None, "a band of an MKT rule without the upper limit that it lies above"
    hours = minutes_beyond(part["celsius"], limit_c=high_c, direction="above", u_c=part["u_c"].to_numpy(), as_read_c=part["as_read_c"], gap=_marks(trace, window)).most / 60.0
    if rule.band_hours is not None and hours > rule.band_hours:
        return f"Up to {hours:.1f} h above {high_c:g} °C are more than the {rule.band_hours:g} h of the document's rule."
    return ""


def _dilution(trace: Trace, window: _Window, *, limit_c: float, hours: float, ea_kj_mol: float) -> str:
    """A sentence where a window longer than a day stays within the limit while its hottest day does not, else ""."""
    if hours <= DAY_HOURS or window["mkt_c"] is None or window["mkt_c"] > limit_c:
        return ""
    part = trace.celsius[(trace.celsius.index >= window["window_start"]) & (trace.celsius.index <= window["window_end"])]
    return dilution(part, long_mkt_c=window["mkt_c"], limit_c=limit_c, ea_kj_mol=ea_kj_mol, gap=_marks(trace, window))


def _marks(trace: Trace, window: _Window) -> np.ndarray:
    """Which steps of a window, its end included, are gaps, judged on the whole record."""
    return timeline.gap_marks(trace, start=window["window_start"], stop=window["window_end"] + pd.Timedelta(1, "us"))


def dilution(celsius: pd.Series, *, long_mkt_c: float, limit_c: float, ea_kj_mol: float = physics.ACTIVATION_ENERGY_KJ_MOL, gap: npt.ArrayLike | None = None) -> str:
    """The dilution warning with both numbers, or "" where the hottest 24 h keep the limit, too.

    Examples
    --------
    >>> times = pd.date_range("2026-03-01", periods=24 * 30, freq="1h", tz="UTC")
    >>> month = pd.Series(22.0, index=times)
    >>> month.iloc[100:125] = 30.0
    >>> dilution(month, long_mkt_c=mkt_c(month), limit_c=25.0)
    'The long window has an MKT of 22.43 °C, but its hottest 24 h have 30.00 °C, beyond 25 °C: a long window hides a hot day.'
    """
    day = highest_window(celsius, window_hours=DAY_HOURS, ea_kj_mol=ea_kj_mol, gap=gap)
    if day is None or day["mkt_c"] <= limit_c:
        return ""
    return f"The long window has an MKT of {long_mkt_c:.2f} °C, but its hottest 24 h have {day['mkt_c']:.2f} °C, beyond {limit_c:g} °C: a long window hides a hot day."
