"""A thermal simulator: traces of a cabinet with the cause and the truth beside them.

Four heat nodes (cabinet air with liner and shelves, contents, evaporator or cold wall, an added load) exchange
heat through conductances; the room is a given course. Between two changes of mode the system is linear, so each
10 s step is exact (matrix exponential). The thermostat has a hysteresis and a minimum off time. Probes follow
their surroundings as first-order bodies and do not act back.

Used by lessons, sample data and tests. The rules of :mod:`coldchain_kit.causes` are measured on another
simulator with other equations (tests/holding_set.py).
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, field

import numpy as np
import pandas as pd

from coldchain_kit.base import KitError, nearest
from coldchain_kit.simulate.cabinets import EVENTS, FAULT_FORMS, PROBES, RANGES, Cabinet, Event, SimProbe, cabinet, draw
from coldchain_kit.simulate.march import STEP_S, integrate, lag

__all__ = ["EVENTS", "FAULT_FORMS", "PROBES", "RANGES", "STEP_S", "Cabinet", "Event", "SimProbe", "Simulation", "cabinet", "draw", "run"]


@dataclass(frozen=True)
class Simulation:
    """What :func:`run` gives.

    ``truth``: DataFrame every 10 s with air_c, contents_c, evaporator_c, load_c, room_c, cooling_w, heating_w, door,
    power and ``probe_NAME`` (the probe's own temperature, without faults). ``cause``: kind of the first event that is not
    everyday life, else "none"; ``onset``, ``end`` of it (UTC).
    """

    cabinet: Cabinet
    events: tuple[Event, ...]
    truth: pd.DataFrame
    cause: str
    onset: pd.Timestamp | None
    end: pd.Timestamp | None
    seed: int = field(default=0)

    def sampled(self, interval_min: float = 5.0, *, first_s: float = 0.0, clock_offset_s: float = 0.0, clock_drift_s_per_day: float = 0.0) -> pd.DataFrame:
        """Probe readings as a logger would store them [°C], one column a probe, indexed by the time its clock shows (UTC).

        Parameters
        ----------
        interval_min, first_s : float
            Interval [min] and first reading [s after the start].
        clock_offset_s, clock_drift_s_per_day : float
            How far the logger's clock is ahead, and how much it gains [s, s/day].
        """
        truth = self.truth
        span_s = (len(truth) - 1) * STEP_S
        seconds = np.arange(first_s, span_s + 1e-9, interval_min * 60.0)
        at = np.clip(np.round(seconds / STEP_S).astype(int), 0, len(truth) - 1)
        rng = np.random.default_rng([self.seed, 7])
        readings = {probe.name: _read(self, probe, at, rng) for probe in self.cabinet.probes}
        shown_s = seconds + clock_offset_s + clock_drift_s_per_day * seconds / 86400.0
        index = truth.index[0] + pd.to_timedelta(np.round(shown_s * 1e6).astype("int64"), unit="us")
        return pd.DataFrame(readings, index=pd.DatetimeIndex(index, name="time").as_unit("us"))

    def channels(self, interval_min: float = 5.0) -> pd.DataFrame:
        """Door (seconds open in the interval before) and power (1 on, 0 off) as a logger would store them."""
        each = max(1, round(interval_min * 60 / STEP_S))
        truth = self.truth
        open_s = truth["door"].rolling(each, min_periods=1).sum() * STEP_S
        return pd.DataFrame({"door": open_s[::each], "power": truth["power"][::each].astype("int8")})


def run(cabinet: Cabinet, events: Sequence[Event] = (), *, start: pd.Timestamp, hours: float, seed: int = 0) -> Simulation:
    """Simulate a cabinet.

    Parameters
    ----------
    cabinet : Cabinet
    events : sequence of Event
    start : Timestamp
        First instant, UTC-aware.
    hours : float
        Length [h]; the first hours settle from a state near the set point.
    seed : int
        Everyday door openings, room and noise; the same seed gives the same bytes.

    Raises
    ------
    KitError
        An event or fault form that the simulator does not know.

    Examples
    --------
    >>> made = run(Cabinet(), [Event("power_loss", 600, 180)], start=pd.Timestamp("2026-03-01", tz="UTC"), hours=24, seed=1)
    >>> made.cause, len(made.truth), made.sampled(5).shape
    ('power_loss', 8641, (289, 3))
    """
    for event in events:
        _check(event, cabinet)
    steps = int(round(hours * 3600 / STEP_S))
    rng = np.random.default_rng([seed, 2])
    every = sorted((*events, *_everyday(cabinet, start, hours, rng)), key=lambda event: event.start_min)
    room = _room(cabinet, every, start, steps + 1, rng)
    states = integrate(cabinet, every, room)
    index = pd.date_range(start.tz_convert("UTC").as_unit("us"), periods=steps + 1, freq=f"{STEP_S}s", name="time")
    truth = pd.DataFrame(states, index=index)
    truth.insert(4, "room_c", room)
    for probe in cabinet.probes:
        truth[f"probe_{probe.name}"] = _follow(probe, every, truth)
    main = next((event for event in events if not event.background), None)
    at = [None, None] if main is None else [index[0] + pd.Timedelta(minutes=minutes) for minutes in (main.start_min, main.start_min + main.minutes)]
    return Simulation(cabinet, tuple(events), truth, "none" if main is None else main.kind, at[0], at[1], seed)


def _check(event: Event, cabinet: Cabinet) -> None:
    names = [probe.name for probe in cabinet.probes]
    for what, given, known in (("event", event.kind, EVENTS), ("form of a probe fault", event.form, FAULT_FORMS), ("probe", event.probe or names[0], names)):
        if given not in known:
            raise KitError(f"the simulator knows no {what} '{given}'", expected="one of " + ", ".join(known), mend=nearest(given, known))


def _everyday(cabinet: Cabinet, start: pd.Timestamp, hours: float, rng: np.random.Generator) -> list[Event]:
    """Short door openings in working hours, 8 to 18 o'clock UTC."""
    count = rng.poisson(cabinet.doors_per_day * hours / 24.0)
    days = rng.integers(0, max(1, math.ceil(hours / 24.0)), count)
    minutes = days * 1440.0 + rng.uniform(8 * 60, 18 * 60, count) - (start.hour * 60 + start.minute)
    lengths = np.maximum(STEP_S, rng.gamma(2.0, cabinet.door_s / 2.0, count)) / 60.0
    return [Event("door_open", float(at), float(length), background=True) for at, length in zip(minutes, lengths, strict=True) if 0 <= at < hours * 60 - length]


def _room(cabinet: Cabinet, events: Sequence[Event], start: pd.Timestamp, count: int, rng: np.random.Generator) -> np.ndarray:
    """Room course [°C]: daily wave with its peak at 15 h UTC, slow wander, and hot or cold spells."""
    seconds = np.arange(count) * STEP_S
    hour = start.hour + start.minute / 60.0 + seconds / 3600.0
    knots = np.arange(0, seconds[-1] + 7200, 3600)
    wander = 0.2 * rng.standard_normal(len(knots))
    course = cabinet.room_c + cabinet.room_day_k * np.cos(2 * np.pi * (hour - 15.0) / 24.0) + np.interp(seconds, knots, wander)
    for event in events:
        if event.kind in ("ambient_heat", "ambient_cold"):
            aim = (event.size if event.size is not None else 12.0) * (1 if event.kind == "ambient_heat" else -1)
            inside = (seconds >= event.start_min * 60) & (seconds < (event.start_min + event.minutes) * 60)
            course = course + lag(np.where(inside, aim, 0.0), cabinet.room_tau_min)
    return course


def _follow(probe: SimProbe, events: Sequence[Event], truth: pd.DataFrame) -> np.ndarray:
    around = truth[f"{'evaporator' if probe.sees == 'surface' else probe.sees}_c"].to_numpy().copy()
    for event in events:
        if event.kind == "probe_removed" and probe.sees != "room" and event.probe in (None, probe.name):
            first, last = (int(minutes * 60 / STEP_S) for minutes in (event.start_min, event.start_min + event.minutes))
            around[first:last] = truth["room_c"].to_numpy()[first:last]
    return lag(around, probe.tau_min)


def _read(simulation: Simulation, probe: SimProbe, at: np.ndarray, rng: np.random.Generator) -> np.ndarray:
    """A probe's readings with its bias, drift, noise, faults and display step."""
    values = simulation.truth[f"probe_{probe.name}"].to_numpy()[at]
    minutes = at * STEP_S / 60.0
    values = values + probe.bias_c + probe.drift_c_per_day * minutes / 1440.0 + probe.noise_c * rng.standard_normal(len(at))
    for event in simulation.events:
        if event.kind == "probe_fault" and event.probe in (None, probe.name):
            inside = (minutes >= event.start_min) & (minutes < event.start_min + event.minutes)
            values = _spoiled(values, inside, event, minutes, rng)
    return np.round(np.round(values / probe.resolution_c) * probe.resolution_c, 6)


def _spoiled(values: np.ndarray, inside: np.ndarray, event: Event, minutes: np.ndarray, rng: np.random.Generator) -> np.ndarray:
    size = 6.0 if event.size is None else event.size
    noise = rng.standard_normal(len(values))
    wrong = {
        "offset": values + size,
        "drift": values + size * (minutes - event.start_min) / 1440.0,
        "stuck": np.full_like(values, values[np.argmax(inside)] if event.size is None else size),
        "spikes": values + np.where(rng.random(len(values)) < 0.1, size, 0.0),
        "noise": values + size * noise,
        "no_value": np.full_like(values, np.nan),
    }[event.form]
    return np.where(inside, wrong, values)
