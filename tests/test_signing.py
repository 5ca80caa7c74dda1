"""Signatures: bound to the record, typed names called that, keys checked, author and approver two people."""

from __future__ import annotations

import json
import multiprocessing
import random
import shutil
import sys
import unicodedata

import pytest

from coldchain_kit import cli
from coldchain_kit.base import RecordError, chain
from coldchain_kit.records import identity, ledger, signatures, signing, verification
from tests import frozen
from tests.conftest import HERE


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
    signing.sign(record, role="author", name="Ana Sousa")
    with multiprocessing.get_context("spawn").Pool(2) as pool:
        pool.map(_sign, [(record, f"Person {k}") for k in range(6)])
    assert len(rows(record)) == 7 and verification.record(record) == []


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


# ------------------------------------------------------------------------------------------------- one person is one person

PEOPLE = ["Ana Sousa", "Zoë Müller-Ørsted", "Μαρία Παπαδοπούλου", "Анна Сёмина", "李 小龍", "O’Brien Sean", "José María", "김 민수"]


def spelled(name, dice):
    """The same person under another spelling: case, blanks, order, accents, punctuation, invisible letters, compatibility forms."""
    words = name.split()
    dice.shuffle(words)
    text = dice.choice([" ", "  ", ", ", "\u00a0"]).join(words)
    text = dice.choice([str.upper, str.lower, str.title, str])(text) if name != "Zoë Müller-Ørsted" else text
    text = unicodedata.normalize(dice.choice(["NFC", "NFD", "NFKC"]), text)
    if dice.random() < 0.5 and all(identity.script_of(c) in ("LATIN", "GREEK", "CYRILLIC", "") for c in text):
        text = "".join(c for c in unicodedata.normalize("NFD", text) if not unicodedata.category(c).startswith("M"))
    if dice.random() < 0.5:
        at = dice.randrange(len(text) + 1)
        text = text[:at] + dice.choice(["\u200b", "\u00ad", "\u200d", "."]) + text[at:] if dice.random() < 0.7 else "".join(chr(ord(c) + 0xFEE0) if "a" <= c <= "z" else c for c in text)
    return f"  {text} "


def test_every_spelling_of_a_person_is_that_person():
    dice = random.Random(11)
    for name in PEOPLE:
        for _ in range(120):
            other = spelled(name, dice)
            inner = "." in other and "." not in name and not any(part == "." for part in other.split())
            if inner and any(len(part.strip(".")) and "." in part.strip(".") for part in other.split()):
                continue  # a dot inside a word makes two words of it
            assert identity.folded(other) == identity.folded(name), (name, other)


def test_other_people_are_other_people():
    folded = {identity.folded(name) for name in [*PEOPLE, "Ana Souza", "Anna Sousa", "Mario Papadopoulos", "Анна Семенова", "Sean Brian"]}
    assert len(folded) == len(PEOPLE) + 5


@pytest.mark.parametrize("name", ["\u0410na Sousa", "Ana S\u03bfusa", "R\u0443i Pinto", "Lia \u05d0 Reis"])
def test_scripts_that_no_language_mixes_are_refused(record, name):
    with pytest.raises(RecordError, match="mixes letters of"):
        signing.sign(record, role="author", name=name)
    assert not (record / "signatures.jsonl").exists()


@pytest.mark.parametrize("name", ["田中 Ken", "たなか ケン 健", "李 Bruce ㄅ", "김 Kim 民"])
def test_scripts_that_a_language_mixes_are_taken(record, name):
    assert signing.sign(record, role="author", name=name)["name"] == name


@pytest.mark.parametrize("name", ["", "   ", "\u200b", "...", "\ud800x", "\x07"])
def test_a_name_that_is_none_is_one_plain_error_and_leaves_nothing(record, name):
    with pytest.raises(RecordError, match="name"):
        signing.sign(record, role="author", name=name)
    assert not (record / "signatures.jsonl").exists() and "signature" not in (record.parent / "ledger.jsonl").read_text("utf-8")


@pytest.mark.parametrize("option", ["meaning", "function", "although"])
def test_texts_that_cannot_be_written_are_one_plain_error(record, option):
    with pytest.raises(RecordError, match=f"--{option} holds characters"):
        signing.sign(record, role="author", name="Ana", **{option: "bad \udcff"})
    assert not (record / "signatures.jsonl").exists()


# ------------------------------------------------------------------------------------------------- order, time, what was open


def test_author_then_reviewer_then_approver(record):
    for role in ("reviewer", "approver"):
        with pytest.raises(RecordError, match=f"the author signs before the {role}"):
            signing.sign(record, role=role, name="Lia Reis")
    signing.sign(record, role="author", name="Ana Sousa")
    signing.sign(record, role="approver", name="Rui Pinto")
    for role in ("author", "reviewer"):
        with pytest.raises(RecordError, match="signs before the approver, who has signed already"):
            signing.sign(record, role=role, name="Lia Reis")
    assert len(rows(record)) == 2


