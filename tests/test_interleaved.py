"""Downloads of one probe that interleave (CONTRACTS rule 12), by rule over seeded records, then the traps by name."""

from __future__ import annotations

import datetime as dt
import random

import numpy as np
import pytest

from coldchain_kit import assessment
from tests import sites
from tests.conftest import TRAPS

START = dt.datetime(2026, 3, 1)


def record(seed: int, *, count: int = 300, interval_min: int = 5) -> list[tuple[dt.datetime, float]]:
    """A refrigerator's day with one or two excursions, longer than a twentieth of it."""
    rng = random.Random(seed)
    values = [round(5 + 0.6 * np.sin(k / 5) + rng.choice([-0.1, 0.0, 0.1]), 1) for k in range(count)]
    for first in rng.sample([60, 200], rng.choice([1, 2])):
        peak = rng.choice([9.5, 12.0, 0.5])
        for k in range(first, first + rng.randint(18, 30)):
            values[k] = round(peak + rng.choice([-0.1, 0.0, 0.1]), 1)
    return [(START + dt.timedelta(minutes=interval_min * k), value) for k, value in enumerate(values)]


def shifted(rows: list, seconds: float) -> list:
    return [(time + dt.timedelta(seconds=seconds), value) for time, value in rows]


def edited(rows: list) -> list:
    """The same with every excursion edited away."""
    return [(time, value if 2 <= value <= 8 else 5.0) for time, value in rows]


def found(folder, **files: list) -> dict:
    """Results over these downloads, in the order of their names."""
    paths = [sites.series(folder, [(time.isoformat(), value) for time, value in rows], name=f"{name}.csv") for name, rows in sorted(files.items())]
    return assessment.assess(sites.write(folder, paths)).results


def outside(results: dict) -> list[tuple]:
    return [(row["direction"], row["first_out"], row["last_out"], row["start"], row["end"], row["minutes"], row["extreme_c"]) for row in results["excursions"]]


@pytest.mark.parametrize("seed", range(6))
def test_a_shifted_copy_is_brought_together_and_said(tmp_path, seed):
    rows, seconds = record(seed), [1, 20, 60, -75, 140, -149][seed]
    alone, both = found(tmp_path / "1", a=rows), found(tmp_path / "2", a=rows, b=shifted(rows[120:], seconds))
    assert (outside(both), both["conflicts"]) == (outside(alone), [])
    assert both["probes"][0]["readings"] == len(rows)
    (said,) = [row for row in both["faults"] if row["kind"] == "clock"]
    by = f"{abs(seconds) / 60:.3g} min" if abs(seconds) >= 60 else f"{abs(seconds)} s"
    assert f"U/b.csv holds the same readings of probe A as U/a.csv, {by} {'later' if seconds > 0 else 'earlier'}" in said["text"]


@pytest.mark.parametrize("seconds", [1, 60, 149, 150, 200, 299])
@pytest.mark.parametrize("names", ["ab", "ba"])
@pytest.mark.parametrize("seed", range(3))
def test_a_shifted_copy_with_the_excursion_edited_away_hides_nothing(tmp_path, seconds, names, seed):
    rows = record(seed)
    alone = found(tmp_path / "1", a=rows)
    both = found(tmp_path / "2", **dict(zip(names, (rows, shifted(edited(rows), seconds)), strict=True)))
    assert outside(both) == outside(alone)
    rows_of = [(row["kept"], row["file"]) for row in both["conflicts"]]
    assert (True, f"U/{names[0]}.csv") in rows_of and (False, f"U/{names[1]}.csv") in rows_of
    assert len(rows_of) == 2, "one row for each download's stretch"
    assert {"start", "end", "readings"} <= both["conflicts"][0].keys()
    assert "disagreement" in {row["kind"] for row in both["faults"]}


