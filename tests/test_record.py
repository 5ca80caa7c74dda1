"""Freezing: whole or not at all, never overwritten, entered; and the way from a case to a record and back."""

from __future__ import annotations

import csv
import errno
import io
import json
import multiprocessing
import os
import random
import re
import resource
import shutil
import subprocess
import sys
import time
import zipfile
from pathlib import Path

import pandas as pd
import pytest

from coldchain_kit import assessment, records, register
from coldchain_kit.base import RecordError, chain, sha256
from coldchain_kit.model import to_text
from coldchain_kit.records import bag, freezing, gather, ledger, making, rerunning, strict_run, verification
from coldchain_kit.register import entries
from tests import frozen
from tests.conftest import CHECKOUT

SITE = CHECKOUT / "sample_data" / "tern_bay"


# ------------------------------------------------------------------------------------------------- freezing


def test_a_record_holds_everything(tmp_path):
    folder = frozen.freeze(tmp_path)
    assert folder.name == "2026-014-r1" and verification.record(folder) == []
    names = sorted(path.relative_to(folder / "data").as_posix() for path in (folder / "data").rglob("*") if path.is_file())
    assert names == ["HOW_TO_CHECK.txt", "attachments/letter.pdf", "context.json", "environment.txt", "inputs/downloads/F2/F2 März.csv", "record.html", "record.ipynb", "results.json", "ro-crate-metadata.json", "tables/excursions.csv"]
    assert (folder / "data/inputs/downloads/F2/F2 März.csv").read_bytes() == (tmp_path / "F2.csv").read_bytes()
    info = verification.bag_info(folder)
    assert (info["Case"], info["Revision"], info["Kit-Version"]) == ("2026-014", "1", freezing.__version__)
    assert info["Time-Zone-Database"] and "Previous-Record-SHA256" not in info and "Reason" not in info
    page = (folder / "data/record.html").read_text("utf-8")
    assert info["Contents-SHA256"][:16] in page and str(tmp_path) not in page
    assert str(tmp_path) not in (folder / "data/record.ipynb").read_text("utf-8") + (folder / "bag-info.txt").read_text("utf-8")


def test_what_is_frozen_is_the_same_to_the_byte_from_run_to_run(tmp_path, monkeypatch):
    monkeypatch.setattr(ledger, "now", lambda: "2026-03-09T09:12:00Z")  # the page says when it was frozen
    first, second = frozen.freeze(tmp_path, out=tmp_path / "a", pdf=True), frozen.freeze(tmp_path, out=tmp_path / "b", pdf=True)
    for path in (first / "data").rglob("*"):
        if path.is_file():
            assert path.read_bytes() == (second / path.relative_to(first)).read_bytes(), path.name
    assert verification.bag_info(first)["Contents-SHA256"] == verification.bag_info(second)["Contents-SHA256"]


def test_a_case_frozen_before_needs_a_reason_and_names_the_revision_before(tmp_path):
    first = frozen.freeze(tmp_path)
    before = {path: path.read_bytes() for path in first.rglob("*") if path.is_file()}
    with pytest.raises(RecordError, match="frozen before, as revision 1"):
        frozen.freeze(tmp_path)
    with pytest.raises(RecordError, match="frozen before"):
        frozen.freeze(tmp_path, reason="  ")
    second = frozen.freeze(tmp_path, reason="Logbook page found\nafterwards: see text")
    info = verification.bag_info(second)
    assert second.name == "2026-014-r2" and info["Previous-Record-SHA256"] == ledger.record_hash(first)
    assert info["Reason"] == "Logbook page found afterwards: see text" and "Logbook page found" in (second / "data/record.html").read_text("utf-8")
    assert {path: path.read_bytes() for path in first.rglob("*") if path.is_file()} == before
    shutil.rmtree(second)
    assert frozen.freeze(tmp_path, reason="again").name == "2026-014-r3", "a revision number is never given twice"


