"""Quality tests: published QARTOD vectors, planted faults, real excursions that must not be flagged, faults in words."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pandas as pd
import pytest

from coldchain_kit import quality, simulate
from coldchain_kit.base import KitError
from coldchain_kit.model import FAIL, GOOD, MISSING, NOT_EVALUATED, SUSPECT, Probe, Trace, Unit, conditions, roll_up, timeline
from coldchain_kit.register import Alarm, Logger
from tests.conftest import published

FRIDGE = conditions.get("refrigerated")
VECTORS = {case["id"]: case for case in published("qartod_vectors.json")["cases"]}
START = pd.Timestamp("2026-03-01", tz="UTC")


def series(values, *, freq="5min"):
    return pd.Series(values, index=pd.date_range(START, periods=len(values), freq=freq), dtype="float64")


def trace(values, *, freq="5min", **probe):
    return Trace.of(series(values, freq=freq), probe=Probe("A", **probe))


def steady(n, *, seed=0, level=5.0, noise=0.15, resolution=0.1):
    rng = np.random.default_rng(seed)
    wave = 0.4 * np.sin(np.arange(n) / 7.3 + rng.random())
    return np.round((level + wave + noise * rng.standard_normal(n)) / resolution) * resolution


def codes(done, name):
    return done.flags[name].to_numpy()


# ---- QARTOD vectors (published/qartod_vectors.json: source READ and run, FACTS F1-F4) ----------------------------


def timed(case):
    params = case["params"]
    if "times_s" in params:
        index = START + pd.to_timedelta(np.array(params["times_s"], dtype="int64"), unit="s")
        return pd.Series(case["values"], index=pd.DatetimeIndex(index).as_unit("us"), dtype="float64")
    return series(case["values"], freq=f"{params.get('interval_s', 300)}s")


@pytest.mark.parametrize("name", ["gross_range_1", "gross_range_masked"])
def test_gross_range_equals_the_vectors(name):
    params = VECTORS[name]["params"]
    found = quality.gross_range(timed(VECTORS[name]), fail_span_c=tuple(params["fail_span"]), suspect_span_c=tuple(params["suspect_span"]))
    assert found["flag"].tolist() == VECTORS[name]["expected"]


# Where we differ: QARTOD leaves a reading beside a missing value not evaluated; we take the next reading as its neighbour as long as the step is no
# gap (CONTRACTS rule 4: 2.5 intervals), so that scattered missing values do not blind the test (FACTS F7).


@pytest.mark.parametrize("name", [name for name, case in VECTORS.items() if case["test"] == "spike"])
def test_spike_equals_the_vectors_but_beside_a_missing_value(name):
    case = VECTORS[name]
    method = {"average": "average", "differential": "out_and_back"}[case["params"]["method"]]
    found = quality.spike(timed(case), suspect_c=case["params"]["suspect"], fail_c=case["params"]["fail"], method=method)["flag"].tolist()
    beside = {k for k in range(len(found)) for j in (k - 1, k + 1) if 0 <= j < len(found) and case["values"][j] is None and case["values"][k] is not None}
    assert [flag for k, flag in enumerate(found) if k not in beside] == [flag for k, flag in enumerate(case["expected"]) if k not in beside]
    values = case["values"]
    for k in beside:  # ours, computed here from the nearest readings on either side
        left = next((values[j] for j in range(k - 1, -1, -1) if values[j] is not None), None)
        right = next((values[j] for j in range(k + 1, len(values)) if values[j] is not None), None)
        assert found[k] == _spike_by_hand(left, values[k], right, case["params"], method)


def _spike_by_hand(left, value, right, params, method):
    if left is None or right is None:
        return NOT_EVALUATED
    judged = abs(value - (left + right) / 2)
    if method == "out_and_back":
        judged = min(abs(value - left), abs(right - value)) if (value - left) * (right - value) < 0 else 0.0
    if params["fail"] is not None and judged > params["fail"]:
        return FAIL
    return SUSPECT if params["suspect"] is not None and judged > params["suspect"] else GOOD


@pytest.mark.parametrize("name", [name for name, case in VECTORS.items() if case["test"] == "rate_of_change"])
def test_rate_equals_the_vectors_but_at_the_start_and_at_equality(name):
    case = VECTORS[name]
    params = case["params"]
    fail = params.get("fail_per_s")
    found = quality.rate_of_change(timed(case), suspect_c_per_min=params["suspect_per_s"] * 60, fail_c_per_min=None if fail is None else fail * 60)["flag"].tolist()
    expected = list(case["expected"])
    expected[0] = NOT_EVALUATED  # nothing before it: we say "not evaluated", the vectors say good
    if name == "roc_fail":
        expected[8] = SUSPECT  # a step of exactly the threshold: flagged there by floating point only (the file's own note)
    if name == "roc_missing":
        expected[6] = NOT_EVALUATED  # 45 min after the reading before, three intervals: a gap (CONTRACTS rule 4)
    assert found == expected


@pytest.mark.parametrize("name", [name for name, case in VECTORS.items() if case["test"] == "flat_line" and name != "flat_missing"])
def test_flat_line_equals_the_vectors_for_the_same_span_of_time(name):
    # The vectors turn a window of seconds into a count of readings, rounded down (3000 s at 900 s -> 3 steps = 2700 s).
    # We take spans of time; asked for the span those steps really cover, the flags are equal, except that a reading with too little
    # history is "not evaluated" for us as long as nothing has moved, good there.
    case = VECTORS[name]
    data, params = timed(case), case["params"]
    every = params.get("interval_s", 1)
    spans = [max(1, int(params[key] // every)) * every / 60 for key in ("suspect_s", "fail_s")]
    found = quality.flat_line(data, suspect_min=spans[0], fail_min=spans[1], tolerance_c=params["tolerance"])["flag"].tolist()
    minute = [(stamp - data.index[0]) / pd.Timedelta(minutes=1) for stamp in data.index]
    for k, (ours, theirs) in enumerate(zip(found, case["expected"], strict=True)):
        early = ours == NOT_EVALUATED and theirs == GOOD and minute[k] < spans[0]
        assert ours == theirs or early, k


def test_flat_line_does_not_look_across_a_gap():
    # the vector bridges 45 min without a value (readings 0-3 and 10-13); that is three intervals, a gap (CONTRACTS rule 4), and never bridged:
    # by hand, the history of 45 and 75 min starts again at readings 3 and 13
    case = VECTORS["flat_missing"]
    found = quality.flat_line(timed(case), suspect_min=45, fail_min=75, tolerance_c=0.01)["flag"].tolist()
    assert case["expected"] == [1, 9, 9, 1, 3, 3, 4, 4, 1, 9, 1, 9, 9, 3]
    assert found == [2, 9, 9, 1, 2, 2, 3, 3, 1, 9, 1, 9, 9, 2]


# Vectors that a test leaves out, and why. gap_nat has a reading without a time: a Trace holds none (Trace.check, rule 2: times strictly increasing), such
# rows are refused by the readers with line and reason, or stand in conflicts[]; there is nothing for the gap test to judge.
NOT_A_TRACE = ("gap_nat",)


@pytest.mark.parametrize("name", [name for name, case in VECTORS.items() if case["test"] == "time_gap" and name not in NOT_A_TRACE])
def test_gap_equals_the_vectors_but_for_the_first_reading(name):
    case = VECTORS[name]
    data = pd.Series(5.0, index=pd.DatetimeIndex(case["times"], tz="UTC").as_unit("us"))
    found = quality.gap(data, fail_min=case["params"]["fail_h"] * 60)["flag"].tolist()
    assert found[0] == NOT_EVALUATED  # nothing before it; the vectors let it inherit the second's flag
    assert found[1:] == case["expected"][1:]


@pytest.mark.parametrize("name", NOT_A_TRACE)
def test_a_reading_without_a_time_never_gets_as_far_as_the_gap_test(name):
    case = VECTORS[name]
    assert None in case["times"]
    breaches = Trace.of(pd.Series(5.0, index=pd.DatetimeIndex(case["times"], tz="UTC").as_unit("us"))).check()
    assert [text[:1] for text in breaches] == ["2"]
    # the readings that have a time are judged as the vector judges them where it does not look at the missing one: the last is a month after the one before
    left = pd.DatetimeIndex([time for time in case["times"] if time is not None], tz="UTC").as_unit("us")
    found = quality.gap(pd.Series(5.0, index=left), fail_min=case["params"]["fail_h"] * 60)["flag"].tolist()
    assert found[-1] == case["expected"][-1] == FAIL


def test_every_vector_is_compared_or_left_out_for_a_stated_reason():
    compared = {"gross_range", "spike", "rate_of_change", "flat_line", "time_gap", "aggregate"}
    left_out = {
        "attenuated_signal": "a unit that holds its temperature is what we hope for: too little movement alone is no fault here",
        "impossible_date": "dates are judged by the clock, against the register and the certificates, not against the day of the run",
    }
    assert {case["test"] for case in VECTORS.values()} == compared | set(left_out)


def test_a_pass_does_not_outvote_not_evaluated():
    case = VECTORS["compare_precedence"]
    ours = roll_up(pd.DataFrame({str(k): row for k, row in enumerate(case["vectors"])}, dtype="int8")).tolist()
    # vectors: 2 + 1 -> 1, and 9 is the weakest; ours: 2 wins over 1, and one test's "missing" makes the reading missing
    assert ours == [2, 3, 3, 9, 3, 1, 9, 9]
    assert case["expected"] == [1, 3, 3, 4, 3, 1, 2, 9]


# ---- planted faults -------------------------------------------------------------------------------------------


def test_flags_start_at_not_evaluated_and_missing_is_missing():
    done = quality.run(trace([None, 5.0, None]))
    assert quality.rolled(done).tolist() == [MISSING, NOT_EVALUATED, MISSING]
    empty = quality.run(trace([]))
    assert len(empty.flags) == 0
    assert done.check() == []


@pytest.mark.parametrize("role", ["buffered", "air", "unknown", "surface"])
@pytest.mark.parametrize("value", [850.0, 122.153, -127.0, -9999.0])
def test_readings_that_no_sensor_can_show_fail_whatever_the_probe(role, value):
    values = steady(300)
    values[150] = value
    done = quality.run(trace(values, role=role))
    assert quality.impossible(done).nonzero()[0].tolist() == [150]


def test_power_on_value_of_a_digital_sensor_fails_but_a_warm_up_through_it_does_not():
    values = steady(300)
    values[[0, 80]] = 85.0  # common practice, no source
    assert codes(quality.run(trace(values)), "end_value").nonzero()[0].size == 300
    assert (codes(quality.run(trace(values)), "end_value") == FAIL).nonzero()[0].tolist() == [0, 80]
    slow = np.concatenate([np.arange(60, 90, 1.0), np.arange(90, 60, -1.0)])
    assert not (codes(quality.run(trace(slow)), "end_value") == FAIL).any()


def test_span_of_the_probe_goes_before_the_loggers_and_its_ends_belong_to_it():
    logger = Logger(range_c=(-20.0, 40.0))
    data = [5.0, 45.0, 60.0, 5.0]
    assert (codes(quality.run(trace(data, freq="1h"), logger=logger), "gross_range") == FAIL).tolist() == [False, True, True, False]
    assert (codes(quality.run(trace(data, freq="1h", span_c=(-40.0, 60.0)), logger=logger), "gross_range") == FAIL).sum() == 0


@pytest.mark.parametrize(("declared", "limit"), [(12.0, 13.0), (30.0, 3.9)])
def test_a_spike_is_judged_by_the_time_constant(declared, limit):
    # independent computation: at half the declared time constant the probe covers p of the way in 5 min; coming back it can be
    # drawn past its level by air 10 °C colder: at most 10 p / (1 - p)
    p = 1 - np.exp(-5 / (declared / 2))
    assert 10 * p / (1 - p) == pytest.approx(limit, abs=0.06)
    for size, expected in ((limit - 0.5, False), (limit + 0.5, True)):
        values = np.full(60, 5.0)
        values[30] += size
        done = quality.run(trace(values, role="buffered", time_constant_min=declared, resolution_c=0.1))
        assert (codes(done, "spike")[30] == FAIL) == expected


def test_the_reading_after_a_spike_stays_good_and_a_burst_between_jumps_fails():
    values = steady(400)
    values[200:206] += 40.0
    done = quality.run(trace(values, role="buffered", freq="1min"))
    assert quality.impossible(done).nonzero()[0].tolist() == list(range(200, 206))


def test_spikes_at_both_ends_and_beside_a_gap_are_caught_by_the_rate():
    values = steady(300)
    values[[0, 299]] = 95.0
    data = series(values)
    data = data[(data.index < data.index[100]) | (data.index > data.index[140])]
    data.iloc[100] = 95.0
    done = quality.run(Trace.of(data, probe=Probe("A", "buffered")))
    assert quality.impossible(done).nonzero()[0].tolist() == [0, 100, len(data) - 1]


def test_a_stuck_sensor_with_scattered_missing_values_is_caught():
    # FACTS F7, READ
    values = np.full(400, 2.0)
    values[::7] = np.nan
    found = quality.flat_line(series(values), suspect_min=60, fail_min=180, tolerance_c=0.05)["flag"].to_numpy()
    assert (found[40:][~np.isnan(values[40:])] == FAIL).all()


def test_flat_line_counts_time_not_readings():
    minutes = np.concatenate([np.arange(0, 60, 1.0), np.arange(60, 600, 30.0)])
    data = pd.Series(4.0, index=START + pd.to_timedelta(minutes, unit="min"))
    found = quality.flat_line(data, suspect_min=120, fail_min=300, tolerance_c=0.05)["flag"].to_numpy()
    assert (minutes[found == SUSPECT].min(), minutes[found == FAIL].min()) == (120.0, 300.0)
    assert (found[minutes < 120] == NOT_EVALUATED).all()


@pytest.mark.parametrize(("resolution", "hours"), [(0.5, 72), (0.1, 24)])
def test_a_steady_refrigerator_at_a_coarse_resolution_is_no_fault(resolution, hours):
    rng = np.random.default_rng(4)
    values = np.full(hours * 12 + 400, 5.0)
    values[:200] += resolution * rng.integers(-1, 2, 200)
    values[-200:] += resolution * rng.integers(-1, 2, 200)
    done = quality.run(trace(values, role="buffered"), condition=FRIDGE)
    assert (codes(done, "flat_line") == GOOD).all()


def test_standing_still_is_a_fault_when_it_lasts_or_while_another_probe_moves():
    long = np.concatenate([steady(200), np.full(12 * 24 * 8, 5.0), steady(200)])
    assert (codes(quality.run(trace(long)), "flat_line") == FAIL).sum() >= 12 * 24 * 8
    warm = np.concatenate([steady(1000), np.linspace(5, 20, 72), np.full(72, 20.0), np.linspace(20, 5, 72), steady(500)])
    stuck = np.concatenate([steady(1000, seed=1), np.full(216, 5.0), steady(500, seed=2)])
    a, b = trace(stuck, role="buffered"), trace(warm, role="air")
    done = quality.run_all({"A": a, "B": b}, condition=FRIDGE)
    assert (codes(done["A"], "flat_line")[1000:1216] == FAIL).all()
    assert (codes(done["B"], "disagreement") != SUSPECT).all()  # a stuck probe does not testify
    assert quality.run(a, others={"B": b}, condition=FRIDGE).flags.equals(done["A"].flags)


def test_standing_still_far_outside_is_suspect_long_before():
    values = np.concatenate([steady(500), np.full(12 * 14, 31.1), steady(500)])
    plain, told = (codes(quality.run(trace(values), condition=rule), "flat_line") for rule in (None, FRIDGE))
    assert (plain == SUSPECT).sum() == 0
    assert (told == SUSPECT).sum() == 12 * 14


def test_a_copied_stretch_is_found_in_both_places_and_a_regular_record_is_not():
    values = steady(3000)
    values[2000:2288] = values[500:788]
    found = codes(quality.run(trace(values)), "repeated")
    both = np.zeros(3000, dtype=bool)
    both[500:788] = both[2000:2288] = True
    assert (found == SUSPECT)[both].all()
    assert (found == SUSPECT)[~both].sum() <= 12
    regular = np.round(5 + np.sin(np.arange(3000) * 2 * np.pi / 36), 1)
    assert not (codes(quality.run(trace(regular)), "repeated") == SUSPECT).any()


def test_a_copied_day_in_a_year_of_minutes_is_found():
    values = steady(525_600)
    values[400_000:401_440] = values[100_000:101_440]
    found = codes(quality.run(trace(values, freq="1min")), "repeated") == SUSPECT
    assert found[100_000:101_440].all()
    assert found[400_000:401_440].all()
    assert found.sum() < 2 * 1440 + 24


@pytest.mark.parametrize("seed", range(5))
def test_chance_is_no_copy(seed):
    for resolution in (0.1, 0.5):
        assert not (codes(quality.run(trace(steady(5000, seed=seed, resolution=resolution))), "repeated") == SUSPECT).any()


def test_resolution_and_its_change():
    fine, coarse = steady(2000, resolution=0.1), steady(2000, resolution=0.5, noise=0.6)
    assert quality.resolution_c(fine) == pytest.approx(0.1)
    assert quality.resolution_c(coarse) == pytest.approx(0.5)
    assert quality.resolution_c(np.full(9, 5.0)) is None
    found = quality.resolution_change(series(np.concatenate([fine, coarse])))
    assert np.flatnonzero(found["flag"] == SUSPECT).tolist() == list(range(2000, 4000))
    away = quality.resolution_change(series(np.concatenate([fine, coarse, steady(2000, seed=5)])))
    assert np.flatnonzero(away["flag"] == SUSPECT) == pytest.approx(np.arange(2000, 4000), abs=1)
    assert not (quality.resolution_change(series(fine))["flag"] == SUSPECT).any()


@pytest.mark.parametrize("order", [(0.1, 0.5), (0.5, 0.1)])
def test_a_change_of_resolution_is_suspect_unless_the_register_dates_it(order):
    first, second = (steady(2300, seed=k, resolution=step, noise=0.6) for k, step in enumerate(order))
    data = trace(np.concatenate([first, second]), role="buffered")
    since = data.readings.index[2300]
    done = quality.run(data, condition=FRIDGE)
    assert np.flatnonzero(codes(done, "resolution") == SUSPECT) == pytest.approx(np.arange(2300, 4600), abs=3)
    unit = Unit("F2", {"A": done}, clock={"state": "declared"})
    assert quality.faults(unit, condition=FRIDGE) == []  # no kind of its own in CONTRACTS
    answer, reasons = quality.believable(unit, faults=[], start=START, end=data.readings.index[-1])
    assert answer == "usable with limits"
    for part in (f"from {since:%Y-%m-%d %H}", f"{order[1]:g} °C instead of {order[0]:g} °C", "coarser" if order[1] > order[0] else "finer"):
        assert part in reasons[0]
    told = quality.run_all({"A": data}, condition=FRIDGE, dated=[since + pd.Timedelta("2h")])["A"]
    assert not (codes(told, "resolution") == SUSPECT).any()
    assert quality.believable(replace(unit, traces={"A": told}), faults=[], start=START, end=data.readings.index[-1]) == ("complete", [])
    late = quality.run_all({"A": data}, condition=FRIDGE, dated=[since + pd.Timedelta("3D")])["A"]
    assert (codes(late, "resolution") == SUSPECT).any()


def test_two_probes_against_their_own_history():
    n = 24 * 20
    a, b = steady(n, seed=1, level=4.0), steady(n, seed=2, level=6.0)  # always 2 °C apart: their usual difference
    left = a.copy()
    left[200:230] += 3.0
    found = quality.disagreement(series(left, freq="1h"), series(b, freq="1h"))["flag"].to_numpy() == SUSPECT
    assert found[203:227].all()
    assert found[:195].sum() + found[235:].sum() == 0
    assert not (quality.disagreement(series(b, freq="1h"), series(left, freq="1h"))["flag"] == SUSPECT).any()
    short = quality.disagreement(series(a[:48], freq="1h"), series(b[:48], freq="1h"))["flag"]
    assert (short == NOT_EVALUATED).all()


def test_a_slow_drift_apart_is_found_and_named_on_the_probe_that_drifts():
    n = 24 * 60
    a, b = steady(n, seed=1), steady(n, seed=2)
    drifting = a + np.linspace(0, 1.2, n)
    found = quality.disagreement(series(drifting, freq="1h"), series(b, freq="1h"))["flag"].to_numpy() == SUSPECT
    assert found[-24 * 10 :].all()
    assert not found[: 24 * 20].any()
    assert not (quality.disagreement(series(b, freq="1h"), series(drifting, freq="1h"))["flag"] == SUSPECT).any()


def test_noise_burst_is_suspect():
    values = steady(2000)
    rng = np.random.default_rng(3)
    values[1000:1100] += 4 * rng.standard_normal(100)
    found = codes(quality.run(trace(values, freq="1min")), "noise") == SUSPECT
    assert found[1005:1095].mean() > 0.9
    assert found[:980].sum() + found[1120:].sum() == 0


@pytest.mark.parametrize(("freq", "found"), [("1min", True), ("5min", False)])
def test_noise_below_a_degree_is_seen_only_where_readings_are_close_together(freq, found):
    values = steady(2000, seed=8, noise=0.03)
    values[1000:1120] += np.random.default_rng(3).normal(0, 1.0, 120)
    share = (codes(quality.run(trace(values.round(1), freq=freq, resolution_c=0.1)), "noise") == SUSPECT)[1000:1120].mean()
    assert (share > 0.8) == found


# ---- real excursions are evidence ------------------------------------------------------------------------------

EVENTS = {
    "power_loss": 300, "door_open": 40, "defrost": 40, "probe_removed": 45, "warm_load": 60, "cooling_failure": 1200, "setpoint_change": 2000,
    "ambient_heat": 900, "airflow_blocked": 1200, "overcooling": 900,
}  # fmt: skip


@pytest.mark.parametrize("kind", ["refrigerator", "freezer"])
@pytest.mark.parametrize("event", EVENTS)
def test_a_real_excursion_is_not_flagged(kind, event):
    made = simulate.run(simulate.draw(3, kind), [simulate.Event(event, 3500, EVENTS[event])], start=START, hours=96, seed=3)
    condition = FRIDGE if kind == "refrigerator" else conditions.get("frozen")
    for interval_min in (1, 5, 15):
        data = made.sampled(interval_min)
        roles = {probe.name: "room" if probe.sees == "room" else "buffered" if probe.tau_min > 4 else "air" for probe in made.cabinet.probes}
        done = quality.run_all({name: Trace.of(data[name], probe=Probe(name, role)) for name, role in roles.items()}, condition=condition)
        for one in done.values():
            assert not quality.impossible(one).any()
            assert (quality.rolled(one) == SUSPECT).sum() == 0


# ---- faults in words -------------------------------------------------------------------------------------------


def faults_of(*traces, **kwargs):
    done = quality.run_all({one.probe.name: one for one in traces}, condition=FRIDGE)
    return quality.faults(Unit("F2", done, **kwargs), condition=FRIDGE, logger=Logger(alarm=Alarm(True, 2.0, 8.0, 0.0)))


def test_one_spike_is_one_line_with_threshold_and_what_the_logger_shows():
    values = steady(300)
    values[150] = 45.0
    rows = faults_of(trace(values, role="buffered"))
    assert [(row["unit"], row["probe"], row["kind"], row["readings"]) for row in rows] == [("F2", "A", "spike", 1)]
    assert rows[0]["start"] == rows[0]["end"] == series(values).index[150]
    for part in ("45.0 °C", "cannot be true", "a buffered probe", "more", "The logger itself shows", "beyond its alarm limits"):
        assert part in rows[0]["text"]


def test_kinds_of_faults_and_their_spans():
    values = steady(600)
    values[100:110] = np.nan
    values[200:204] = 700.0
    data = trace(values)
    data = replace(data, readings=data.readings.assign(one_sided=np.where(np.arange(600) == 300, 1, 0).astype("int8")))
    notice = {"kind": "clock", "probe": None, "start": START, "end": START, "readings": 0, "text": "The clock was set."}
    rows = faults_of(data, notices=(notice,))
    assert {row["kind"]: row["readings"] for row in rows} == {"clock": 0, "no_value": 10, "gap": 0, "range": 4, "one_sided": 1}
    gap = next(row for row in rows if row["kind"] == "gap")
    assert (gap["end"] - gap["start"]) == pd.Timedelta("55min")
    inside = quality.faults(Unit("F2", {"A": quality.run(data)}), condition=FRIDGE, start=START + pd.Timedelta("20h"), end=START + pd.Timedelta("30h"))
    assert [row["kind"] for row in inside] == ["one_sided"]


def test_a_clean_record_has_no_fault():
    assert faults_of(trace(steady(3000), role="buffered")) == []


@pytest.mark.parametrize(
    ("level", "expected"),
    [(40.0, 1), (5.0, 0), (-15.0, 1), (12.0, 0), (22.0, 0)],
)
def test_unit_mixup_only_where_the_other_unit_fits(level, expected):
    # 40 °F = 4.4 °C; 5 °C taken for °F = -15 °C
    data = trace(steady(500, level=level))
    assert len(quality.unit_mixup(data, FRIDGE)) == expected
    rows = faults_of(data)
    assert [row["kind"] for row in rows] == ["unit_mixup"] * expected
    assert not quality.impossible(quality.run(data, condition=FRIDGE)).any()


def test_one_download_in_fahrenheit_among_celsius_ones():
    data = trace(np.concatenate([steady(400), steady(400, level=41.0, noise=0.3)]))
    data = replace(data, readings=data.readings.assign(source=np.repeat([0, 1], 400).astype("int16")))
    rows = quality.unit_mixup(data, FRIDGE)
    assert [(row["source"], row["start"]) for row in rows] == [(1, data.readings.index[400])]


def test_believable_answers():
    span = {"start": START, "end": START + pd.Timedelta(minutes=5 * 600)}
    whole = Unit("F2", {"A": quality.run(trace(steady(600)), condition=FRIDGE)}, clock={"state": "declared"})
    assert quality.believable(whole, faults=quality.faults(whole, condition=FRIDGE), **span) == ("complete", [])
    state = [{"probe": "A", "overdue": True, "as_found_out": False, "u_from": "certificate", "text": "Overdue since 2026-01-01."}]
    assert quality.believable(whole, faults=[], calibration=state, **span) == ("usable with limits", ["Overdue since 2026-01-01."])
    unsure = replace(whole, clock={"state": "not_verified", "text": "The clock is not verified."})
    assert quality.believable(unsure, faults=[], **span)[0] == "usable with limits"
    thin = Unit("F2", {"A": quality.run(trace(steady(200)))}, clock={"state": "declared"})
    answer, reasons = quality.believable(thin, faults=[], **span)
    assert answer == "not usable"
    share = timeline.coverage(thin.traces["A"].celsius, start=span["start"], end=span["end"])["covered_share"]
    assert share == pytest.approx(200 / 600, abs=1 / 600)  # 199 or 200 of 600 steps are held by readings
    assert f"readings cover {int(share * 1000) / 10:.1f} % of the time" in " ".join(reasons)
    mixed = Unit("F2", {"A": quality.run(trace(steady(600, level=40.0)))})
    assert quality.believable(mixed, faults=quality.faults(mixed, condition=FRIDGE), **span)[0] == "not usable"
    nobody = Unit("F2", {"A": quality.run(trace(steady(600), decides=False))})
    assert quality.believable(nobody, faults=[], **span)[0] == "not usable"


def test_bad_calls_say_what_was_expected():
    with pytest.raises(KitError, match="not inside"):
        quality.gross_range(series([5.0]), fail_span_c=(0, 10), suspect_span_c=(-5, 8))
    with pytest.raises(KitError, match="out_and_back or average"):
        quality.spike(series([5.0]), method="mean")
    with pytest.raises(KitError, match="suspect_min <= fail_min"):
        quality.flat_line(series([5.0]), suspect_min=60, fail_min=30, tolerance_c=0.1)


def test_nothing_is_changed_but_flags_and_steps():
    data = trace(steady(300), role="air")
    before = data.readings.copy()
    done = quality.run(data)
    assert data.readings.equals(before)
    assert done.readings.equals(before)
    assert done.steps[-1].function == "quality.run"
    assert set(quality.REQUIRED) <= set(done.flags.columns)
