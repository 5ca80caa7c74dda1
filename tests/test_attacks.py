"""What an attacker or an accident may do to a folder of records, and what must be said: files, additions, ledger, signatures, entries, page.

Three records with signatures are frozen once; each damage is done to a copy. What only a hash kept elsewhere can find stands at the
end, and must pass unseen: a check that claimed to find it would claim too much.
"""

from __future__ import annotations

import json
import os
import random
import shutil
import subprocess
import sys
from collections.abc import Callable
from pathlib import Path

import pytest

from coldchain_kit.base import chain
from coldchain_kit.records import bag, ledger, signing, verification
from coldchain_kit.register import entries
from tests import frozen
from tests.test_verify import _rebuild

Damage = tuple[str, str, Callable[[Path], object], str]  # place, name, what is done to OUT, what must be said


@pytest.fixture(scope="module")
def whole(tmp_path_factory):
    """2026-014 in two revisions, the second signed by author and approver, and 2026-015 signed by its author."""
    base = tmp_path_factory.mktemp("attacked")
    for field, new in (("conclusion", "The power was cut"), ("cause.root", "No emergency supply"), ("risk", "Low")):
        entries.append(base, who="M. Alder", field=field, new=new)
    (base / "F2.csv").write_text(frozen.READINGS)
    (base / "letter.pdf").write_bytes(b"%PDF-1.4 letter")
    inputs = [(base / "F2.csv", "downloads/F2/F2.csv"), (base / "entries.jsonl", "cases/2026-014/entries.jsonl")]
    frozen.freeze(base, inputs=inputs)
    second = frozen.freeze(base, inputs=inputs, reason="read again")
    third = frozen.freeze(base, inputs=inputs, number="2026-015")
    signing.sign(second, role="author", name="Marta Alder")
    signing.sign(second, role="approver", name="Rui Vaz")
    signing.sign(third, role="author", name="Marta Alder")
    return base / "records"


RECORD = "2026-014-r2"


def said(out: Path) -> list[str]:
    """Everything that verify says of each record, and ledger of the folder."""
    told = [text for folder in sorted(out.iterdir()) if folder.is_dir() for text in verification.report(folder).problems]
    try:
        return told + list(verification.folder(out).problems)
    except verification.NoRecord:
        return [*told, "no ledger"]


def write(name: str, data: bytes | str) -> Callable[[Path], object]:
    def do(out: Path) -> None:
        path = out / name
        path.parent.mkdir(parents=True, exist_ok=True)
        path.write_bytes(data.encode() if isinstance(data, str) else data)

    return do


def flip(name: str, at: float) -> Callable[[Path], object]:
    """One bit of a file turned, at a share of its length."""

    def do(out: Path) -> None:
        data = bytearray((out / name).read_bytes())
        place = min(int(at * len(data)), len(data) - 1)
        data[place] ^= 1
        (out / name).write_bytes(bytes(data))

    return do


def longer(name: str, more: bytes) -> Callable[[Path], object]:
    return lambda out: (out / name).write_bytes((out / name).read_bytes() + more)


def cut(name: str, share: float) -> Callable[[Path], object]:
    return lambda out: os.truncate(out / name, int(share * (out / name).stat().st_size))


def lines_of(name: str, change: Callable[[list[str]], list[str]]) -> Callable[[Path], object]:
    def do(out: Path) -> None:
        rows = (out / name).read_text("utf-8").splitlines()
        (out / name).write_text("".join(f"{row}\n" for row in change(rows)), "utf-8")

    return do


def rechained(name: str, change: Callable[[list[dict]], list[dict]]) -> Callable[[Path], object]:
    """Lines changed and every hash of the chain worked out anew: what somebody does who knows the form."""

    def do(out: Path) -> None:
        rows = [json.loads(row) for row in (out / name).read_text("utf-8").splitlines()]
        (out / name).unlink()
        for row in change(rows):
            chain.append(out / name, {key: value for key, value in row.items() if key not in ("previous", "line_hash", "hash")})

    return do


def rebuilt(change: Callable[[Path], object]) -> Callable[[Path], object]:
    def do(out: Path) -> None:
        change(out)
        _rebuild(out / RECORD)

    return do