def test_numbers_that_look_alike_keep_apart(tmp_path):
    assert [frozen.freeze(tmp_path, number=name).name for name in ("7", "7-1", "17")] == ["7-r1", "7-1-r1", "17-r1"]


@pytest.mark.parametrize("number", ["../evil", "a/b", "", ".hidden", "x" * 300, "a\nb", "2026-014.", "ä", "CON", "nul", "Com1.2026", "LPT9", "7-r1", "2026-014-R12"])
def test_numbers_that_are_no_folder_name(tmp_path, number):
    with pytest.raises(RecordError, match="case id"):
        frozen.freeze(tmp_path, number=number)
    assert not (tmp_path / "records").exists()


@pytest.mark.parametrize("name", ["../out.csv", "/etc/x", "a//b", "a\\b", "a%0Ab", "a\nb", "x" * 256, "x ", "bad\udcff"])
def test_file_names_that_cannot_be_kept(tmp_path, name):
    (tmp_path / "F2.csv").write_text(frozen.READINGS)
    with pytest.raises(RecordError, match="cannot be kept"):
        frozen.freeze(tmp_path, inputs=[(tmp_path / "F2.csv", name)], attachments=[])


def test_an_input_that_changed_after_the_assessment_stops_the_freeze(tmp_path):
    (tmp_path / "F2.csv").write_text(frozen.READINGS)
    results = {"sources": [{"file": "F2.csv", "sha256": strict_run.sha256("other bytes")}]}
    with pytest.raises(RecordError, match="F2.csv changed between assessment and freeze"):
        frozen.freeze(tmp_path, results=results, attachments=[])
    assert not (tmp_path / "records").exists()


@pytest.mark.parametrize("results", [{"schema": "coldchain-kit/results/1"}, {"value": float("nan")}])
def test_results_that_do_not_fit_are_refused(tmp_path, results):
    with pytest.raises(RecordError, match="do not fit their schema|not plain JSON"):
        frozen.freeze(tmp_path, results=results)
    assert not (tmp_path / "records").exists()


def test_spreadsheet_cells_hold_no_live_formula():
    cells = ["=1+1", "+351 900", "-cmd", "@x", "\tx", "\r=1", "-2.5", "+3e4", "plain", "a,b", '"q"', None, "a\r=2"]
    table = freezing.safe_csv(pd.DataFrame({"=head": cells, "value_c": [1 / 3] * len(cells)}))
    rows = list(csv.reader(io.StringIO(table)))
    assert rows[0] == ["'=head", "value_c"]
    assert [row[0] for row in rows[1:]] == ["'=1+1", "'+351 900", "'-cmd", "'@x", "'\tx", "'\n=1", "-2.5", "+3e4", "plain", "a,b", '"q"', "", "a\n=2"]
    assert float(rows[1][1]) == 1 / 3


# ------------------------------------------------------------------------------------------------- faults of the system


def leftovers(out: Path) -> list[str]:
    return [path.name for path in out.iterdir() if path.name.startswith((bag.TEMPORARY, bag.WORK))]


@pytest.mark.parametrize("call", ["fsync", "write", "rename", "mkdir"])
@pytest.mark.parametrize(("code", "match"), [(errno.ENOSPC, "disk is full"), (errno.EACCES, "may not be written to"), (errno.EROFS, "read-only")])
def test_refusals_of_the_system_leave_nothing(tmp_path, monkeypatch, call, code, match):
    frozen.freeze(tmp_path, number="before")

    def refuse(*given, **more):
        raise OSError(code, os.strerror(code))

    with monkeypatch.context() as patch:
        if call in ("fsync",):
            patch.setattr(bag.os, "fsync", refuse)
        elif call == "write":
            patch.setattr(bag, "_put", refuse)
        else:
            patch.setattr(bag.Path, call, refuse)
        with pytest.raises(RecordError, match=match):
            frozen.freeze(tmp_path)
    out = tmp_path / "records"
    assert leftovers(out) == [] and not (out / "2026-014-r1").exists() and ledger.of_folder(out).problems == []
    assert frozen.freeze(tmp_path).name == "2026-014-r1"


