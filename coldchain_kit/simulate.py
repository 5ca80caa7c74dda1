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
from dataclasses import dataclass, field, fields, replace

import numpy as np
import pandas as pd

from coldchain_kit.errors import KitError, nearest

STEP_S = 10
WATER_KJ_KG_K = 4.18  # heat capacity of water, physics

EVENTS = (
    "door_open", "power_loss", "cooling_failure", "defrost", "setpoint_change", "warm_load", "cold_load", "overcooling",
    "airflow_blocked", "probe_removed", "probe_fault", "ambient_heat", "ambient_cold",
)  # fmt: skip
FAULT_FORMS = ("offset", "drift", "stuck", "spikes", "noise", "no_value")
PRACTICE = "common practice, no source"


@dataclass(frozen=True)
class SimProbe:
    """A probe of the simulator.

    ``sees`` air | room | surface (the evaporator side of the wall) | contents; ``tau_min`` its time constant [min],
    ``bias_c`` a constant error [°C], ``noise_c`` standard deviation [°C], ``resolution_c`` display step [°C],
    ``drift_c_per_day`` [°C/day].
    """

    name: str
    sees: str = "air"
    tau_min: float = 2.0
    noise_c: float = 0.03
    resolution_c: float = 0.1
    bias_c: float = 0.0
    drift_c_per_day: float = 0.0


# Time constants: air probe of a few minutes, buffered probe 5 to 30 min (FACTS C13 for bare sensors in moving air,
# G2/G4 use 1 to 30 min; buffer sizes C6, B9).
PROBES = (SimProbe("A", "air", 12.0), SimProbe("B", "air", 2.0), SimProbe("room", "room", 5.0))


@dataclass(frozen=True)
class Cabinet:
    """Parameters of a cabinet; :data:`RANGES` gives the range of each and where it comes from.

    Capacities [kJ/K], conductances [W/K], powers [W], temperatures [°C].
    """

    kind: str = "refrigerator"
    set_c: float = 5.0
    hysteresis_k: float = 2.0
    min_off_min: float = 4.0
    air_kj_k: float = 8.0
    contents_kj_k: float = 60.0
    evaporator_kj_k: float = 4.0
    walls_w_k: float = 2.0
    contents_w_k: float = 6.0
    evaporator_w_k: float = 12.0
    evaporator_still_w_k: float = 5.0
    capacity_w: float = 140.0
    capacity_at_c: float = -10.0
    capacity_slope_w_k: float = 3.0
    door_w_k: float = 60.0
    doors_per_day: float = 12.0
    door_s: float = 25.0
    defrost_every_h: float = 0.0
    defrost_min: float = 0.0
    defrost_w: float = 0.0
    defrost_end_c: float = 10.0
    room_c: float = 21.0
    room_day_k: float = 1.0
    room_tau_min: float = 60.0
    probes: tuple[SimProbe, ...] = PROBES


# (low, high, source) of what :func:`draw` varies, for a refrigerator.
RANGES = {
    "set_c": (4.0, 5.5, "aim 5 °C, FACTS B5"),
    "hysteresis_k": (1.0, 3.0, "band 2-3 °F to 5 K, FACTS C7, C9"),
    "min_off_min": (2.0, 6.0, PRACTICE),
    "air_kj_k": (5.0, 14.0, "air of 0.08-0.5 m3 (FACTS C1, C3) and its liner and shelves, " + PRACTICE),
    "contents_kj_k": (15.0, 120.0, "4 to 30 kg of water equivalent, " + PRACTICE),
    "evaporator_kj_k": (2.0, 8.0, "2 to 9 kg of aluminium, " + PRACTICE),
    "walls_w_k": (1.2, 2.8, "with the capacities gives 3-24 h to warm up, FACTS G3, C11, C12"),
    "contents_w_k": (3.0, 10.0, PRACTICE),
    "evaporator_w_k": (9.0, 20.0, PRACTICE),
    "evaporator_still_w_k": (3.0, 7.0, PRACTICE),
    "capacity_w": (110.0, 220.0, "compressor 110-120 W, FACTS C7, C8, at a coefficient of performance of 1 to 2"),
    "door_w_k": (30.0, 90.0, "air 5 -> 20 °C in minutes, FACTS G2"),
    "doors_per_day": (4.0, 25.0, PRACTICE),
    "door_s": (7.0, 45.0, "7 s, FACTS C7; 8 s and 3 min, B26"),
    "room_c": (19.0, 25.0, "22 °C, FACTS B26; " + PRACTICE),
    "room_day_k": (0.3, 2.5, PRACTICE),
}

