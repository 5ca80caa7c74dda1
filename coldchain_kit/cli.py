"""The commands. Thin: parse, call one function of the kit, print, choose the exit code.

Exit codes: 0 done; 1 a check failed or a month is incomplete; 2 the input or the call is at fault.
"""

from __future__ import annotations

import argparse
import contextlib
import io
import json
import os
import sys
from collections.abc import Callable, Sequence
from pathlib import Path
from typing import TextIO, cast

from coldchain_kit import __version__
from coldchain_kit.base import KitError, files, package_files


def main(arguments: Sequence[str] | None = None) -> int:
    """Run one command and return its exit code."""
    for stream in (sys.stdout, sys.stderr):
        if hasattr(stream, "reconfigure"):
            stream.reconfigure(errors="backslashreplace")  # a name that the terminal cannot show is no reason to stop
    options = _parser().parse_args(arguments)
    try:
        with contextlib.redirect_stdout(_Told(sys.stdout)):
            return options.run(options)
    except KitError as fault:
        print(f"coldchain {options.command}: {fault}", file=sys.stderr)
    except OSError as fault:
        print(f"coldchain {options.command}: {fault.filename or ''} {fault.strerror or fault}. Check the path, its permissions and the free space.", file=sys.stderr)
    except KeyboardInterrupt:
        print(f"coldchain {options.command}: stopped. Nothing half-written is left.", file=sys.stderr)
    return 2


class _Told(io.TextIOBase):
    """Standard output whose reader may go away, as in ``| head``: what was found, and the exit code, are the same."""

    def __init__(self, stream: TextIO) -> None:
        self._stream, self.gone = stream, False

    @property
    def encoding(self) -> str:  # type: ignore[override]
        return self._stream.encoding

    def write(self, text: str) -> int:
        self._try(lambda: (self._stream.write(text), self._stream.flush() if text.endswith("\n") else None))
        return len(text)

    def write_bytes(self, data: bytes) -> None:
        """Bytes as they are, where the stream takes bytes."""
        self.flush()
        held = getattr(self._stream, "buffer", None)
        self._try(lambda: (held.write(data), held.flush()) if held is not None else self._stream.write(data.decode("utf-8")))

    def flush(self) -> None:
        self._try(self._stream.flush)

    def isatty(self) -> bool:
        return self._stream.isatty()

    def _try(self, do: Callable[[], object]) -> None:
        if self.gone:
            return
        try:
            do()
        except BrokenPipeError:
            self.gone = True
            with contextlib.suppress(OSError, ValueError):
                os.dup2(os.open(os.devnull, os.O_WRONLY), self._stream.fileno())  # nothing is left to be written when the interpreter ends


