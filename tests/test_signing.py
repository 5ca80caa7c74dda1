"""Signatures: bound to the record, typed names called that, keys checked, author and approver two people."""

from __future__ import annotations

import json
import multiprocessing

import pytest

from coldchain_kit.base import RecordError, chain
from coldchain_kit.records import signing, verification
from tests import frozen


@pytest.fixture
def record(tmp_path):
    return frozen.freeze(tmp_path)


def rows(record):
    return [json.loads(line) for line in (record / "signatures.jsonl").read_text("utf-8").splitlines()]


def test_signing_leaves_the_record_as_it_was(record):
    before = verification.report(record).record_hash
    signing.sign(record, role="author", name="Ana Sousa", meaning="Written by me")
    signing.sign(record, role="approver", name="Rui Pinto")
    found = verification.report(record)
    assert found.whole and found.record_hash == before
    first, second = rows(record)
    assert (first["name"], first["role"], first["meaning"], first["record_hash"]) == ("Ana Sousa", "author", "Written by me", before)
    assert first["identity"] == "typed name, not authenticated" and first["time"].endswith("Z")
    assert first["previous"] == "0" * 64 and second["previous"] != first["previous"]


def test_author_and_approver_differ_whatever_the_spelling(record):
    signing.sign(record, role="author", name="Ana Sousa")
    with pytest.raises(RecordError, match="two people"):
        signing.sign(record, role="approver", name="  ANA  sousa ")
    with pytest.raises(RecordError, match="already"):
        signing.sign(record, role="author", name="Ana Sousa")
    assert len(rows(record)) == 1


@pytest.mark.parametrize(("role", "name", "match"), [("aprover", "A", "Did you mean 'approver'"), ("author", "  ", "no name")])
def test_bad_calls(record, role, name, match):
    with pytest.raises(RecordError, match=match):
        signing.sign(record, role=role, name=name)
    assert not (record / "signatures.jsonl").exists()


def test_a_damaged_record_is_not_signed(record):
    (record / "data" / "results.json").write_text("{}")
    with pytest.raises(RecordError, match="results.json: damaged"):
        signing.sign(record, role="author", name="Ana")
    with pytest.raises(verification.NoRecord):
        signing.sign(record.parent, role="author", name="Ana")


@pytest.mark.parametrize("change", [lambda lines: lines[1:], lambda lines: [lines[0].replace("Ana", "Eva"), *lines[1:]], lambda lines: lines[::-1], lambda lines: [*lines, lines[0]]])
def test_edits_of_the_signatures_are_found(record, change):
    for name, role in (("Ana Sousa", "author"), ("Lia Reis", "reviewer"), ("Rui Pinto", "approver")):
        signing.sign(record, role=role, name=name)
    path = record / "signatures.jsonl"
    path.write_text("\n".join(change(path.read_text("utf-8").splitlines())) + "\n", "utf-8")
    assert any("signatures.jsonl line" in problem for problem in verification.record(record))


def test_signatures_of_another_record_do_not_count(record, tmp_path):
    signing.sign(record, role="author", name="Ana Sousa")
    later = frozen.freeze(tmp_path, reason="logbook added")
    (later / "signatures.jsonl").write_bytes((record / "signatures.jsonl").read_bytes())
    assert any("signs another record" in problem for problem in verification.record(later))


def test_unfinished_line_is_said_and_does_not_stop_the_next_signature(record):
    signing.sign(record, role="author", name="Ana Sousa")
    with (record / "signatures.jsonl").open("a") as file:
        file.write('{"name": "Ru')
    assert any("unfinished line" in problem for problem in verification.record(record))
    signing.sign(record, role="approver", name="Rui Pinto")
    assert verification.record(record) == [] and rows(record)[1]["torn"]


def test_key_signature_holds_and_a_changed_line_does_not(record, tmp_path):
    public = signing.new_key(tmp_path / "ana.pem")
    assert (tmp_path / "ana.pem").stat().st_mode & 0o777 == 0o600
    row = signing.sign(record, role="author", name="Ana Sousa", key=tmp_path / "ana.pem")
    assert row["public_key"] == public and verification.report(record).signatures[0]["checked"] == f"signed with the key {public[:16]}…"
    assert "not authenticated" not in json.dumps(row)

    forged = row | {"meaning": "I approve"}
    forged["line_hash"] = chain.line_hash(forged)
    (record / "signatures.jsonl").write_text(json.dumps(forged, sort_keys=True, ensure_ascii=False) + "\n", "utf-8")
    assert any("key signature does not fit" in problem for problem in verification.record(record))


def test_bad_keys(record, tmp_path):
    (tmp_path / "bad.pem").write_text("no key")
    for name, match in (("bad.pem", "cannot be read"), ("none.pem", "cannot be read")):
        with pytest.raises(RecordError, match=match):
            signing.sign(record, role="author", name="Ana", key=tmp_path / name)
    signing.new_key(tmp_path / "a.pem")
    with pytest.raises(RecordError, match="cannot be made"):
        signing.new_key(tmp_path / "a.pem")


def _sign(given):
    path, name = given
    signing.sign(path, role="reviewer", name=name)


def test_signatures_at_once_keep_one_chain(record):
    with multiprocessing.get_context("spawn").Pool(2) as pool:
        pool.map(_sign, [(record, f"Person {k}") for k in range(6)])
    assert len(rows(record)) == 6 and verification.record(record) == []


def test_a_stray_file_is_no_unfinished_line_whatever_its_name(record):
    (record / "data" / "ends in an unfinished line").write_text("x", "utf-8")
    with pytest.raises(RecordError, match="not whole"):
        signing.sign(record, role="author", name="Ana Sousa")


def test_the_second_person_is_not_passed_by_where_the_last_line_lost_its_end(record):
    signing.sign(record, role="author", name="Ana Sousa")
    path = record / "signatures.jsonl"
    path.write_bytes(path.read_bytes()[:-1])
    with pytest.raises(RecordError, match="two people"):
        signing.sign(record, role="approver", name="Ana Sousa")


def test_entries_lines_of_version_0_1_have_no_place_among_signatures(record):
    signing.sign(record, role="author", name="Ana Sousa")
    path = record / "signatures.jsonl"
    path.write_bytes(path.read_bytes() + b'{"mutilated\n' + b'{"hash": "", "previous": "' + b"0" * 64 + b'"}\n')
    assert any("line 2 is not readable" in problem for problem in verification.record(record))
