"""Time stamps: an authority made by openssl in the test answers our request; openssl and the kit both check it, offline."""

from __future__ import annotations

import hashlib
import json
import shutil
import subprocess
from pathlib import Path

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from coldchain_kit import cli
from coldchain_kit.base import RecordError
from coldchain_kit.records import how_to_check, ledger, merkle, stamps, verification
from tests import frozen

SETTINGS = """
[req]
distinguished_name = name
x509_extensions = root
prompt = no
[name]
CN = {name}
[root]
basicConstraints = critical, CA:TRUE
keyUsage = critical, keyCertSign
[stamping]
basicConstraints = critical, CA:FALSE
extendedKeyUsage = critical, timeStamping
keyUsage = critical, digitalSignature
[tsa]
default_tsa = here
[here]
serial = {folder}/serial
signer_cert = {folder}/signer.pem
signer_key = {folder}/signer.key
signer_digest = sha256
default_policy = 1.2.3.4.1
digests = sha256
ess_cert_id_alg = sha256
"""


def openssl(*words: str | Path, cwd: Path, code: int | None = 0) -> subprocess.CompletedProcess[str]:
    done = subprocess.run(["openssl", *map(str, words)], cwd=cwd, capture_output=True, text=True, check=False)
    assert code is None or done.returncode == code, done.stderr
    return done


def authority(folder: Path, name: str) -> Path:
    """A time-stamp authority of the test's own: a root (cert.pem) and its signer."""
    folder.mkdir()
    (folder / "settings").write_text(SETTINGS.format(name=name, folder=folder))
    (folder / "serial").write_text("01\n")
    openssl("req", "-x509", "-newkey", "rsa:2048", "-nodes", "-keyout", "key.pem", "-out", "cert.pem", "-days", "400", "-config", "settings", cwd=folder)
    openssl("req", "-newkey", "rsa:2048", "-nodes", "-keyout", "signer.key", "-out", "signer.csr", "-config", "settings", "-subj", f"/CN=Signer of {name}", cwd=folder)
    openssl("x509", "-req", "-in", "signer.csr", "-CA", "cert.pem", "-CAkey", "key.pem", "-set_serial", "7", "-days", "400", "-extfile", "settings", "-extensions", "stamping", "-out", "signer.pem", cwd=folder)
    return folder


def answered(by: Path, query: Path, reply: Path) -> Path:
    openssl("ts", "-reply", "-queryfile", query, "-out", reply, "-config", "settings", cwd=by)
    return reply


@pytest.fixture(scope="module")
def known(tmp_path_factory):
    return authority(tmp_path_factory.mktemp("known") / "tsa", "Stamps of Tern Bay County")


@pytest.fixture
def out(tmp_path):
    for number in ("2026-014", "2026-015", "2026-016", "2026-017", "2026-018"):
        frozen.freeze(tmp_path, number=number)
    return tmp_path / "records"


def test_one_record_is_stamped_and_stock_tools_say_so(out, known, capsys):
    folder, query = out / "2026-014-r1", out / "one.tsq"
    assert cli.main(["stamp", str(folder), "--query", str(query)]) == 0
    assert hashlib.sha256((folder / "tagmanifest-sha256.txt").read_bytes()).hexdigest() == json.loads((out / "one.tsq.json").read_text())["imprint"]
    reply = answered(known, query, out / "one.tsr")
    assert cli.main(["stamp", "--query", str(query), "--reply", str(reply), "--authority", str(known / "cert.pem")]) == 0
    openssl("ts", "-verify", "-data", folder / "tagmanifest-sha256.txt", "-in", out / "2026-014-r1.tsr", "-CAfile", known / "cert.pem", cwd=out)
    (command,) = [line.strip() for line in how_to_check.text("2026-014", 1).splitlines() if "openssl ts" in line]
    done = subprocess.run(["bash", "-c", command.replace("authority.pem", str(known / "cert.pem"))], cwd=out, capture_output=True, text=True, check=False)
    assert done.returncode == 0 and "Verification: OK" in done.stdout, "as the page in the record prints it"
    capsys.readouterr()
    assert cli.main(["stamp", str(folder), "--authority", str(known / "cert.pem")]) == 0 and "there at the latest at 20" in capsys.readouterr().out
    assert verification.record(folder) == [] and any(row.get("kind") == "note" and "time stamp of 20" in row["note"] for row in ledger.held(out).rows)
    (folder / "tagmanifest-sha256.txt").write_bytes((folder / "tagmanifest-sha256.txt").read_bytes() + b"\n")
    with pytest.raises(RecordError, match="does not hold"):
        stamps.check(folder, known / "cert.pem")


