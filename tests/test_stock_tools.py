"""A record checked by tools that an auditor's machine has, without the kit: the printed commands, run as they are printed."""

from __future__ import annotations

import json
import random
import shutil
import subprocess
from pathlib import Path

import pytest
from cryptography.hazmat.primitives.asymmetric import ed25519

from coldchain_kit import cli, records
from coldchain_kit.base import RecordError
from coldchain_kit.records import how_to_check, signing, sshsig, verification
from tests import frozen

pytestmark = pytest.mark.skipif(shutil.which("ssh-keygen") is None or shutil.which("sha256sum") is None, reason="no ssh-keygen or sha256sum on this machine")


def run(command: str, cwd: Path) -> subprocess.CompletedProcess[str]:
    return subprocess.run(["bash", "-c", command], cwd=cwd, capture_output=True, text=True, check=False)


@pytest.fixture
def signed(tmp_path):
    """A record signed with a key, and the site's list of signers."""
    folder = frozen.freeze(tmp_path)
    public = signing.new_key(tmp_path / "marta")
    signing.sign(folder, role="author", name="Marta Alder", key=tmp_path / "marta")
    (tmp_path / "records" / "allowed_signers").write_text(sshsig.public_line(public, "marta-alder") + "\n")
    return folder


def commands(text: str) -> list[str]:
    return [line.strip() for line in text.splitlines() if line.startswith("    ")]


def test_the_page_in_the_record_says_true_commands(signed):
    """Every command as printed, but for the name of the signer and the time stamp, which this record has not; then with one byte changed."""
    told = commands((signed / "data" / how_to_check.NAME).read_text("utf-8"))
    assert told == commands(how_to_check.text("2026-014", 1)) and len(told) == 8
    run_now = [line.replace("-I NAME", "-I marta-alder") for line in told if "openssl" not in line]
    done = run("set -e; " + "; ".join(run_now), signed.parent)
    assert done.returncode == 0, done.stderr
    assert done.stdout.count("Good") == 2 and "marta-alder" in done.stdout and "FAILED" not in done.stdout
    assert done.stdout.count(": OK") == len([path for path in signed.rglob("*") if path.is_file()]) - 2, "all but tagmanifest and signatures"
    results = signed / "data/results.json"
    results.write_text(results.read_text("utf-8").replace("8.4", "7.4"), "utf-8")
    assert "data/results.json: FAILED" in run("; ".join(run_now[:3]), signed.parent).stdout


def test_a_signature_of_ours_is_good_to_ssh_keygen_and_no_longer_after_a_change(signed, tmp_path):
    beside = signing.beside(signed, 1, "author")
    check = f"ssh-keygen -Y check-novalidate -n file -s {beside} < {signed / 'tagmanifest-sha256.txt'}"
    assert run(check, tmp_path).returncode == 0
    (signed / "tagmanifest-sha256.txt").write_bytes((signed / "tagmanifest-sha256.txt").read_bytes() + b"\n")
    assert run(check, tmp_path).returncode != 0
    row = json.loads((signed / "signatures.jsonl").read_text("utf-8"))
    assert row["sshsig"] == beside.read_text("utf-8")
    assert any("does not fit" in text for text in verification.report(signed).problems)


@pytest.mark.parametrize("size", [0, 1, 1000])
def test_a_signature_of_ssh_keygen_is_good_to_us_and_a_key_of_its_making_signs(tmp_path, size):
    assert run("ssh-keygen -q -t ed25519 -N '' -C rui -f rui", tmp_path).returncode == 0
    message = random.Random(size).randbytes(size)
    (tmp_path / "m").write_bytes(message)
    assert run("ssh-keygen -q -Y sign -f rui -n file m", tmp_path).returncode == 0
    public = sshsig.signer((tmp_path / "m.sig").read_text(), message)
    assert sshsig.public_line(public, "x").split(" ")[2] == (tmp_path / "rui.pub").read_text().split(" ")[1]
    with pytest.raises(ValueError, match="does not fit"):
        sshsig.signer((tmp_path / "m.sig").read_text(), message + b"x")
    with pytest.raises(ValueError, match="a signature for 'file'"):
        sshsig.signer((tmp_path / "m.sig").read_text(), message, namespace="git")
    folder = frozen.freeze(tmp_path)
    assert signing.sign(folder, role="author", name="Rui Vaz", key=tmp_path / "rui")["public_key"] == public
    assert verification.record(folder) == []


