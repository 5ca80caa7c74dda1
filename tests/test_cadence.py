"""How often a logger reads (CONTRACTS rule 4), and that less of a record never looks more complete."""

from __future__ import annotations

import datetime as dt

import numpy as np
import pandas as pd
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from coldchain_kit import assessment, excursions
from coldchain_kit.downloads.readers import stating
from coldchain_kit.model import Trace, cadence, conditions, timeline
from coldchain_kit.model.cadence import US_PER_MIN, Stated
from tests import sites

START = dt.datetime(2026, 3, 1)
UTC = pd.Timestamp(START, tz="UTC")


def found(tmp_path, minutes, values=None, *, stated="", before="", **more) -> dict:
    """Results of a site whose one logger read at these minutes; ``before``: lines above the header."""
    values = [5.0 + 0.1 * (k % 3) for k in range(len(minutes))] if values is None else values
    rows = [((START + dt.timedelta(minutes=float(at))).isoformat(), value) for at, value in zip(minutes, values, strict=True)]
    path = sites.series(tmp_path, rows, header=before + "time,A (°C)")
    unit = f"[units.U.logger]\ninterval_min = {stated}\n" if stated else ""
    return assessment.assess(sites.write(tmp_path, [path], unit=unit, **more)).results


def kinds(results: dict) -> set[str]:
    return {row["kind"] for row in results["faults"]}


DAY = range(0, 1440 * 3, 5)
THINNED = {
    "hourly rows": (DAY[::12], 1 / 12),
    "every second row": (DAY[::2], 1 / 2),
    "every twelfth hour": (range(0, 1440 * 20, 720), 1 / 144),
    "five of six": ([at for k, at in enumerate(DAY) if k % 6], 5 / 6),
}


@pytest.mark.parametrize("name", THINNED)
def test_what_was_left_out_at_even_steps_is_never_complete(tmp_path, name):
    minutes, share = THINNED[name]
    probe = found(tmp_path, minutes, stated="5")["probes"][0]
    assert probe["interval_min"] == 5.0
    assert probe["covered_share"] == pytest.approx(share, abs=0.01)
    assert probe["missing_readings"] == pytest.approx(len(minutes) * (1 / share - 1), rel=0.05)


def test_a_coarser_regular_stretch_is_a_fault_with_its_beginning(tmp_path):
    minutes = [*range(0, 600, 5), *range(600, 2400, 60)]
    results = found(tmp_path, minutes)
    (fault,) = [row for row in results["faults"] if row["kind"] == "interval"]
    assert (fault["start"], "nothing states it" in fault["text"]) == ("2026-03-01T10:00:00Z", True)
    assert results["cause"]["cause"] != "none"
    assert "interval" not in kinds(found(tmp_path / "b", minutes, stated="[5, 60]"))


def test_an_excursion_in_a_coarser_stretch_is_bridged_and_proves_no_minutes(tmp_path):
    minutes = [*range(0, 600, 5), *range(600, 2400, 60)]
    values = [5.0 if not 900 <= at <= 1200 else 12.0 for at in minutes]
    (row,) = found(tmp_path, minutes, values)["excursions"]
    assert (row["open_start"], row["open_end"], row["readings"]) == (False, False, 6)
    assert row["minutes"] == pytest.approx(300 + 2 * 60 * 4 / 7)
    assert (row["minutes_least"], row["minutes_most"]) == (0.0, 420.0)


def test_two_readings_a_month_apart_cover_nothing(tmp_path):
    probe = found(tmp_path, [0, 43200])["probes"][0]
    assert (probe["covered_share"], probe["unknown_minutes"], probe["interval_min"]) == (0.0, 43200.0, None)


def test_a_record_of_one_reading_is_not_refused_and_covers_nothing(tmp_path):
    results = found(tmp_path, [0], [9.0])
    assert results["probes"][0]["covered_share"] == 0.0
    (row,) = results["excursions"]
    assert (row["readings"], row["open_start"], row["open_end"], row["first_back"]) == (1, True, True, None)
    assert found(tmp_path / "b", [0], [5.0])["cause"]["cause"] == "undetermined"