def _parser() -> argparse.ArgumentParser:
    parser = argparse.ArgumentParser(prog="coldchain", description="From a logger's download to a frozen, checkable record.")
    parser.add_argument("--version", action="version", version=f"coldchain_kit {__version__}")
    commands = parser.add_subparsers(dest="command", required=True, metavar="COMMAND")

    def command(name: str, run: Callable[[argparse.Namespace], int], what: str) -> argparse.ArgumentParser:
        sub = commands.add_parser(name, help=what, description=what)
        sub.set_defaults(run=run)
        return sub

    sub = command("demo", demo, "copy the sample site, freeze one investigation and one month, and print the pages to open")
    sub.add_argument("--out", type=Path, default=Path("demo"), metavar="DIR")
    sub = command("lab", lab, "open JupyterLab at the start notebook")
    sub.add_argument("folder", nargs="?", type=Path, default=Path("tern_bay"), metavar="DIR", help="a site's folder; made from the sample site where it has no site.toml")
    sub.add_argument("--no-browser", action="store_true")
    sub.add_argument("--port", type=int)
    sub = command("inspect", inspect, "say what is in these downloads")
    sub.add_argument("files", nargs="+", metavar="FILE", help="a download, or - for standard input")
    sub.add_argument("--json", action="store_true")
    sub.add_argument("--unit", choices=("C", "F", "K"), help="pin the unit of measure that the file does not state")
    sub.add_argument("--date-order", choices=("dmy", "mdy", "ymd"), help="pin the order of day, month and year")
    sub = command("assess", assess, "compute a case and print its results as JSON")
    sub.add_argument("case", type=Path, metavar="CASE.toml")
    sub = command("investigate", investigate, "run the investigation notebook and freeze the record")
    sub.add_argument("case", type=Path, metavar="CASE.toml")
    sub.add_argument("--out", type=Path, required=True, metavar="DIR")
    sub.add_argument("--reason", metavar="TEXT", help="why a case that was frozen before is frozen again")
    sub.add_argument("--pdf", action="store_true", help="add a PDF of the page")
    sub.add_argument("--allow-outside", action="store_true", help="attachments may lie outside the case's folder")
    sub = command("enquiry", enquiry, "write a one-page summary and the enquiry sheets to manufacturers, marked preliminary")
    sub.add_argument("case", type=Path, metavar="CASE.toml")
    sub.add_argument("--out", type=Path, required=True, metavar="DIR")
    sub.add_argument("--by", choices=("lot", "manufacturer"), default="lot")
    sub.add_argument("--mkt", action="store_true", help="add the mean kinetic temperature, where the manufacturer asked for it")
    sub = command("monthly", monthly, "freeze a month's summary of each unit, and an index page")
    sub.add_argument("sites", nargs="+", type=Path, metavar="SITE.toml")
    sub.add_argument("--month", required=True, metavar="YYYY-MM")
    sub.add_argument("--out", type=Path, required=True, metavar="DIR")
    sub.add_argument("--unit", action="append", metavar="U")
    sub.add_argument("--jobs", type=int, default=1, metavar="N")
    sub.add_argument("--reason", metavar="TEXT", help="why a month that was frozen before is frozen again")
    sub.add_argument("--final", action="store_true", help="wait for no download any more: a unit without a reading is frozen as unknown")
    sub = command("sign", sign, "append a signature line bound to the record's hash")
    sub.add_argument("record", type=Path, metavar="RECORD")
    sub.add_argument("--as", dest="role", required=True, choices=("author", "reviewer", "approver"))
    sub.add_argument("--name", required=True)
    sub.add_argument("--meaning", metavar="TEXT")
    sub.add_argument("--key", type=Path, metavar="FILE", help="Ed25519 private key (PEM)")
    sub.add_argument("--function", metavar="TEXT", help="the person's function; else that of the register's people")
    sub.add_argument("--although", metavar="TEXT", help="why it is signed although something is open or a later revision is there")
    sub = command("verify", verify, "say whether each record differs from what was frozen")
    sub.add_argument("records", nargs="+", type=Path, metavar="RECORD")
    sub.add_argument("--trusted", type=Path, metavar="FILE", help="public keys that the site knows, one a line")
    sub = command("ledger", ledger, "check a folder of records against its ledger, and print its head for a bound book")
    sub.add_argument("out", type=Path, metavar="OUT")
    sub.add_argument("--enter", type=Path, metavar="RECORD", help="enter a record that no intent names, on the word of a person")
    sub.add_argument("--by", default="", metavar="NAME")
    sub.add_argument("--because", default="", metavar="TEXT")
    sub = command("rerun", rerun, "execute a record again from its own inputs and compare every number")
    sub.add_argument("record", type=Path, metavar="RECORD")
    sub = command("handover", handover, "pack a whole record into one zip")
    sub.add_argument("record", type=Path, metavar="RECORD")
    sub.add_argument("--out", type=Path, metavar="FILE.zip")
    sub = command("review", review, "freeze a review: a small record that names the records it covers by their hashes")
    sub.add_argument("records", nargs="+", type=Path, metavar="RECORD")
    sub.add_argument("--number", required=True, metavar="NAME", help="name of the review, such as review-2026-Q1")
    sub.add_argument("--by", required=True, metavar="NAME")
    sub.add_argument("--text", required=True, help="what was found")
    sub.add_argument("--out", type=Path, required=True, metavar="DIR")
    sub = command("new-key", new_key, "make an Ed25519 key file for signing")
    sub.add_argument("file", type=Path, metavar="FILE")
    sub = command("stamp", stamp, "a time stamp by RFC 3161: write the request, take the reply back, check it; nothing is sent from here")
    sub.add_argument("records", nargs="*", type=Path, metavar="RECORD", help="one record, or those of a month")
    sub.add_argument("--query", type=Path, metavar="FILE.tsq", help="the request: written for RECORD..., or, with --reply, the one that was answered")
    sub.add_argument("--reply", type=Path, metavar="FILE.tsr", help="the authority's reply, laid beside each record")
    sub.add_argument("--authority", type=Path, metavar="CERT.pem", help="certificates that the site trusts for this")
    sub = command("self-check", self_check, "run the published cases on this installation")
    sub.add_argument("--out", type=Path, metavar="DIR", help="freeze the dated check here")
    return parser


