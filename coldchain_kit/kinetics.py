"""Loss of a product's quality with heat, from the product's own stability data: closed forms on plain numbers.

Only where a manufacturer or a published study states the constants. A vial monitor's stage is read off the vial,
never calculated; no verdict of the kit rests on this module.
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from coldchain_kit.errors import KitError
from coldchain_kit.physics import GAS_CONSTANT_KJ_MOL_K, KELVIN


def rate(temp_c, *, k1: float, k2: float):
    """Rate constant exp(k1 - k2 / T) [1 per the study's unit of time] at temperatures [°C]; k2 in kelvin.

    Examples
    --------
    >>> round(float(rate(5.0, k1=39.4584743, k2=12957.5764)), 10)
    0.0008036256
    """
    return np.exp(k1 - k2 / (np.asarray(temp_c, dtype="float64") + KELVIN))


def activation_energy_kj_mol(k2: float) -> float:
    """Activation energy [kJ/mol] of a temperature coefficient k2 [K]: the one that an MKT of this product takes.

    Examples
    --------
    >>> round(activation_energy_kj_mol(12957.5764), 3)
    107.734
    """
    return k2 * GAS_CONSTANT_KJ_MOL_K


def remaining(phases: Sequence[tuple[float, float]], *, k1: float, k2: float, order: float, start: float = 1.0) -> list[float]:
    """What is left after each phase of storage: d(alpha)/dt = k (1 - alpha)^order, left = start (1 - alpha).

    Parameters
    ----------
    phases : sequence of (temperature [°C], duration)
        Durations in the study's own unit of time.
    k1, k2, order : float
        Constants of the study; ``k2`` in kelvin.
    start : float
        Quality at the beginning, in the study's unit.

    Returns
    -------
    list of float, one for each phase; never below zero.

    Raises
    ------
    KitError
        For a negative duration or order.

    References
    ----------
    Model of the accelerated stability example, published/accelerated_stability_cases.json (READ).

    Examples
    --------
    >>> remaining([(5.0, 10.0)], k1=0.0, k2=0.0, order=0, start=100.0)
    [0.0]
    """
    if order < 0 or any(duration < 0 for _, duration in phases):
        raise KitError("a duration or the reaction's order is below zero", expected="zero or more")
    left, rows = 1.0, []
    for temp_c, duration in phases:
        reacted = float(rate(temp_c, k1=k1, k2=k2)) * duration
        if order == 1:
            left *= float(np.exp(-reacted))
        else:
            left = max(0.0, left ** (1 - order) - (1 - order) * reacted) ** (1 / (1 - order)) if left > 0 else 0.0
        rows.append(start * left)
    return rows
