"""Freeze an executed notebook with its results, tables, inputs and environment as a record that cannot change unseen."""

from __future__ import annotations

import csv
import datetime as dt
import io
import json
from collections.abc import Mapping, Sequence
from pathlib import Path, PurePosixPath
from typing import TYPE_CHECKING, Any, cast

from coldchain_kit import __version__
from coldchain_kit.assessment import results as canonical
from coldchain_kit.base import RecordError, chain, sha256, sheet, zones
from coldchain_kit.records import bag, context, crate, earlier, how_to_check, ledger, numbers, page, strict_run, verification
from coldchain_kit.records import pdf as papers
from coldchain_kit.register import entries
from coldchain_kit.show import tables as shown

if TYPE_CHECKING:
    import pandas as pd

    from coldchain_kit.model import SourceRow



def freeze(
    notebook: Any, results: Mapping[str, object], tables: Mapping[str, pd.DataFrame], inputs: Sequence[tuple[Path, str]], attachments: Sequence[tuple[Path, str]],
    info: dict[str, str], out: Path, *, number: str, reason: str | None = None, pdf: bool = False, again: str = "refuse", about: context.About | None = None,
) -> Path:  # fmt: skip
    """Write a record, whole or not at all, as the next revision of its number, and enter it in OUT/ledger.jsonl.

    Parameters
    ----------
    notebook : NotebookNode
        Executed by :func:`coldchain_kit.records.strict_run.execute`, or built without code.
    results : dict
        Canonical results, JSON-ready; validated against the shipped schema where they name it.
    tables : dict of name -> DataFrame
        Written to data/tables/NAME.csv, safe to open in a spreadsheet.
    inputs, attachments : (file, relative name) pairs
        Copied byte by byte below data/inputs and data/attachments.
    info : dict of str
        ``title``, ``kind``, ``site``, ``banner`` and rows of bag-info.txt under their own labels (``Case-File``, ``Parameters``).
    out : Path
        Folder of records; made where it is not there.
    number : str
        Case id, or name of the month.
    reason : str, optional
        Why it is frozen again; compulsory for a second revision.
    pdf : bool
        Add data/record.pdf.
    again : str
        What to do without a reason when the number was frozen before: "refuse"; "same" gives back the last revision
        where nothing in it would differ, else refuses; "next" writes the next revision all the same.
    about : dict, optional
        What is still open, and the people of the register.

    Returns
    -------
    Path
        The record's folder, ``NUMBER-rREVISION``.

    Raises
    ------
    RecordError
        Frozen before and no reason; bad number; results that do not fit the schema or the inputs; the system refused. Nothing is left.
    """
    numbers.check(number)
    _check_results(results, inputs)
    files = _payload(notebook, results, tables, inputs, attachments)
    contents = _contents(files)
    out = Path(out)
    bag.make_folder(out)
    with chain.locked(out):
        bag.clean(out)
        with bag.plain_faults(out):
            ledger.repair(out)
        before = ledger.revisions(out, number)
        revision = max(before, default=0) + 1
        if before and (last := out / f"{number}-r{revision - 1}").is_dir():
            numbers.check_same(last, info)
        if before and not (reason or "").strip() and again != "next":
            last = out / f"{number}-r{revision - 1}"
            if again == "same" and verification.bag_info(last).get(verification.CONTENTS_LABEL) == contents and verification.report(last).whole:
                return last
            raise frozen_before(number, revision - 1)
        now = ledger.now()
        late = later_than_freeze(results, now)
        before_it = context.previous(out, number, revision - 1, record_hash=before[revision - 1]) if before else None
        hashes = {name: _digest(content) for name, content in files.items()}
        trail = next((entries.read(path.parent) for path, name in inputs if PurePosixPath(name).name == entries.FILE), [])
        lines, head = context.ledger_state(out)
        held = context.Context(
            schema=context.SCHEMA, title=info["title"], kind=info.get("kind", ""), site=info.get("site", ""), banner=info.get("banner", ""), number=number, revision=revision,
            reason=(reason or "").strip(), frozen_at=now, frozen_by=context.account(), language="en", warnings=[late] if late else [], ledger_lines=lines, ledger_head=head,
            kit_version=__version__, earlier=earlier.told(out, number, results) if info.get("kind") == "investigation" else [], open=about["open"] if about else [], people=about["people"] if about else [], previous=before_it, changes=context.changed(before_it, context.state(hashes, results, trail)),
        )  # fmt: skip
        files |= {context.NAME: context.text(held), how_to_check.NAME: how_to_check.text(number, revision).encode("utf-8")}
        text = page.of_record(notebook, held, contents=contents, files=hashes)
        files["record.html"] = text.encode("utf-8")
        if pdf:
            files["record.pdf"] = papers.from_page(text, title=info["title"], frozen_at=now, running=f"{number}, revision {revision}", banner=info.get("banner", ""))
        files[crate.NAME] = crate.text(held, {path: _digest(content) for path, content in files.items()})
        name = f"{number}-r{revision}"

        def intend(made: Path) -> None:
            ledger.intend(out, number, revision, path=name, contents=contents, digest=ledger.record_hash(made))

        written = bag.write(out, name, files, _bag_info(info, number, revision, before.get(revision - 1, ""), reason, now, late), before_name=intend)
        with bag.plain_faults(out):
            ledger.enter(out, written, number, revision)
    return written