def test_a_folder_that_is_a_file(tmp_path):
    (tmp_path / "records").write_text("x")
    with pytest.raises(RecordError, match="not a folder"):
        frozen.freeze(tmp_path)


def _limited(base: Path) -> None:
    resource.setrlimit(resource.RLIMIT_FSIZE, (20_000, 20_000))
    try:
        frozen.freeze(base, inputs=[(base / "F2.csv", "F2.csv"), (base / "big.bin", "big.bin")], attachments=[])
    except RecordError as fault:
        sys.exit(0 if "grew larger" in str(fault) else str(fault))
    sys.exit("no error")


def test_a_file_that_cannot_be_written_to_its_end(tmp_path):
    (tmp_path / "F2.csv").write_text(frozen.READINGS)
    (tmp_path / "big.bin").write_bytes(b"x" * 50_000)
    (tmp_path / "letter.pdf").write_bytes(b"x")
    worker = multiprocessing.get_context("spawn").Process(target=_limited, args=(tmp_path,))
    worker.start()
    worker.join()
    assert worker.exitcode == 0
    assert leftovers(tmp_path / "records") == [] and not list((tmp_path / "records").glob("*-r1"))


def _freeze_in(base: Path) -> str:
    try:
        return frozen.freeze(base).name
    except RecordError as fault:
        return str(fault)


def test_two_freezes_at_once_of_one_case(tmp_path):
    (tmp_path / "F2.csv").write_text(frozen.READINGS)
    (tmp_path / "letter.pdf").write_bytes(b"x")
    with multiprocessing.get_context("spawn").Pool(2) as pool:
        said = sorted(pool.map(_freeze_in, [tmp_path, tmp_path]))
    assert said[0].startswith("2026-014-r1: 2026-014 was frozen before") or said[1].startswith("2026-014-r1: ")
    assert "2026-014-r1" in said and ledger.of_folder(tmp_path / "records").problems == []


def test_a_held_lock_is_a_plain_message(tmp_path):
    with chain.locked(tmp_path), pytest.raises(RecordError, match="another freeze"), chain.locked(tmp_path, wait_s=0.1):
        pass


def _kill_freezes(base: Path, times: int) -> None:
    """Freezes in processes forked from a warm one (imports done once), each killed at a random moment of its work."""
    context = multiprocessing.get_context("forkserver")
    context.set_forkserver_preload(["tests.frozen"])
    chance, out = random.Random(7), base / "records"
    (base / "F2.csv").write_text(frozen.READINGS)
    (base / "letter.pdf").write_bytes(b"x" * 300_000)
    took = 0.0
    for k in range(-2, times):
        worker = context.Process(target=frozen.freeze, args=(base,), kwargs={"number": f"case-{k}" if k >= 0 else f"first{k}"})
        began = time.monotonic()
        worker.start()
        if k < 0:  # the second one, warm, tells how long a freeze takes here and now
            worker.join()
            took = time.monotonic() - began
            continue
        time.sleep(chance.uniform(0, 1.3 * took))
        worker.kill()
        worker.join()
        folder = out / f"case-{k}-r1"
        assert not folder.exists() or verification.record(folder) == [], k
    whole = len(list(out.glob("case-*-r1")))
    assert times < 50 or 0 < whole < times, "the moments must lie before, within and after the freezes"
    frozen.freeze(base, number="last")
    assert leftovers(out) == [] and ledger.of_folder(out).problems == []
    assert all(verification.record(folder) == [] for folder in out.glob("*-r1"))


def test_killed_freezes_leave_the_old_state_or_a_whole_record(tmp_path):
    _kill_freezes(tmp_path, 6)


@pytest.mark.slow
def test_a_hundred_killed_freezes(tmp_path):
    _kill_freezes(tmp_path, 100)