def on_files() -> list[Damage]:
    names = (
        "bagit.txt", "bag-info.txt", "manifest-sha256.txt", "tagmanifest-sha256.txt", "data/record.html", "data/record.ipynb", "data/results.json", "data/context.json", "data/environment.txt",
        "data/tables/excursions.csv", "data/inputs/downloads/F2/F2.csv", "data/inputs/cases/2026-014/entries.jsonl", "data/attachments/letter.pdf",
    )  # fmt: skip
    rows: list[Damage] = []
    for name in names:
        path, short = f"{RECORD}/{name}", name.rsplit("/", 1)[-1]
        rows += [("files", f"flip {name} {at}", flip(path, at), short) for at in (0.0, 0.3, 0.6, 0.99)]
        rows += [("files", f"cut {name}", cut(path, 0.5), short), ("files", f"empty {name}", cut(path, 0.0), short), ("files", f"lost {name}", lambda out, path=path: (out / path).unlink(), short)]
        rows += [("files", f"longer {name}", longer(path, b"\n"), short)]
        rows += [("files", f"link {name}", lambda out, path=path: ((out / path).rename(out / "aside"), (out / path).symlink_to(out / "aside")), short)]
    rows += [("files", "exchanged", lambda out: _exchange(out / RECORD / "data/results.json", out / RECORD / "data/environment.txt"), "results.json")]
    rows += [("files", "replayed", lambda out: shutil.copy(out / "2026-014-r1/data/record.html", out / RECORD / "data/record.html"), "record.html")]
    return rows


def _exchange(one: Path, other: Path) -> None:
    first, second = one.read_bytes(), other.read_bytes()
    one.write_bytes(second)
    other.write_bytes(first)


def additions() -> list[Damage]:
    names = (
        "note.txt", "data/note.txt", "data/inputs/more.csv", "data/tables/more.csv", ".hidden", "data/.hidden", "data/inputs/downloads/F2/F2 copy.csv", "manifest-md5.txt", "fetch.txt",
        "signatures.jsonl.bak", "data/signatures.jsonl", "ledger.jsonl", ".DS_Store", "Thumbs.db", "bagit.txt~", "data/ä.txt", "data/deep/er/file.txt", "data/record.HTML ", "tagmanifest-md5.txt", "data/\u202egnp.exe",
    )  # fmt: skip
    rows: list[Damage] = [("additions", f"file {name}", write(f"{RECORD}/{name}", "x"), "extra file") for name in names]
    rows += [("additions", f"empty folder {name}", lambda out, name=name: (out / RECORD / name).mkdir(parents=True), "extra folder") for name in ("empty", "data/empty", "data/inputs/a/b/c", ".git")]
    rows += [("additions", "pipe", lambda out: os.mkfifo(out / RECORD / "data/pipe"), "not a plain file"), ("additions", "link to a folder", lambda out: (out / RECORD / "data/all").symlink_to("/"), "a link")]
    rows += [("additions", f"copy as {name}", lambda out, name=name: shutil.copytree(out / RECORD, out / name), name.replace("2026-014-r1 copy", "renamed")) for name in ("2026-016-r1", "2026-014-r3", "2026-014-r20")]
    rows += [("additions", "foreign record", lambda out: _foreign(out), "no intent names it")]
    rows += [("additions", f"renamed {name}", lambda out, name=name: (out / RECORD).rename(out / name), "renamed") for name in ("2026-014-r9", "2026-014-r2 old", "archive")]
    rows += [("additions", "exchanged folders", lambda out: _exchange_folders(out), "renamed")]
    return rows


def _foreign(out: Path) -> None:
    """A record frozen somewhere else, whole in itself."""
    made = frozen.freeze(out.parent / "elsewhere-of-others" if (out.parent / "elsewhere-of-others").mkdir() is None else out, number="2026-099")
    shutil.move(made, out / made.name)


def _exchange_folders(out: Path) -> None:
    (out / RECORD).rename(out / "aside")
    (out / "2026-015-r1").rename(out / RECORD)
    (out / "aside").rename(out / "2026-015-r1")