def test_a_clock_before_the_freeze_or_the_last_signature_stops_it(record, monkeypatch):
    monkeypatch.setattr(ledger, "now", lambda: "2020-01-01T00:00:00Z")
    with pytest.raises(RecordError, match="a clock is wrong"):
        signing.sign(record, role="author", name="Ana Sousa")
    assert not (record / "signatures.jsonl").exists()


def about(**more):
    return {"open": [], "people": [], **more}


def test_open_items_and_a_later_revision_need_a_word_that_stands_in_the_line(tmp_path):
    first = frozen.freeze(tmp_path, about=about(open=["Decision on lot A", "Conclusion"]))
    with pytest.raises(RecordError, match="2 things are open: Decision on lot A; Conclusion.*--although"):
        signing.sign(first, role="author", name="Ana Sousa")
    row = signing.sign(first, role="author", name="Ana Sousa", although="the maker answers next week")
    assert row["open"] == ["Decision on lot A", "Conclusion"] and row["although"] == "the maker answers next week"
    assert '(2 open then; although: "the maker answers next week")' in verification.report(first).text
    frozen.freeze(tmp_path, reason="reply came")
    with pytest.raises(RecordError, match="2026-014-r2 has taken its place"):
        signing.sign(first, role="reviewer", name="Lia Reis")
    assert signing.sign(first, role="reviewer", name="Lia Reis", although="for the file")["superseded_by"] == "2026-014-r2"


def test_the_function_of_a_person_comes_from_the_register_or_from_the_call(tmp_path):
    people = [{"id": "as", "name": "Ana Sousa", "function": "Vaccine lead"}, {"id": "as2", "name": "SOUSA, Ana", "function": "Pharmacist"}]
    record = frozen.freeze(tmp_path, about=about(people=people))
    with pytest.raises(RecordError, match="2 people of the register are called"):
        signing.sign(record, role="author", name="ana sousa")
    assert signing.sign(record, role="author", name="as")["function"] == "Vaccine lead"
    row = signing.sign(record, role="approver", name="as2")
    assert (row["name"], row["person"], row["function"]) == ("SOUSA, Ana", "as2", "Pharmacist"), "two people of one name, told apart by their ids"
    assert "Ana Sousa, Vaccine lead as author" in verification.report(record).text and verification.record(record) == []


# ------------------------------------------------------------------------------------------------- keys


def test_two_of_one_name_are_two_by_their_keys_and_one_where_one_has_none(record, tmp_path):
    for name in ("a", "b"):
        signing.new_key(tmp_path / f"{name}.pem")
    signing.sign(record, role="author", name="Ana Sousa", key=tmp_path / "a.pem")
    with pytest.raises(RecordError, match="two people"):
        signing.sign(record, role="approver", name="Ana Sousa")
    with pytest.raises(RecordError, match="two people"):
        signing.sign(record, role="approver", name="Ana Sousa", key=tmp_path / "a.pem")
    with pytest.raises(RecordError, match="two people"):
        signing.sign(record, role="approver", name="Rui Pinto", key=tmp_path / "a.pem")
    assert signing.sign(record, role="approver", name="Sousa Ana", key=tmp_path / "b.pem")["role"] == "approver"
    assert verification.record(record) == []


@pytest.mark.parametrize("key", ["name", "role", "meaning", "time", "record_hash", "identity", "public_key", "function", "open", "although", "person", "rules"])
def test_every_field_of_a_line_is_under_the_key(tmp_path, key):
    record = frozen.freeze(tmp_path, about=about(open=["x"], people=[{"id": "as", "name": "Ana Sousa", "function": "Lead"}]))
    signing.new_key(tmp_path / "a.pem")
    row = signing.sign(record, role="author", name="as", key=tmp_path / "a.pem", although="y")
    forged = row | {key: {"open": [], "rules": 3}.get(key, "b" * 64)}
    forged["line_hash"] = chain.line_hash(forged)
    (record / "signatures.jsonl").write_text(json.dumps(forged, sort_keys=True, ensure_ascii=False) + "\n", "utf-8")
    assert any("key signature does not fit" in problem for problem in verification.record(record))


