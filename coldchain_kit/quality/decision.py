"""A value near a limit: the chance of being beyond it, decision rules with a guard band, alarm limits."""

from __future__ import annotations

import math

import numpy as np
import numpy.typing as npt

from coldchain_kit.base import KitError


def probability_outside(value_c: npt.ArrayLike, limit_c: float, u_c: npt.ArrayLike, direction: str) -> npt.NDArray[np.float64]:
    """Probability that the true temperature was beyond the limit, the error being normal with standard uncertainty ``u_c``.

    NaN where there is no value. Without uncertainty it is 0 or 1.

    References
    ----------
    JCGM 106:2012 and ILAC-G8:09/2019 (FACTS D2-D6).

    Examples
    --------
    >>> round(float(probability_outside(8.25, 8.0, 0.25, "above")), 6)
    0.841345
    """
    sign = {"above": 1.0, "below": -1.0}[_direction(direction)]
    distance = sign * np.round(np.asarray(value_c, dtype="float64") - limit_c, 9)
    u = np.asarray(u_c, dtype="float64")
    with np.errstate(divide="ignore", invalid="ignore"):
        z = np.where(u > 0, distance / u, np.where(distance > 0, np.inf, np.where(distance <= 0, -np.inf, np.nan)))
    return _normal_cdf(z)


def _direction(direction: str) -> str:
    if direction not in ("above", "below"):
        raise KitError(f"direction is '{direction}'", expected="above or below")
    return direction


def decide(value_c: float, limit_c: float, expanded_u_c: float, direction: str, *, rule: str = "simple", w_over_u: float = 1.0) -> str:
    """A decision rule of ILAC-G8:09/2019 4.2 (FACTS D2, READ) at one limit.

    "simple": pass up to the limit. "guarded": pass up to limit - w. "non_binary": pass, conditional pass, conditional fail, fail.
    Excursions are found by "simple" alone; guard bands are for setting alarms.

    Parameters
    ----------
    value_c, limit_c, expanded_u_c : float
        Reading, limit and expanded uncertainty U [°C].
    direction : str
        "above" or "below".
    w_over_u : float
        Guard band in units of U.

    Raises
    ------
    KitError
        For another rule or direction.

    Examples
    --------
    >>> decide(7.75, 8.0, 0.5, "above", rule="non_binary")
    'conditional pass'
    """
    w = w_over_u * expanded_u_c
    beyond = round((value_c - limit_c) * (1 if _direction(direction) == "above" else -1), 9)
    if rule == "simple":
        return "pass" if beyond <= 0 else "fail"
    if rule == "guarded":
        return "pass" if beyond <= -w else "fail"
    if rule == "non_binary":
        return "pass" if beyond <= -w else "conditional pass" if beyond <= 0 else "conditional fail" if beyond <= w else "fail"
    raise KitError(f"decision rule '{rule}' is not known", expected="simple, guarded or non_binary")


def alarm_limit(limit_c: float, expanded_u_c: float, direction: str, *, w_over_u: float = 1.0) -> float:
    """Where to set an alarm so that a true temperature beyond the limit is seldom missed: the limit less a guard band of w (risk: :func:`risk_at_guard`).

    For setting alarms only, never for declaring excursions.

    Examples
    --------
    >>> alarm_limit(8.0, 0.5, "above"), alarm_limit(2.0, 0.5, "below")
    (7.5, 2.5)
    """
    return limit_c - w_over_u * expanded_u_c * (1 if _direction(direction) == "above" else -1)


def risk_at_guard(w_over_u: float) -> float:
    """Probability that the true value is beyond the limit for a reading at limit - w (U has k = 2; FACTS D4).

    Examples
    --------
    >>> round(risk_at_guard(1.0), 6)
    0.02275
    """
    return float(probability_outside(-w_over_u, 0.0, 0.5, "above"))


_normal_cdf = np.vectorize(lambda z: 0.5 * math.erfc(-z / math.sqrt(2.0)), otypes=[float])