def demo(options: argparse.Namespace) -> int:
    from coldchain_kit import records
    from coldchain_kit.records import ledger

    site, out = package_files.copy_sample_site(options.out), options.out / "records"
    again = "the demonstration was run again"
    _say("running the investigation notebook")
    case = records.investigate(site / "cases" / "2026-014" / "case.toml", out, reason=again if ledger.revisions(out, "2026-014") else None)
    _say("running the monthly summary notebook")
    month = records.monthly(site / "site.toml", unit="F1", month="2026-02", out=out, reason=again if ledger.revisions(out, "F1-2026-02") else None)
    print("Open these pages in a browser:")
    for folder in (case, month):
        print(f"  {folder / 'data' / 'record.html'}")
    return 0


def lab(options: argparse.Namespace) -> int:
    from coldchain_kit.desk import jupyter

    return jupyter.open_lab(options.folder, browser=not options.no_browser, port=options.port)


def inspect(options: argparse.Namespace) -> int:
    from coldchain_kit import downloads
    from coldchain_kit.assessment import inspection
    from coldchain_kit.downloads import Hints

    hints = Hints(options.unit, options.date_order)
    loads = [load for name in options.files for load in downloads.read(name if name == "-" else Path(name), hints=hints, shown=Path(name).name)]
    if options.json:
        _utf8(json.dumps([inspection.row(load) for load in loads], indent=2, sort_keys=True, ensure_ascii=False) + "\n")
    else:
        print("\n\n".join(inspection.text(load) for load in loads))
    return 0


def _utf8(text: str) -> None:
    """JSON on standard output: the same bytes whatever the terminal's encoding and line ends."""
    cast(_Told, sys.stdout).write_bytes(text.encode("utf-8"))


def assess(options: argparse.Namespace) -> int:
    from coldchain_kit import assessment
    from coldchain_kit.model import to_text

    _utf8(to_text(assessment.assess(options.case).results))
    return 0


def investigate(options: argparse.Namespace) -> int:
    from coldchain_kit import records

    _say("running the investigation notebook")
    folder = records.investigate(options.case, options.out, reason=options.reason, pdf=options.pdf, allow_outside=options.allow_outside)
    print(folder)
    for line in records.context.warnings(folder):
        print(f"coldchain investigate: {line}", file=sys.stderr)
    return 0


def enquiry(options: argparse.Namespace) -> int:
    from coldchain_kit import assessment
    from coldchain_kit.show import enquiry as letters
    from coldchain_kit.show import preliminary, tables

    found = assessment.assess(options.case)
    print(preliminary.write(found, options.out))
    marks = [line for line in tables.cautions(found)[:1] if line not in tables.CAUTIONS]  # DEMONSTRATION or EXERCISE: no letter to a real manufacturer
    for path in letters.write(found.results, options.out, by=options.by, with_mkt=options.mkt, marks=marks, known=letters.about(found)):
        print(path)
    return 0