def test_a_key_that_the_site_does_not_know_is_said(record, tmp_path, capsys):
    public = signing.new_key(tmp_path / "a.pem")
    signing.sign(record, role="author", name="Ana Sousa", key=tmp_path / "a.pem")
    (tmp_path / "known.txt").write_text(f"# keys of Tern Bay\n{public}  Ana Sousa, 2026\n")
    (tmp_path / "others.txt").write_text("0" * 64 + "\n")
    (tmp_path / "wrong.txt").write_text("ssh-ed25519 AAAA\n")
    assert cli.main(["verify", str(record), "--trusted", str(tmp_path / "known.txt")]) == 0 and ", trusted" in capsys.readouterr().out
    assert cli.main(["verify", str(record), "--trusted", str(tmp_path / "others.txt")]) == 1 and "not among the trusted" in capsys.readouterr().out
    assert cli.main(["verify", str(record), "--trusted", str(tmp_path / "wrong.txt")]) == 2 and "wrong.txt line 1" in capsys.readouterr().err
    assert cli.main(["verify", str(record), "--trusted", str(tmp_path / "none.txt")]) == 2


def test_a_key_that_cannot_be_checked_here_is_said_and_ends_1(record, tmp_path, monkeypatch, capsys):
    signing.new_key(tmp_path / "a.pem")
    signing.sign(record, role="author", name="Ana Sousa", key=tmp_path / "a.pem")
    monkeypatch.setitem(sys.modules, "cryptography", None)
    monkeypatch.setitem(sys.modules, "cryptography.exceptions", None)
    assert cli.main(["verify", str(record)]) == 1
    told = capsys.readouterr()
    assert "was not checked: the package cryptography is not installed" in told.out and "Traceback" not in told.out + told.err


def test_a_line_of_edition_1_keeps_its_own_rules_on_a_record_of_edition_1_and_nowhere_else(record, tmp_path):
    """Without ``rules``: no order, no function. On a newer record such a line would dodge both, and is named."""
    old = shutil.copytree(HERE / "records" / "0.1.0" / "2026-014-r1", tmp_path / "old" / "2026-014-r1")
    line = {"name": "Rui Pinto", "role": "approver", "meaning": "m", "time": "2020-01-01T00:00:00Z", "identity": signatures.TYPED}
    for folder in (old, record):
        (folder / "signatures.jsonl").unlink(missing_ok=True)
        chain.append(folder / "signatures.jsonl", {**line, "record_hash": ledger.record_hash(folder)})
    assert verification.record(old) == []
    assert any("form of an earlier edition" in text for text in verification.record(record))


@pytest.mark.parametrize("left", [[], ["Conclusion", "Decision on lot L"]])
def test_an_investigation_is_closed_once_nothing_is_open_and_author_and_approver_have_signed(tmp_path, left):
    """INTERIM while something is open or one of the two is missing; said by verify, as the page was printed before."""
    made = frozen.freeze(tmp_path, about={"open": left, "people": []})
    count = f"{len(left)} open" if left else "nothing open"
    assert verification.report(made).status == f"INTERIM: {count}, not yet signed by author and approver"
    signing.sign(made, role="author", name="Ana Sousa", although="for the test")
    assert verification.report(made).status == f"INTERIM: {count}, not yet signed by approver" and verification.report(made).status in verification.report(made).text
    signing.sign(made, role="approver", name="Rui Pinto", although="for the test")
    assert verification.report(made).status == ("INTERIM: 2 open" if left else "CLOSED: nothing open, author and approver have signed")


def test_a_line_stripped_of_its_key_signature_is_found(record, tmp_path):
    signing.new_key(tmp_path / "a.pem")
    row = signing.sign(record, role="author", name="Ana Sousa", key=tmp_path / "a.pem")
    (record / "signatures.jsonl").unlink()
    chain.append(record / "signatures.jsonl", {key: value for key, value in row.items() if key not in ("signature", "sshsig", "public_key", "previous", "line_hash")})
    assert any("says that a key signed it, and holds no signature" in text for text in verification.record(record))


def test_a_sign_that_fails_leaves_nothing(record, tmp_path, monkeypatch):
    def full(*given, **more):
        raise OSError(28, "No space left on device")

    signing.new_key(tmp_path / "a.pem")
    monkeypatch.setattr(signing.ledger, "intend_signature", full)
    with pytest.raises(RecordError, match="could not be written"):
        signing.sign(record, role="author", name="Ana Sousa", key=tmp_path / "a.pem")
    assert not (record / "signatures.jsonl").exists() and not list(record.parent.glob("*.sshsig")) and verification.record(record) == []


def test_a_time_that_has_not_come_is_said(record):
    chain.append(record / "signatures.jsonl", {"rules": 2, "name": "Rui Pinto", "role": "author", "meaning": "m", "time": "2999-01-01T00:00:00Z", "record_hash": ledger.record_hash(record), "identity": signatures.TYPED})
    assert any("has not come yet" in note for note in verification.report(record).notes)
