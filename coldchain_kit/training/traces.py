"""Traces for exercises: a cabinet's air as first-order courses towards the room and back, a bottle that follows it, and the truth.

Simpler than :mod:`coldchain_kit.simulate` and fast enough for a slider: nothing is judged by these traces but a learner's eye.
Time constants: a door acts on the air within minutes, a cabinet without cooling warms over hours (FACTS C11 to C13, G2, G3).
"""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np
import pandas as pd

START = pd.Timestamp("2026-05-04T00:00", tz="UTC")
STEP_MIN = 1.0
ROOM_C = 22.0


@dataclass(frozen=True)
class Event:
    """Something that happens: ``kind``, from ``start_min`` for ``minutes`` [min]; ``size`` by kind (new level, height of a hump) [°C]."""

    kind: str
    start_min: float
    minutes: float
    size: float = 0.0


@dataclass(frozen=True)
class Made:
    """A trace: ``bottle`` and ``air`` as a logger shows them [°C, 0.1 steps] on UTC, the limits [°C], and what happened."""

    bottle: pd.Series
    air: pd.Series
    low_c: float
    high_c: float
    events: tuple[Event, ...] = ()
    interval_min: float = 5.0
    note: str = ""
    marks: tuple[tuple[pd.Timestamp, str], ...] = field(default=())

    def at(self, minutes: float) -> pd.Timestamp:
        """The instant so many minutes after the start."""
        return START + pd.Timedelta(minutes=minutes)

    def near(self, series: pd.Series, minutes: float) -> pd.Timestamp:
        """The reading's time nearest to a minute after the start."""
        times = pd.DatetimeIndex(series.index)
        return times[int(np.argmin(np.abs((times - self.at(minutes)).total_seconds())))]


def make(
    events: tuple[Event, ...] = (), *, hours: float = 30.0, level_c: float = 5.0, swing_c: float = 0.6, period_min: float = 40.0, tau_min: float = 14.0, interval_min: float = 5.0,
    seed: int = 0, low_c: float = 2.0, high_c: float = 8.0, note: str = "",
) -> Made:  # fmt: skip
    """A trace of a refrigerator.

    Parameters
    ----------
    events : tuple of Event
        door, power, failure (does not come back), defrost (``size``: height; repeats each ``minutes`` from ``start_min`` on), setpoint (``size``: new
        level), load (``size``: how far it warms), stuck (the bottle's probe stands still).
    level_c, swing_c, period_min : float
        Usual level, half the swing and the period of the cooling's cycle.
    tau_min : float
        Time constant of the bottle [min]; 0: free air.
    """
    rng = np.random.default_rng(seed)
    minutes = np.arange(0, hours * 60 + 1e-9, STEP_MIN)
    target, tau, cycling = np.full(len(minutes), level_c), np.full(len(minutes), 12.0), np.ones(len(minutes))
    extra = np.zeros(len(minutes))
    for one in events:
        here, after = (minutes >= one.start_min) & (minutes < one.start_min + one.minutes), minutes >= one.start_min + one.minutes
        if one.kind == "door":
            target[here], tau[here], cycling[here] = ROOM_C, 6.0, 0.0
        elif one.kind in ("power", "failure"):
            stop = here | (after if one.kind == "failure" else False)
            target[stop], tau[stop], cycling[stop] = ROOM_C, 330.0, 0.0
            tau[after] = 25.0
            if one.kind == "failure":
                tau[stop] = 330.0
        elif one.kind == "setpoint":
            target[minutes >= one.start_min], tau[here] = one.size, 40.0
        elif one.kind == "load":
            age = minutes - one.start_min
            extra += np.where(age >= 0, one.size * (1 - np.exp(-np.maximum(age, 0) / 6.0)) * np.exp(-np.maximum(age - 10, 0) / 80.0), 0.0)
        elif one.kind == "defrost":
            for begin in np.arange(one.start_min, hours * 60, one.minutes):
                age = minutes - begin
                extra += np.where((age >= 0) & (age < 12), one.size * age / 12, np.where(age >= 12, one.size * np.exp(-(age - 12) / 10.0), 0.0))
    air = _lagged(target, tau, level_c) + extra + cycling * swing_c * np.sin(2 * np.pi * minutes / period_min + rng.uniform(0, 6))
    bottle = _lagged(air, np.full(len(air), max(tau_min, 0.5)), level_c)
    keep = np.arange(0, len(minutes), max(1, round(interval_min)))
    index = pd.DatetimeIndex(START + pd.to_timedelta(minutes[keep], unit="min"), name="time")
    shown = [np.round(course[keep] + 0.03 * rng.standard_normal(len(keep)), 1) for course in (bottle, air)]
    for one in events:
        if one.kind == "stuck":
            still = (minutes[keep] >= one.start_min) & (minutes[keep] < one.start_min + one.minutes)
            shown[0] = np.where(still, shown[0][int(np.argmax(still))], shown[0])
    return Made(pd.Series(shown[0], index=index), pd.Series(shown[1], index=index), low_c, high_c, tuple(events), interval_min, note)


def _lagged(target: np.ndarray, tau_min: np.ndarray, first_c: float) -> np.ndarray:
    """A first-order body that follows ``target`` [°C], minute by minute."""
    out, value, keep = np.empty(len(target)), first_c, np.exp(-STEP_MIN / tau_min)
    for at, (aim, stays) in enumerate(zip(target.tolist(), keep.tolist(), strict=True)):
        value = aim + (value - aim) * stays
        out[at] = value
    return out
