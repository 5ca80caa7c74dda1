"""verify names every damaged, missing and extra file of a record."""

from __future__ import annotations

import json
import os
import shutil

import bagit
import pytest

from coldchain_kit.records import ledger, signing, strict_run, verification
from tests import frozen
from tests.conftest import HERE

RELEASED = {"0.1.0": "ba2f812d551c22f9a8a546ce64b548021e017f0ec68c508f3fdb401ef8cfe7db"}  # record hash of the fixture of each released version


@pytest.fixture(scope="module")
def original(tmp_path_factory):
    base = tmp_path_factory.mktemp("verify")
    folder = frozen.freeze(base, pdf=True)
    signing.sign(folder, role="author", name="Ana Sousa")
    signing.sign(folder, role="approver", name="Rui Pinto")
    return folder


@pytest.fixture
def record(original, tmp_path):
    return shutil.copytree(original, tmp_path / original.name, symlinks=True)


def files(folder):
    return sorted(path.relative_to(folder).as_posix() for path in folder.rglob("*") if path.is_file())


def test_a_fresh_record_is_whole_and_a_valid_bag(record):
    assert verification.record(record) == []
    assert bagit.Bag(str(record)).validate()
    assert (record / "bagit.txt").read_text() == "BagIt-Version: 1.0\nTag-File-Character-Encoding: UTF-8\n"
    outcome = verification.report(record)
    assert outcome.code == 0 and outcome.record_hash == strict_run.sha256((record / "tagmanifest-sha256.txt").read_bytes())
    assert outcome.record_hash[:16] in outcome.text and "Ana Sousa as author" in outcome.text and "typed name, not authenticated" in outcome.text


