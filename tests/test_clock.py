"""clock: instants of shown times. Expected instants: published/dst_cases.json (COMPUTED from the tz database 2026f, FACTS G6, G7)."""

from __future__ import annotations

import datetime as dt

import numpy as np
import pandas as pd
import pytest
from hypothesis import example, given, settings
from hypothesis import strategies as st

from coldchain_kit.base import RegisterError, zones
from coldchain_kit.downloads import Column, clock
from coldchain_kit.model import Probe
from coldchain_kit.register import Certificate, Logger
from tests.conftest import open_data, published
from tests.downloads import download, entry, every, walls

CASES = published("dst_cases.json")
CHANGES = [(zone, row) for zone, years in CASES["transitions"].items() for rows in years.values() for row in rows]
LOCAL = entry(clock="local")


def micros(text: str) -> np.datetime64:
    return np.datetime64(text.removesuffix("Z"), "us")


def times(placed) -> np.ndarray:
    return placed.utc.tz_localize(None).to_numpy()


# ---- the zone ----


@pytest.mark.parametrize(("zone", "row"), CHANGES, ids=lambda value: value if isinstance(value, str) else value["utc"])
def test_each_change_happens_at_the_published_second(zone, row):
    at = micros(row["utc"])
    second = np.timedelta64(1, "s")
    local = zones.local(pd.DatetimeIndex([at - second, at], tz="UTC"), zone=zone)
    assert [str(time)[:19] for time in local] == [row["local_before"][:19], row["local_after"][:19]]


@pytest.mark.parametrize("zone", [zone for zone, years in CASES["transitions"].items()])
def test_no_other_change_is_found(zone):
    hours = pd.date_range("2025-01-01", "2027-01-01", freq="h", tz="UTC", inclusive="left")
    offset = zones.local(hours, zone=zone) - hours.tz_localize(None).to_numpy()
    found = [str(hours[at + 1])[:13] for at in np.flatnonzero(np.diff(offset))]
    assert len(found) == sum(len(rows) for rows in CASES["transitions"][zone].values())


@pytest.mark.parametrize("case", CASES["wall_clock_cases"], ids=lambda case: f"{case['zone']} {case['wall']}")
def test_wall_times_mean_the_published_instants(case):
    first, second = zones.instants(np.array([case["wall"]], "M8[us]"), zone=case["zone"])
    expected = {row["fold"]: micros(row["utc"]) for row in case["interpretations"]}
    assert (first[0], second[0]) == (expected[0], expected[1])
    kind = "unique" if first[0] == second[0] else "ambiguous" if first[0] < second[0] else "nonexistent"
    assert kind == case["kind"]


@pytest.mark.parametrize("case", CASES["day_lengths"], ids=lambda case: f"{case['zone']} {case['local_date']}")
@pytest.mark.parametrize("minutes", [5, 15])
def test_a_local_day_has_its_published_rows_and_comes_back_exactly(case, minutes):
    day = np.datetime64(case["local_date"])
    utc, shown = walls(case["zone"], str(day - 2), str(day + 3), minutes)
    placed = clock.place(download(shown), LOCAL, zone=case["zone"])
    assert (times(placed) == utc).all()
    assert not placed.doubt_s.any()
    assert placed.notices == ()
    assert placed.state == "declared"
    assert ((shown >= day) & (shown < day + 1)).sum() == case[f"rows_at_{minutes}_min"]


def test_the_trap_backward_wall_times_are_twenty_minutes():
    utc, shown = walls("Europe/Berlin", "2026-10-24", "2026-10-26", 5)
    placed = clock.place(download(shown), LOCAL, zone="Europe/Berlin")
    at = [np.flatnonzero(shown == np.datetime64(f"2026-10-25T02:{minute}"))[number] for minute, number in (("50", 0), ("10", 1))]
    assert placed.utc[at[1]] - placed.utc[at[0]] == pd.Timedelta(minutes=20)


def test_newest_first_is_turned():
    utc, shown = walls("Europe/Berlin", "2026-10-24", "2026-10-26", 5)
    placed = clock.place(download(shown[::-1]), LOCAL, zone="Europe/Berlin")
    assert (times(placed) == utc[::-1]).all()
    assert placed.notices == ()


