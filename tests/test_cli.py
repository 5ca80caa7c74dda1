"""The commands: output, exit codes, one plain message, nothing half-written."""

from __future__ import annotations

import json
import subprocess
import sys

import pytest

from coldchain_kit import cli
from coldchain_kit.assessment import results
from coldchain_kit.base import package_files
from tests import sites

ROWS = [(f"2026-03-01T{hour:02d}:{minute:02d}:00", 5.0) for hour in range(24) for minute in range(0, 60, 10)]


def changed(rows, at, value):
    return [(time, value if time == at else reading) for time, reading in rows]


def test_assess_prints_the_results_and_nothing_else(tmp_path, capsys):
    case = sites.write(tmp_path, [sites.series(tmp_path, ROWS)])
    assert cli.main(["assess", str(case)]) == 0
    out, err = capsys.readouterr()
    found = json.loads(out)
    assert err == ""
    assert results.faults(found) == []
    assert (found["excursions"], found["cause"]["cause"]) == ([], "none")


def test_a_changed_reading_changes_the_result_at_that_hour(tmp_path, capsys):
    case = sites.write(tmp_path, [sites.series(tmp_path, changed(ROWS, "2026-03-01T13:40:00", 9.3))])
    assert cli.main(["assess", str(case)]) == 0
    run = json.loads(capsys.readouterr().out)["excursions"]
    assert [(row["first_out"], row["extreme_c"]) for row in run] == [("2026-03-01T13:40:00Z", 9.3)]


def test_the_same_inputs_give_the_same_bytes_in_another_process_and_folder(tmp_path):
    texts = []
    for name, zone in (("a", "UTC"), ("b", "America/New_York")):
        case = sites.write(tmp_path / name, [sites.series(tmp_path / name, changed(ROWS, "2026-03-01T13:40:00", 9.3))])
        done = subprocess.run([sys.executable, "-m", "coldchain_kit", "assess", str(case)], capture_output=True, check=True, env={"TZ": zone, "PATH": "", "PYTHONHASHSEED": str(len(name) + len(zone))})
        texts.append(done.stdout)
    assert texts[0] == texts[1]
    assert str(tmp_path).encode() not in texts[0]


FAULTS = [
    (["assess", "nowhere/case.toml"], r"there is no file 'case.toml'"),
    (["inspect", "nowhere.csv"], r"nowhere.csv"),
    (["monthly", "site.toml", "--month", "2026-13", "--out", "x"], r"month is '2026-13'"),
    (["rerun", "nowhere"], r"nowhere"),
    (["sign", "nowhere", "--as", "author", "--name", "A"], r"nowhere"),
]


@pytest.mark.parametrize(("arguments", "message"), FAULTS, ids=[row[0][0] for row in FAULTS])
def test_a_call_at_fault_is_one_message_and_exit_code_2(tmp_path, monkeypatch, capsys, arguments, message):
    monkeypatch.chdir(tmp_path)
    assert cli.main(arguments) == 2
    out, err = capsys.readouterr()
    assert message in err
    assert out == ""
    assert "Traceback" not in err
    assert list(tmp_path.iterdir()) == []


def test_verify_of_nothing_is_2(tmp_path, capsys):
    assert cli.main(["verify", str(tmp_path)]) == 2
    assert "no record here" in capsys.readouterr().err


def test_inspect_explains_the_sample_downloads(capsys):
    folder = package_files.sample_data() / "tern_bay" / "downloads"
    files = [str(path) for path in sorted(folder.rglob("*_2026-03.*"))]
    assert cli.main(["inspect", *files]) == 0
    text = capsys.readouterr().out
    for word in ("F2_2026-03.csv", "Upper shelf", "Probe 1", "every 5 min", "every 10 min", "every 15 min", "no gap", "To pin this layout"):
        assert word in text
    assert cli.main(["inspect", "--json", *files]) == 0
    rows = json.loads(capsys.readouterr().out)
    for row in rows:
        assert row["rows"] == row["read"] + row["rejected"]
        assert row["first"] is not None
    assert {probe["unit"] for row in rows for probe in row["probes"]} == {"C", "F"}


def test_inspect_reads_standard_input(tmp_path):
    text = "time,A (°C)\n" + "".join(f"{time},{value}\n" for time, value in ROWS)
    done = subprocess.run([sys.executable, "-m", "coldchain_kit", "inspect", "-"], input=text.encode(), capture_output=True, check=True)
    assert "144 readings" in done.stdout.decode()


def test_enquiry_sheets_are_written_before_any_freeze(tmp_path, capsys):
    case = package_files.sample_data() / "tern_bay" / "cases" / "2026-014" / "case.toml"
    assert cli.main(["enquiry", str(case), "--out", str(tmp_path / "sheets")]) == 0
    pages = capsys.readouterr().out.split()
    assert len(pages) == 3, "the summary, and a sheet for each of the two lots that were exposed"
    assert all("PRELIMINARY" in (tmp_path / "sheets" / page).read_text("utf-8") for page in pages)
