"""Closed forms on plain numbers: no Trace, no table, nothing of the trade's papers.

Gas constant and default activation energy give Ea/R = 10 000 K exactly (USP <1160>, FACTS A1, READ).
"""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

from coldchain_kit.base import KitError

KELVIN = 273.15
GAS_CONSTANT_KJ_MOL_K = 0.0083144
ACTIVATION_ENERGY_KJ_MOL = 83.144


def fahrenheit_to_celsius(value_f: npt.ArrayLike) -> npt.NDArray[np.float64]:
    """[°F] -> [°C], rounded to 1e-6 °C so that 46.4 °F is exactly 8 (CONTRACTS rule 1).

    Examples
    --------
    >>> float(fahrenheit_to_celsius(46.4)), float(fahrenheit_to_celsius(31.1))
    (8.0, -0.5)
    """
    return np.round((np.asarray(value_f, dtype="float64") - 32.0) / 1.8, 6)


def celsius_to_fahrenheit(value_c: npt.ArrayLike) -> npt.NDArray[np.float64]:
    """[°C] -> [°F], rounded to 1e-5 °F so that 46 °F comes back as 46 through 7.777778 °C.

    Examples
    --------
    >>> float(celsius_to_fahrenheit(7.777778))
    46.0
    """
    return np.round(np.asarray(value_c, dtype="float64") * 1.8 + 32.0, 5)


def mean_kinetic_temperature_c(values_c: npt.ArrayLike, weights: npt.ArrayLike | None = None, *, ea_kj_mol: float = ACTIVATION_ENERGY_KJ_MOL) -> float:
    """Mean kinetic temperature [°C] of temperatures [°C] with weights (any unit of time).

    T_K = (Ea/R) / -ln( sum(w exp(-Ea/(R T))) / sum(w) ). Readings without a value and zero weights do not count.

    Parameters
    ----------
    values_c : array of float
        Temperatures [°C]; NaN is left out of numerator and denominator.
    weights : array of float, optional
        Weight of each reading; equal weights when not given.
    ea_kj_mol : float
        Activation energy [kJ/mol].

    Returns
    -------
    float
        NaN where no reading has a value and a weight.

    References
    ----------
    USP 29 <1160> (FACTS A1, READ): Ea 83.144 kJ/mol, R 8.3144e-3 kJ/(K mol).

    Examples
    --------
    >>> round(mean_kinetic_temperature_c([20.0, 30.0]), 6)
    26.259887
    """
    values = np.asarray(values_c, dtype="float64")
    weight = np.ones_like(values) if weights is None else np.asarray(weights, dtype="float64")
    use = np.isfinite(values) & (weight > 0)
    if not use.any():
        return float("nan")
    if ea_kj_mol <= 0:
        raise KitError("the activation energy must be above zero", expected="kJ/mol, for example 83.144")
    ratio = ea_kj_mol / GAS_CONSTANT_KJ_MOL_K
    kelvin, weight = values[use] + KELVIN, weight[use]
    # The largest exponent is taken out first, so that very cold values do not underflow.
    exponent = -ratio / kelvin
    top = exponent.max()
    log_mean = top + np.log(np.sum(weight * np.exp(exponent - top)) / weight.sum())
    return float(ratio / -log_mean - KELVIN)


def first_order(start_c: float, end_c: float, minutes: npt.ArrayLike, *, tau_min: float) -> npt.NDArray[np.float64]:
    """Course of a first-order body from ``start_c`` towards ``end_c`` [°C] after ``minutes``.

    Examples
    --------
    >>> round(float(first_order(0.0, 1.0, 10.0, tau_min=10.0)), 5)
    0.63212
    """
    return end_c + (start_c - end_c) * np.exp(-np.asarray(minutes, dtype="float64") / tau_min)


def minutes_to_reach(start_c: float, end_c: float, target_c: float, *, tau_min: float) -> float:
    """Minutes until a first-order body reaches ``target_c``; infinity where it never does.

    Examples
    --------
    >>> round(minutes_to_reach(5.0, 22.0, 8.0, tau_min=480.0) / 60, 4)
    1.5532
    """
    span, left = end_c - start_c, end_c - target_c
    if span == 0 or left / span <= 0:
        return 0.0 if start_c == target_c else float("inf")
    return max(0.0, float(tau_min * np.log(span / left)))


def thermostat_cycle(low_c: float, high_c: float, off_end_c: float, on_end_c: float, *, tau_min: float) -> tuple[float, float]:
    """Minutes off and minutes on of a thermostat that keeps a first-order body between two temperatures.

    ``off_end_c``, ``on_end_c``: where the body would end with cooling off and on [°C]. Infinity where it never gets there.

    Examples
    --------
    FACTS C9 (READ; COMPUTED):

    >>> off, on = thermostat_cycle(2.0, 7.0, 20.0, -44.0, tau_min=120.0)
    >>> round(off, 4), round(on, 4)
    (39.0507, 12.3821)
    """
    return minutes_to_reach(low_c, off_end_c, high_c, tau_min=tau_min), minutes_to_reach(high_c, on_end_c, low_c, tau_min=tau_min)


def cycle_behind_a_probe(period_min: float, *, tau_min: float) -> tuple[float, float]:
    """Share of a cycle's amplitude that a first-order probe shows, and by how many minutes it runs late.

    Examples
    --------
    FACTS G4 (COMPUTED):

    >>> share, late = cycle_behind_a_probe(51.4328, tau_min=10.0)
    >>> round(share, 5), round(late, 3)
    (0.63342, 7.243)
    """
    turn = 2.0 * np.pi * tau_min / period_min
    return float(1.0 / np.hypot(1.0, turn)), float(np.arctan(turn) / (2.0 * np.pi) * period_min)