def test_the_version_of_the_zone_rules_is_the_installed_packages():
    import importlib.metadata

    year, number = importlib.metadata.version("tzdata").split(".")[:2]
    assert zones.tz_version() == f"{year}{'abcdefghijklm'[int(number) - 1]}"


@pytest.mark.parametrize("zone", ["Europe/Lisboa", "../../etc/passwd", "Europe", "", "/Europe/Lisbon"])
def test_a_zone_that_is_not_there_is_refused(zone):
    with pytest.raises(RegisterError, match="zone"):
        zones.database(zone)


def test_shown_has_the_offset_and_seconds_where_there_are_any():
    assert zones.shown(pd.Timestamp("2026-03-06T22:40", tz="UTC"), zone="Europe/Lisbon") == "2026-03-06 22:40 +00:00"
    assert zones.shown(pd.Timestamp("2026-07-06T22:40:30", tz="UTC"), zone="Asia/Kathmandu") == "2026-07-07 04:25:30 +05:45"
    assert zones.shown(None, zone="Europe/Lisbon") == "time not known"


# ---- the repeated hour, with and without it really happening twice ----

BERLIN = "Europe/Berlin"
NIGHT = ("2026-10-24", "2026-10-26")


def in_hour(shown, hour="2026-10-25T02"):
    return (shown >= np.datetime64(f"{hour}:00")) & (shown < np.datetime64(f"{hour}:00") + np.timedelta64(60, "m"))


def test_an_hour_shown_once_without_a_gap_is_doubted_where_the_register_says_local():
    shown = every(5, *NIGHT)  # the clock kept its offset
    placed = clock.place(download(shown), LOCAL, zone=BERLIN)
    assert placed.state == "not_verified"
    assert (placed.doubt_s[in_hour(shown)] == 3600).all()
    assert (placed.doubt_s[shown >= np.datetime64("2026-10-25T03:00")] == 3600).all()
    assert not placed.doubt_s[shown < np.datetime64("2026-10-25T02:00")].any()
    (notice,) = placed.notices
    assert notice["kind"] == "clock"
    assert notice["readings"] == 12
    assert "did not go back" in notice["text"]


def test_the_same_record_proves_a_kept_offset_where_the_register_says_nothing():
    shown = every(5, *NIGHT)
    placed = clock.place(download(shown), entry(), zone=BERLIN)
    assert placed.state == "proved"
    assert "+02:00" in placed.text
    assert (shown - times(placed) == np.timedelta64(2, "h")).all()
    assert not placed.doubt_s.any()


def test_a_repeated_hour_proves_a_clock_that_follows():
    utc, shown = walls(BERLIN, *NIGHT, 5)
    placed = clock.place(download(shown), entry(), zone=BERLIN)
    assert placed.state == "proved"
    assert (times(placed) == utc).all()


def test_without_a_change_of_hour_the_clock_is_not_verified():
    placed = clock.place(download(every(5, "2026-07-01", "2026-07-03")), entry(), zone=BERLIN)
    assert placed.state == "not_verified"
    assert "clock not verified" in placed.text


def test_the_spring_hour_tells_the_two_clocks_apart():
    kept = every(5, "2026-03-28", "2026-03-30")
    placed = clock.place(download(kept), entry(), zone=BERLIN)
    assert placed.state == "proved"
    assert (kept - times(placed) == np.timedelta64(1, "h")).all()
    utc, followed = walls(BERLIN, "2026-03-28", "2026-03-30", 5)
    placed = clock.place(download(followed), entry(), zone=BERLIN)
    assert placed.state == "proved"
    assert (times(placed) == utc).all()


def test_times_that_never_were_have_no_instant_where_the_register_says_local():
    shown = every(5, "2026-03-28", "2026-03-30")
    placed = clock.place(download(shown), LOCAL, zone=BERLIN)
    never = in_hour(shown, "2026-03-29T02")
    assert (placed.utc.isna() == never).all()
    assert (placed.doubt_s[shown >= np.datetime64("2026-03-29T03:00")] == 3600).all()
    assert placed.state == "not_verified"
    (notice,) = placed.notices
    assert notice["readings"] == 12
    assert "never were" in notice["text"]
    assert notice["start"].tz is not None


