"""How much an episode can tell by its shape: 0 where no reading carries the change, towards 1 where many carry a clear one."""

from __future__ import annotations

import numpy as np
import pandas as pd

from coldchain_kit.causes.evidence.course import Course

# A course has at least a height and a pace, two numbers that the readings must carry: n / (n + 2) for n of them, as much weight as two unknowns leave.
READINGS = 2.0
# As in the estimate of a signal in noise: half the weight where the change beyond the usual range is twice the usual scatter.
SCATTER = 2.0
# The weights were fitted on the tuning set as it is; most of its looks reach this product, and keep their full weight.
# TUNED with the two numbers above (tests/benchmarks/labelled.py, seeds from 1000): where three readings or less carry the change, or it is under four times
# the scatter, 65 % are right; the mean support there is 0.72 with this factor and was 0.84 without.
FULL = 0.8
# 97.5 % of a normal scatter lies under 1.96 standard deviations.
NORMAL = 1.96


def share(course: Course) -> float:
    """Share (0..1) of its full weight that shape evidence of this course deserves.

    n / (n + 2) for the n readings that carry the change, times s² / (s² + 2²) for s = the change beyond the usual range over the
    usual scatter (swing, resolution, noise), relative to what the fitted episodes have, at most 1.

    Parameters
    ----------
    course : Course
        The leading probe through the episode.

    Returns
    -------
    float
    """
    readings, ratio = readings_out(course), clearness(course)
    return min(1.0, readings / (readings + READINGS) * ratio**2 / (ratio**2 + SCATTER**2) / FULL)


def readings_out(course: Course) -> int:
    """Readings beyond the usual range and over half the change, from the onset until half way back."""
    above = course.sign * (course.series - course.level_c)
    until = course.peak_time + pd.Timedelta(minutes=course.half_fall_min) if np.isfinite(course.half_fall_min) else course.series.index[-1]
    change = above[(above.index >= course.onset) & (above.index <= until)]
    return int((change > max(course.upper_k, 0.5 * course.peak_k)).sum())


def clearness(course: Course) -> float:
    """Change beyond the usual range over the usual scatter of a reading: swing, display step and noise together."""
    scatter = float(np.sqrt((course.upper_k / NORMAL) ** 2 + _display_step(course.series) ** 2 + course.noise_k**2))
    return max(0.0, course.peak_k - course.upper_k) / max(scatter, 1e-6)


def _display_step(series: pd.Series) -> float:
    """Smallest change between readings that follow each other [K]; 0 where nothing changes."""
    steps = np.abs(np.diff(series.to_numpy(dtype="float64")))
    steps = steps[steps > 1e-6]
    return float(steps.min()) if len(steps) else 0.0
