"""Cabinets, probes and events of the simulator, with the range of each parameter and its source."""

from __future__ import annotations

from dataclasses import dataclass, fields, replace
from typing import Any

import numpy as np

from coldchain_kit.base import KitError, nearest

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


def cabinet(kind: str = "refrigerator", **changes: Any) -> Cabinet:
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


def draw(seed: int, kind: str = "refrigerator", **changes: Any) -> Cabinet:
    """A random cabinet within :data:`RANGES` (other kinds keep their ratio to the refrigerator's middle).

    Examples
    --------
    >>> draw(3) == draw(3), draw(3) == draw(4)
    (True, False)
    """
    rng = np.random.default_rng([seed, 1])
    base = cabinet(kind)
    drawn: dict[str, Any] = {}
    for name, (low, high, _) in RANGES.items():
        value = rng.uniform(low, high)
        plain = getattr(_KINDS["refrigerator"], name)
        drawn[name] = value if kind == "refrigerator" else getattr(base, name) + (value - plain if name in ("set_c", "room_c") else getattr(base, name) * (value / plain - 1))
    taus = rng.uniform(6.0, 20.0), rng.uniform(1.0, 4.0)
    drawn["probes"] = (replace(PROBES[0], tau_min=taus[0]), replace(PROBES[1], tau_min=taus[1]), PROBES[2])
    return replace(base, **{**drawn, **changes})
