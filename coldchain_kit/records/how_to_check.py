"""HOW_TO_CHECK.txt in each record: what a stranger types to check it with stock tools, without this kit."""

from __future__ import annotations

NAME = "HOW_TO_CHECK.txt"


def text(number: str, revision: int) -> str:
    """The page for one record; the commands stand on lines of their own, indented by four blanks, and run as they are printed.

    Examples
    --------
    >>> [line.strip() for line in text("2026-014", 1).splitlines() if line.startswith("    ")][:2]
    ['cd 2026-014-r1', 'sha256sum -c tagmanifest-sha256.txt']
    """
    name = f"{number}-r{revision}"
    return f"""How to check record {name} without the kit that made it
{"=" * (54 + len(name))}

Open a terminal in the folder that holds {name}. Linux and macOS have these tools (on macOS: shasum -a 256 -c in place of
sha256sum -c); on Windows they come with OpenSSH and any Git.

1. Is every file the one that was frozen?

    cd {name}
    sha256sum -c tagmanifest-sha256.txt
    sha256sum -c manifest-sha256.txt
    cd ..

   Every line must end in OK. A file that stands in neither list does not belong here, but tagmanifest-sha256.txt itself and
   signatures.jsonl.

2. Is it the record that was printed and signed on paper?

    sha256sum {name}/tagmanifest-sha256.txt

   The first 16 characters are those that somebody wrote on the paper. Whoever can rebuild a whole record is found by this only.

3. Who signed it? {name}/signatures.jsonl has one line a person: name, function, role, time, what was open.
   A typed name proves nothing by itself. Where a key signed, a file like {name}.1-author.sshsig lies beside the record:

    ssh-keygen -Y check-novalidate -n file -s {name}.1-author.sshsig < {name}/tagmanifest-sha256.txt

   "Good" and a key's fingerprint: the holder of that key signed this very record. To tie the key to a person, ask the site for its
   list of signers (one line a person: name, ssh-ed25519, key), then:

    ssh-keygen -Y verify -f allowed_signers -I NAME -n file -s {name}.1-author.sshsig < {name}/tagmanifest-sha256.txt

4. When was it there at the latest? Where a time stamp lies beside it ({name}.tsr, asked for with {name}.tsq), and the site names the
   certificate of the authority that gave it:

    openssl ts -verify -queryfile {name}.tsq -in {name}.tsr -CAfile authority.pem

5. What does it rest on? data/inputs and data/attachments hold byte copies of everything; data/tables/readings.csv every reading with
   file and line; data/results.json every figure; data/record.html the page; data/environment.txt the versions that ran.
   data/context.json says when and by which account it was frozen and what changed since the revision before.

What no file in here can show: that the whole record was rebuilt on other figures, and that a signature was taken away. A hash
kept elsewhere shows the first, the ledger beside the record the second; the ledger's last line, copied into a bound book, shows
that the ledger itself was cut.
"""