def on_ledger() -> list[Damage]:
    rows: list[Damage] = []
    for at in range(12):  # nine lines of three freezes and six of three signatures
        rows += [("ledger", f"line {at + 1} taken out", lines_of("ledger.jsonl", lambda lines, at=at: lines[:at] + lines[at + 1 :]), "ledger.jsonl")] if at < 11 else []
        rows += [("ledger", f"line {at + 1} doubled", lines_of("ledger.jsonl", lambda lines, at=at: [*lines[: at + 1], *lines[at:]]), "does not follow")]
        rows += [("ledger", f"line {at + 1} unreadable", lines_of("ledger.jsonl", lambda lines, at=at: [*lines[:at], "{", *lines[at + 1 :]]), "ledger.jsonl line")]
        for key, value in (("time", "2020-01-01T00:00:00Z"), ("record_hash", "0" * 64), ("path", "2026-099-r1"), ("rules", 1)):
            rows += [("ledger", f"line {at + 1} {key}", lines_of("ledger.jsonl", lambda lines, at=at, key=key, value=value: _with(lines, at, key, value)), "was changed")]
    rows += [("ledger", f"lines {a + 1} and {a + 2} exchanged", lines_of("ledger.jsonl", lambda lines, a=a: [*lines[:a], lines[a + 1], lines[a], *lines[a + 2 :]]), "does not follow") for a in range(0, 11, 2)]
    rows += [("ledger", "lost", lambda out: (out / "ledger.jsonl").unlink(), "no ledger"), ("ledger", "empty", write("ledger.jsonl", ""), "does not name it")]
    rows += [("ledger", "unfinished", longer("ledger.jsonl", b'{"kind": "rec'), "unfinished line")]
    rows += [("ledger", "a record's line re-chained away", rechained("ledger.jsonl", lambda lines: [row for row in lines if row.get("path") != RECORD]), "does not name it")]
    rows += [("ledger", "signatures' lines re-chained away, one kept", rechained("ledger.jsonl", lambda lines: [row for row in lines if not (row["kind"].startswith("signature") and row.get("count") == 2)]), "is not in ledger.jsonl")]
    rows += [("ledger", "hash re-chained", rechained("ledger.jsonl", lambda lines: [row | {"record_hash": "1" * 64} if row.get("path") == RECORD and row["kind"] == "record" else row for row in lines]), "another hash")]
    rows += [("ledger", "binary", write("ledger.jsonl", os.urandom(400).replace(b"\n", b"x") + b"\n"), "ledger.jsonl line 1 is not readable")]
    rows += [("ledger", "record lost", lambda out: shutil.rmtree(out / "2026-014-r1"), "is in the ledger but not in the folder")]
    rows += [("ledger", "all records lost", lambda out: [shutil.rmtree(one) for one in out.glob("*-r*")], "is in the ledger but not in the folder")]
    return rows


def _with(lines: list[str], at: int, key: str, value: object) -> list[str]:
    row = json.loads(lines[at])
    row[key] = value if row.get(key) != value else "other"
    return [*lines[:at], json.dumps(row, sort_keys=True, ensure_ascii=False), *lines[at + 1 :]]


def on_signatures() -> list[Damage]:
    name = f"{RECORD}/signatures.jsonl"
    rows: list[Damage] = [("signatures", f"flip {at}", flip(name, at), "signatures.jsonl") for at in (0.02, 0.1, 0.25, 0.4, 0.55, 0.7, 0.85, 0.95)]
    rows += [("signatures", "last one cut off", lines_of(name, lambda lines: lines[:-1]), "line 2 is lost"), ("signatures", "first one cut off", lines_of(name, lambda lines: lines[1:]), "signatures.jsonl")]
    rows += [("signatures", "all lost", lambda out: (out / name).unlink(), "line 1 is lost"), ("signatures", "emptied", cut(name, 0), "line 1 is lost"), ("signatures", "half", cut(name, 0.6), "signatures.jsonl")]
    rows += [("signatures", "exchanged", lines_of(name, lambda lines: lines[::-1]), "does not follow"), ("signatures", "doubled", lines_of(name, lambda lines: [*lines, lines[-1]]), "does not follow")]
    for at in (0, 1):
        for key, value in (("name", "Somebody Else"), ("role", "reviewer"), ("meaning", "nothing"), ("time", "2020-01-01T00:00:00Z"), ("record_hash", "0" * 64), ("identity", "sure"), ("role", "owner")):
            rows += [("signatures", f"line {at + 1} {key} {value}", lines_of(name, lambda lines, at=at, key=key, value=value: _with(lines, at, key, value)), "was changed")]
            rows += [("signatures", f"line {at + 1} {key} {value}, re-chained", rechained(name, lambda lines, at=at, key=key, value=value: [row | ({key: value} if k == at else {}) for k, row in enumerate(lines)]), f"line {at + 1} is not the one")]
    more = {"name": "Third Person", "role": "reviewer", "meaning": "I read it", "time": "2026-03-11T09:00:00Z", "identity": "typed name, not authenticated"}
    rows += [("signatures", "one more, chained", lambda out: chain.append(out / name, {**more, "record_hash": ledger.record_hash(out / RECORD)}), "line 3 is not in ledger.jsonl")]
    rows += [("signatures", "from another record", lambda out: shutil.copy(out / "2026-015-r1/signatures.jsonl", out / name), "signs another record")]
    rows += [("signatures", "a folder", lambda out: ((out / name).unlink(), (out / name).mkdir()), "signatures.jsonl"), ("signatures", "a link", lambda out: ((out / name).rename(out / "aside"), (out / name).symlink_to(out / "aside")), "signatures.jsonl")]
    return rows


