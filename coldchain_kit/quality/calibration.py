"""Correction and uncertainty from certificates; decision rules; due dates and as-found checks.

U of a reading has the parts of :mod:`coldchain_kit.quality.uncertainty` (CONTRACTS rule 6); :func:`budget` lists them, and beside
them the lag of a buffered probe, which is a bias and never hidden in U.
"""

from __future__ import annotations

import datetime as dt
from collections.abc import Sequence
from dataclasses import replace

import numpy as np
import numpy.typing as npt
import pandas as pd

from coldchain_kit.base import zones
from coldchain_kit.model import GOOD, MISSING, NOT_EVALUATED, CalibrationRow, Trace, UFrom, UncertaintyRow, one_sided, timeline
from coldchain_kit.quality import uncertainty as doubt
from coldchain_kit.quality.uncertainty import ASSUMED_U_C
from coldchain_kit.register import Certificate, ProbeEntry, UnitEntry

# As found worse than this at any point is out of tolerance where the certificate states no tolerance (FACTS B17, READ-2).
TOLERANCE_C = 0.5


def correction(indicated_c: npt.ArrayLike, points: Sequence[tuple[float, float]]) -> tuple[np.ndarray, np.ndarray]:
    """Correction [°C] to add to indicated temperatures [°C], and where it was carried beyond the points.

    Between the points (reference, indicated) the correction (reference - indicated) is a straight line against
    the indicated temperature; beyond the outermost points it keeps their value. Points at the same indication count as their mean.

    Examples
    --------
    >>> values, beyond = correction([0.1, 2.65, 9.0], [(0.0, 0.1), (5.0, 5.2)])
    >>> values.round(6).tolist(), beyond.tolist()
    ([-0.1, -0.15, -0.2], [False, False, True])
    """
    indicated = np.asarray(indicated_c, dtype="float64")
    table = np.asarray(points, dtype="float64").reshape(-1, 2)
    if not len(table):
        return np.zeros_like(indicated), np.zeros(indicated.shape, dtype=bool)
    at, where = np.unique(table[:, 1], return_inverse=True)
    add = np.bincount(where, weights=table[:, 0] - table[:, 1]) / np.bincount(where)
    return np.interp(indicated, at, add), (indicated < at[0]) | (indicated > at[-1])


def uncertainty(certificate: Certificate | None, *, resolution_c: float | None = None) -> tuple[float, UFrom]:
    """Standard uncertainty [°C] of a reading at a certificate's points on its day, and where it is from: "certificate" or "assumed".

    Certificate: U / coverage combined with half a resolution step taken as rectangular, r / 2 / sqrt(3) (GUM 4.3.7),
    where a resolution is declared. Without a certificate, or without its expanded uncertainty, U = 0.5 °C with k = 2, or the step's
    part, whichever is more. Drift and the way beyond the points: :func:`correct`.

    Examples
    --------
    >>> uncertainty(Certificate(expanded_uncertainty_c=0.3))
    (0.15, 'certificate')
    >>> uncertainty(None, resolution_c=0.1)
    (0.25, 'assumed')
    """
    known = None if certificate is None or certificate.expanded_uncertainty_c is None else certificate
    found = doubt.parts(None if known is None else replace(known, points=()), np.zeros(1), step_c=resolution_c)
    return float(doubt.combined(found)[0]), "assumed" if known is None else "certificate"


def since(certificate: Certificate, *, zone: str | None = None) -> pd.Timestamp | None:
    """The instant from which a certificate is in force: its ``from``, else its date, at local midnight; None = always."""
    day = certificate.valid_from or certificate.date
    return None if day is None else zones.instant(day, zone=zone or "UTC")


def in_force(index: pd.DatetimeIndex, certificates: Sequence[Certificate], *, zone: str | None = None) -> np.ndarray:
    """Position of the certificate in force at each instant, -1 where there is none yet.

    Parameters
    ----------
    index : DatetimeIndex
        UTC.
    certificates : sequence of Certificate
        Oldest first.
    zone : str, optional
        The site's zone, in which a certificate's day begins; UTC when not given.

    Examples
    --------
    >>> days = pd.DatetimeIndex(["2026-01-01", "2026-03-01"], tz="UTC")
    >>> in_force(days, [Certificate(date=dt.date(2026, 2, 10))]).tolist()
    [-1, 0]
    """
    chosen = np.full(len(index), -1, dtype=np.int64)
    for position, certificate in enumerate(certificates):
        start = since(certificate, zone=zone)
        first = 0 if start is None else index.searchsorted(start)
        chosen[first:] = position
    return chosen