def test_a_month_of_records_under_one_root_each_with_its_own_proof(out, known):
    folders, query = sorted(out.glob("*-r1")), out / "month.tsq"
    stamps.ask(folders, query)
    made = stamps.take(query, answered(known, query, out / "month.tsr"), known / "cert.pem")
    assert [path.name for path in made] == [f"{folder.name}.tsr" for folder in folders]
    entries = [bytes.fromhex(ledger.record_hash(folder)) for folder in folders]
    root = independent_root(entries)
    text = openssl("ts", "-reply", "-in", "month.tsr", "-text", cwd=out).stdout
    stamped = "".join(part for line in text.splitlines() if line[:9].strip()[:5].strip().isdigit() and " - " in line for part in line.split(" - ")[1][:48].replace("-", " ").split())
    assert stamped == root.hex(), "the very root stands in the reply, as openssl reads it"
    for folder in folders:
        openssl("ts", "-verify", "-queryfile", f"{folder.name}.tsq", "-in", f"{folder.name}.tsr", "-CAfile", known / "cert.pem", cwd=out)
        assert stamps.check(folder, known / "cert.pem").startswith("20")
        proof = json.loads((out / f"{folder.name}.proof").read_text())
        assert proof["root"] == root.hex() and proof["of"] == 5
    shutil.copy(out / f"{folders[0].name}.proof", out / f"{folders[1].name}.proof")
    with pytest.raises(RecordError, match="does not hold"):
        stamps.check(folders[1], known / "cert.pem")


def test_a_reply_that_is_none_is_not_laid_down(out, known, tmp_path):
    folder, query, other = out / "2026-014-r1", out / "a.tsq", out / "b.tsq"
    stamps.ask([folder], query)
    stamps.ask([out / "2026-015-r1"], other)
    stranger = authority(tmp_path / "stranger", "Somebody")
    foreign, exchanged = answered(stranger, query, out / "foreign.tsr"), answered(known, other, out / "exchanged.tsr")
    (out / "noise.tsr").write_bytes(b"no reply")
    good = answered(known, query, out / "good.tsr")
    turned = bytearray(good.read_bytes())
    turned[-20] ^= 1
    (out / "turned.tsr").write_bytes(bytes(turned))
    for reply in (foreign, exchanged, out / "noise.tsr", out / "turned.tsr", out / "none.tsr"):
        assert cli.main(["stamp", "--query", str(query), "--reply", str(reply), "--authority", str(known / "cert.pem")]) == 2, reply.name
    assert not (out / "2026-014-r1.tsr").exists() and not any("time stamp" in row.get("note", "") for row in ledger.held(out).rows)
    (folder / "tagmanifest-sha256.txt").write_bytes((folder / "tagmanifest-sha256.txt").read_bytes() + b"\n")
    with pytest.raises(RecordError, match="not the record that was stamped"):
        stamps.take(query, good, known / "cert.pem")


@pytest.mark.parametrize("call", [[], ["--query", "{q}"], ["{r}", "{r}", "--query", "{q}"], ["{none}", "--query", "{q}"], ["--reply", "x.tsr"], ["{r}"], ["--query", "{q}", "--reply", "x.tsr"], ["{r}", "--authority", "none.pem"]])
def test_calls_at_fault_are_one_message(out, call, capsys):
    named = {"q": out / "x.tsq", "r": out / "2026-014-r1", "none": out / "2026-099-r1"}
    assert cli.main(["stamp", *(part.format(**named) for part in call)]) == 2
    told = capsys.readouterr().err
    assert told.startswith("coldchain stamp: ") and "Traceback" not in told and not (out / "x.tsq").exists()


def test_a_request_is_never_written_over_nor_into_a_record(out):
    stamps.ask([out / "2026-014-r1"], out / "x.tsq")
    with pytest.raises(RecordError, match="never overwritten"):
        stamps.ask([out / "2026-014-r1"], out / "x.tsq")
    with pytest.raises(RecordError, match="frozen record"):
        stamps.ask([out / "2026-014-r1"], out / "2026-014-r1" / "x.tsq")
    assert verification.record(out / "2026-014-r1") == []


# ------------------------------------------------------------------------------------------------- the tree


def independent_root(entries):
    """RFC 9162, 2.1.1, built level by level from below and not by halves from above: an odd one goes up as it is."""
    level = [hashlib.sha256(b"\x00" + entry).digest() for entry in entries]
    while len(level) > 1:
        pairs = [hashlib.sha256(b"\x01" + a + b).digest() for a, b in zip(level[::2], level[1::2], strict=False)]
        level = pairs + level[len(pairs) * 2 :]
    return level[0]


@settings(max_examples=150, deadline=None)
@given(st.lists(st.binary(max_size=8), min_size=1, max_size=40), st.data())
def test_every_proof_leads_to_the_root_and_no_other(entries, data):
    root = merkle.root(entries)
    assert root == independent_root(entries)
    at = data.draw(st.integers(0, len(entries) - 1))
    path = merkle.proof(entries, at)
    assert len(path) <= max(1, (len(entries) - 1).bit_length()) and merkle.root_by(entries[at], at, len(entries), path) == root
    assert merkle.root_by(entries[at] + b"x", at, len(entries), path) != root
    for wrong in ([*path, root], path[:-1] if path else [root]):
        with pytest.raises(ValueError, match="too"):
            merkle.root_by(entries[at], at, len(entries), wrong)


def test_the_tree_of_nothing_and_of_one():
    # RFC 6962 and 9162, 2.1.1: the hash of an empty tree is SHA-256 of the empty string (MEMORY)
    assert merkle.root([]) == hashlib.sha256().digest() and merkle.root([b"a"]) == hashlib.sha256(b"\x00a").digest()
