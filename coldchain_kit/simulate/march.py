"""Heat nodes and thermostat, stepped exactly by 10 s."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from coldchain_kit.simulate.cabinets import Cabinet, Event

STEP_S = 10
WATER_KJ_KG_K = 4.18  # heat capacity of water, physics

Rows = list[list[float]]  # of a matrix


def lag(course: np.ndarray, tau_min: float, start: float | None = None) -> np.ndarray:
    """First-order body that follows a course given every 10 s, held over each step: exact for that course."""
    from scipy.signal import lfilter

    keep = math.exp(-STEP_S / 60.0 / tau_min)
    first = course[0] if start is None else start
    tail = lfilter([1.0 - keep], [1.0, -keep], course[:-1], zi=[keep * first])[0]
    return np.concatenate([[first], tail])


def integrate(cabinet: Cabinet, events: Sequence[Event], room: np.ndarray) -> dict[str, np.ndarray]:
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
    matrices: dict[tuple[float, ...], list[Rows]] = {}
    load_kj_k = 0.0
    for first, last in zip(edges[:-1], edges[1:], strict=True):
        middle = (first + last) / 2 * STEP_S / 60.0
        active = [event for event in events if event.start_min <= middle < event.start_min + event.minutes]
        for event in active:
            if event.kind in ("warm_load", "cold_load") and first == int(round(event.start_min * 60 / STEP_S)):
                load_kj_k = (4.0 if event.size is None else event.size) * WATER_KJ_KG_K
                control.load_c = event.at_c if event.at_c is not None else (float(room[first]) if event.kind == "warm_load" else -20.0)
        mode = _Mode.of(active, load_kj_k)
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
    def key(self) -> tuple[float, ...]:
        return (self.powered, self.door, self.capacity, self.airflow, self.heater, self.load_kj_k)

    @classmethod
    def of(cls, active: Sequence[Event], load_kj_k: float) -> _Mode:
        sizes = {event.kind: event.size for event in active}

        def size(kind: str, plain: float) -> float:
            given = sizes.get(kind)
            return plain if given is None else given

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


def _transition(cabinet: Cabinet, mode: _Mode, work: str) -> Rows:
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


def _segment(control: _Control, mode: _Mode, matrices: list[Rows], room: np.ndarray, out: np.ndarray, first: int, last: int) -> None:
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