@pytest.mark.parametrize("seed", range(4))
def test_what_either_download_alone_shows_outside_stays(tmp_path, seed):
    first, second = record(seed), shifted(record(seed + 50), 110)
    alone = [outside(found(tmp_path / name, a=rows)) for name, rows in (("1", first), ("2", second))]
    both = outside(found(tmp_path / "3", a=first, b=second))
    for direction, first_out, last_out, *_ in (row for part in alone for row in part):
        further = [row for row in both if row[1] <= last_out and row[2] >= first_out]
        assert further, (direction, first_out)


def test_less_than_a_twentieth_edited_away_is_told_reading_by_reading(tmp_path):
    rows = record(1)
    few = [(time, 9.0 if 100 <= k < 104 else 5.0) for k, (time, _) in enumerate(rows)]
    both = found(tmp_path, a=shifted(edited(few), 60), b=few)
    assert [(row["direction"], row["readings"], row["extreme_c"]) for row in both["excursions"]] == [("above", 4, 9.0)]
    assert [row["kept"] for row in both["conflicts"]] == [True, False] * 4


def test_the_normal_part_common_and_the_excursion_shifted_and_edited(tmp_path):
    rows = record(2)
    other = [(time + dt.timedelta(seconds=0 if 2 <= value <= 8 else 77), value if 2 <= value <= 8 else 5.0) for time, value in rows]
    assert outside(found(tmp_path / "1", a=rows)) == outside(found(tmp_path / "2", a=rows, b=other))


def test_rounded_stamps_are_one_record(tmp_path):
    rng = random.Random(3)
    rows = [(time + dt.timedelta(seconds=rng.randint(-29, 29)), value) for time, value in record(3)]
    rounded = [((time + dt.timedelta(seconds=30)).replace(second=0), value) for time, value in rows]
    both = found(tmp_path / "2", a=rows, b=rounded)
    assert (both["conflicts"], both["probes"][0]["readings"]) == ([], len(rows))


@pytest.mark.parametrize("seed", range(4))
def test_downloads_of_one_clock_that_each_lost_rows_do_not_interleave(tmp_path, seed):
    rng, rows = random.Random(seed), record(seed)
    parts = [[row for row in rows if rng.random() > 0.3] for _ in range(3)]
    both = found(tmp_path, a=parts[0], b=parts[1], c=parts[2])
    assert both["conflicts"] == []
    assert both["probes"][0]["readings"] == len({time for part in parts for time, _ in part})


def test_a_download_that_fills_a_gap_of_another_is_no_conflict(tmp_path):
    rows = record(4)
    fills = shifted(rows[100:140], 120)
    both = found(tmp_path, a=rows[:100] + rows[141:], b=fills)
    assert (both["conflicts"], both["probes"][0]["readings"]) == ([], len(rows) - 1)


def test_readings_at_odds_over_a_gap_do_not_fill_it(tmp_path):
    """The true record has a gap; the edited copy, shifted, has values there: still unknown."""
    rows = record(5)
    holed = rows[:100] + rows[150:]
    alone, both = found(tmp_path / "1", a=holed), found(tmp_path / "2", a=holed, b=shifted([(time, value + 0.7) for time, value in edited(rows)], 60))
    assert both["probes"][0]["covered_share"] <= alone["probes"][0]["covered_share"] + 1e-3  # a minute longer
    assert len(both["excursions"]) >= len(alone["excursions"])


def test_three_copies_of_which_one_is_edited(tmp_path):
    rows = record(1)
    both = found(tmp_path / "2", a=rows, b=shifted(edited(rows), 60), c=rows)
    assert outside(both) == outside(found(tmp_path / "1", a=rows))


def test_the_trap_is_seen(tmp_path):
    """tests/traps/downloads_interleaved_1.csv is a record, _2.csv its copy 90 s later with the excursion edited away."""
    files = [TRAPS / f"downloads_interleaved_{number}.csv" for number in (1, 2)]
    (both,) = [assessment.assess(sites.write(tmp_path / "2", files)).results]
    alone = assessment.assess(sites.write(tmp_path / "1", files[:1])).results
    assert outside(both) == outside(alone) != []
    assert [row["kept"] for row in both["conflicts"]] == [True, False]