def test_a_flipped_byte_in_each_file_in_turn_is_named(record):
    names = files(record)
    assert len(names) >= 11
    for name in names:
        path = record / name
        before = path.read_bytes()
        for place in (0, len(before) // 2, len(before) - 1):
            for bit in (1, 32):
                path.write_bytes(before[:place] + bytes([before[place] ^ bit]) + before[place + 1 :])
                assert any(name in problem for problem in verification.record(record)), (name, place, bit)
        path.write_bytes(before)
    assert verification.record(record) == []


def test_each_missing_file_is_named(record):
    for name in files(record):
        if name == "signatures.jsonl":
            continue
        path = record / name
        before = path.read_bytes()
        path.unlink()
        assert any(name in problem and "missing" in problem for problem in verification.record(record)), name
        path.write_bytes(before)


@pytest.mark.parametrize("name", ["stray.txt", "data/stray.txt", "data/inputs/.hidden", "manifest-md5.txt", "ledger.jsonl", "fetch.txt", ".DS_Store"])
def test_each_stray_file_is_named(record, name):
    (record / name).write_text("x")
    assert f"{name}: extra file" in verification.record(record)


@pytest.mark.parametrize("name", ["extra", "data/extra", "data/tables/deep"])
def test_each_extra_folder_is_named(record, name):
    (record / name).mkdir()
    assert f"{name}/: extra folder" in verification.record(record)


def test_deleted_tagmanifest_with_edited_bag_info_is_found_although_the_library_passes_it(record):
    (record / "tagmanifest-sha256.txt").unlink()
    info = record / "bag-info.txt"
    info.write_text(info.read_text("utf-8").replace("Revision: 1", "Revision: 2"), "utf-8")
    assert bagit.Bag(str(record)).validate()
    assert "tagmanifest-sha256.txt: missing" in verification.record(record)


def test_links_and_special_files_are_named(record):
    page = record / "data" / "record.html"
    moved = record.parent / "elsewhere.html"
    shutil.copy(page, moved)
    page.unlink()
    page.symlink_to(moved)
    (record / "data" / "tables" / "more").symlink_to(record / "data" / "inputs", target_is_directory=True)
    os.mkfifo(record / "data" / "pipe")
    problems = verification.record(record)
    assert "data/record.html: a link, not a file of the record" in problems
    assert "data/tables/more: a link, not a file of the record" in problems
    assert "data/pipe: not a plain file" in problems


def test_linked_folder_in_place_of_a_real_one_is_found(record):
    inputs = record / "data" / "inputs"
    inputs.rename(record.parent / "moved")
    inputs.symlink_to(record.parent / "moved", target_is_directory=True)
    assert any("data/inputs: a link" in problem for problem in verification.record(record))


def test_names_that_lead_outside_are_refused(record):
    secret = record.parent / "secret.txt"
    secret.write_text("x")
    with (record / "manifest-sha256.txt").open("a") as file:
        file.write(f"{strict_run.sha256('x')}  data/../../secret.txt\n")
    assert any("data/../../secret.txt" in problem and "no place" in problem for problem in verification.record(record))


def test_empty_manifest_is_found(record):
    (record / "manifest-sha256.txt").write_text("")
    problems = verification.record(record)
    assert any("data/record.html: extra file" in problem for problem in problems)
    assert any("manifest-sha256.txt: damaged" in problem for problem in problems)


def test_a_rebuilt_record_is_found_by_its_ledger(tmp_path):
    folder = frozen.freeze(tmp_path)
    results = folder / "data" / "results.json"
    results.write_text(results.read_text().replace("8.4", "7.9"))
    _rebuild(folder)
    assert any("ledger.jsonl" in problem and "rebuilt" in problem for problem in verification.record(folder))
    elsewhere = shutil.copytree(folder, tmp_path / "elsewhere" / folder.name)
    assert verification.record(elsewhere) == [], "without the ledger only a hash kept elsewhere tells"


def _rebuild(folder):
    """What somebody can do who knows the form: every hash made to fit again."""
    rows = [(strict_run.sha256((folder / name).read_bytes()), name) for name in files(folder) if name.startswith("data/")]
    (folder / "manifest-sha256.txt").write_text("".join(f"{digest}  {name}\n" for digest, name in rows))
    info, old = folder / "bag-info.txt", verification.bag_info(folder)["Contents-SHA256"]
    page = folder / "data" / "record.html"
    new = verification.contents_hash(rows)
    page.write_text(page.read_text("utf-8").replace(old[:16], new[:16]), "utf-8")
    rows = [(strict_run.sha256((folder / name).read_bytes()), name) for name in files(folder) if name.startswith("data/")]
    size = sum((folder / name).stat().st_size for _, name in rows)
    text = info.read_text("utf-8").replace(old, new)
    info.write_text("\n".join(f"Payload-Oxum: {size}.{len(rows)}" if line.startswith("Payload") else line for line in text.splitlines()) + "\n", "utf-8")
    (folder / "manifest-sha256.txt").write_text("".join(f"{digest}  {name}\n" for digest, name in rows))
    tags = [(strict_run.sha256((folder / name).read_bytes()), name) for name in ("bag-info.txt", "bagit.txt", "manifest-sha256.txt")]
    (folder / "tagmanifest-sha256.txt").write_text("".join(f"{digest}  {name}\n" for digest, name in tags))


@pytest.mark.parametrize("make", [lambda path: None, lambda path: path.mkdir(), lambda path: path.write_text("x"), lambda path: (path / "data").mkdir(parents=True)])
def test_a_place_without_record_is_another_answer(tmp_path, make):
    make(tmp_path / "there")
    assert verification.report(tmp_path / "there").code == 2
    with pytest.raises(verification.NoRecord, match="no record"):
        verification.record(tmp_path / "there")


def test_a_record_that_lost_its_tag_files_is_damaged_not_absent(record):
    for path in record.glob("*.txt"):
        path.unlink()
    assert verification.report(record).code == 1


def test_ledger_says_what_is_missing(tmp_path):
    first, second = frozen.freeze(tmp_path), frozen.freeze(tmp_path, number="2026-015")
    out = tmp_path / "records"
    assert ledger.of_folder(out).problems == []
    shutil.rmtree(first)
    rows = (out / "ledger.jsonl").read_text("utf-8").splitlines()
    changed = json.loads(rows[0]) | {"time": "2020-01-01T00:00:00Z"}
    (out / "ledger.jsonl").write_text("\n".join([json.dumps(changed), *rows[1:]]) + "\n")
    said = ledger.of_folder(out).problems
    assert "ledger.jsonl line 1 was changed" in said and "2026-014-r1 is in the ledger but not in the folder" in said
    assert any("line 2 does not follow" in row for row in said)
    assert any("line 1 was changed" in problem for problem in verification.record(second)), "a broken chain is told of every record beside it"


@pytest.mark.parametrize("folder", sorted((HERE / "records").glob("*/*")), ids=lambda folder: folder.parent.name)
def test_records_of_every_released_version_verify_and_open(folder):
    found = verification.report(folder)
    assert found.whole and found.record_hash == RELEASED[folder.parent.name]
    assert [row["checked"] for row in found.signatures][0] == "typed name, not authenticated"
    assert [row["checked"] for row in found.signatures][1].startswith("signed with the key")
    assert "What happened" in (folder / "data/record.html").read_text("utf-8")
    assert strict_run.read_notebook(folder / "data/record.ipynb").cells and json.loads((folder / "data/results.json").read_text("utf-8"))["mkt_c"] == 8.4
