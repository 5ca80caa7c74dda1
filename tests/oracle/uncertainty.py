"""Rule 6: the corrected value and the expanded uncertainty (k = 2) of each reading."""

from __future__ import annotations

import datetime as dt
import math

import numpy as np

from tests.oracle.clock import utc_s
from tests.oracle.model import ASSUMED_C, TICK_S, Certificate, Choices, Probe

THIRD = math.sqrt(3)
DAY_S = 86400.0
ENOUGH, DISTINCT = 12, 4  # reading: a display step is seen in so many readings, and so many different numbers


def corrections(points: tuple[tuple[float, float], ...]) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """References, indicated values and corrections, in the order of what was indicated."""
    ordered = sorted(points, key=lambda point: point[1])
    reference, indicated = (np.array([point[k] for point in ordered]) for k in (0, 1))
    return reference, indicated, reference - indicated


def corrected(certificate: Certificate | None, as_read: np.ndarray) -> np.ndarray:
    """reading: straight between the certificate's points, constant beyond them."""
    if certificate is None or not certificate.points:
        return as_read.copy()
    _, indicated, correction = corrections(certificate.points)
    return np.round(as_read + np.interp(as_read, indicated, correction), 6)


def common_step(values: list[float]) -> float:
    """What all differences of these numbers are multiples of, in their own unit; 0 for a single one."""
    whole = sorted({round(value * 1000) for value in values})
    return math.gcd(*(value - whole[0] for value in whole)) / 1000


def seen_step(values: list[float]) -> float:
    """The step that numbers keep. reading: seen only in enough of them."""
    if len(values) < ENOUGH or len(set(values)) < DISTINCT:
        return 0.0
    return common_step(values)


def drift_per_day(probe: Probe) -> float:
    """degC a day by two certificates. reading: the largest change of a correction at a reference, over the dates."""
    both = probe.certificates()
    if len(both) < 2 or not (both[0].points and both[1].points and both[0].date and both[1].date):
        return 0.0
    days = (both[1].date - both[0].date).days
    found = both[1].as_found or both[1].points
    before = {reference: reference - indicated for reference, indicated in both[0].points}
    changes = [abs(reference - indicated - before[reference]) for reference, indicated in found if reference in before]
    return max(changes, default=0.0) / days if days > 0 else 0.0


def _away(certificate: Certificate, as_read: np.ndarray, choices: Choices) -> tuple[np.ndarray, np.ndarray]:
    """Standard uncertainty of going on from the points, and where U is at least 0.5 degC."""
    none = np.zeros(len(as_read))
    if len(certificate.points) < 2:
        return none, np.full(len(as_read), len(certificate.points) == 1)
    reference, indicated, correction = corrections(certificate.points)
    spacing = np.diff(reference if choices.reference_spacing else indicated)
    distance = np.abs(as_read[:, None] - indicated[None, :]).min(axis=1)
    beyond = (as_read < indicated[0]) | (as_read > indicated[-1])
    place = np.clip(np.searchsorted(indicated, as_read) - 1, 0, len(spacing) - 1)
    ratio = distance / spacing[place]
    share = np.minimum(ratio, 2.0) * float(np.abs(np.diff(correction)).max()) / THIRD
    return np.where(beyond | choices.between_points, share, none), beyond & (ratio > 1 + 1e-9)


def expanded_c(
    certificate: Certificate | None, as_read: np.ndarray, half_c: float, drift_c: np.ndarray, choices: Choices
) -> np.ndarray:
    """``half_c``: half a display step; ``drift_c``: how far it may have drifted. reading: no points add nothing."""
    if certificate is None:
        return np.full(len(as_read), max(ASSUMED_C, 2 * half_c / THIRD))
    away, floor = _away(certificate, as_read, choices)
    square = (
        (certificate.expanded_c / certificate.coverage) ** 2 + (half_c / THIRD) ** 2 + (drift_c / THIRD) ** 2 + away**2
    )
    found = 2 * np.sqrt(square)
    return np.where(floor, np.maximum(found, ASSUMED_C), found)


def calibrated(
    probe: Probe, zone: str, t: np.ndarray, as_read: np.ndarray, step_c: float, choices: Choices
) -> tuple[np.ndarray, np.ndarray]:
    """Corrected values and expanded uncertainty, by the certificate in force at each reading."""
    half = (step_c if probe.resolution_c is None else probe.resolution_c) / 2
    rate = drift_per_day(probe) * choices.drift_scale

    def by(certificate: Certificate | None) -> tuple[np.ndarray, np.ndarray]:
        days = np.zeros(len(t))
        if certificate is not None and certificate.date is not None:
            days = np.abs(t - utc_s(dt.datetime.combine(certificate.date, dt.time()), zone)) / DAY_S
        return corrected(certificate, as_read), expanded_c(certificate, as_read, half, rate * days, choices)

    value, expanded = by(probe.certificate)
    if probe.later:
        after = t >= utc_s(probe.later[0], zone) - TICK_S
        again = by(probe.later[1])
        value, expanded = (np.where(after, new, old) for new, old in zip(again, (value, expanded), strict=True))
    return value, expanded