def on_entries() -> list[Damage]:
    """Inside a record the bytes tell; with manifests rebuilt the ledger does."""
    name = f"{RECORD}/data/inputs/cases/2026-014/entries.jsonl"
    changes = [
        ("first deleted", lines_of(name, lambda lines: lines[1:])), ("last deleted", lines_of(name, lambda lines: lines[:-1])), ("all deleted", write(name, "")),
        ("answer changed", lines_of(name, lambda lines: _with(lines, 0, "new", "The door stood open"))), ("name changed", lines_of(name, lambda lines: _with(lines, 1, "who", "Nobody"))),
        ("time changed", lines_of(name, lambda lines: _with(lines, 2, "when", "2026-01-01T00:00:00Z"))), ("exchanged", lines_of(name, lambda lines: lines[::-1])),
        ("re-chained answer", rechained(name, lambda rows: [row | {"new": "x"} for row in rows])), ("re-chained away", rechained(name, lambda rows: rows[:1])),
    ]  # fmt: skip
    rows: list[Damage] = [("entries", text, change, "entries.jsonl: damaged") for text, change in changes]
    return rows + [("entries", f"{text}, manifests rebuilt", rebuilt(change), "another hash for a record of this name") for text, change in changes]


def on_page() -> list[Damage]:
    page = f"{RECORD}/data/record.html"

    def swapped(old: str, new: str) -> Callable[[Path], object]:
        def do(out: Path) -> None:
            text = (out / page).read_text("utf-8")
            assert old in text, old
            (out / page).write_text(text.replace(old, new), "utf-8")

        return do

    changes = [
        ("figure", swapped("8.4 °C", "7.4 °C")), ("title", swapped("F2 above 8 °C", "F2 as usual")), ("revision", swapped("revision 2", "revision 1")), ("script", swapped("</body>", "<script>alert(1)</script></body>")),
        ("reason", swapped("read again", "nothing")), ("site", swapped("Tern Bay", "Other Bay")), ("blank", write(page, "")), ("another page", write(page, "<html><body>all well</body></html>")),
    ]  # fmt: skip
    rows: list[Damage] = [("page", text, change, "record.html") for text, change in changes]
    rows += [("page", f"{text}, manifests rebuilt", rebuilt(change), "another hash for a record of this name") for text, change in changes[:6]]
    return rows + [("page", "old contents hash after rebuilding", rebuilt(write(f"{RECORD}/data/results.json", '{"n": 2}')), "another hash")]


DAMAGES = [*on_files(), *additions(), *on_ledger(), *on_signatures(), *on_entries(), *on_page()]


def test_there_are_three_hundred_in_all_six_places():
    assert len(DAMAGES) >= 300 and {row[0] for row in DAMAGES} == {"files", "additions", "ledger", "signatures", "entries", "page"}
    assert len({row[:2] for row in DAMAGES}) == len(DAMAGES)


def test_the_whole_folder_is_whole(whole):
    assert said(whole) == []


@pytest.mark.parametrize("place", ["files", "additions", "ledger", "signatures", "entries", "page"])
def test_every_damage_is_said(whole, tmp_path, place):
    missed, base = [], tmp_path / "o"
    for number, (where, name, do, wanted) in enumerate(DAMAGES):
        if where != place:
            continue
        out = shutil.copytree(whole, base / str(number) / "records", symlinks=True)
        do(out)
        told = said(out)
        if not any(wanted in text for text in told):
            missed.append((name, wanted, told[:4]))
        shutil.rmtree(base / str(number))
    assert missed == []


