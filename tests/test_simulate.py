"""The simulator against closed forms and its own energy balance."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest

from coldchain_kit import simulate
from coldchain_kit.base import KitError
from coldchain_kit.model import physics
from coldchain_kit.simulate import Cabinet, Event, SimProbe
from tests.conftest import published

START = pd.Timestamp("2026-03-01T00:00:00Z")


def quiet(**changes) -> Cabinet:
    """A cabinet without everyday life, in a room that never changes apart from its wander."""
    return simulate.cabinet(doors_per_day=0.0, room_day_k=0.0, **changes)


def test_energy_is_balanced_over_a_day_with_a_door_and_an_outage():
    unit = quiet()
    made = simulate.run(unit, [Event("door_open", 300, 30), Event("power_loss", 700, 240)], start=START, hours=24, seed=1)
    truth = made.truth
    stored = sum(
        heat * 1000.0 * (truth[node].iloc[-1] - truth[node].iloc[0])
        for heat, node in ((unit.air_kj_k, "air_c"), (unit.contents_kj_k, "contents_c"), (unit.evaporator_kj_k, "evaporator_c"))
    )
    conductance = unit.walls_w_k + unit.door_w_k * truth["door"].to_numpy()
    # Trapezoid within a step, the mode of its beginning: 10 s steps leave about a percent at the door's edges.
    gap = (truth["room_c"] - truth["air_c"]).to_numpy()
    leak = (conductance[:-1] * (gap[:-1] + gap[1:]) / 2 * simulate.STEP_S).sum()
    removed = 0.0
    watt = truth["cooling_w"].to_numpy()
    on = watt > 0
    # Cooling falls with the evaporator's temperature within a step: mean of both ends where the compressor runs on.
    ends = unit.capacity_w + unit.capacity_slope_w_k * (truth["evaporator_c"].to_numpy() - unit.capacity_at_c)
    removed = ((ends[:-1] + ends[1:]) / 2 * on[:-1] * simulate.STEP_S).sum()
    assert stored == pytest.approx(leak - removed, abs=0.01 * leak)


def test_single_body_warms_up_by_the_closed_form():
    # FACTS G3 (COMPUTED): 5 degC, ambient 22 degC, tau 8 h reaches 8 degC after 1.5532 h and 15 degC after 7.0984 h.
    row = next(row for row in published("physics_cases.json")["power_loss_warmup"] if row["ambient_c"] == 22 and row["tau_h"] == 8)
    one_body = quiet(air_kj_k=57.6, walls_w_k=2.0, contents_w_k=0.0, evaporator_w_k=0.0, evaporator_still_w_k=0.0, room_c=22.0, set_c=5.0)
    made = simulate.run(one_body, [Event("power_loss", 0, 1440)], start=START, hours=24, seed=0)
    hours = np.arange(len(made.truth)) * simulate.STEP_S / 3600
    air = made.truth["air_c"].to_numpy()
    # The room wanders by a fifth of a kelvin, which moves the instant by about a percent.
    assert np.interp(8.0, air, hours) == pytest.approx(row["hours_to_8c"], rel=0.02)
    assert np.interp(15.0, air, hours) == pytest.approx(row["hours_to_15c"], rel=0.03)


@pytest.mark.parametrize("tau_min, peak_c, minutes", [(1, 19.2532, 4.3352), (5, 11.7678, 5.9521), (10, 8.8877, 3.3607)])
def test_lag_of_a_probe_in_a_door_pulse(tau_min, peak_c, minutes):
    # FACTS G2 (COMPUTED, published/physics_cases.json "door_pulse").
    seconds = np.arange(0, 3600, simulate.STEP_S)
    around = np.where(seconds < 180, 20.0, 5.0)
    probe = simulate.march.lag(around, tau_min, start=5.0)
    assert probe.max() == pytest.approx(peak_c, abs=1e-3)
    fine = np.interp(np.arange(0, 3600, 0.5), seconds, probe)
    assert np.count_nonzero(fine > 8) * 0.5 / 60 == pytest.approx(minutes, abs=0.06)


@pytest.mark.parametrize("tau_min", [5, 10, 30])
def test_a_probe_behind_a_cycle_meets_the_closed_form(tau_min):
    # FACTS G4 (COMPUTED, published/physics_cases.json "compressor_cycle_attenuation").
    row = next(row for row in published("physics_cases.json")["compressor_cycle_attenuation"] if row["probe_tau_min"] == tau_min)
    period = row["cycle_period_min"]
    share, late = physics.cycle_behind_a_probe(period, tau_min=tau_min)
    assert (share, late) == pytest.approx((row["amplitude_ratio"], row["phase_lag_min"]), abs=6e-5)
    minutes = np.arange(0, 30 * period, simulate.STEP_S / 60)
    probe = simulate.march.lag(np.sin(2 * np.pi * minutes / period), tau_min, start=0.0)
    settled = minutes > 20 * period
    expected = share * np.sin(2 * np.pi * (minutes - late) / period)
    assert np.abs(probe - expected)[settled].max() < 0.01


def test_thermostat_cycle_of_one_body_meets_the_closed_form():
    # FACTS C9 (READ; COMPUTED): tau 2 h, drift to 20 off and -44 on, band 2-7: off 39.0507, on 12.3821 min, duty 0.240743.
    case = published("physics_cases.json")["thermostat_cycle_closed_form"]
    off_min, on_min = physics.thermostat_cycle(2.0, 7.0, case["T_off_asymptote"], case["T_on_asymptote"], tau_min=case["tau_s"] / 60)
    assert (off_min + on_min, on_min / (off_min + on_min)) == pytest.approx((case["period_min"], case["duty"]), rel=1e-5)
    watt = 2.0 * (case["T_off_asymptote"] - case["T_on_asymptote"])
    # Cooling acts on the air itself through a tiny evaporator with a large conductance.
    unit = quiet(
        air_kj_k=2.0 * case["tau_s"] / 1000, walls_w_k=2.0, contents_w_k=0.0, evaporator_kj_k=0.05, evaporator_w_k=400.0, evaporator_still_w_k=400.0,
        capacity_w=watt, capacity_slope_w_k=0.0, set_c=4.5, hysteresis_k=5.0, min_off_min=0.0, room_c=case["T_off_asymptote"],
    )  # fmt: skip
    made = simulate.run(unit, start=START, hours=96, seed=3)
    on = made.truth["cooling_w"].to_numpy() > 0
    starts = np.flatnonzero(np.diff(on.astype(int)) == 1)
    assert np.mean(np.diff(starts)) / 6 == pytest.approx(case["period_min"], rel=0.02)
    assert on[starts[0] : starts[-1]].mean() == pytest.approx(case["duty"], rel=0.02)


def test_ranges_contain_the_typical_refrigerator_and_carry_their_source():
    for name, (low, high, source) in simulate.RANGES.items():
        assert low <= getattr(Cabinet(), name) <= high, name
        assert "FACTS" in source or "no source" in source


def test_same_seed_gives_the_same_bytes():
    made = [simulate.run(simulate.draw(5), [Event("warm_load", 300, 5)], start=START, hours=12, seed=9) for _ in range(2)]
    assert made[0].truth.equals(made[1].truth)
    assert made[0].sampled(5).equals(made[1].sampled(5))


def test_truth_names_cause_onset_and_end_and_everyday_doors_are_no_cause():
    made = simulate.run(Cabinet(), [Event("power_loss", 60, 30)], start=START, hours=3, seed=0)
    assert (made.cause, made.onset, made.end) == ("power_loss", START + pd.Timedelta("1h"), START + pd.Timedelta("90min"))
    assert simulate.run(Cabinet(), start=START, hours=3).cause == "none"


@pytest.mark.parametrize(
    "event, changes, way",
    [
        (Event("power_loss", 720, 480), {}, 1), (Event("cooling_failure", 720, 480), {}, 1), (Event("overcooling", 720, 480), {}, -1), (Event("door_open", 720, 480), {}, 1),
        (Event("airflow_blocked", 720, 480, 0.05), {}, 1), (Event("ambient_heat", 720, 480, 20.0), {"capacity_w": 60.0, "capacity_slope_w_k": 0.0}, 1),
        (Event("setpoint_change", 720, 480, 3.0), {}, 1), (Event("warm_load", 720, 5, 10.0), {}, 1), (Event("cold_load", 720, 5, 10.0), {}, -1),
    ],
)  # fmt: skip
def test_event_moves_the_contents_the_right_way(event, changes, way):
    calm, moved = (simulate.run(quiet(**changes), events, start=START, hours=20, seed=2) for events in ([], [event]))
    apart = (moved.truth["contents_c"] - calm.truth["contents_c"]).iloc[4320:]
    assert abs(apart).max() == (way * apart).max() and (way * apart).max() > 0.2


def test_defrost_runs_by_its_clock_and_the_heater_is_cut_out():
    unit = quiet(kind="freezer", set_c=-20.0, capacity_w=260.0, capacity_at_c=-30.0, evaporator_w_k=22.0, defrost_every_h=6.0, defrost_min=20.0, defrost_w=350.0)
    made = simulate.run(unit, start=START, hours=25, seed=1)
    heating = made.truth["heating_w"].to_numpy() > 0
    starts = np.flatnonzero(np.diff(heating.astype(int)) == 1)
    first = starts[np.diff(np.concatenate([[-9999], starts])) > 600]
    assert np.diff(first) / 360 == pytest.approx([6.0] * 3, abs=0.01)
    assert made.truth["evaporator_c"].max() < unit.defrost_end_c + 2


def test_a_probe_taken_out_sees_the_room_and_the_others_do_not():
    made = simulate.run(quiet(), [Event("probe_removed", 600, 120, probe="A")], start=START, hours=14, seed=1)
    at = made.truth.iloc[int(715 * 6)]
    assert at["probe_A"] == pytest.approx(at["room_c"], abs=0.1)
    assert at["probe_B"] < 8


def test_logger_clock_runs_ahead_and_drifts():
    made = simulate.run(quiet(), start=START, hours=48, seed=1)
    shown = made.sampled(60, clock_offset_s=90, clock_drift_s_per_day=10).index
    assert shown[0] == START + pd.Timedelta("90s") and shown[24] == START + pd.Timedelta("24h") + pd.Timedelta("100s")


def test_faults_of_a_probe_leave_the_truth_alone():
    probes = (SimProbe("A", "air", 12.0, noise_c=0.0, resolution_c=0.01),)
    calm, wrong = (simulate.run(quiet(probes=probes), events, start=START, hours=10, seed=4) for events in ([], [Event("probe_fault", 300, 60, 5.0)]))
    assert calm.truth.equals(wrong.truth)
    inside = wrong.sampled(5)["A"] - calm.sampled(5)["A"]
    assert inside.iloc[60:72].to_numpy() == pytest.approx(5.0) and (inside.iloc[:60] == 0).all()


@pytest.mark.parametrize("event, word", [(Event("door_opened", 0, 1), "door_open"), (Event("probe_fault", 0, 1, form="offst"), "offset")])
def test_an_unknown_event_names_the_nearest(event, word):
    with pytest.raises(KitError, match=word):
        simulate.run(Cabinet(), [event], start=START, hours=1)