def test_a_freeze_stopped_before_its_ledger_line_is_entered_by_the_next(tmp_path, monkeypatch):
    def killed(*given, **more):
        raise KeyboardInterrupt

    with monkeypatch.context() as patch, pytest.raises(KeyboardInterrupt):
        patch.setattr(ledger, "enter", killed)
        frozen.freeze(tmp_path)
    out = tmp_path / "records"
    found = verification.report(out / "2026-014-r1")
    assert ledger.of_folder(out).problems == [] and found.problems == () and any("not yet written" in note for note in found.notes)
    with pytest.raises(RecordError, match="frozen before"):
        frozen.freeze(tmp_path)
    assert ledger.of_folder(out).problems == [] and "entered later" in ledger.entered(out)[0]["note"]
    assert any("entered later" in note for note in verification.report(out / "2026-014-r1").notes)


def test_a_torn_ledger_line_is_cut_and_said(tmp_path):
    frozen.freeze(tmp_path)
    with (tmp_path / "records/ledger.jsonl").open("a") as file:
        file.write('{"number": "20')
    frozen.freeze(tmp_path, number="2026-015")
    held = chain.read(tmp_path / "records/ledger.jsonl")
    assert held.problems == [] and [row["number"] for row in ledger.entered(tmp_path / "records")] == ["2026-014", "2026-015"] and held.rows[2]["torn"]


def test_live_work_is_not_cleaned_and_dead_work_is(tmp_path):
    (tmp_path / f"{bag.WORK}dead").mkdir()
    (tmp_path / f"{bag.WORK}dead" / "in_use").touch()
    (tmp_path / f"{bag.TEMPORARY}dead").mkdir()
    with bag.workplace(tmp_path) as work:
        assert leftovers(tmp_path) == [work.name]
        with bag.workplace(tmp_path) as other:
            assert work.is_dir() and other.is_dir()
    assert leftovers(tmp_path) == []


# ------------------------------------------------------------------------------------------------- the slice of the register


def test_slice_keeps_the_units_and_their_words():
    text = (SITE / "site.toml").read_text("utf-8")
    cut = gather.site_slice(text, ["F2", "R1"])
    assert "[units.F1" not in cut and "[units.Z1" not in cut and "TB-CAL-311" in cut and cut.startswith("# Tern Bay")
    assert all(line in text.splitlines() for line in cut.splitlines())


@pytest.mark.parametrize(
    ("text", "kept", "gone"),
    [
        ('[site]\nname="x"\n[units."F 2"]\nkind="room"\n[units.F3]\nkind="room"\n', '"F 2"', "F3"),
        ('[units.A]\nnote = """\n[units.B]\n"""\n[units.B]\nkind="x"\n', '"""\n[units.B]\n"""', 'kind="x"'),
        ("[units.A.logger]\nchecks = [\n [1, 2],\n]\n# about B\n[[units.B.settings]]\nfrom = 2026-01-01\n", "[1, 2]", "about B"),
    ],
)
def test_slices_of_odd_files(text, kept, gone):
    cut = gather.site_slice(text, ["F 2", "A"])
    assert kept in cut and gone not in cut


def test_a_register_that_cannot_be_cut_stays_whole():
    text = '[units]\nA = { kind = "room" }\nB = { kind = "room" }\n'
    assert gather.site_slice(text, ["A"]) == text


# ------------------------------------------------------------------------------------------------- from a case


@pytest.fixture(scope="module")
def site(tmp_path_factory):
    return shutil.copytree(SITE, tmp_path_factory.mktemp("site") / "tern_bay")


@pytest.fixture(scope="module")
def investigated(site):
    case = site / "cases/2026-014"
    (case / "reply.pdf").write_bytes(b"%PDF-1.4 the manufacturer's reply")
    text = (case / "case.toml").read_text("utf-8")
    (case / "case.toml").write_text(text + 'attachments = ["*.pdf"]\n', "utf-8")
    return records.investigate(case / "case.toml", site / "records", pdf=True)