@pytest.mark.parametrize(
    ("kept_utc", "sure"),
    [
        (lambda utc: (utc < micros("2026-10-25T00:30")) | (utc >= micros("2026-10-25T01:00")), True),  # the second half of the first pass is missing
        (lambda utc: (utc < micros("2026-10-25T00:00")) | (utc >= micros("2026-10-25T01:30")), False),  # only the end of the second pass is there
        (lambda utc: (utc < micros("2026-10-25T00:25")) | (utc >= micros("2026-10-25T02:00")), False),  # only the start of the first pass is there
        (lambda utc: utc < micros("2026-10-25T00:40"), True),  # the record ends in the first pass
        (lambda utc: utc >= micros("2026-10-25T01:20"), True),  # the record starts in the second pass
    ],
)
def test_cadence_resolves_a_repeated_hour_with_readings_missing_and_doubts_what_it_cannot_prove(kept_utc, sure):
    utc, shown = walls(BERLIN, *NIGHT, 5)
    keep = kept_utc(utc)
    placed = clock.place(download(shown[keep]), LOCAL, zone=BERLIN)
    assert (times(placed) == utc[keep]).all()
    assert placed.doubt_s.any() == (not sure)


@settings(max_examples=150, deadline=None)
@given(
    zone=st.sampled_from([BERLIN, "America/New_York", "Australia/Lord_Howe", "Pacific/Chatham", "Europe/London"]),
    minutes=st.sampled_from([1, 5, 7, 10, 15, 30, 60]),
    late=st.integers(0, 59),
    drops=st.lists(st.tuples(st.integers(0, 5 * 60), st.integers(1, 25)), max_size=4),
    newest_first=st.booleans(),
)
@example(zone="Australia/Lord_Howe", minutes=60, late=0, drops=[(66, 25)], newest_first=False)  # half an hour's change, steps of one and a half intervals
def test_no_reading_is_further_from_its_true_instant_than_its_doubt(zone, minutes, late, drops, newest_first):
    """A clock that follows its zone, with stretches missing around the repeated hour: wrong only where a doubt says so."""
    change = next(micros(row["utc"]) for row in CASES["transitions"][zone]["2026"] if float(row["offset_after"]) < float(row["offset_before"]))
    utc, shown = walls(zone, str(change - np.timedelta64(1, "D") + np.timedelta64(late, "s")), str(change + np.timedelta64(1, "D")), minutes)
    away = (utc - change) / np.timedelta64(1, "m") + 150
    keep = ~np.any([(away >= start) & (away < start + length) for start, length in drops], axis=0) if drops else np.ones(len(utc), bool)
    order = slice(None, None, -1 if newest_first else 1)
    placed = clock.place(download(shown[keep][order]), LOCAL, zone=zone)
    wrong = np.abs((times(placed) - utc[keep][order]) / np.timedelta64(1, "s"))
    assert (wrong <= placed.doubt_s).all()


def test_a_record_inside_the_repeated_hour_stays_in_doubt():
    shown = every(5, "2026-10-25T02:00", "2026-10-25T02:40")
    placed = clock.place(download(shown), LOCAL, zone=BERLIN)
    assert (placed.doubt_s == 3600).all()
    assert "could be from the first or the second pass" in placed.notices[0]["text"]


def test_passes_shuffled_into_each_other_keep_both_with_a_doubt():
    utc, shown = walls(BERLIN, *NIGHT, 5)
    order = np.argsort(shown, kind="stable")  # sorted by the wall clock: 02:00 02:00 02:05 02:05 …
    placed = clock.place(download(shown[order]), LOCAL, zone=BERLIN)
    assert (times(placed) == utc[order]).all()
    assert (placed.doubt_s[in_hour(shown[order])] == 3600).all()
    assert len(placed.notices) == 1


@pytest.mark.parametrize("minutes", [1, 7, 20, 60, 90, 120, 180])
def test_any_interval_comes_back_over_both_changes(minutes):
    for span in (NIGHT, ("2026-03-28", "2026-03-30")):
        utc, shown = walls(BERLIN, *span, minutes)
        placed = clock.place(download(shown), LOCAL, zone=BERLIN)
        assert (times(placed) == utc).all()


def test_uneven_seconds_do_not_disturb_the_passes():
    rng = np.random.default_rng(7)
    utc, shown = walls(BERLIN, *NIGHT, 5)
    jitter = rng.integers(0, 3, len(utc)).astype("m8[s]")
    placed = clock.place(download(shown + jitter), LOCAL, zone=BERLIN)
    assert (times(placed) == utc + jitter).all()