def monthly(options: argparse.Namespace) -> int:
    from coldchain_kit import records
    from coldchain_kit.records import fleet

    done = fleet.month(options.sites, month=options.month, out=options.out, units=options.unit, jobs=options.jobs, reason=options.reason, final=options.final, say=_say)
    for path in done.records:
        print(path)
        for line in records.context.warnings(path):
            print(f"coldchain monthly: {path.name}: {line}", file=sys.stderr)
    print(done.index)
    for line in done.incomplete:
        print(f"coldchain monthly: {line}", file=sys.stderr)
    return 1 if done.incomplete else 0


def sign(options: argparse.Namespace) -> int:
    from coldchain_kit.records import signing

    print(signing.line(signing.sign(options.record, role=options.role, name=options.name, meaning=options.meaning, key=options.key, function=options.function, although=options.although)))
    return 0


def verify(options: argparse.Namespace) -> int:
    from coldchain_kit.records import verification as check

    trusted = None if options.trusted is None else check.trusted_keys(options.trusted)
    outcomes = [(folder, check.report(folder, trusted=trusted)) for folder in options.records]
    for folder, outcome in outcomes:
        print(f"{folder}: {outcome.text}", file=sys.stdout if outcome.found else sys.stderr)
        for problem in outcome.problems:
            print(f"  {problem}")
    return max(outcome.code for _, outcome in outcomes)


def ledger(options: argparse.Namespace) -> int:
    from coldchain_kit.records import verification as check

    if options.enter is not None:
        check.enter(options.out, options.enter, by=options.by, because=options.because)
    found = check.folder(options.out)
    for line in found.problems:
        print(line)
    for line in found.notes:
        print(f"note: {line}")
    print(found.head)
    return 1 if found.problems else 0


def rerun(options: argparse.Namespace) -> int:
    from coldchain_kit.records import rerunning as again

    _say("running the record again from its own inputs")
    outcome = again.rerun(options.record)
    print(outcome.text)
    for row in outcome.differences:
        print(f"  {row}")
    return 1 if outcome.differences else 0


def handover(options: argparse.Namespace) -> int:
    from coldchain_kit import records

    print(records.handover(options.record, options.out))
    return 0


def review(options: argparse.Namespace) -> int:
    from coldchain_kit import records

    print(records.review(options.records, options.out, number=options.number, by=options.by, text=options.text))
    return 0


def new_key(options: argparse.Namespace) -> int:
    from coldchain_kit.records import signing, sshsig

    public = signing.new_key(files.outside_records(options.file))
    print(public)
    print(f"For a list of signers, as ssh-keygen -Y verify reads it: {sshsig.public_line(public, options.file.stem)}", file=sys.stderr)
    return 0


def stamp(options: argparse.Namespace) -> int:
    from coldchain_kit.records import stamps

    if options.reply is None and options.query is not None:
        print(stamps.ask(options.records, options.query))
        return 0
    if options.authority is None or (options.reply is not None and options.query is None) or (options.reply is None and not options.records):
        raise KitError("the call is not whole", expected="RECORD... --query FILE.tsq, or --query FILE.tsq --reply FILE.tsr --authority CERT.pem, or RECORD... --authority CERT.pem")
    if options.reply is not None:
        for path in stamps.take(options.query, options.reply, options.authority):
            print(path)
        return 0
    for folder in options.records:
        print(f"{folder}: there at the latest at {stamps.check(folder, options.authority)}, by its time stamp")
    return 0


def self_check(options: argparse.Namespace) -> int:
    from coldchain_kit.records import selfcheck

    rows = selfcheck.run()
    frozen = None if options.out is None else selfcheck.freeze(rows, options.out)
    for row in rows:
        print(selfcheck.line(row))
    wrong = sum(not row["ok"] for row in rows)
    print(f"{len(rows) - wrong} of {len(rows)} published cases come out as printed.")
    if frozen is not None:
        print(frozen)
    return 1 if wrong else 0


def _say(text: str) -> None:
    """Progress on standard error, when that is a terminal."""
    if sys.stderr.isatty():
        print(f"… {text}", file=sys.stderr, flush=True)


if __name__ == "__main__":
    raise SystemExit(main())