@pytest.mark.notebooks
def test_an_investigation_stands_on_its_own(investigated, site):
    assert verification.record(investigated) == []
    data = investigated / "data"
    inputs = sorted(path.relative_to(data / "inputs").as_posix() for path in (data / "inputs").rglob("*") if path.is_file())
    assert {f"cases/2026-014/{name}" for name in ("allowances.csv", "case.toml", "logbook.csv", "stock.csv")} < set(inputs)
    assert {"downloads/F2/F2_2026-03.csv", "downloads/R1/R1_2026-03.csv", "site.toml"} < set(inputs) and not any("F1" in name for name in inputs)
    assert (data / "attachments/reply.pdf").read_bytes().endswith(b"reply")
    assert verification.bag_info(investigated)["Site-File-SHA256"] == strict_run.sha256((site / "site.toml").read_bytes())
    assert (data / "results.json").read_text("utf-8") == to_text(assessment.assess(site / "cases/2026-014/case.toml").results)
    page = (data / "record.html").read_text("utf-8")
    assert len(page) < 3_000_000 and "DEMONSTRATION" in page and str(site) not in page and "https://" not in page.replace("https://www.", "")
    assert leftovers(site / "records") == []


@pytest.mark.notebooks
def test_a_rerun_comes_to_the_same_numbers(investigated):
    outcome = rerunning.rerun(investigated)
    assert outcome.differences == () and outcome.compared > 300


@pytest.mark.notebooks
def test_a_rerun_finds_a_changed_number_and_a_changed_notebook(investigated, tmp_path):
    from tests.test_verify import _rebuild

    copy = shutil.copytree(investigated, tmp_path / investigated.name)
    results = json.loads((copy / "data/results.json").read_text("utf-8"))
    results["probes"][0]["max_c"] += 2e-6
    (copy / "data/results.json").write_text(strict_run.canonical(results), "utf-8")
    notebook = (copy / "data/record.ipynb").read_text("utf-8")
    (copy / "data/record.ipynb").write_text(notebook.replace("ck.assess", "ck .assess"), "utf-8")
    _rebuild(copy)
    assert verification.record(copy) == []
    said = rerunning.rerun(copy).differences
    assert any(row.startswith("probes[0].max_c: recorded") for row in said)
    assert any("recorded notebook differs from investigation.ipynb in cell" in row for row in said)
    assert len(said) <= 3


@pytest.mark.notebooks
def test_a_changed_reading_is_seen_at_its_hour(site, investigated, tmp_path):
    copy = shutil.copytree(site, tmp_path / "site", ignore=shutil.ignore_patterns("records"))
    download = copy / "downloads/F2/F2_2026-03.csv"
    before = json.loads((investigated / "data/results.json").read_text("utf-8"))
    top = before["probes"][0]
    text = download.read_bytes().decode("utf-8")
    lines = text.splitlines(keepends=True)
    at = len(lines) // 2
    changed = [_raised(line) if k == at else line for k, line in enumerate(lines)]
    assert changed != lines
    download.write_bytes("".join(changed).encode("utf-8"))
    after = assessment.assess(copy / "cases/2026-014/case.toml").results["probes"][0]
    assert after["max_c"] > 31 > top["max_c"] and after["max_time"] == _instant(lines[at])
    folder = records.investigate(copy / "cases/2026-014/case.toml", tmp_path / "records")
    assert json.loads((folder / "data/results.json").read_text("utf-8"))["probes"][0]["max_time"] == after["max_time"]


def _instant(line: str) -> str:
    """The time of a line of that download; Lisbon keeps UTC in early March."""
    _, day, clock, *_ = line.split(";")
    return "-".join(reversed(day.split("."))) + f"T{clock}Z"


def _raised(line: str) -> str:
    """The line with its first temperature raised far above everything else."""
    return re.sub(r";\d+,\d;", ";31,5;", line, count=1)