def test_a_preamble_an_event_and_dated_settings_state_an_interval(tmp_path):
    minutes = [*range(0, 600, 5), *range(600, 2400, 60)]
    assert "interval" in kinds(found(tmp_path, minutes, before="Sampling interval: 5 min\n"))
    said = found(tmp_path / "b", minutes, before="Logging interval: 60 min\n")
    assert "interval" not in kinds(said) and said["sources"][0]["layout"]["interval_stated_min"] == [60.0]
    settings_from = 'interval_min = 5\n[[units.U.settings]]\nfrom = 2026-03-01T10:00:00\ninterval_min = 60\n'
    assert "interval" not in kinds(found(tmp_path / "c", minutes, stated=settings_from.removeprefix("interval_min = ")))
    values: list[object] = [5.0] * len(minutes)
    values[120] = "Interval changed to 60 min"
    assert "interval" not in kinds(found(tmp_path / "d", minutes, values))


@pytest.mark.parametrize("step", [2, 3, 6, 12])
@pytest.mark.parametrize("where", ["register", "both"])
def test_a_coarser_word_completes_no_thinned_record(tmp_path, step, where):
    """A logger of 5 min with rows left out over twelve hours; the register says the coarser step, and (both) the preamble the finer one."""
    minutes = [*range(0, 1440, 5), *range(1440, 1440 + 60 * step, 5 * step), *range(1440 + 60 * step, 4320, 5)]
    before = "Logging interval: 5 min\n" if where == "both" else ""
    whole = found(tmp_path / "whole", list(range(0, 4320, 5)), stated=f"{5 * step}", before=before)
    thin = found(tmp_path / "thin", minutes, stated=f"{5 * step}", before=before)
    assert "interval" not in kinds(whole) and "interval" in kinds(thin)
    lost = 60 * step * (1 - 1 / step) / 4320
    assert thin["probes"][0]["covered_share"] == pytest.approx(whole["probes"][0]["covered_share"] - lost, abs=12 / 4320)
    assert any("at odds" in row["text"] for row in thin["faults"] if row["kind"] == "interval")


def test_two_papers_of_one_logger_at_odds_are_said(tmp_path):
    """Every second row taken out of a whole file: the preamble says 5, the register 10, the rows stand 10 min apart."""
    said = found(tmp_path, list(range(0, 4320, 10)), stated="10", before="Logging interval: 5 min\n")
    assert "interval" in kinds(said) and said["probes"][0]["covered_share"] == pytest.approx(0.5, abs=0.01)


def test_two_steps_on_purpose_and_a_change_with_its_day_stay_complete(tmp_path):
    minutes = [*range(0, 600, 5), *range(600, 2400, 60)]
    both = found(tmp_path / "both", minutes, stated="[5, 60]")
    change = "5\n[[units.U.settings]]\nfrom = 2026-03-01T10:00:00\ninterval_min = 60\n"
    dated = found(tmp_path / "dated", minutes, stated=change)
    assert "interval" not in kinds(both) and "interval" not in kinds(dated)


@pytest.mark.parametrize("seed", range(5))
def test_uneven_thinning_does_not_pay_where_the_interval_is_stated(tmp_path, seed):
    """Steps of 5, 8, 10 and 12 min under a stated 5: the count of readings is what was promised less those gone, by plain arithmetic."""
    rng = np.random.default_rng(seed)
    minutes = np.cumsum([0, *rng.choice([5, 8, 10, 12], 400)])
    one = cadence.of(minutes * US_PER_MIN, [Stated((5.0,))])
    assert cadence.even(np.diff(minutes).astype(float), one.interval_min, stated=5.0) and not cadence.even(np.diff(minutes).astype(float), one.interval_min)
    said = found(tmp_path, [int(one) for one in minutes], stated="5")
    promised = minutes[-1] / 5 + 1
    assert said["probes"][0]["missing_readings"] == pytest.approx(promised - len(minutes), rel=0.2) and said["probes"][0]["covered_share"] < 0.75