_KINDS = {
    "refrigerator": Cabinet(),
    "freezer": Cabinet(
        kind="freezer", set_c=-20.0, hysteresis_k=2.5, walls_w_k=1.6, capacity_w=260.0, capacity_at_c=-30.0, capacity_slope_w_k=4.0,
        evaporator_w_k=22.0, defrost_every_h=8.0, defrost_min=25.0, defrost_w=350.0, doors_per_day=6.0, door_w_k=40.0,
    ),
    "ultra_low": Cabinet(
        kind="ultra_low", set_c=-75.0, hysteresis_k=4.0, walls_w_k=1.0, contents_kj_k=150.0, capacity_w=330.0, capacity_at_c=-85.0,
        evaporator_w_k=22.0, doors_per_day=4.0, door_w_k=30.0,
    ),
    "cold_room": Cabinet(
        kind="cold_room", air_kj_k=120.0, contents_kj_k=2500.0, evaporator_kj_k=40.0, walls_w_k=30.0, contents_w_k=120.0, evaporator_w_k=250.0,
        evaporator_still_w_k=60.0, capacity_w=2500.0, capacity_slope_w_k=60.0, door_w_k=500.0, doors_per_day=25.0, door_s=60.0,
    ),
    "room": Cabinet(
        kind="room", set_c=21.0, hysteresis_k=1.5, air_kj_k=400.0, contents_kj_k=4000.0, evaporator_kj_k=40.0, walls_w_k=120.0, contents_w_k=300.0,
        evaporator_w_k=400.0, evaporator_still_w_k=60.0, capacity_w=4000.0, capacity_at_c=5.0, capacity_slope_w_k=60.0, door_w_k=500.0, room_c=29.0,
    ),
}  # fmt: skip


@dataclass(frozen=True)
class Event:
    """Something that happens, from ``start_min`` [min after the start] for ``minutes``.

    ``size``: door_open how far (0..1); cooling_failure and airflow_blocked the share that remains (0..1); setpoint_change, ambient_heat,
    ambient_cold [K]; warm_load, cold_load kg of water equivalent; defrost heater power as a share of its own; probe_fault
    [°C] (offset, spikes, noise) or [°C/day] (drift). ``at_c`` temperature of a load. ``probe`` for probe_fault and
    probe_removed (None: every probe inside), ``form`` of a probe_fault. ``background``: everyday life, not the cause.
    """

    kind: str
    start_min: float
    minutes: float
    size: float | None = None
    at_c: float | None = None
    probe: str | None = None
    form: str = "offset"
    background: bool = False


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


def cabinet(kind: str = "refrigerator", **changes) -> Cabinet:
    """A typical cabinet of that kind (refrigerator, freezer, ultra_low, cold_room, room) with some parameters changed.

    Examples
    --------
    >>> cabinet("freezer").set_c
    -20.0
    """
    if kind not in _KINDS:
        raise KitError(f"no cabinet of kind '{kind}'", expected="one of " + ", ".join(_KINDS), mend=nearest(kind, _KINDS))
    known = [row.name for row in fields(Cabinet)]
    for name in changes:
        if name not in known:
            raise KitError(f"a cabinet has no parameter '{name}'", mend=nearest(name, known))
    return replace(_KINDS[kind], **changes)


def draw(seed: int, kind: str = "refrigerator", **changes) -> Cabinet:
    """A random cabinet within :data:`RANGES` (other kinds keep their ratio to the refrigerator's middle).

    Examples
    --------
    >>> draw(3) == draw(3), draw(3) == draw(4)
    (True, False)
    """
    rng = np.random.default_rng([seed, 1])
    base = cabinet(kind)
    drawn = {}
    for name, (low, high, _) in RANGES.items():
        value = rng.uniform(low, high)
        plain = getattr(_KINDS["refrigerator"], name)
        drawn[name] = value if kind == "refrigerator" else getattr(base, name) + (value - plain if name in ("set_c", "room_c") else getattr(base, name) * (value / plain - 1))
    taus = rng.uniform(6.0, 20.0), rng.uniform(1.0, 4.0)
    drawn["probes"] = (replace(PROBES[0], tau_min=taus[0]), replace(PROBES[1], tau_min=taus[1]), PROBES[2])
    return replace(base, **{**drawn, **changes})


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
    states = _integrate(cabinet, every, room)
    index = pd.date_range(start.tz_convert("UTC").as_unit("us"), periods=steps + 1, freq=f"{STEP_S}s", name="time")
    truth = pd.DataFrame(states, index=index)
    truth.insert(4, "room_c", room)
    for probe in cabinet.probes:
        truth[f"probe_{probe.name}"] = _follow(cabinet, probe, every, truth)
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
            course = course + _lag(np.where(inside, aim, 0.0), cabinet.room_tau_min)
    return course


def _lag(course: np.ndarray, tau_min: float, start: float | None = None) -> np.ndarray:
    """First-order body that follows a course given every 10 s, held over each step: exact for that course."""
    from scipy.signal import lfilter

    keep = math.exp(-STEP_S / 60.0 / tau_min)
    first = course[0] if start is None else start
    tail = lfilter([1.0 - keep], [1.0, -keep], course[:-1], zi=[keep * first])[0]
    return np.concatenate([[first], tail])