@pytest.mark.slow
@pytest.mark.notebooks
def test_killed_investigations_leave_nothing_for_the_next(site, tmp_path):
    copy = shutil.copytree(site, tmp_path / "site", ignore=shutil.ignore_patterns("records"))
    command = [sys.executable, "-m", "coldchain_kit", "investigate", str(copy / "cases/2026-014/case.toml"), "--out", str(tmp_path / "records")]
    for wait_s in (1.5, 4.0, 7.0):
        worker = subprocess.Popen(command, cwd=CHECKOUT, stdout=subprocess.DEVNULL)
        time.sleep(wait_s)
        worker.kill()
        worker.wait()
    done = list((tmp_path / "records").glob("*-r*"))
    assert all(verification.record(folder) == [] for folder in done)
    subprocess.run([*command, "--reason", "once more"], cwd=CHECKOUT, check=True, stdout=subprocess.DEVNULL)
    assert leftovers(tmp_path / "records") == [] and ledger.of_folder(tmp_path / "records").problems == []


@pytest.mark.notebooks
def test_a_second_investigation_needs_a_reason(investigated, site):
    with pytest.raises(RecordError, match="frozen before"):
        records.investigate(site / "cases/2026-014/case.toml", site / "records")


@pytest.mark.parametrize("named", ['readings = ["../secret.csv"]', 'stock = "../secret.csv"', 'allowances = "../secret.csv"', 'logbook = "../secret.csv"', 'attachments = ["../secret.csv"]', 'earlier = ["../secret.csv"]'])
def test_a_record_whose_case_names_a_file_outside_it_is_not_run(tmp_path, named):
    inputs = tmp_path / "inputs"
    inputs.mkdir()
    (tmp_path / "secret.csv").write_text("time,A\n", "utf-8")
    (inputs / "a.csv").write_text("time,A\n", "utf-8")
    (inputs / "site.toml").write_text('[site]\nname = "Tern Bay"\ntimezone = "UTC"\n[units.F2]\nkind = "refrigerator"\nreadings = ["a.csv"]\n', "utf-8")
    (inputs / "case.toml").write_text(f'[case]\nid = "c"\ntitle = "t"\nunit = "F2"\nsite = "site.toml"\n[inputs]\n{named}\n', "utf-8")
    with pytest.raises(RecordError, match=r"'secret\.csv' lies outside the record"):
        rerunning._assess("investigation", {"case": "case.toml"}, inputs.resolve())


@pytest.mark.notebooks
def test_files_from_elsewhere_come_along(site, tmp_path):
    download = tmp_path / "usb stick" / "F2_2026-03.csv"
    download.parent.mkdir()
    shutil.copy(site / "downloads/F2/F2_2026-03.csv", download)
    case = tmp_path / "case" / "case.toml"
    case.parent.mkdir()
    case.write_text(f'[case]\nid = "far"\ntitle = "From elsewhere"\nunit = "F2"\nsite = "{site / "site.toml"}"\n[inputs]\nreadings = ["{download.parent}/*.csv"]\n', "utf-8")
    shutil.move(site / "cases/2026-014", tmp_path / "away")
    try:
        folder = records.investigate(case, tmp_path / "records")
    finally:
        shutil.move(tmp_path / "away", site / "cases/2026-014")
    shutil.rmtree(tmp_path / "usb stick")
    assert rerunning.rerun(folder).differences == ()
    everything = b"".join(path.read_bytes() for path in folder.rglob("*") if path.is_file() and path.suffix != ".ipynb")
    assert str(tmp_path).encode() not in everything