# ------------------------------------------------------------------------------------------------- what only a hash kept elsewhere finds


def _unsigned_again(out: Path) -> None:
    """Signatures and all their lines of the ledger taken away, every chain worked out anew."""
    for path in out.glob("*/signatures.jsonl"):
        path.unlink()
    rechained("ledger.jsonl", lambda rows: [row for row in rows if not row["kind"].startswith("signature")])(out)


def _never_frozen(out: Path) -> None:
    """The last record taken away with its lines."""
    shutil.rmtree(out / "2026-015-r1")
    rechained("ledger.jsonl", lambda rows: [row for row in rows if row.get("path") != "2026-015-r1"])(out)


def _all_rebuilt(out: Path) -> None:
    """Results changed, manifests rebuilt, hashes put into ledger, signatures and chains."""
    old = ledger.record_hash(out / RECORD)
    write(f"{RECORD}/data/results.json", '{"n": 2}')(out)
    _rebuild(out / RECORD)
    new = ledger.record_hash(out / RECORD)
    rechained(f"{RECORD}/signatures.jsonl", lambda rows: [row | {"record_hash": new} for row in rows])(out)
    hashes = [json.loads(line)["line_hash"] for line in (out / RECORD / "signatures.jsonl").read_text("utf-8").splitlines()]
    contents = verification.bag_info(out / RECORD)["Contents-SHA256"]

    def again(rows: list[dict]) -> list[dict]:
        made = [row | {"record_hash": new} if row.get("record_hash") == old else row for row in rows]
        made = [row | {"contents": contents} if row["kind"] == "intent" and row["path"] == RECORD else row for row in made]
        return [row | {"signature": hashes[row["count"] - 1]} if row["kind"] == "signature" and row["path"] == RECORD else row for row in made]

    rechained("ledger.jsonl", again)(out)


ONLY_OUTSIDE = {"the ledger's last line": lines_of("ledger.jsonl", lambda lines: lines[:-1]), "signatures with all their lines": _unsigned_again, "the last record with all its lines": _never_frozen, "everything rebuilt": _all_rebuilt}


@pytest.mark.parametrize("name", ONLY_OUTSIDE)
def test_what_only_the_head_in_a_bound_book_tells(whole, tmp_path, name):
    out = shutil.copytree(whole, tmp_path / "records")
    before = ledger.head_line(out)
    ONLY_OUTSIDE[name](out)
    assert [text for text in said(out) if "not in ledger" not in text] == [], "the kit cannot see it"
    assert ledger.head_line(out) != before, "the head that somebody copied does"


# ------------------------------------------------------------------------------------------------- no damage, but worth saying


def notes(folder: Path) -> str:
    return " | ".join(verification.report(folder).notes)


def test_whole_with_a_sentence(whole, tmp_path):
    out = shutil.copytree(whole, tmp_path / "records")
    assert "superseded by 2026-014-r2" in notes(out / "2026-014-r1") and verification.report(out / "2026-014-r1").code == 0
    alone = shutil.copytree(out / RECORD, tmp_path / "elsewhere" / RECORD)
    assert "no ledger beside it" in notes(alone) and verification.report(alone).code == 0
    shutil.rmtree(out / "2026-015-r1")
    assert "other records of this ledger are missing here: 2026-015-r1" in notes(out / RECORD) and verification.report(out / RECORD).code == 0
    with chain.locked(out):
        ledger.intend(out, "2026-020", 1, path="2026-020-r1", contents="0" * 64, digest="1" * 64)
    assert "2026-020-r1 was begun, not finished" in verification.folder(out).notes


def test_a_forged_record_is_not_entered_by_the_next_freeze(whole, tmp_path):
    """Its ledger line taken out, the record rebuilt on other figures: the next freeze must not vouch for it."""
    out = shutil.copytree(whole, tmp_path / "records")
    write(f"{RECORD}/data/results.json", '{"n": 2}')(out)
    _rebuild(out / RECORD)
    rechained("ledger.jsonl", lambda rows: [row for row in rows if not (row.get("path") == RECORD and row["kind"] == "record")])(out)
    frozen.freeze(tmp_path, number="2026-030")
    assert not any(row.get("path") == RECORD for row in ledger.entered(out))
    assert any(f"{RECORD} is not in the ledger, and no intent names it" in text for text in verification.folder(out).problems)
    assert any("does not name it" in text for text in verification.report(out / RECORD).problems)