def _follow(cabinet: Cabinet, probe: SimProbe, events: Sequence[Event], truth: pd.DataFrame) -> np.ndarray:
    around = truth[f"{'evaporator' if probe.sees == 'surface' else probe.sees}_c"].to_numpy().copy()
    for event in events:
        if event.kind == "probe_removed" and probe.sees != "room" and event.probe in (None, probe.name):
            first, last = (int(minutes * 60 / STEP_S) for minutes in (event.start_min, event.start_min + event.minutes))
            around[first:last] = truth["room_c"].to_numpy()[first:last]
    return _lag(around, probe.tau_min)


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


def _integrate(cabinet: Cabinet, events: Sequence[Event], room: np.ndarray) -> dict[str, np.ndarray]:
    """States at every step: event boundaries cut the span into segments of constant parameters."""
    count = len(room)
    span_min = (count - 1) * STEP_S / 60.0
    cuts = {0.0, span_min}
    for event in events:
        cuts |= {min(span_min, max(0.0, minutes)) for minutes in (event.start_min, event.start_min + event.minutes)}
    edges = sorted({int(round(minutes * 60 / STEP_S)) for minutes in cuts})
    set_c = cabinet.set_c
    control = _Control(cabinet, air_c=set_c, contents_c=set_c, evaporator_c=set_c - 4.0, load_c=set_c)
    out = np.empty((7, count))
    matrices: dict[tuple, list] = {}
    load_kj_k = 0.0
    for first, last in zip(edges[:-1], edges[1:], strict=True):
        middle = (first + last) / 2 * STEP_S / 60.0
        active = [event for event in events if event.start_min <= middle < event.start_min + event.minutes]
        for event in active:
            if event.kind in ("warm_load", "cold_load") and first == int(round(event.start_min * 60 / STEP_S)):
                load_kj_k = (4.0 if event.size is None else event.size) * WATER_KJ_KG_K
                control.load_c = event.at_c if event.at_c is not None else (float(room[first]) if event.kind == "warm_load" else -20.0)
        mode = _Mode.of(cabinet, active, load_kj_k)
        if mode.key not in matrices:
            matrices[mode.key] = [_transition(cabinet, mode, work) for work in ("idle", "cool", "heat")]
        _segment(control, mode, matrices[mode.key], room, out, first, last)
    _segment_end(control, out)
    names = ("air_c", "contents_c", "evaporator_c", "load_c", "cooling_w", "heating_w", "door")
    states = dict(zip(names, out, strict=True))
    states["door"] = states["door"].astype("int8")
    power = np.ones(count, "int8")
    for event in events:
        if event.kind == "power_loss":
            power[int(round(event.start_min * 6)) : int(round((event.start_min + event.minutes) * 6))] = 0
    states["power"] = power
    return states


@dataclass(frozen=True)
class _Mode:
    """What holds during a segment."""

    powered: bool
    door: float  # share of its opening, 0 = shut
    capacity: float
    airflow: float
    heater: float  # share of the defrost heater that is forced on
    stuck_on: bool
    shift_k: float
    load_kj_k: float

    @property
    def key(self) -> tuple:
        return (self.powered, self.door, self.capacity, self.airflow, self.heater, self.load_kj_k)

    @classmethod
    def of(cls, cabinet: Cabinet, active: Sequence[Event], load_kj_k: float) -> _Mode:
        sizes = {event.kind: event.size for event in active}

        def size(kind: str, plain: float) -> float:
            return plain if sizes.get(kind) is None else sizes[kind]

        return cls(
            powered="power_loss" not in sizes,
            door=max([0.0, *(_opening(event) for event in active)]),
            capacity=size("cooling_failure", 0.0) if "cooling_failure" in sizes else 1.0,
            airflow=size("airflow_blocked", 0.2) if "airflow_blocked" in sizes else 1.0,
            heater=size("defrost", 1.0) if "defrost" in sizes else 0.0,
            stuck_on="overcooling" in sizes,
            shift_k=size("setpoint_change", 4.0) if "setpoint_change" in sizes else 0.0,
            load_kj_k=load_kj_k,
        )


def _opening(event: Event) -> float:
    """How far an event has the door open: loads go in through an open door."""
    if event.kind == "door_open":
        return 1.0 if event.size is None else event.size
    return 1.0 if event.kind in ("warm_load", "cold_load") else 0.0