@pytest.mark.parametrize("link", ["a file inside", "a file elsewhere", "a folder inside", "a folder elsewhere"])
def test_a_link_among_the_inputs_becomes_the_file_itself(site, tmp_path, link):
    copy = shutil.copytree(site, tmp_path / "site", ignore=shutil.ignore_patterns("records"))
    named = copy / "downloads/F2" if "folder" in link else copy / "downloads/F2/F2_2026-03.csv"
    store = (copy if "inside" in link else tmp_path) / "store" / ("whole" if "folder" in link else "first.csv")
    store.parent.mkdir()
    named.rename(store)
    named.symlink_to(store)
    whole = register.load_case(copy / "cases/2026-014/case.toml")
    taken = gather.case(whole, tmp_path / "copy")
    again = register.load_case(taken.root / taken.start)
    assert [strict_run.sha256(path.read_bytes()) for path in again.readings["F2"]] == [strict_run.sha256(path.read_bytes()) for path in whole.readings["F2"]]
    assert not any(path.is_symlink() for path in taken.root.rglob("*"))
    assert all(path.resolve().is_relative_to(taken.root.resolve()) for path in again.readings["F2"])


def test_a_paper_named_by_its_whole_path_comes_along(tmp_path):
    copy = shutil.copytree(SITE, tmp_path / "site", ignore=shutil.ignore_patterns("records"))
    letter, case = tmp_path / "letter.txt", copy / "cases/2026-014/case.toml"
    letter.write_text("a letter")
    case.write_text(case.read_text("utf-8").replace("[inputs]", f'[inputs]\nattachments = ["{letter}"]'), "utf-8")
    taken = gather.case(register.load_case(case), tmp_path / "copy", allow_outside=True)
    again = register.load_case(taken.root / taken.start)
    assert [path.read_text() for path in again.attachments] == ["a letter"] and str(tmp_path) not in (taken.root / taken.start).read_text("utf-8")


def test_what_people_wrote_and_earlier_records_come_along(site, tmp_path):
    copy = shutil.copytree(site, tmp_path / "site", ignore=shutil.ignore_patterns("records"))
    case = copy / "cases/2026-014"
    entries.append(case, who="R. Vaz", field="reply.1", new={"from": "Maker", "words": "Ask again", "time": "2026-03-10T09:00", "attachment": "letter.txt"})
    (case / "letter.txt").write_text("a letter")
    (case / "secret.txt").write_text("named by nobody")
    for number in ("a", "b"):
        (tmp_path / "old" / number).mkdir(parents=True)
        (tmp_path / "old" / number / "results.json").write_text(json.dumps({"of": number}))
    text = (case / "case.toml").read_text("utf-8").replace("[inputs]", '[inputs]\nearlier = ["../../../old/*/results.json"]')
    (case / "case.toml").write_text(text, "utf-8")
    taken = gather.case(register.load_case(case / "case.toml"), tmp_path / "copy")
    again = register.load_case(taken.root / taken.start)
    assert [json.loads(path.read_text())["of"] for path in again.earlier] == ["a", "b"] and str(tmp_path) not in (taken.root / taken.start).read_text("utf-8")
    names = [name for _, name in taken.inputs()]
    assert "files/cases/2026-014/entries.jsonl" in names and not any("secret" in name or "letter" in name for name in names)
    assert "letter.txt" in [name for _, name in taken.attachments()]
    assert taken.changed() == []
    (case / "letter.txt").write_text("another letter")
    assert taken.changed() == ["letter.txt"]


@pytest.mark.notebooks
def test_a_file_that_changes_while_the_record_is_made(site, tmp_path, monkeypatch):
    copy = shutil.copytree(site, tmp_path / "site", ignore=shutil.ignore_patterns("records"))

    def meanwhile(path):
        (copy / "downloads/F2/F2_2026-03.csv").write_text("other")
        return assess(path)

    assess = assessment.assess
    monkeypatch.setattr(making, "assess", meanwhile)
    with pytest.raises(RecordError, match="F2_2026-03.csv changed while the record was made"):
        records.investigate(copy / "cases/2026-014/case.toml", tmp_path / "records")
    assert leftovers(tmp_path / "records") == [] and not list((tmp_path / "records").glob("*-r*"))