def test_lord_howe_repeats_half_an_hour():
    utc, shown = walls("Australia/Lord_Howe", "2026-04-04", "2026-04-06", 10)
    placed = clock.place(download(shown), entry(), zone="Australia/Lord_Howe")
    assert placed.state == "proved"
    assert (times(placed) == utc).all()
    once = every(10, "2026-04-04", "2026-04-06")
    placed = clock.place(download(once), LOCAL, zone="Australia/Lord_Howe")
    assert placed.doubt_s.max() == 1800


def test_each_sensor_of_a_long_layout_has_its_own_order():
    utc, shown = walls(BERLIN, *NIGHT, 5)
    n = len(shown)
    for rows in ([np.arange(n), np.arange(n, 2 * n)], [np.arange(0, 2 * n, 2), np.arange(1, 2 * n, 2)]):
        both = np.empty(2 * n, "M8[us]")
        for part in rows:
            both[part] = shown
        columns = tuple(Column(name, name, "temperature", np.full(n, 5.0), rows=part) for name, part in zip("AB", rows, strict=True))
        placed = clock.place(download(both, columns=columns), LOCAL, zone=BERLIN)
        assert all((times(placed)[part] == utc).all() for part in rows)
        assert placed.notices == ()


# ---- other clocks, and clocks that change ----


@pytest.mark.parametrize(
    ("logger", "hours"),
    [({"clock": "utc"}, 0), ({"clock": "+01:00"}, 1), ({"clock": "-03:30"}, -3.5), ({"clock": "as_set", "set_on": dt.date(2026, 7, 1)}, 2), ({"clock": "as_set", "set_on": dt.date(2026, 1, 5)}, 1)],
)
def test_a_clock_with_one_offset(logger, hours):
    shown = every(5, "2026-10-24", "2026-10-27")
    placed = clock.place(download(shown), entry(**logger), zone=BERLIN)
    assert placed.state == "declared"
    assert ((shown - times(placed)) / np.timedelta64(1, "h") == hours).all()
    assert (placed.offset_s == -3600 * hours).all()
    assert placed.notices == ()


def test_as_set_without_its_day_takes_the_first_readings_day_and_says_so():
    shown = every(60, "2026-03-01", "2026-04-10")
    placed = clock.place(download(shown), entry(clock="as_set"), zone=BERLIN)
    assert placed.state == "not_verified"
    assert (shown - times(placed) == np.timedelta64(1, "h")).all()


def test_a_file_with_its_own_offset_is_proved():
    shown = every(5, *NIGHT)
    placed = clock.place(download(shown, time_kind="utc"), entry(clock="local"), zone=BERLIN)
    assert placed.state == "proved"
    assert (times(placed) == shown).all()


@pytest.mark.parametrize(("day", "months"), [("2026-11-02", "autumn"), ("2026-04-03", "spring")])
def test_a_clock_set_by_hand_changes_at_that_instant(day, months):
    """as_set; somebody sets it to the new time at 09:00 true local time some days after the change."""
    since = dt.datetime.fromisoformat(f"{day}T09:00")
    first = dt.date(2026, 7, 1) if months == "autumn" else dt.date(2026, 1, 5)
    old, new = Logger(clock="as_set", set_on=first), Logger(clock="as_set", set_on=since.date())
    unit = entry(clock="as_set", set_on=first, settings=((since, new),))
    assert unit.logger == old
    change = zones.instants(np.array([since], "M8[us]"), zone=BERLIN)[0][0]
    utc = every(5, str(np.datetime64(day) - 3), str(np.datetime64(day) + 3))
    offset = np.where(utc < change, *((2, 1) if months == "autumn" else (1, 2))).astype("m8[h]")
    placed = clock.place(download(utc + offset), unit, zone=BERLIN)
    assert (times(placed) == utc).all()
    assert placed.notices == ()
    assert placed.state == "declared"


def test_a_setting_that_leaves_the_clock_alone_changes_nothing():
    since = dt.datetime(2026, 7, 2)
    unit = entry(clock="local", settings=((since, Logger(clock="local", interval_min=10)),))
    shown = every(5, "2026-07-01", "2026-07-04")
    assert (times(clock.place(download(shown), unit, zone=BERLIN)) == shown - np.timedelta64(2, "h")).all()