def correct(trace: Trace, certificates: Sequence[Certificate], *, zone: str | None = None) -> Trace:
    """The trace with ``celsius`` corrected and ``u_c`` filled by the certificate in force at each reading.

    ``celsius = round(as_read_c + correction, 6)``; a bound is not corrected. u as :func:`uncertainty.parts` has it, at each reading; where
    no resolution is declared the step that the readings keep. Where certificate points exist, the flags gain a column "calibration":
    1 between the points, 2 where the correction was carried beyond them (it never counts against a reading).

    Parameters
    ----------
    trace : Trace
    certificates : sequence of Certificate
        Oldest first, as in the register.
    zone : str, optional
        The site's zone.

    Returns
    -------
    Trace with one more Step, whose arguments say how many readings each certificate corrected and how many lie beyond its points.

    Examples
    --------
    >>> times = pd.date_range("2026-03-01", periods=2, freq="5min", tz="UTC")
    >>> certificate = Certificate("C1", dt.date(2026, 2, 10), expanded_uncertainty_c=0.3, points=((0.0, 0.1), (5.0, 5.2)))
    >>> done = correct(Trace.of(pd.Series([5.2, 2.65], index=times)), [certificate])
    >>> done.celsius.tolist(), done.readings["u_c"].tolist()
    ([5.0, 2.5], [0.15, 0.15])
    """
    as_read = trace.readings["as_read_c"].to_numpy(dtype="float64")
    index, step_c = timeline.times_of(trace.readings), trace.probe.resolution_c or doubt.display_step_c(trace)
    chosen, judged = in_force(index, certificates, zone=zone), one_sided.judged_c(trace.readings, "as_read_c")
    celsius, u_c = as_read.round(6), np.full(len(index), uncertainty(None, resolution_c=step_c)[0])
    code, used = np.full(len(index), NOT_EVALUATED, dtype=np.int8), []
    for position in np.unique(chosen[chosen >= 0]).tolist():
        certificate, mine = certificates[position], chosen == position
        add, beyond = correction(as_read[mine], certificate.points)
        if certificate.points:
            celsius[mine] = np.round(as_read[mine] + add, 6)
            code[mine] = np.where(beyond, NOT_EVALUATED, GOOD)
        drifted = doubt.drift_c(index[mine], certificate, certificates, zone=zone)
        u_c[mine] = doubt.combined(doubt.parts(certificate, judged[mine], step_c=step_c, drifted_c=drifted))
        source = uncertainty(certificate)[1]
        used.append({"certificate": certificate.number, "readings": int(mine.sum()), "beyond_points": int(beyond.sum()), "u_from": source})
    flags = trace.flags
    if any(certificates[position].points for position in set(chosen.tolist()) - {-1}):
        code = np.where(trace.readings["one_sided"].to_numpy() != 0, NOT_EVALUATED, code)
        flags = flags.assign(calibration=np.where(trace.heard.isna(), MISSING, code).astype("int8"))
    readings = trace.readings.assign(celsius=celsius, u_c=u_c)
    changed = int(np.nansum(celsius != trace.readings["celsius"].to_numpy()) - np.isnan(celsius).sum())
    arguments = {"certificates": used, "without_certificate": int((chosen < 0).sum()), "zone": zone, "step_c": step_c, "step_from": "register" if trace.probe.resolution_c else "readings"}
    return trace.stepped("calibration.correct", arguments, max(changed, 0), readings=readings, flags=flags)


def stated(index: pd.DatetimeIndex, entry: ProbeEntry, *, zone: str | None = None) -> tuple[float, UFrom]:
    """The largest standard uncertainty [°C] in force over these instants and where it is from.

    "assumed" as soon as one of the instants has no certificate with an uncertainty.
    """
    rows = [
        uncertainty(None if position < 0 else entry.certificates[position], resolution_c=entry.probe.resolution_c)
        for position in np.unique(in_force(index, entry.certificates, zone=zone)).tolist()
    ] or [uncertainty(None)]  # fmt: skip
    return max(u for u, _ in rows), "assumed" if any(source == "assumed" for _, source in rows) else "certificate"


