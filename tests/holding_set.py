"""Labelled cases for measuring the causes: an independent simulator, with other equations than ``coldchain_kit.simulate``.

Here the refrigerant's temperature is the driven quantity (no constant cooling power), contents are a slab of three layers, the
liner is its own node, natural convection grows with the temperature difference, the door exchanges air by the stack effect, a third of the
cabinets modulate their compressor instead of switching it, the thermostat's sensor lags, buffered probes are two bodies in
series and noise is correlated. All cases run side by side, explicit Euler with 5 s.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pandas as pd

STEP_S = 5.0
START = pd.Timestamp("2026-02-02T00:00:00Z").as_unit("us")
HOURS, ONSET_FROM_H, ONSET_TO_H = 120, 62.0, 80.0
ABOVE = ("door_open", "power_loss", "cooling_failure", "defrost", "setpoint_change", "warm_load", "probe_removed", "probe_fault", "ambient_heat")
BELOW = ("overcooling", "setpoint_down", "cold_load", "ambient_cold")
CAUSES = (*ABOVE, *BELOW)
# Harder forms of the same causes: a door ajar for hours, a load put in at once, the whole logger taken out, a short outage.
HARDER = ("door_ajar", "quiet_load", "logger_out", "short_outage")
NAMED = {"setpoint_down": "setpoint_change", "door_ajar": "door_open", "quiet_load": "warm_load", "logger_out": "probe_removed", "short_outage": "power_loss"}


@dataclass(frozen=True)
class HeldCase:
    """One labelled case: readings of A (buffered), B (air), room at one minute; ``cause`` as the kit names it."""

    cabinet: int
    cause: str
    scenario: str
    kind: str
    onset: pd.Timestamp
    end: pd.Timestamp
    readings: pd.DataFrame
    tau_a_min: float
    tau_b_min: float


def make(*, cabinets: int = 20, seed: int = 2026, scenarios: tuple[str, ...] = CAUSES, freezers: bool = False) -> list[HeldCase]:
    """Every scenario on every cabinet: refrigerators but for the defrost scenario, or freezers all of them."""
    rng = np.random.default_rng(seed)
    count = cabinets * len(scenarios)
    name = np.array([scenario for _ in range(cabinets) for scenario in scenarios])
    unit = np.repeat(np.arange(cabinets), len(scenarios))
    freezer = (name == "defrost") | freezers
    p = _parameters(rng, cabinets, unit, freezer, np.isin(name, ("ambient_heat", "warm_load", "quiet_load")))
    e = _events(rng, name, count, p)
    room = _room(rng, unit, cabinets, name, e)
    air, removed = _march(p, e, name, room)
    return _cases(rng, p, e, name, unit, freezer, air, room, removed)


def _parameters(rng, cabinets, unit, freezer, short) -> dict:
    def u(low, high):
        return rng.uniform(low, high, cabinets)[unit]

    p = dict(  # noqa: C408
        c_air=u(2.5e3, 6e3),
        c_liner=u(5e3, 16e3),
        c_layer=u(6e3, 35e3),
        h_liner=u(4, 9),
        h_layer=u(1.2, 3.0),
        k_layer=u(2.0, 8.0),
        ua=u(1.0, 2.4),
        h_coil=u(7, 16),
        t_ref=u(-18, -9),
        tau_on=u(60, 200),
        tau_off=u(250, 700),
        set_c=u(3.8, 5.4),
        band=u(0.8, 2.6),
        door=u(5, 16),
        sensor=u(60, 300),
        min_off=u(120, 360),
        modulating=rng.random(cabinets)[unit] < 1 / 3,
        tau_a=u(5, 18),
        tau_b=u(0.8, 3.5),
        res=rng.choice([0.1, 0.1, 0.0625, 0.5], cabinets)[unit],
        noise=u(0.02, 0.08),
        bias=u(-0.2, 0.2),
        visits=u(5, 20),
        own_defrost=rng.random(cabinets)[unit] < 0.4,
        period=np.round(u(5, 12) * 2) / 2 * 3600,
        length=u(12, 24) * 60,
    )
    p["h_coil"] = np.where(short, p["h_coil"] * rng.uniform(0.3, 0.45, len(short)), p["h_coil"])  # little reserve: else nothing would go outside
    p["modulating"] &= ~freezer
    p["own_defrost"] |= freezer
    p["set_c"] = np.where(freezer, p["set_c"] - 25.0, p["set_c"])
    p["t_ref"] = np.where(freezer, p["t_ref"] - 26.0, p["t_ref"])
    p["h_coil"] = np.where(freezer, p["h_coil"] * 1.6, p["h_coil"])
    return p


def _events(rng, name, count, p) -> dict:
    onset = rng.uniform(ONSET_FROM_H, ONSET_TO_H, count) * 3600
    lengths = {
        "door_open": (8, 100), "power_loss": (240, 900), "cooling_failure": (3600, 3600), "defrost": (45, 120), "setpoint_change": (3600, 3600), "warm_load": (2, 8),
        "probe_removed": (15, 150), "probe_fault": (90, 600), "ambient_heat": (600, 1200), "overcooling": (900, 1600), "setpoint_down": (3600, 3600), "cold_load": (2, 5),
        "ambient_cold": (900, 1500), "door_ajar": (180, 700), "quiet_load": (0.2, 0.4), "logger_out": (20, 180), "short_outage": (90, 240),
    }  # fmt: skip
    length = np.array([rng.uniform(*lengths[n]) for n in name]) * 60
    clock = np.ceil(onset / p["period"]) * p["period"]
    onset = np.where(name == "defrost", clock, onset)
    return dict(  # noqa: C408
        ajar=np.where(name == "door_ajar", rng.uniform(0.05, 0.2, count), 1.0), onset=onset, end=onset + length, kg=rng.uniform(6, 20, count), weak=np.where(rng.random(count) < 0.6, 0.0, rng.uniform(0.02, 0.08, count)), shift=rng.uniform(4.5, 7, count),
        hot=rng.uniform(16, 24, count), form=rng.choice(["offset", "drift", "noise", "stuck_high"], count), size=rng.uniform(4, 9, count),
    )  # fmt: skip


def _room(rng, unit, cabinets, name, e) -> np.ndarray:
    """Room at one minute: heating that switches twice a day, a wander, and the hot or cold spell."""
    t = np.arange(HOURS * 60 + 1) * 60.0
    hour = (t / 3600) % 24
    base, swing = rng.uniform(18.5, 25, cabinets)[unit], rng.uniform(0.3, 1.8, cabinets)[unit]
    day = np.where((hour > 7) & (hour < 19), 1.0, -1.0)
    smooth, out = 0.0, np.empty(len(t))
    for i, value in enumerate(day):
        smooth += (value - smooth) / 90.0
        out[i] = smooth
    room = base[:, None] + swing[:, None] * out[None, :]
    white = rng.standard_normal((cabinets, len(t) // 30 + 2)) * 0.15
    room += np.array([np.interp(t / 1800.0, np.arange(white.shape[1]), row) for row in white])[unit]
    for i, scenario in enumerate(name):
        if scenario in ("ambient_heat", "ambient_cold"):
            inside = (t >= e["onset"][i]) & (t < e["end"][i])
            aim = e["hot"][i] if scenario == "ambient_heat" else -e["hot"][i] - 8.0
            moved = 0.0
            for k in range(len(t)):
                moved += ((aim if inside[k] else 0.0) - moved) / 75.0
                room[i, k] += moved
    return room


def _march(p, e, name, room) -> tuple[np.ndarray, np.ndarray]:
    """Air temperature at one minute for all cases."""
    n = len(name)
    is_ = {scenario: name == scenario for scenario in (*CAUSES, *HARDER)}
    rng = np.random.default_rng(77)
    minutes = HOURS * 60
    visit = np.zeros((n, minutes + 1), bool)
    for i in range(n):
        for day in range(HOURS // 24):
            for at in rng.uniform(8 * 60, 18 * 60, rng.poisson(p["visits"][i])):
                visit[i, int(day * 1440 + at)] = True
    seconds_open = rng.uniform(8, 35, n)
    air = p["set_c"].copy()
    liner, layers, coil, sensor = air.copy(), np.repeat(air[None, :], 3, axis=0), air.copy() - 2, air.copy()
    load, c_load = air.copy(), np.zeros(n)
    on, off_for, drive = np.zeros(n, bool), np.full(n, 1e6), np.zeros(n)
    out = np.empty((n, minutes + 1))
    per = int(60 / STEP_S)
    for k in range(minutes * per + 1):
        t = k * STEP_S
        minute = k // per
        if k % per == 0:
            out[:, minute] = air
        outside = room[:, minute]
        active = (t >= e["onset"]) & (t < e["end"])
        start = (t >= e["onset"]) & (t < e["onset"] + STEP_S)
        loads = start & (is_["warm_load"] | is_["quiet_load"] | is_["cold_load"])
        if loads.any():
            c_load = np.where(loads, e["kg"] * 3800.0, c_load)
            load = np.where(loads, np.where(is_["cold_load"], -18.0, outside), load)
        power = ~(active & (is_["power_loss"] | is_["short_outage"]))
        door = (active & (is_["door_open"] | is_["door_ajar"] | is_["warm_load"] | is_["quiet_load"] | is_["cold_load"])) | (visit[:, minute] & ((t % 60) < seconds_open))
        aim = p["set_c"] + active * (is_["setpoint_change"] * e["shift"] - is_["setpoint_down"] * e["shift"])
        own = p["own_defrost"] & ((t % p["period"]) < p["length"])
        heating = (own | (active & is_["defrost"])) & power
        stuck = active & is_["overcooling"]
        on_next = np.where(on, sensor > aim - p["band"] / 2, (sensor > aim + p["band"] / 2) & (off_for > p["min_off"]))
        on = (on_next | stuck) & power & ~heating & ~p["modulating"]
        drive = np.clip(drive + (sensor - aim) * STEP_S / 1500.0, 0, 1) * (power & ~heating)
        strength = np.where(p["modulating"], np.where(stuck, 1.0, np.clip(drive + 0.25 * (sensor - aim), 0, 1) * (power & ~heating)), on)
        strength = strength * np.where(active & is_["cooling_failure"], e["weak"], 1.0)
        off_for = np.where(on, 0.0, off_for + STEP_S)
        cold = np.maximum(p["t_ref"], air - 22)
        coil += STEP_S * np.where(strength > 0, strength * (cold - coil) / p["tau_on"] + (1 - strength) * (air - coil) / p["tau_off"], (air - coil) / p["tau_off"])
        coil += STEP_S * heating * (np.minimum(8.0, air + 40) - coil) / 300.0
        h_coil = p["h_coil"] * np.where(strength > 0, 1.0, 0.35)
        convection = (0.35 + np.abs(air - layers[0])) ** 0.25
        flow_coil, flow_liner = h_coil * (coil - air), p["h_liner"] * (liner - air)
        flow_slab = 3 * p["h_layer"] * convection * (layers[0] - air)
        flow_door = door * e["ajar"] * p["door"] * np.sqrt(np.abs(outside - air) + 0.1) * (outside - air)
        flow_load = np.where(c_load > 0, 1.2 * (np.maximum(e["kg"], 0.1)) ** 0.67 * (load - air), 0.0)
        first, second = p["k_layer"] * (layers[1] - layers[0]), p["k_layer"] * (layers[2] - layers[1])
        liner += STEP_S / p["c_liner"] * (p["ua"] * (outside - liner) - flow_liner + door * e["ajar"] * 0.25 * p["door"] * (outside - liner))
        layers[0] += STEP_S / p["c_layer"] * (first - flow_slab)
        layers[1] += STEP_S / p["c_layer"] * (second - first)
        layers[2] += STEP_S / p["c_layer"] * -second
        load += STEP_S * np.where(c_load > 0, -flow_load / np.maximum(c_load, 1.0), 0.0)
        air = air + STEP_S / p["c_air"] * (flow_coil + flow_liner + flow_slab + flow_door + flow_load)
        sensor += STEP_S * (air - sensor) / p["sensor"]
    return out, is_["probe_removed"] | is_["logger_out"]


def _cases(rng, p, e, name, unit, freezer, air, room, removed) -> list[HeldCase]:
    t = np.arange(air.shape[1]) * 60.0
    index = pd.DatetimeIndex(START + pd.to_timedelta(t, unit="s"), name="time").as_unit("us")
    cases = []
    for i, scenario in enumerate(name):
        inside = (t >= e["onset"][i]) & (t < e["end"][i])
        around = np.where(inside & removed[i], room[i], air[i])
        a = _follow(_follow(around, 0.75 * p["tau_a"][i]), 0.3 * p["tau_a"][i])
        b = _follow(around if scenario == "logger_out" else air[i], p["tau_b"][i])
        if scenario == "probe_fault":
            a = _fault(rng, a, inside, e["form"][i], e["size"][i], (t - e["onset"][i]) / 60.0)
        frame = pd.DataFrame({"A": _shown(rng, a + p["bias"][i], p, i), "B": _shown(rng, b, p, i), "room": _shown(rng, _follow(room[i], 4.0), p, i)}, index=index)
        at = [START + pd.Timedelta(seconds=float(round(e[key][i]))) for key in ("onset", "end")]
        cause = NAMED.get(scenario, scenario)
        cases.append(HeldCase(int(unit[i]), cause, scenario, "freezer" if freezer[i] else "refrigerator", *at, frame, float(p["tau_a"][i]), float(p["tau_b"][i])))
    return cases


def _follow(course, tau_min):
    out, value = np.empty_like(course), course[0]
    keep = np.exp(-1.0 / tau_min)
    for i, now in enumerate(course):
        value = now + (value - now) * keep
        out[i] = value
    return out


def _fault(rng, values, inside, form, size, minutes):
    wrong = {
        "offset": values + size, "drift": values + np.minimum(minutes / 60.0, 8.0) * size * 0.5, "noise": values + size * 0.6 * rng.standard_normal(len(values)),
        "stuck_high": np.full_like(values, values[0] + size + 3.0),
    }[str(form)]  # fmt: skip
    return np.where(inside, wrong, values)


def _shown(rng, values, p, i):
    noise, white = np.empty(len(values)), rng.standard_normal(len(values)) * p["noise"][i]
    value = 0.0
    for k, step in enumerate(white):
        value = 0.6 * value + 0.8 * step
        noise[k] = value
    return np.round(np.round((values + noise) / p["res"][i]) * p["res"][i], 6)
