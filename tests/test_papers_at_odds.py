"""A paper that is wrong is told, and hides nothing: the register's unit of measure, its display step, a statement that begins beyond the limit."""

from __future__ import annotations

import datetime as dt

import numpy as np
import pytest

from coldchain_kit import assessment
from tests import sites

START = dt.datetime(2026, 3, 1)


def hump(hours: int = 72, *, peak_c: float = 11.5, step_c: float = 0.1, fahrenheit: bool = False) -> list[tuple[str, object]]:
    """A sound refrigerator with one rise of hours behind a buffer (a smooth bell of 40 min) on the second day."""
    minutes = np.arange(0, hours * 60, 5)
    values = 5.0 + 0.4 * np.sin(minutes / 11.0) + (peak_c - 5.4) * np.exp(-(((minutes - 2000) / 60.0) ** 2))
    shown = np.round((values * 1.8 + 32 if fahrenheit else values) / step_c) * step_c
    return [((START + dt.timedelta(minutes=int(at))).isoformat(), round(float(value), 2)) for at, value in zip(minutes, shown, strict=True)]


def minutes_of(text: str) -> float:
    """ "42 min." or "1.5 h." in minutes, rounded up by what one digit hides."""
    number, unit = text.split(" ")[:2]
    return float(number) + 0.5 if unit.startswith("min") else (float(number) + 0.05) * 60


def found(folder, rows, *, header="time,A (°C)", logger="", probe="", papers=None) -> dict:
    path = sites.series(folder, rows, header=header)
    unit = f"[units.U.logger]\ninterval_min = 5\n{logger}[units.U.probes.A]\nrole = \"buffered\"\n{probe}"
    return assessment.assess(sites.write(folder, [path], unit=unit, papers=papers)).results


@pytest.mark.parametrize("file_unit", ["C", "F"])
def test_a_wrong_unit_in_the_register_is_a_fault_and_no_cause(tmp_path, file_unit):
    """The same readings with the right register and with the wrong one: the ranking is the same."""
    rows = hump(fahrenheit=file_unit == "F")
    header, other = f"time,A (°{file_unit})", "C" if file_unit == "F" else "F"
    right, wrong = found(tmp_path / "right", rows, header=header), found(tmp_path / "wrong", rows, header=header, logger=f'temperature_unit = "{other}"\n')
    assert "unit_mixup" in {row["kind"] for row in wrong["faults"]} and wrong["excursions"][0]["extreme_c"] == right["excursions"][0]["extreme_c"]
    assert wrong["cause"] == right["cause"] and wrong["cause"]["cause"] != "record_error"


def test_values_that_fit_in_the_other_unit_alone_stay_an_error_of_the_record(tmp_path):
    """A refrigerator at 41 "°C" for three days: 5 °C read as °F."""
    rows = [(time, round(value * 1.8 + 32, 1)) for time, value in hump(peak_c=5.4)]
    assert found(tmp_path, rows)["cause"]["cause"] == "record_error"


@pytest.mark.parametrize(("declared", "shown", "told"), [(0.01, 1.0, True), (0.1, 0.5, True), (0.1, 0.1, False), (0.5, 0.5, False), (0.06, 0.1, False), (None, 1.0, False)])
def test_a_declared_step_that_the_readings_do_not_keep_is_told(tmp_path, declared, shown, told):
    results = found(tmp_path, hump(step_c=shown), probe="" if declared is None else f"resolution_c = {declared}\n")
    assert any(row["kind"] == "resolution" and "declares a display step" in row["text"] for row in results["faults"]) is told


@pytest.mark.parametrize("from_c", [8.0, 10.0])
def test_a_statement_that_begins_beyond_the_limit_says_what_it_leaves_out(tmp_path, from_c):
    papers = {"stock.csv": "lot,product,quantity,moved_in,moved_out,earlier_out_hours\nL,Example,1,2026-03-01T00:00,,0\n", "allowances.csv": f"lot,from_c,to_c,hours,counting,source\nL,{from_c},25,10,total,Letter\n"}
    rows = hump()
    (one,) = found(tmp_path, rows, papers=papers)["lots"][0]["allowances"]
    between = sum(5 for _, value in rows if 8.0 < value <= 10.0)  # plain count of the readings
    assert ("It states nothing between 8 and 10 °C" in one["why"]) is (from_c == 10.0)
    if from_c == 10.0:
        assert between > 20 and minutes_of(one["why"].split("at most ")[1]) >= between - 10


@pytest.mark.parametrize("words", ["Number of readings: {n}", "Readings;{n}", "Total records = {n}", "Anzahl Messwerte: {n}", "Nombre de mesures : {n}", "Sample count: {n}"])
@pytest.mark.parametrize("taken", [0, 1, 28])
def test_a_count_of_readings_that_the_file_does_not_hold_is_told(tmp_path, words, taken):
    rows = hump(peak_c=5.4)
    line = words.format(n=len(rows))
    results = found(tmp_path, rows[: len(rows) - taken], header=f"{line}\ntime,A (°C)")
    told = [row["text"] for row in results["faults"] if row["kind"] == "disagreement" and "data lines" in row["text"]]
    assert bool(told) is bool(taken) and all(str(len(rows)) in text and str(len(rows) - taken) in text for text in told)


@pytest.mark.parametrize("line", ["Memory: 16000 readings", "Max readings: 16000", "Readings per hour: 12", "Record interval: 300", "Readings left: 900"])
def test_a_capacity_is_no_count_of_what_was_read(tmp_path, line):
    assert not [row for row in found(tmp_path, hump(peak_c=5.4), header=f"{line}\ntime,A (°C)")["faults"] if "data lines" in row["text"]]
