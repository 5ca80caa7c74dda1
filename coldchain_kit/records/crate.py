"""ro-crate-metadata.json: what ran on what, by whom, with which result, so that archives can read a record.

RO-Crate 1.1 with the terms of the Process Run Crate profile 0.5 (CreateAction, instrument, object, result, agent); both MEMORY. Nothing is
asked from a network: the addresses are names.
"""

from __future__ import annotations

import json
from collections.abc import Mapping

from coldchain_kit.records.context import Context

NAME = "ro-crate-metadata.json"
_CRATE, _PROFILE = "https://w3id.org/ro/crate/1.1", "https://w3id.org/ro/wfrun/process/0.5"
_FORMATS = {"html": "text/html", "ipynb": "application/x-ipynb+json", "json": "application/json", "csv": "text/csv", "txt": "text/plain", "pdf": "application/pdf", "toml": "application/toml", "jsonl": "application/jsonl"}
_GIVEN = ("inputs/", "attachments/")


def text(held: Context, files: Mapping[str, str]) -> bytes:
    """The crate's metadata.

    Parameters
    ----------
    held : Context
    files : dict
        Name below data/ -> SHA-256.
    """
    rows = [_file(name, digest) for name, digest in sorted(files.items()) if name != NAME]
    given = [{"@id": row["@id"]} for row in rows if str(row["@id"]).startswith(_GIVEN)]
    made = [{"@id": row["@id"]} for row in rows if not str(row["@id"]).startswith(_GIVEN)]
    before = held["previous"]
    root = {
        "@id": "./", "@type": "Dataset", "name": f"{held['number']}, revision {held['revision']}: {held['title']}", "description": "Record of an investigation or review of storage temperatures",
        "identifier": f"{held['number']}-r{held['revision']}", "datePublished": held["frozen_at"], "version": str(held["revision"]), "publisher": {"@id": "#site"}, "conformsTo": {"@id": _PROFILE},
        "hasPart": [{"@id": row["@id"]} for row in rows], "mentions": {"@id": "#run"}, **({"isBasedOn": {"@id": "#before"}} if before else {}),
    }  # fmt: skip
    run = {
        "@id": "#run", "@type": "CreateAction", "name": f"{held['kind'] or 'record'} frozen", "endTime": held["frozen_at"], "instrument": {"@id": "#kit"}, "agent": {"@id": "#account"}, "object": given,
        "result": made, "actionStatus": {"@id": "http://schema.org/CompletedActionStatus"},
    }  # fmt: skip
    about = [
        {"@id": NAME, "@type": "CreativeWork", "about": {"@id": "./"}, "conformsTo": [{"@id": _CRATE}]}, root, run,
        {"@id": _PROFILE, "@type": "CreativeWork", "name": "Process Run Crate", "version": "0.5"},
        {"@id": "#kit", "@type": "SoftwareApplication", "name": "coldchain_kit", "softwareVersion": held["kit_version"]},
        {"@id": "#account", "@type": "Person", "name": f"computer account {held['frozen_by']}", "description": "As the computer names it; not authenticated"},
        {"@id": "#site", "@type": "Organization", "name": held["site"] or "not stated"},
    ]  # fmt: skip
    about += [{"@id": "#before", "@type": "Dataset", "name": f"{held['number']}, revision {before['revision']}", "identifier": f"sha256:{before['record_hash']}"}] if before else []
    whole = {"@context": f"{_CRATE}/context", "@graph": [*about, *rows]}
    return (json.dumps(whole, ensure_ascii=False, indent=1, sort_keys=True) + "\n").encode("utf-8")


def _file(name: str, digest: str) -> dict[str, object]:
    return {"@id": name, "@type": "File", "name": name.rsplit("/", 1)[-1], "encodingFormat": _FORMATS.get(name.rsplit(".", 1)[-1].lower(), "application/octet-stream"), "sha256": digest}