@pytest.mark.notebooks
def test_a_month_is_frozen_once_and_given_back_the_second_time(site, tmp_path):
    first = records.monthly(site / "site.toml", unit="Z1", month="2026-02", out=tmp_path)
    assert records.monthly(site / "site.toml", unit="Z1", month="2026-02", out=tmp_path) == first
    assert first.name == "Z1-2026-02-r1" and verification.record(first) == [] and rerunning.rerun(first).differences == ()
    assert len(ledger.entered(tmp_path)) == 1


# ------------------------------------------------------------------------------------------------- reviews, handing over


def test_a_review_names_the_hashes_it_covers(tmp_path):
    one, two = frozen.freeze(tmp_path), frozen.freeze(tmp_path, number="2026-015")
    folder = records.review([one, two], tmp_path / "records", number="review-2026-Q1", by="L. Reis", text="Read both. <b>Nothing</b> to add.\n\n# not a heading")
    assert verification.record(folder) == []
    page = (folder / "data/record.html").read_text("utf-8")
    assert ledger.record_hash(one) in page and "&lt;b&gt;Nothing&lt;/b&gt;" in page and "typed name, not authenticated" in page
    (two / "data/results.json").write_text("{}")
    with pytest.raises(RecordError, match="not whole"):
        records.review([two], tmp_path / "records", number="r", by="x", text="y")


def test_a_record_is_handed_over_as_one_zip(tmp_path):
    folder = frozen.freeze(tmp_path)
    packed = records.handover(folder)
    again = records.handover(folder, tmp_path / "again.zip")
    assert packed.read_bytes() == again.read_bytes()
    with zipfile.ZipFile(packed) as opened:
        opened.extractall(tmp_path / "elsewhere")
    assert verification.record(tmp_path / "elsewhere" / folder.name) == []
    (folder / "stray").touch()
    with pytest.raises(RecordError, match="not whole"):
        records.handover(folder)


# ------------------------------------------------------------------------------------------------- times that cannot be, the site's logbook


def test_readings_later_than_the_freeze_stand_on_the_page_and_in_bag_info(tmp_path, monkeypatch):
    monkeypatch.setattr(ledger, "now", lambda: "2026-03-01T00:00:00Z")
    made = frozen.freeze(tmp_path, results={"schema": "other", "sources": [{"file": "F2.csv", "sha256": sha256(frozen.READINGS.encode()), "last": "2026-03-10T23:55:00Z"}]})
    said = "F2.csv has readings until 2026-03-10T23:55:00Z, later than this record was frozen (2026-03-01T00:00:00Z)"
    assert verification.bag_info(made)["Later-Than-Freeze"].startswith(said)
    assert said in (made / "data/record.html").read_text("utf-8")
    assert verification.record(made) == []


def test_the_sites_logbook_goes_into_the_record_where_it_is_used(site, tmp_path):
    copy = shutil.copytree(site, tmp_path / "site", ignore=shutil.ignore_patterns("records"))
    book = (copy / "cases/2026-014/logbook.csv").read_text("utf-8").splitlines()
    (copy / "logbook.csv").write_text("\n".join([book[0] + ",unit", *(line + ",F2" for line in book[1:])]) + "\n", "utf-8")
    text = (copy / "site.toml").read_text("utf-8").replace('timezone = "Europe/Lisbon"', 'timezone = "Europe/Lisbon"\nlogbook = "logbook.csv"')
    (copy / "site.toml").write_text(text, "utf-8")
    own = gather.case(register.load_case(copy / "cases/2026-014/case.toml"), tmp_path / "1")
    assert "logbook.csv" not in own.files, "the case has its own"
    case = copy / "cases/2026-014/case.toml"
    case.write_text(case.read_text("utf-8").replace('logbook = "logbook.csv"\n', ""), "utf-8")
    taken = gather.case(register.load_case(case), tmp_path / "2")
    assert "logbook.csv" in taken.files
    assert len(assessment.assess(taken.root / taken.start).logbook) == len(book) - 1