# ---- drift ----


def test_drift_is_straight_between_checks_and_held_after_the_last():
    """Lisbon, winter (UTC): 0 s on 1 March, 60 s fast on 11 March, so 6 s a day; expected worked out by hand."""
    checks = ((dt.datetime(2026, 3, 1, 0, 0, 1), dt.datetime(2026, 3, 1, 0, 0, 1)), (dt.datetime(2026, 3, 11, 0, 0), dt.datetime(2026, 3, 11, 0, 1)))
    shown = every(60, "2026-02-25", "2026-03-21")
    placed = clock.place(download(shown), entry(clock="utc", clock_checks=checks), zone="Europe/Lisbon")
    correction = placed.offset_s
    days = (shown - np.datetime64("2026-03-01T00:00:01")) / np.timedelta64(1, "D")
    span = (np.datetime64("2026-03-11T00:01") - np.datetime64("2026-03-01T00:00:01")) / np.timedelta64(1, "D")
    np.testing.assert_allclose(correction, np.clip(-60 * days / span, -60, 0), atol=1e-5)
    assert placed.doubt_s[days < 0].max() == 1.0
    assert placed.doubt_s.min() == 1.0
    assert placed.doubt_s[np.abs(days - 5).argmin()] == pytest.approx(31, abs=0.3)
    last = days > span
    np.testing.assert_allclose(placed.doubt_s[last], 1 + 60 / span * (days[last] - span), atol=1e-4)
    assert "extrapolation" in placed.text


def test_drift_starts_at_the_day_the_clock_was_set():
    checks = ((dt.datetime(2026, 3, 11, 0, 0), dt.datetime(2026, 3, 11, 0, 10)),)
    shown = every(60, "2026-03-01", "2026-03-11")
    placed = clock.place(download(shown), entry(clock="as_set", set_on=dt.date(2026, 3, 1), clock_checks=checks), zone="Europe/Lisbon")
    assert placed.offset_s[0] == 0
    np.testing.assert_allclose(placed.offset_s, np.linspace(0, -600, len(shown) + 1)[:-1], atol=0.5)
    assert placed.doubt_s.max() == pytest.approx(360, abs=2)  # half of the drift, and a minute of reading


def test_one_check_alone_is_held_and_its_whole_size_is_in_doubt():
    checks = ((dt.datetime(2026, 3, 9, 8, 41), dt.datetime(2026, 3, 9, 8, 44)),)
    placed = clock.place(download(every(60, "2026-03-01", "2026-03-20")), entry(clock="local", clock_checks=checks), zone="Europe/Lisbon")
    assert (placed.offset_s == -180).all()
    assert placed.doubt_s.min() >= 180


def test_a_check_that_is_a_whole_hour_off_is_a_wrong_setting():
    checks = ((dt.datetime(2026, 3, 9, 8, 41), dt.datetime(2026, 3, 9, 9, 42)),)
    placed = clock.place(download(every(60, "2026-03-01", "2026-03-20")), entry(clock="local", set_on=dt.date(2026, 3, 1), clock_checks=checks), zone="Europe/Lisbon")
    assert placed.offset_s[0] == -3600
    assert placed.offset_s[-1] == -3660
    (notice,) = placed.notices
    assert "1 h (ahead of the true time)" in notice["text"]


def test_a_check_made_just_before_the_clock_was_set_belongs_to_the_old_setting():
    checks = ((dt.datetime(2026, 3, 11, 0, 0), dt.datetime(2026, 3, 11, 0, 10)),)
    new = Logger(clock="as_set", set_on=dt.date(2026, 3, 11), clock_checks=checks)
    unit = entry(clock="as_set", set_on=dt.date(2026, 3, 1), clock_checks=checks, settings=((dt.datetime(2026, 3, 11), new),))
    utc = every(60, "2026-03-01", "2026-03-21")
    placed = clock.place(download(utc), unit, zone="Europe/Lisbon")
    assert placed.offset_s[utc >= np.datetime64("2026-03-12")].max() == 0


# ---- clocks that are wrong ----


