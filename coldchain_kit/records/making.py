"""Records: from a case or a month to a frozen, checkable folder; reviews of records; one zip to hand over.

``freeze`` writes them, :mod:`coldchain_kit.records.verification` checks them, ``rerun`` executes them again, :mod:`coldchain_kit.records.signing` signs them.
"""

from __future__ import annotations

import json
import re
import zipfile
from collections.abc import Sequence
from pathlib import Path
from typing import Any

from coldchain_kit import register
from coldchain_kit.assessment import Assessment, assess
from coldchain_kit.assessment import monthly as months
from coldchain_kit.base import RecordError
from coldchain_kit.base import files as disk
from coldchain_kit.records import bag, context, gather, ledger, numbers, page, verification
from coldchain_kit.records import pdf as papers
from coldchain_kit.records.freezing import freeze, frozen_before
from coldchain_kit.records.gather import site_slice
from coldchain_kit.records.rerunning import rerun, run_notebook
from coldchain_kit.show import open_questions, tables

__all__ = ["freeze", "handover", "investigate", "monthly", "rerun", "review", "site_slice"]


def investigate(case: str | Path, out: str | Path, *, reason: str | None = None, pdf: bool = False, allow_outside: bool = False) -> Path:
    """Run the investigation notebook on a private copy of the case's files and freeze the record.

    Parameters
    ----------
    case : path of case.toml
    out : folder of records
    reason : str, optional
        Compulsory where the case was frozen before.
    pdf : bool
        Add a PDF of the page.
    allow_outside : bool
        Attachments may lie outside the case's folder.

    Raises
    ------
    KitError
        Input at fault, a run that did not end whole, an input that changed meanwhile, a folder that cannot be written.
    """
    found, out = register.load_case(case), Path(out)
    numbers.check(found.id)
    if pdf:
        papers.setter()
    bag.make_folder(out)
    before = ledger.revisions(out, found.id)
    if before and not (reason or "").strip():
        raise frozen_before(found.id, max(before))
    with bag.workplace(out) as work:
        taken = gather.case(found, work / "inputs", allow_outside=allow_outside)
        assessment = assess(taken.root / taken.start)
        return _freeze(assessment, taken, work, out, kind="investigation", given={"case": taken.start}, number=found.id, reason=reason, pdf=pdf, again="refuse")


def monthly(site: str | Path, *, unit: str, month: str, out: str | Path, reason: str | None = None, pdf: bool = False, final: bool = False) -> Path:
    """Run the monthly notebook of one unit and freeze the record; the same month with the same files gives back the record there is.

    ``final``: a month without any reading is frozen as unknown; else it is refused with ``assessment.NoReadings``, and nothing is frozen.

    Raises
    ------
    KitError
        As :func:`investigate`; a month that changed since it was frozen needs a reason.
    """
    out = Path(out)
    if pdf:
        papers.setter()
    found = months.case(register.load_site(site, keep_going=True), unit=unit, month=month, final=final)
    bag.make_folder(out)
    with bag.workplace(out) as work:
        taken = gather.case(found, work / "inputs")
        assessment = months.assess(taken.root / taken.start, unit=unit, month=month, final=final)
        given = {"site": taken.start, "unit": unit, "month": month, **({"final": True} if final else {})}
        return _freeze(assessment, taken, work, out, kind="monthly", given=given, number=found.id, reason=reason, pdf=pdf, again="same")


def _freeze(assessment: Assessment, taken: gather.Gathered, work: Path, out: Path, *, kind: str, given: dict[str, Any], **more: Any) -> Path:
    notebook = run_notebook(kind, given, assessment.results, cwd=taken.root, scratch=work)
    changed = taken.changed()
    if changed:
        raise RecordError(f"{', '.join(changed)} changed while the record was made", mend="Let nobody write to the files, then run again")
    info = {
        "title": assessment.case.title, "kind": kind, "site": assessment.site.name, "banner": _banner(assessment), "Start-File": taken.start,
        "Site-File-SHA256": taken.site_sha256, "Parameters": json.dumps(given, ensure_ascii=False, sort_keys=True),
    }  # fmt: skip
    return freeze(notebook, assessment.results, tables.csv_tables(assessment), taken.inputs(), taken.attachments(), info, out, about=_about(assessment, kind), **more)


def _about(assessment: Assessment, kind: str) -> context.About:
    """What nobody has answered, decided or closed yet (a month asks nothing), and who works there."""
    people = [context.KnownPerson(id=one.id, name=one.name, function=one.function or "") for one in assessment.site.people.values()]
    rows = open_questions.still_open(assessment).rows if kind == "investigation" else ()
    return context.About(open=[str(row[0]) for row in rows], people=people)