def test_a_record_is_entered_by_hand_on_a_persons_word_only(whole, tmp_path, capsys):
    from coldchain_kit import cli

    out = shutil.copytree(whole, tmp_path / "records")
    _foreign(out)
    assert cli.main(["ledger", str(out)]) == 1
    assert cli.main(["ledger", str(out), "--enter", str(out / "2026-099-r1")]) == 2
    capsys.readouterr()
    assert cli.main(["ledger", str(out), "--enter", str(out / "2026-099-r1"), "--by", "R. Vaz", "--because", "moved here from the old computer"]) == 0
    told = capsys.readouterr().out
    assert f"head {chain.read(out / 'ledger.jsonl').head}" in told
    assert "entered by hand by R. Vaz: moved here from the old computer" in notes(out / "2026-099-r1")
    assert cli.main(["ledger", str(out), "--enter", str(out / "2026-099-r1"), "--by", "R. Vaz", "--because", "again"]) == 2
    write("2026-099-r1/data/results.json", "{}")(out)
    assert cli.main(["ledger", str(out)]) == 1


def test_a_line_of_edition_1_is_a_record_for_ever(tmp_path):
    folder = frozen.freeze(tmp_path)
    out = folder.parent
    (out / "ledger.jsonl").unlink()
    chain.append(out / "ledger.jsonl", {"number": "2026-014", "revision": 1, "time": ledger.now(), "path": folder.name, "record_hash": ledger.record_hash(folder)})
    assert verification.report(folder).problems == () and verification.folder(out).problems == ()
    assert frozen.freeze(tmp_path, reason="again").name == "2026-014-r2"


def test_the_head_line_is_what_somebody_else_works_out(whole):
    """Lines counted and the last one hashed with the standard library alone."""
    import hashlib

    lines = (whole / "ledger.jsonl").read_bytes().rstrip(b"\n").split(b"\n")
    told = ledger.head_line(whole)
    assert f"ledger: {len(lines)} lines" in told and told.endswith(hashlib.sha256(lines[-1]).hexdigest())
    assert told in verification.report(whole / RECORD).text and told == verification.folder(whole).head


def test_a_handover_carries_the_lines_of_its_record_beside_it(whole, tmp_path):
    import zipfile

    from coldchain_kit import records

    out = shutil.copytree(whole, tmp_path / "records")
    packed = records.handover(out / RECORD, tmp_path / "h.zip")
    with zipfile.ZipFile(packed) as held:
        held.extractall(tmp_path / "there")
    lines = [json.loads(line) for line in (tmp_path / "there" / f"{RECORD}.ledger.jsonl").read_text("utf-8").splitlines()]
    assert [row["kind"] for row in lines] == ["extract", "intent", "record", "signature_intent", "signature", "signature_intent", "signature"]
    assert lines[0]["head"] == chain.read(out / "ledger.jsonl").head and {row.get("path") for row in lines[1:]} == {RECORD}
    assert verification.report(tmp_path / "there" / RECORD).problems == ()
    lines_of(f"{RECORD}/signatures.jsonl", lambda rows: rows[:-1])(tmp_path / "there")
    assert any("line 2 is lost" in text for text in verification.report(tmp_path / "there" / RECORD).problems)
    lines_of(f"{RECORD}.ledger.jsonl", lambda rows: _with(rows, 2, "record_hash", "0" * 64))(tmp_path / "there")
    assert any("ledger.jsonl line 3 was changed" in text for text in verification.report(tmp_path / "there" / RECORD).problems)


def test_a_clock_set_back_is_said_and_is_no_damage(tmp_path, monkeypatch):
    frozen.freeze(tmp_path)
    monkeypatch.setattr(ledger, "now", lambda: "2020-01-01T00:00:00Z")
    frozen.freeze(tmp_path, number="2026-015")
    found = verification.folder(tmp_path / "records")
    assert found.problems == () and any("a clock was set back" in note for note in found.notes)


def test_a_very_deep_tree_does_not_break_verify(whole, tmp_path):
    out = shutil.copytree(whole, tmp_path / "records")
    here = Path.cwd()
    os.chdir(out / RECORD / "data")  # a path this long can only be made from inside
    try:
        for _ in range(1500):
            Path("d").mkdir()
            os.chdir("d")
    finally:
        os.chdir(here)
    found = verification.report(out / RECORD)
    assert found.code == 1 and any("extra folder" in text for text in found.problems)
    subprocess.run(["rm", "-rf", str(out / RECORD / "data/d")], check=True)  # Python's own way to take it away recurses