def test_never_set_is_told_where_the_register_knows_dates():
    shown = every(5, "2000-01-01T00:03", "2000-01-03")
    paper = Certificate(date=dt.date(2026, 2, 10))
    placed = clock.place(download(shown), entry(Probe("A"), certificates=(paper,), clock="local"), zone="Europe/Lisbon")
    (notice,) = placed.notices
    assert "never set" in notice["text"]
    assert "2026-02-10" in notice["text"]
    assert notice["readings"] == len(shown)
    assert placed.doubt_s.min() > 26 * 365 * 86400 - 3 * 86400
    assert clock.place(download(every(5, "2025-11-01", "2025-11-02")), entry(Probe("A"), certificates=(paper,)), zone="Europe/Lisbon").notices == ()


def test_a_reset_after_a_battery_change_is_a_jump_back():
    shown = np.concatenate((every(5, "2026-03-01", "2026-03-02"), every(5, "2026-01-01", "2026-01-02")))
    placed = clock.place(download(shown), entry(clock="local"), zone="Europe/Lisbon")
    (notice,) = placed.notices
    assert "change of battery" in notice["text"]
    assert notice["readings"] == 288
    assert not placed.utc.isna().any()


def test_a_file_in_no_order_is_told_once():
    shown = every(5, "2026-03-01", "2026-03-02")
    shuffled = np.random.default_rng(3).permutation(shown)
    placed = clock.place(download(shuffled), entry(clock="local"), zone="Europe/Lisbon")
    assert len(placed.notices) == 1
    assert "run backward again and again" in placed.notices[0]["text"]


def test_rows_without_a_time_stay_without():
    shown = every(5, "2026-03-01", "2026-03-02")
    shown[5] = np.datetime64("NaT")
    placed = clock.place(download(shown), entry(clock="local"), zone="Europe/Lisbon")
    assert placed.utc.isna().sum() == 1
    assert placed.notices == ()


@pytest.mark.open_data
@pytest.mark.parametrize("logger", [{}, {"clock": "local"}])
def test_the_machine_files_hour_told_twice_is_a_clock_fault(logger):
    """open_data README: 2014-01-07 02:00-02:55 stands twice, a step of -1 h that is no change of summer time."""
    frame = pd.read_csv(open_data("nab_temperature/machine_temperature_system_failure.csv"), parse_dates=["timestamp"])
    placed = clock.place(download(frame["timestamp"].to_numpy(), frame["value"]), entry(**logger), zone="America/New_York")
    told = [notice for notice in placed.notices if "jumps back" in notice["text"]]
    assert len(told) == 1
    assert told[0]["readings"] == 24
    assert "by 1 h" in told[0]["text"]
    assert (placed.doubt_s == 3600).sum() >= 24
    assert not placed.utc.isna().any()


@pytest.mark.parametrize("night", [NIGHT, ("2026-03-28", "2026-03-30")])
@pytest.mark.parametrize("logger", [{"clock": "+01:00"}, {"clock": "utc"}, {"clock": "as_set", "set_on": dt.date(2026, 1, 5)}])
def test_a_record_that_follows_the_zone_speaks_against_a_fixed_offset(night, logger):
    _, shown = walls(BERLIN, *night, 5)
    placed = clock.place(download(shown), entry(**logger), zone=BERLIN)
    assert placed.state == "not_verified"
    assert any("changes its hour just when Europe/Berlin does" in notice["text"] for notice in placed.notices)


def test_readings_from_before_the_day_the_clock_was_set_are_not_verified():
    placed = clock.place(download(every(5, "2026-03-01", "2026-03-02")), entry(clock="as_set", set_on=dt.date(2026, 4, 1)), zone=BERLIN)
    assert placed.state == "not_verified"
    assert "2026-04-01, but readings begin before" in placed.text


def test_a_clock_set_back_by_hand_with_no_step_in_the_record_leaves_a_doubt():
    since = dt.datetime(2026, 11, 2, 9)
    unit = entry(clock="as_set", set_on=dt.date(2026, 7, 1), settings=((since, Logger(clock="as_set", set_on=since.date())),))
    placed = clock.place(download(every(5, "2026-11-02T09:00", "2026-11-02T09:50")), unit, zone=BERLIN)
    assert (placed.doubt_s == 3600).all()
    assert "before or after the clock was set by hand" in placed.notices[0]["text"]