def _transition(cabinet: Cabinet, mode: _Mode, work: str) -> list[list[float]]:
    """Exact 10 s step: rows of [state matrix | room | constant] for air, contents, evaporator, load."""
    from scipy.linalg import expm

    cooling, heating = work == "cool" and mode.powered, work == "heat" and mode.powered
    fan = cooling
    evaporator = (cabinet.evaporator_w_k if fan else cabinet.evaporator_still_w_k) * mode.airflow
    outside = cabinet.walls_w_k + cabinet.door_w_k * mode.door
    contents = cabinet.contents_w_k * (1.0 if fan else 0.7)
    # Air reaches a body through its surface, which grows with the 2/3 power of its mass.
    load = cabinet.contents_w_k * (mode.load_kj_k / cabinet.contents_kj_k) ** (2 / 3) if mode.load_kj_k else 0.0
    slope = cabinet.capacity_slope_w_k * mode.capacity if cooling else 0.0
    constant = -(cabinet.capacity_w * mode.capacity - slope * cabinet.capacity_at_c) if cooling else 0.0
    if heating:
        constant += cabinet.defrost_w * (mode.heater or 1.0)
    flows = np.array([
        [-(outside + contents + evaporator + load), contents, evaporator, load, outside, 0.0],
        [contents, -contents, 0.0, 0.0, 0.0, 0.0],
        [evaporator, 0.0, -evaporator - slope, 0.0, 0.0, constant],
        [load, 0.0, 0.0, -load, 0.0, 0.0],
        [0.0] * 6, [0.0] * 6,
    ])  # fmt: skip
    heat = np.array([cabinet.air_kj_k, cabinet.contents_kj_k, cabinet.evaporator_kj_k, mode.load_kj_k or 1.0, 1.0, 1.0]) * 1000.0
    return expm(flows / heat[:, None] * STEP_S)[:4].tolist()


@dataclass
class _Control:
    """State of the cabinet and its thermostat between segments."""

    cabinet: Cabinet
    air_c: float
    contents_c: float
    evaporator_c: float
    load_c: float
    cooling: bool = False
    off_steps: int = 10_000
    heat_steps: int = 0
    clock: int = 0


def _segment(control: _Control, mode: _Mode, matrices: list, room: np.ndarray, out: np.ndarray, first: int, last: int) -> None:
    """Step through a segment; the thermostat looks at the air every 10 s."""
    cabinet = control.cabinet
    high, low = (cabinet.set_c + mode.shift_k + side * cabinet.hysteresis_k / 2 for side in (1, -1))
    min_off = int(cabinet.min_off_min * 60 / STEP_S)
    period, length = int(cabinet.defrost_every_h * 3600 / STEP_S), int(cabinet.defrost_min * 60 / STEP_S)
    watt, slope, at_c, heater = cabinet.capacity_w * mode.capacity, cabinet.capacity_slope_w_k * mode.capacity, cabinet.capacity_at_c, cabinet.defrost_w * (mode.heater or 1.0)
    end_c = cabinet.defrost_end_c
    a, c, e, load = control.air_c, control.contents_c, control.evaporator_c, control.load_c
    cooling, off, heat, clock = control.cooling, control.off_steps, control.heat_steps, control.clock
    rows = []
    for r in room[first:last].tolist():
        if mode.powered:
            clock += 1
            if period and clock % period == 0:
                heat = length
            wanted = mode.stuck_on or (a > low if cooling else a >= high and off >= min_off)
            if heat > 0 or mode.heater:  # cooling rests; the heater is cut out once the evaporator is free of frost
                work = 2 if e < end_c else 0
                heat = max(0, heat - 1)
            else:
                work = 1 if wanted else 0
        else:
            work = 0
        cooling = work == 1
        off = 0 if cooling else off + 1
        rows.append((a, c, e, load, watt + slope * (e - at_c) if cooling else 0.0, heater if work == 2 else 0.0))
        m = matrices[work]
        m0, m1, m2, m3 = m
        a, c, e, load = (
            m0[0] * a + m0[1] * c + m0[2] * e + m0[3] * load + m0[4] * r + m0[5],
            m1[0] * a + m1[1] * c + m1[2] * e + m1[3] * load + m1[4] * r + m1[5],
            m2[0] * a + m2[1] * c + m2[2] * e + m2[3] * load + m2[4] * r + m2[5],
            m3[0] * a + m3[1] * c + m3[2] * e + m3[3] * load + m3[4] * r + m3[5],
        )
    out[:6, first:last] = np.array(rows).T
    out[6, first:last] = mode.door > 0
    control.air_c, control.contents_c, control.evaporator_c, control.load_c = a, c, e, load
    control.cooling, control.off_steps, control.heat_steps, control.clock = cooling, off, heat, clock


def _segment_end(control: _Control, out: np.ndarray) -> None:
    """The last instant: the state after the last step; its powers are those of the step before."""
    out[:4, -1] = control.air_c, control.contents_c, control.evaporator_c, control.load_c
    out[4:, -1] = out[4:, -2] if out.shape[1] > 1 else 0.0