def test_appending_costs_the_same_in_a_long_ledger(tmp_path):
    """Ten thousand lines: the end is read, not the whole."""
    from tests import timing

    for lines in (10, 10_000):
        path = tmp_path / f"{lines}.jsonl"
        chain.append(path, {"n": 0})
        row = path.read_text("utf-8")
        path.write_text(row * lines, "utf-8")
    short, long = (timing.seconds(lambda name=name: chain.append(tmp_path / name, {"n": 1}), runs=20) for name in ("10.jsonl", "10000.jsonl"))
    assert long < 5 * short + 2e-3


def test_the_end_of_a_chain_is_found_wherever_the_blocks_fall(tmp_path):
    """Lines of random lengths, cut at random places: appending by the end gives the chain that reading the whole gives."""
    rng = random.Random(5)
    for trial in range(60):
        path = tmp_path / f"{trial}.jsonl"
        for k in range(rng.randint(1, 6)):
            chain.append(path, {"k": k, "text": "x" * rng.choice([0, 10, 16_000, 16_384, 40_000])})
        size = path.stat().st_size
        os.truncate(path, size - rng.choice([0, 1, 2, rng.randint(0, min(size - 1, 20_000))]))
        before = chain.read(path)
        row = chain.append(path, {"k": "last"})
        after = chain.read(path)
        assert row["previous"] == before.head and after.problems == before.problems and row.get("torn", "") == before.torn
        assert [one["k"] for one in after.rows] == [*(one["k"] for one in before.rows), "last"]


def test_verify_into_a_closed_pipe_keeps_its_exit_code(whole, tmp_path):
    out = shutil.copytree(whole, tmp_path / "records")
    write(f"{RECORD}/stray.txt", "x")(out)
    for folder, code in ((out / "2026-015-r1", 0), (out / RECORD, 1), (tmp_path / "nothing", 2)):
        program = f"{sys.executable} -m coldchain_kit verify {' '.join([str(folder)] * 300)}; echo code $? >&2"
        done = subprocess.run(["bash", "-c", f"({program}) | head -1"], capture_output=True, text=True, check=False)
        assert f"code {code}" in done.stderr and "Traceback" not in done.stderr and "BrokenPipe" not in done.stderr, (folder.name, done.stderr[-300:])


def test_bag_is_judged_by_itself_before_it_has_its_name(tmp_path):
    assert bag.TEMPORARY.startswith(".") and verification.files(frozen.freeze(tmp_path)) == []


def _sign(folder: str, name: str) -> None:
    signing.sign(Path(folder), role="reviewer", name=name)


def _answer(folder: str, k: int) -> None:
    entries.append(Path(folder), who="M. Alder", field=f"reply.{k}", new={"from": "Maker", "words": "x" * 5000, "time": "2026-03-10T09:00"})


@pytest.mark.parametrize("times", [12, pytest.param(100, marks=pytest.mark.slow)])
def test_killed_signatures_and_answers_leave_the_old_state_or_a_whole_line(tmp_path, times):
    import multiprocessing
    import time

    fork, chance = multiprocessing.get_context("fork"), random.Random(3)
    folder = frozen.freeze(tmp_path)
    signing.sign(folder, role="author", name="Marta Alder")
    done = 0
    for k in range(times):
        for work, given in ((_sign, (str(folder), f"Person {chr(65 + k % 26)}{k}")), (_answer, (str(tmp_path), k))):
            worker = fork.Process(target=work, args=given)
            worker.start()
            time.sleep(chance.uniform(0, 0.06))
            worker.kill()
            worker.join()
            done += worker.exitcode == 0
            found = verification.report(folder)
            assert [text for text in found.problems if "unfinished line" not in text] == [], k
            assert entries.check(tmp_path) == [] or all("unfinished" in text or text.startswith("note:") for text in entries.check(tmp_path)), k
    _sign(str(folder), "Last Person")
    _answer(str(tmp_path), 9999)
    assert verification.report(folder).problems == () and [text for text in entries.check(tmp_path) if not text.startswith("note:")] == []
    assert times < 50 or 0 < done < 2 * times, "the moments must lie before, within and after"