def _banner(assessment: Assessment) -> str:
    return next((words for key, words in page.BANNER.items() if assessment.site.extra.get(key)), "")


# ------------------------------------------------------------------------------------------------- reviews, and handing over


def review(records: Sequence[Path], out: str | Path, *, number: str, by: str, text: str, reason: str | None = None) -> Path:
    """Freeze a review: a small record of its own that names the records it covers by their hashes.

    Parameters
    ----------
    records : paths
        Records reviewed; each must be whole.
    number : str
        Name of the review, such as ``review-2026-Q1``.
    by, text : str
        Who reviewed (typed, not authenticated), and what was found.
    reason : str, optional
        Compulsory where a review of that number was frozen before.

    Raises
    ------
    RecordError
        A record that is not whole or not there, no record, no name or no text; as :func:`freeze`.
    """
    from nbformat.v4 import new_markdown_cell, new_notebook

    rows = []
    for path in map(Path, records):
        problems = verification.record(path)
        if problems:
            raise RecordError("the record is not whole: " + "; ".join(problems[:3]), where=path.name)
        rows.append({"record": path.name, "record_hash": ledger.record_hash(path)})
    if not rows or not by.strip() or not text.strip():
        raise RecordError("a review names at least one record, who reviewed it and what was found", where=number, mend="Give the records, the name and the text")
    table = "\n".join(["| Record | Record hash |", "|---|---|"] + [f"| {row['record']} | {row['record_hash']} |" for row in rows])
    words = [f"## Records covered\n\n{table}", f"## What was found\n\n{_quoted(text)}", f"## By whom\n\n{_quoted(by)} (typed name, not authenticated)"]
    notebook = new_notebook(cells=[new_markdown_cell(source, id=f"part-{k}") for k, source in enumerate(words, 1)])
    results = {"schema": "coldchain-kit/review/1", "covers": rows, "by": by.strip(), "text": text.strip()}
    return freeze(notebook, results, {}, [], [], {"title": f"Review {number}", "kind": "review"}, Path(out), number=number, reason=reason)


def _quoted(text: str) -> str:
    """Typed text inside Markdown: every mark that could mean something there is taken literally."""
    return re.sub(r"([\\`*_{}\[\]()#+\-.!|<>~$&])", r"\\\1", text.strip())


def handover(record: str | Path, out: str | Path | None = None) -> Path:
    """One zip of a whole record with its signatures, and beside its folder the ledger's lines for it with the ledger's head.

    The same record beside the same ledger gives the same bytes.

    Parameters
    ----------
    record : path
        The record's folder.
    out : path, optional
        The zip; beside the record under its name when not given.

    Raises
    ------
    RecordError
        The record is not whole or not there, or the zip cannot be written; nothing half-written is left.
    """
    folder = Path(record).resolve()
    problems = verification.record(folder)
    if problems:
        raise RecordError("the record is not whole: " + "; ".join(problems[:3]), where=folder.name)
    target = disk.outside_records(Path(out) if out else folder.with_name(folder.name + ".zip"))
    part = target.with_name(f".{target.name}.part")
    with bag.plain_faults(target.parent):
        try:
            with zipfile.ZipFile(part, "w", zipfile.ZIP_DEFLATED) as packed:
                for path in sorted(path for path in folder.rglob("*") if path.is_file()):
                    entry = zipfile.ZipInfo(f"{folder.name}/{path.relative_to(folder).as_posix()}", (1980, 1, 1, 0, 0, 0))
                    entry.compress_type, entry.external_attr = zipfile.ZIP_DEFLATED, 0o644 << 16
                    packed.writestr(entry, path.read_bytes())
                lines = ledger.extract(folder.parent, folder.name)
                for path in sorted(folder.parent.glob(f"{folder.name}.*")):
                    if path.suffix in (".sshsig", ".tsq", ".tsr", ".proof") and path.is_file():
                        packed.writestr(zipfile.ZipInfo(path.name, (1980, 1, 1, 0, 0, 0)), path.read_bytes())
                if lines:
                    entry = zipfile.ZipInfo(f"{folder.name}.{ledger.NAME}", (1980, 1, 1, 0, 0, 0))
                    entry.compress_type, entry.external_attr = zipfile.ZIP_DEFLATED, 0o644 << 16
                    packed.writestr(entry, lines)
            part.replace(target)
        finally:
            part.unlink(missing_ok=True)
    return target