def u_from(trace: Trace) -> UFrom:
    """Where the uncertainty of a corrected trace is from: "certificate", or "assumed" as soon as one reading has none."""
    for step in reversed(trace.steps):
        if step.function == "calibration.correct":
            assumed = step.arguments["without_certificate"] or any(row["u_from"] == "assumed" for row in step.arguments["certificates"])
            return "assumed" if assumed else "certificate"
    return "assumed"


def budget(
    trace: Trace, certificates: Sequence[Certificate], *, at: pd.Timestamp, rate_c_per_min: float | None = None, zone: str | None = None
) -> list[UncertaintyRow]:  # fmt: skip
    """Components of the uncertainty of one reading as rows {component, u_c, in_u, how}: what is in U, and what may come on top.

    Parameters
    ----------
    trace : Trace
        With the uncertainty of :func:`correct`.
    certificates : sequence of Certificate
        Oldest first.
    at : Timestamp
        The reading, UTC.
    rate_c_per_min : float, optional
        Of the change [°C/min] that a buffered probe follows: it lags by this times its time constant (FACTS G3).

    Examples
    --------
    >>> from coldchain_kit.model import Probe
    >>> times = pd.date_range("2026-03-01", periods=2, freq="5min", tz="UTC")
    >>> trace = Trace.of(pd.Series([5.0, 5.1], index=times), probe=Probe("A", role="buffered", time_constant_min=12.0, resolution_c=0.1))
    >>> rows = budget(trace, [Certificate(expanded_uncertainty_c=0.3)], at=times[0], rate_c_per_min=0.05)
    >>> [(row["component"], round(row["u_c"], 4), row["in_u"]) for row in rows]
    [('certificate', 0.15, True), ('resolution', 0.0289, True), ('lag', 0.6, False)]
    """
    here = trace.readings.loc[[at]]
    step_c = trace.probe.resolution_c or doubt.display_step_c(trace)
    position = int(in_force(timeline.times_of(here), certificates, zone=zone)[0]) if certificates else -1
    certificate = certificates[position] if position >= 0 else None
    drifted = 0.0 if certificate is None else float(doubt.drift_c(timeline.times_of(here), certificate, certificates, zone=zone)[0])
    found = doubt.parts(certificate, one_sided.judged_c(here, "as_read_c"), step_c=step_c, drifted_c=drifted)
    how = _how(certificate, step_c, "declared" if trace.probe.resolution_c else "as the readings keep it", drifted)
    rows = [_component(name, float(part[0]), True, how[name]) for name, part in found.items() if part[0] > 0]
    if trace.probe.role == "buffered" and trace.probe.time_constant_min and rate_c_per_min is not None:
        tau = trace.probe.time_constant_min
        lag = abs(rate_c_per_min) * tau
        rows.append(_component("lag", lag, False, f"the probe follows a change of {rate_c_per_min:.3f} °C/min by {tau:g} min late: {lag:.2f} °C; a bias, not in U"))
    return rows


def _how(certificate: Certificate | None, step_c: float | None, step_from: str, drifted_c: float) -> dict[str, str]:
    """What each part of U rests on."""
    step = f"half a step of {step_c or 0.0:.3g} °C ({step_from}), rectangular"
    coarse = doubt.step_part_c(step_c) > ASSUMED_U_C / 2.0
    found = {"assumed": f"no uncertainty is stated: {step}" if coarse else f"no uncertainty is stated: U = {ASSUMED_U_C} °C, k = 2, is assumed", "resolution": step}
    if certificate is None or certificate.expanded_uncertainty_c is None:
        return found
    points = "one point" if len(certificate.points) == 1 else f"{len(certificate.points)} points"
    return found | {
        "certificate": f"U = {certificate.expanded_uncertainty_c} °C divided by k = {certificate.coverage:g}",
        "drift": f"up to {drifted_c:.3f} °C since {certificate.date}, rectangular",
        "extrapolation": "the reading lies beyond the certificate's points: their corrections are carried on (the kit's own rule)",
        "floor": f"the certificate has {points} and the reading lies away from them: U is at least {ASSUMED_U_C} °C (the kit's own rule)",
    }


def _component(name: str, u_c: float, in_u: bool, how: str) -> UncertaintyRow:
    return {"component": name, "u_c": u_c, "in_u": in_u, "how": how}