def test_an_uneven_logger_that_keeps_its_count_is_whole(tmp_path):
    """Steps of 3 to 7 min around a stated 5: no reading is missing."""
    rng = np.random.default_rng(3)
    said = found(tmp_path, [int(one) for one in np.cumsum([0, *rng.choice([3, 4, 5, 6, 7], 400)])], stated="5")
    assert said["probes"][0]["missing_readings"] == 0 and said["probes"][0]["covered_share"] > 0.99


@pytest.mark.parametrize("text", ["Alarm interval: 5 min", "Upload interval 1 h", "Interval", "Battery log interval: 5 min", "Interval: 99 h"])
def test_lines_that_state_no_interval(text):
    assert stating.interval_min(text) is None


def test_a_finer_step_than_stated_rules():
    one = cadence.of(np.arange(40) * 5 * US_PER_MIN, [Stated((15.0,))])
    assert one.one_min == 5.0


def test_twelve_steps_or_a_tenth_of_all_make_the_finest_step():
    few = cadence.of(np.cumsum([0, *[15] * 30, *[5] * 11]) * US_PER_MIN)
    assert few.one_min == 15.0
    enough = cadence.of(np.cumsum([0, *[15] * 30, *[5] * 12]) * US_PER_MIN)
    assert 5.0 in enough.intervals_min and enough.coarse.sum() == 30
    scattered = cadence.of(np.cumsum([0, *([5, 15, 15] * 20)]) * US_PER_MIN)
    assert scattered.intervals_min == (5.0,)


@given(st.integers(0, 2**31), st.sampled_from([1.0, 5.0, 10.0, 30.0]), st.floats(0.0, 0.9), st.floats(0.0, 0.9))
@settings(max_examples=80, deadline=None)
def test_further_losses_never_raise_the_coverage(seed, interval, first, then):
    rng = np.random.default_rng(seed)
    at = np.arange(300) * interval
    ends = np.isin(np.arange(300), (0, 299))
    keep = (rng.random(300) >= first) | ends
    less = keep & ((rng.random(300) >= then) | ends)
    whole = {"start": UTC, "end": UTC + pd.Timedelta(minutes=300 * interval), "interval_min": interval}
    a, b = (timeline.coverage(pd.Series(5.0, index=UTC + pd.to_timedelta(at[mask], unit="min")), **whole) for mask in (keep, less))
    assert b["covered_share"] <= a["covered_share"] + 1e-9
    assert b["missing_readings"] >= a["missing_readings"]
    assert a["missing_readings"] == 300 - keep.sum()


def test_the_timeline_of_a_trace_is_worked_out_once_and_follows_its_content(monkeypatch):
    trace = Trace.of(pd.Series(5.0, index=pd.date_range(UTC, periods=50, freq="5min")), interval_min=5)
    asked = []
    real = cadence.on_steps
    monkeypatch.setattr(cadence, "on_steps", lambda *given: asked.append(1) or real(*given))
    for _ in range(5):
        timeline.coverage(trace, start=UTC, end=UTC + pd.Timedelta("2h"))
        excursions.find(trace, conditions.get("refrigerated"))
    assert len(asked) == 1
    trace.readings.loc[trace.readings.index[10:20], "celsius"] = np.nan
    assert timeline.pairs(trace).gap.sum() == 1 and len(asked) == 2
    shown = timeline.steps(trace)
    shown["gap"] = True
    assert timeline.pairs(trace).gap.sum() == 1


def test_a_limit_that_is_itself_outside_gives_one_verdict_and_the_same_minutes():
    values = [-20.0, *[-14.5] * 12, -20.0]
    trace = Trace.of(pd.Series(values, index=pd.date_range(UTC, periods=14, freq="5min")), u_c=0.25, interval_min=5)
    (row,) = excursions.find(trace, conditions.get("deep_frozen")).to_dict("records")
    assert (row["verdict"], row["minutes_least"]) == ("outside", 55.0)
