"""A straight line through calibration points with the uncertainty of its parts (GUM H.3), and components combined (GUM G.4)."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from coldchain_kit.base import KitError


@dataclass(frozen=True)
class Line:
    """A least-squares line y = intercept + slope (x - origin) with its standard uncertainties (GUM H.3)."""

    intercept: float
    slope: float
    u_intercept: float
    u_slope: float
    correlation: float
    residual_sd: float
    dof: float
    origin: float

    def at(self, x: float) -> tuple[float, float]:
        """Value and standard uncertainty at ``x``, the correlation of the two coefficients included."""
        d = x - self.origin
        variance = self.u_intercept**2 + (d * self.u_slope) ** 2 + 2 * d * self.u_intercept * self.u_slope * self.correlation
        return self.intercept + self.slope * d, math.sqrt(variance)


def fit_line(x: npt.ArrayLike, y: npt.ArrayLike, *, origin: float = 0.0) -> Line:
    """Least-squares line through (x, y) with equal weights, uncertainties and correlation of its coefficients.

    Parameters
    ----------
    x, y : array of float
        At least three pairs with two different x.
    origin : float
        Where the intercept is taken.

    Raises
    ------
    KitError
        For fewer than three pairs or one single x.

    References
    ----------
    JCGM 100:2008 (GUM) H.3.

    Examples
    --------
    >>> line = fit_line([0.0, 1.0, 2.0, 3.0], [1.0, 3.0, 5.0, 7.0])
    >>> round(line.intercept, 9), round(line.slope, 9)
    (1.0, 2.0)
    """
    d, values = np.asarray(x, dtype="float64") - origin, np.asarray(y, dtype="float64")
    n = len(d)
    if n != len(values) or n < 3 or np.ptp(d) == 0:
        raise KitError(f"a line cannot be fitted to {n} points", expected="at least three pairs of numbers at two or more different temperatures")
    centre = d.mean()
    spread = float(((d - centre) ** 2).sum())
    slope = float(((d - centre) * (values - values.mean())).sum() / spread)
    intercept = float(values.mean() - slope * centre)
    residual = math.sqrt(float(((values - intercept - slope * d) ** 2).sum()) / (n - 2))
    squares = float((d**2).sum())
    return Line(
        intercept, slope, residual * math.sqrt(squares / (n * spread)), residual / math.sqrt(spread),
        -float(d.sum()) / math.sqrt(n * squares), residual, n - 2, origin,
    )  # fmt: skip


def combined(components: Sequence[tuple[float, float]]) -> tuple[float, float]:
    """Root sum of squares of (u, degrees of freedom) and the effective degrees of freedom (Welch-Satterthwaite, GUM G.4.1).

    Examples
    --------
    >>> combined([(3.0, 9.0), (4.0, math.inf)])
    (5.0, 69.44444444444444)
    """
    u = math.sqrt(sum(part**2 for part, _ in components))
    below = sum(part**4 / dof for part, dof in components)
    return u, u**4 / below if below else math.inf