def test_every_flipped_bit_of_a_signature_is_found():
    key = ed25519.Ed25519PrivateKey.generate()
    import base64

    armoured = sshsig.sign(b"message", key)
    assert sshsig.signer(armoured, b"message") == sshsig.public_hex(key)
    head, *body, tail = armoured.strip().splitlines()
    blob = base64.b64decode("".join(body))
    for at in range(len(blob) * 8):
        data = bytearray(blob)
        data[at // 8] ^= 1 << at % 8
        text = "\n".join([head, base64.b64encode(bytes(data)).decode(), tail])
        try:
            found = sshsig.signer(text, b"message")
        except ValueError:
            continue
        raise AssertionError((at, found))


def test_keys_that_are_none_are_one_plain_error(tmp_path):
    folder = frozen.freeze(tmp_path)
    run("ssh-keygen -q -t ed25519 -N 'with a password' -f locked; ssh-keygen -q -t ecdsa -N '' -f other", tmp_path)
    for name in ("locked", "other", "locked.pub", "none"):
        with pytest.raises(RecordError, match="the key"):
            signing.sign(folder, role="author", name="Ana", key=tmp_path / name)
    assert not (folder / "signatures.jsonl").exists()


def test_a_new_key_is_one_that_ssh_keygen_reads(tmp_path, capsys):
    assert cli.main(["new-key", str(tmp_path / "key")]) == 0
    told = capsys.readouterr()
    assert run("ssh-keygen -y -f key", tmp_path).stdout.split(" ")[1] in told.err
    assert len(told.out.strip()) == 64


def test_the_handover_takes_the_detached_signature_along(signed, tmp_path):
    packed = records.handover(signed, tmp_path / "h.zip")
    shutil.unpack_archive(packed, tmp_path / "there")
    assert run(f"ssh-keygen -Y check-novalidate -n file -s {signed.name}.1-author.sshsig < {signed.name}/tagmanifest-sha256.txt", tmp_path / "there").returncode == 0


# ------------------------------------------------------------------------------------------------- for archives


def test_the_crate_names_every_file_and_what_ran_on_what(tmp_path):
    """RO-Crate 1.1 and Process Run Crate 0.5, as far as they are remembered: descriptor, root, action, and every reference met."""
    frozen.freeze(tmp_path)
    folder = frozen.freeze(tmp_path, reason="again")
    crate = json.loads((folder / "data/ro-crate-metadata.json").read_text("utf-8"))
    graph = {row["@id"]: row for row in crate["@graph"]}
    assert len(graph) == len(crate["@graph"]) and crate["@context"] == "https://w3id.org/ro/crate/1.1/context"
    descriptor = graph["ro-crate-metadata.json"]
    assert descriptor["about"] == {"@id": "./"} and descriptor["@type"] == "CreativeWork"
    root, run_ = graph["./"], graph["#run"]
    files = {path.relative_to(folder / "data").as_posix() for path in (folder / "data").rglob("*") if path.is_file()}
    assert {row["@id"] for row in root["hasPart"]} == files - {"ro-crate-metadata.json"}
    assert {row["@id"] for row in run_["object"]} | {row["@id"] for row in run_["result"]} == files - {"ro-crate-metadata.json"}
    assert all(row["@id"].startswith(("inputs/", "attachments/")) for row in run_["object"]) and run_["@type"] == "CreateAction"
    assert graph[root["isBasedOn"]["@id"]]["identifier"].startswith("sha256:")

    def references(value):
        if isinstance(value, dict):
            yield from ([value["@id"]] if set(value) == {"@id"} else [one for held in value.values() for one in references(held)])
        elif isinstance(value, list):
            yield from (one for held in value for one in references(held))

    named = {one for row in crate["@graph"] for one in references(row)}
    assert {one for one in named if not one.startswith(("https://w3id.org/ro/crate", "http://schema.org/"))} <= graph.keys()