def frozen_before(number: str, revision: int) -> RecordError:
    """The refusal of a second freeze without a reason."""
    return RecordError(f"{number} was frozen before, as revision {revision}", where=f"{number}-r{revision}", mend='Say why it is frozen again: --reason "…"')


def _check_results(results: Mapping[str, object], inputs: Sequence[tuple[Path, str]]) -> None:
    if str(results.get("schema", "")).startswith("coldchain-kit/results/"):
        with strict_run.quiet():
            found = canonical.faults(results)
        if found:
            raise RecordError(f"the results do not fit their schema at {found[0]}", mend="This is a fault of the kit: report it")
    held = {sha256(path.read_bytes()) for path, _ in inputs}
    sources = cast("list[SourceRow[str]]", results.get("sources", []))  # a form of results that names sources has these
    lost = [str(row.get("file")) for row in sources if row.get("sha256") not in held]
    if lost:
        raise RecordError(f"{', '.join(lost)} changed between assessment and freeze", mend="Let nobody write to the files, then run again")


def notebook_bytes(notebook: Any) -> bytes:
    """An executed notebook as it stands in a record."""
    import nbformat

    return (json.dumps(nbformat.v4.upgrade(notebook), indent=1, ensure_ascii=False, sort_keys=True) + "\n").encode("utf-8")


def _payload(notebook: Any, results: Mapping[str, object], tables: Mapping[str, pd.DataFrame], inputs: Sequence[tuple[Path, str]], attachments: Sequence[tuple[Path, str]]) -> dict[str, bytes | Path]:
    files: dict[str, bytes | Path] = {
        "record.ipynb": notebook_bytes(notebook),
        "results.json": strict_run.canonical(results).encode("utf-8"),
        "environment.txt": strict_run.environment().encode("utf-8"),
    }
    files |= {f"tables/{bag.safe_name(name)}.csv": safe_csv(table).encode("utf-8") for name, table in tables.items()}
    files |= {f"inputs/{bag.safe_name(name)}": path for path, name in inputs}
    files |= {f"attachments/{bag.safe_name(name)}": path for path, name in attachments}
    return files


def later_than_freeze(results: Mapping[str, Any], now: str) -> str:
    """Downloads with readings later than the freeze, as one sentence, "" for none (CONTRACTS rule 12).

    Examples
    --------
    >>> later_than_freeze({"sources": [{"file": "F2.csv", "last": "2026-03-10T23:55:00Z"}]}, "2026-03-09T09:12:00Z")
    'F2.csv has readings until 2026-03-10T23:55:00Z, later than this record was frozen (2026-03-09T09:12:00Z): its clock is wrong, or the file is not what the logger gave.'
    """
    late = [row for row in results.get("sources", ()) if row.get("last") and dt.datetime.fromisoformat(row["last"]) > dt.datetime.fromisoformat(now)]
    if not late:
        return ""
    told = ", ".join(f"{row['file']} has readings until {row['last']}" for row in late)
    return f"{told}, later than this record was frozen ({now}): {'its clock is' if len(late) == 1 else 'the clocks are'} wrong, or the file is not what the logger gave."


def _contents(files: dict[str, bytes | Path]) -> str:
    return verification.contents_hash([(_digest(content), f"data/{name}") for name, content in files.items()])


def _digest(content: bytes | Path) -> str:
    return sha256(content if isinstance(content, bytes) else content.read_bytes())


def _bag_info(info: dict[str, str], number: str, revision: int, previous: str, reason: str | None, now: str, late: str) -> dict[str, str]:
    rows = {
        "Source-Organization": info.get("site", ""), "External-Identifier": number, "Internal-Sender-Description": info["title"], "Bagging-Date": now[:10],
        "Frozen-At": now, "Bag-Software-Agent": f"coldchain_kit {__version__}", "Kind": info.get("kind", ""), "Case": number, "Revision": str(revision),
        "Later-Than-Freeze": late, "Previous-Record-SHA256": previous, "Reason": reason or "", "Kit-Version": __version__,
        "Kit-Code-SHA256": shown.fingerprint(), "Rules": str(canonical.RULES), "Time-Zone-Database": zones.tz_version(),
    }  # fmt: skip
    rows |= {label: value for label, value in info.items() if label[:1].isupper()}
    return {label: value for label, value in rows.items() if value}


def safe_csv(table: pd.DataFrame) -> str:
    """A table as CSV that no spreadsheet takes for formulas: text cells that begin with = + - @, tab or carriage return, and are no numbers, get a leading '.

    Examples
    --------
    >>> import pandas as pd
    >>> print(safe_csv(pd.DataFrame({"text": ["=1+1", "-2.5"], "value_c": [4.0, None]})))
    text,value_c
    '=1+1,4.0
    -2.5,
    <BLANKLINE>
    """
    written = io.StringIO()
    rows = csv.writer(written, lineterminator="\n")
    rows.writerow([_safe_cell(str(name)) for name in table.columns])
    rows.writerows([[_safe_cell(value) for value in row] for row in table.itertuples(index=False, name=None)])
    return written.getvalue()


def _safe_cell(value: object) -> str:
    if value is None or value != value:
        return ""
    if isinstance(value, float):
        return repr(float(value))
    return sheet.safe(str(value))
