"""The kit itself never damages a record, mixes two up, or carries away what nobody meant to give."""

from __future__ import annotations

import errno
import os
import re
import shutil
import subprocess
from concurrent.futures import ProcessPoolExecutor
from multiprocessing import get_context
from pathlib import Path

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from coldchain_kit import cli, register
from coldchain_kit.assessment import monthly
from coldchain_kit.base import KitError, RecordError, files, package_files
from coldchain_kit.records import bag, gather, numbers, verification
from coldchain_kit.register import entries
from tests import frozen

SITE = package_files.sample_data() / "tern_bay"
CASE = "cases/2026-014/case.toml"
ACTION = {"id": "A1", "kind": "corrective", "action": "Seal renewed", "owner": "R. Vaz", "due": "2026-04-01"}


@pytest.fixture
def record(tmp_path):
    return frozen.freeze(tmp_path)


def contents(folder: Path) -> dict[Path, bytes]:
    return {path: path.read_bytes() for path in folder.rglob("*") if path.is_file()}


# ------------------------------------------------------------------------------------------------- nothing is written into a record


@pytest.mark.parametrize("inside", ["", "data", "data/inputs/new", "../link"])
@pytest.mark.parametrize("command", [
    ["investigate", "{case}", "--out", "{out}"],
    ["enquiry", "{case}", "--out", "{out}"],
    ["monthly", "{site}", "--month", "2026-02", "--unit", "F1", "--out", "{out}"],
    ["handover", "{record}", "--out", "{out}/x.zip"],
    ["review", "{record}", "--number", "review-1", "--by", "R. Vaz", "--text", "read", "--out", "{out}"],
    ["self-check", "--out", "{out}"],
    ["demo", "--out", "{out}"],
    ["lab", "{out}"],
    ["new-key", "{out}/key.pem"],
], ids=lambda command: command[0])  # fmt: skip
def test_no_command_writes_into_a_record(record, command, inside, capsys, monkeypatch):
    (record.parent / "link").symlink_to(record / "data", target_is_directory=True)
    monkeypatch.setattr("coldchain_kit.records.selfcheck.run", lambda: [])  # its figures have their own tests
    before, out = contents(record), record / inside
    named = {"case": SITE / CASE, "site": SITE / "site.toml", "out": out, "record": record}
    code = cli.main([part.format(**named) for part in command])
    told = capsys.readouterr().err
    assert code == 2 and "frozen record 2026-014-r1" in told and "outside the record" in told and "Traceback" not in told
    assert contents(record) == before and verification.record(record) == []


def test_answers_and_actions_are_not_written_into_a_record(record):
    folder, before = record / "data" / "inputs", contents(record)
    with pytest.raises(RecordError, match="frozen record"):
        entries.append(folder, who="R. Vaz", field="conclusion", new="something else")
    with pytest.raises(RecordError, match="frozen record"):
        entries.save_action(folder, ACTION, who="R. Vaz")
    assert contents(record) == before


def test_a_damaged_record_is_a_record_still(record):
    for name in ("bagit.txt", "tagmanifest-sha256.txt"):
        (record / name).unlink()
    with pytest.raises(RecordError, match="frozen record"):
        files.write(record / "note.txt", "x")
    assert files.write(record.parent / "note.txt", "x").read_text() == "x"


# ------------------------------------------------------------------------------------------------- numbers


@settings(max_examples=300, deadline=None)
@given(st.lists(st.text(min_size=1, max_size=70), min_size=2, max_size=6, unique=True))
def test_no_two_units_share_the_number_of_a_month(units):
    made = [monthly.number(unit, "2026-03") for unit in units]
    assert len(set(made)) == len(units)
    for name in made:
        numbers.check(name)
        assert re.fullmatch(r"[A-Za-z0-9][A-Za-z0-9._-]*-2026-03", name)


def test_two_cyrillic_names_are_two_units_and_a_plain_name_stays_itself():
    assert monthly.number("Шафа 1", "2026-03") != monthly.number("Полиця 1", "2026-03")
    assert monthly.number("F1", "2026-03") == "F1-2026-03"
    hashed = monthly.number("Шафа 1", "2026-03").removesuffix("-2026-03")
    assert monthly.number(hashed, "2026-03") != f"{hashed}-2026-03", "a unit that is called like another one's hashed name"


@pytest.mark.parametrize(("more", "site"), [({"kind": "monthly"}, ""), ({"site": "Another place", "kind": "monthly"}, "m"), ({"kind": "monthly", "Parameters": '{"unit": "F9"}'}, "m")])
def test_a_number_of_something_else_is_not_made_its_revision(tmp_path, more, site):
    of_month = {"title": "F1", "kind": "monthly", "site": "Tern Bay", "Parameters": '{"month": "2026-02", "unit": "F1"}'}
    given_info = of_month if site else {"title": "t", "kind": "investigation", "site": "Tern Bay"}
    first = frozen.freeze(tmp_path, number="F1-2026-02", info=given_info)
    before = contents(first)
    with pytest.raises(RecordError, match="belongs to another record"):
        frozen.freeze(tmp_path, number="F1-2026-02", info={**of_month, **more}, reason="once more")
    assert frozen.freeze(tmp_path, number="F1-2026-02", info=given_info, reason="once more").name == "F1-2026-02-r2"
    assert contents(first) == before