def state(entry: UnitEntry, start: pd.Timestamp, end: pd.Timestamp, *, zone: str | None = None) -> list[CalibrationRow]:
    """Calibration of every probe over a span: one row a certificate in force, or one row that says there is none.

    Columns: probe, certificate, date, due, overdue, expanded_uncertainty_c, u_c, u_from, as_found_c (worst error as found),
    tolerance_c, as_found_out, doubt_since (date), text. ``as_found_out`` rows come from a newer certificate, even one dated
    after the span: they put every record since the last good check in doubt (ICH Q7 5.35, FACTS H3, READ-2).

    Parameters
    ----------
    entry : UnitEntry
    start, end : Timestamp
        UTC; the due date is compared with the day of ``end``.
    """
    rows = []
    for name, probe in entry.probes.items():
        span = pd.DatetimeIndex([start, end]).as_unit("us")
        first, last = in_force(span, probe.certificates, zone=zone).tolist()
        if first < 0:
            rows.append(_state_row(name, None, probe, end, zone))
        rows += [_state_row(name, certificate, probe, end, zone) for certificate in probe.certificates[max(first, 0) : last + 1]]
        rows += [row for row in as_found(name, probe) if row["doubt_until"] is None or row["doubt_since"] is None or pd.Timestamp(row["doubt_until"], tz="UTC") >= start]
    return rows


def _state_row(name: str, certificate: Certificate | None, probe: ProbeEntry, end: pd.Timestamp, zone: str | None) -> CalibrationRow:
    u_c, source = uncertainty(certificate, resolution_c=probe.probe.resolution_c)
    day = end.tz_convert(zones.database(zone or "UTC")).date()
    due = certificate.due if certificate else None
    overdue = due is not None and day > due
    if certificate is None:
        text = f"Probe {name}: no calibration certificate is known for this time; U = {2 * u_c:.2f} °C is assumed."
    else:
        until = "no due date is stated" if due is None else f"overdue since {due} ({(day - due).days} days)" if overdue else f"due {due}"
        text = f"Probe {name}: certificate {certificate.number or 'without number'} of {certificate.date or 'unknown date'}, {until}; U = {2 * u_c:.2f} °C at its points ({source})."
    return {
        "probe": name, "certificate": certificate.number if certificate else None, "date": _day(certificate.date if certificate else None), "due": _day(due),
        "overdue": overdue, "expanded_uncertainty_c": certificate.expanded_uncertainty_c if certificate else None, "u_c": u_c, "u_from": source,
        "as_found_c": None, "tolerance_c": None, "as_found_out": False, "doubt_since": None, "doubt_until": None, "text": text,
    }  # fmt: skip


def as_found(name: str, entry: ProbeEntry) -> list[CalibrationRow]:
    """Rows for certificates whose as-found points were out of tolerance: every record since the last good check is in doubt.

    Same columns as :func:`state`.

    Examples
    --------
    >>> from coldchain_kit.model import Probe
    >>> old = Certificate("C1", dt.date(2024, 2, 1), as_found=((5.0, 5.1),))
    >>> new = Certificate("C2", dt.date(2026, 2, 1), as_found=((0.0, 0.2), (5.0, 5.9)))
    >>> row = as_found("A", ProbeEntry(Probe("A"), certificates=(old, new)))[0]
    >>> round(row["as_found_c"], 2), row["doubt_since"], row["doubt_until"]
    (0.9, '2024-02-01', '2026-02-01')
    """
    rows: list[CalibrationRow] = []
    good = None
    for certificate in entry.certificates:
        errors = [indicated - reference for reference, indicated in certificate.as_found]
        worst = max(errors, key=abs) if errors else 0.0
        tolerance = certificate.tolerance_c or TOLERANCE_C
        if abs(worst) > tolerance + 1e-9:
            from_day = f"the last good check, {good}" if good else "its first use (no earlier good check is known)"
            text = (
                f"Probe {name}: as found on {certificate.date or 'an unknown date'} it showed {worst:+.2f} °C against the reference, more than {tolerance:g} °C. "
                f"Every record of this probe since {from_day} until then is in doubt."
            )
            rows.append({
                "probe": name, "certificate": certificate.number, "date": _day(certificate.date), "due": _day(certificate.due), "overdue": False,
                "expanded_uncertainty_c": certificate.expanded_uncertainty_c, "u_c": None, "u_from": None, "as_found_c": worst, "tolerance_c": tolerance,
                "as_found_out": True, "doubt_since": _day(good), "doubt_until": _day(certificate.date), "text": text,
            })  # fmt: skip
        good = certificate.date or good
    return rows


def _day(day: dt.date | None) -> str | None:
    return day.isoformat() if day else None