# ------------------------------------------------------------------------------------------------- attachments from outside


@pytest.mark.parametrize("how", ["whole path", "upwards", "link"])
def test_an_attachment_from_outside_the_case_needs_a_word(tmp_path, how, capsys):
    copy = shutil.copytree(SITE, tmp_path / "site")
    secret, case = tmp_path / "site" / "payroll.txt", copy / CASE
    secret.write_text("salaries")
    named = {"whole path": str(secret), "upwards": "../../payroll.txt", "link": "letter.txt"}[how]
    if how == "link":
        (case.parent / "letter.txt").symlink_to(secret)
    case.write_text(case.read_text("utf-8").replace("[inputs]", f'[inputs]\nattachments = ["{named}"]'), "utf-8")
    assert cli.main(["investigate", str(case), "--out", str(tmp_path / "records")]) == 2
    told = capsys.readouterr().err
    assert named.removeprefix("../../") in told and "--allow-outside" in told and "case.toml" in told
    assert not list((tmp_path / "records").glob("*-r1"))
    taken = gather.case(register.load_case(case), tmp_path / "copy", allow_outside=True)
    assert [path.read_text() for path, _ in taken.attachments()] == ["salaries"]


# ------------------------------------------------------------------------------------------------- a full disk, many at once


def _save(folder: str, writer: int, count: int) -> None:
    for k in range(count):
        entries.save_action(folder, {**ACTION, "id": f"W{writer}-{k}"}, who=f"Writer {writer}")


def test_eight_writers_lose_no_action(tmp_path):
    with ProcessPoolExecutor(8, mp_context=get_context("fork")) as pool:
        for done in [pool.submit(_save, str(tmp_path), writer, 5) for writer in range(8)]:
            done.result()
    assert sorted(row["id"] for row in entries.actions(tmp_path)) == sorted(f"W{w}-{k}" for w in range(8) for k in range(5))
    assert entries.check(tmp_path) == [] and len(entries.read(tmp_path)) == 40


def test_a_disk_that_fills_up_names_the_file(tmp_path, monkeypatch):
    (tmp_path / "F2.csv").write_text(frozen.READINGS)
    (tmp_path / "big.bin").write_bytes(b"x" * 100_000)
    real = os.fsync

    def full(handle):
        if os.fstat(handle).st_size >= 100_000:
            raise OSError(errno.ENOSPC, os.strerror(errno.ENOSPC))
        real(handle)

    monkeypatch.setattr(bag.os, "fsync", full)
    with pytest.raises(RecordError, match=r"^big\.bin: the disk is full"):
        frozen.freeze(tmp_path, inputs=[(tmp_path / "F2.csv", "F2.csv"), (tmp_path / "big.bin", "big.bin")], attachments=[])
    assert list((tmp_path / "records").glob("[!.]*")) in ([], [tmp_path / "records" / "ledger.jsonl"])


def test_a_small_mount_that_is_full_leaves_nothing(tmp_path):
    """On a real file system of 200 kB where this machine may make one; elsewhere the refusal above stands for it."""
    mount = tmp_path / "small"
    mount.mkdir()
    made = subprocess.run(["mount", "-t", "tmpfs", "-o", "size=200k", "tmpfs", str(mount)], capture_output=True, check=False).returncode == 0 if os.geteuid() == 0 else False
    try:
        (tmp_path / "F2.csv").write_text(frozen.READINGS)
        (tmp_path / "big.bin").write_bytes(b"x" * 400_000)
        given_files = {"inputs": [(tmp_path / "F2.csv", "F2.csv"), (tmp_path / "big.bin", "big.bin")], "attachments": []}
        if made:
            with pytest.raises(RecordError, match=r"big\.bin.*disk is full"):
                frozen.freeze(tmp_path, out=mount / "records", **given_files)
            with pytest.raises(KitError, match="space"):
                files.write(mount / "sheet.txt", "x" * 400_000)
            assert [path.name for path in mount.rglob("*") if path.is_file() and path.name not in (".lock", "ledger.jsonl")] == []
            assert frozen.freeze(tmp_path, out=mount / "records", inputs=[(tmp_path / "F2.csv", "F2.csv")], attachments=[]).name == "2026-014-r1"
        else:
            assert frozen.freeze(tmp_path, out=mount / "records", **given_files).name == "2026-014-r1"
    finally:
        if made:
            subprocess.run(["umount", str(mount)], check=True)


