"""Many records: the month of every unit of one or more sites, and the page that lists them."""

from __future__ import annotations

import html
import json
import math
from collections.abc import Callable, Sequence
from concurrent.futures import ProcessPoolExecutor
from dataclasses import dataclass
from multiprocessing import get_context
from pathlib import Path
from typing import NotRequired, TypedDict

from coldchain_kit import register
from coldchain_kit.assessment import NoReadings, monthly
from coldchain_kit.base import KitError, files
from coldchain_kit.model import Direction, ProbeRow, Results
from coldchain_kit.records import bag
from coldchain_kit.records import page as sheets
from coldchain_kit.show import wording as words


@dataclass(frozen=True)
class Done:
    """What a month's run left: record folders, the index page, and what is incomplete or was not done."""

    records: tuple[Path, ...]
    index: Path
    incomplete: tuple[str, ...]


class UnitMonth(TypedDict):
    """What came of one unit: where its record lies or why there is none, and whose it is."""

    path: str
    fault: str
    awaiting: bool
    incomplete: list[str]
    results: Results[str] | None
    site: NotRequired[str]
    unit: NotRequired[str]
    description: NotRequired[str]


def month(sites: Sequence[Path], *, month: str, out: Path, units: Sequence[str] | None = None, jobs: int = 1, reason: str | None = None, final: bool = False, say: Callable[[str], None] = lambda text: None) -> Done:
    """Freeze one summary a unit, and write ``index-MONTH.html`` over all sites.

    A unit whose input, or whose part of the register, is at fault is listed as not done; the others go on. One without a reading in
    the month is awaiting its download: nothing is frozen for it, unless the month is ``final``, when it is frozen as unknown.

    Raises
    ------
    KitError
        The month or a register is at fault, a named unit is in none of the sites, or not one unit could be done.
    """
    monthly.span(month)
    if jobs < 1:
        raise KitError(f"--jobs is {jobs}", expected="a whole number from 1")
    registers = [register.load_site(path, keep_going=True) for path in sites]
    wanted = [(site, name) for site in registers for name in (*site.units, *site.broken) if not units or name in units]
    work = [(site, name) for site, name in wanted if name in site.broken or site.units[name].readings]
    for name in units or ():
        if not any(name in site.units or name in site.broken for site in registers):
            raise KitError(f"unit '{name}' is in none of the sites", expected="one of " + ", ".join(name for site in registers for name in site.units))
    if not work:
        raise KitError("no unit of the sites names readings", where=sites[0].name, mend='Add readings = ["downloads/…"] to the units')
    bag.make_folder(out)
    tasks = [(site.path, name, month, out if len(registers) == 1 else out / f"{k:02d}-{_safe(site.name)}", reason, final) for k, (site, name) in _numbered(work, registers)]
    rows = _run(tasks, jobs, say)
    rows = [{**row, "site": site.name, "unit": name, "description": site.units[name].description if name in site.units else "register at fault"} for row, (site, name) in zip(rows, work, strict=True)]
    if all(row["fault"] and not row["awaiting"] for row in rows):
        raise KitError("no unit could be done. " + " ".join(f"{row['unit']}: {row['fault']}" for row in rows))
    index = files.write(out / f"index-{month}.html", page(rows, month=month, base=out, banner=_banner(registers)))
    open_ends = [f"{row['site']}: {line}" for row in rows for line in row["incomplete"]]
    open_ends += [f"{row['site']}, unit {row['unit']} {AWAITING if row['awaiting'] else 'was not done'}: {row['fault']}" for row in rows if row["fault"]]
    return Done(tuple(Path(row["path"]) for row in rows if row["path"]), index, tuple(open_ends))


def _banner(registers: Sequence[register.Site]) -> str:
    """The mark of an invented site; one such site marks the whole page."""
    return next((said for key, said in sheets.BANNER.items() if any(site.extra.get(key) for site in registers)), "")


def _numbered(work: list[tuple[register.Site, str]], registers: list[register.Site]) -> list[tuple[int, tuple[register.Site, str]]]:
    return [(registers.index(site) + 1, (site, name)) for site, name in work]


def _safe(name: str) -> str:
    return "".join(c if c.isalnum() and c.isascii() else "-" for c in name)[:40].strip("-").lower()


def _run(tasks: list[tuple[Path, str, str, Path, str | None, bool]], jobs: int, say: Callable[[str], None]) -> list[UnitMonth]:
    if jobs == 1 or len(tasks) == 1:
        rows = []
        for task in tasks:
            say(f"unit {task[1]}")
            rows.append(one(task))
        return rows
    with ProcessPoolExecutor(min(jobs, len(tasks)), mp_context=get_context("spawn")) as pool:
        return list(pool.map(one, tasks))


AWAITING = "is awaiting download"


def one(task: tuple[Path, str, str, Path, str | None, bool]) -> UnitMonth:
    """Freeze one unit's month; a fault of its input, or a month without a reading, becomes a row, not an end of the whole run."""
    from coldchain_kit.records import making

    site, unit, month_, out, reason, final = task
    try:
        path = making.monthly(site, unit=unit, month=month_, out=out, reason=reason, final=final)
        results = json.loads((path / "data" / "results.json").read_text("utf-8"))
        return {"path": str(path), "fault": "", "awaiting": False, "incomplete": monthly.incomplete(results["probes"]), "results": results}
    except KitError as fault:
        return {"path": "", "fault": str(fault), "awaiting": isinstance(fault, NoReadings), "incomplete": [], "results": None}


def page(rows: list[UnitMonth], *, month: str, base: Path, banner: str = "") -> str:
    """The index page: one row a unit, links relative to it, no script, nothing from outside.

    Parameters
    ----------
    rows : list of dict
        As :func:`one` gives them, with ``site``, ``unit``, ``description``.
    banner : str
        EXERCISE or DEMONSTRATION line of the sites.
    """
    body = "\n".join(_row(row, base) for row in rows)
    heads = "".join(f'<th scope="col">{head}</th>' for head in ("Site", "Unit", "Is the record believable?", "Lowest", "Highest", "Excursions", "Time outside, at least to at most", "Record"))
    mark = f'<p class="mark"><strong>{html.escape(banner)}</strong></p>\n' if banner else ""
    return f"""<!DOCTYPE html>
<html lang="en"><head><meta charset="utf-8"><meta name="viewport" content="width=device-width, initial-scale=1">
<meta http-equiv="Content-Security-Policy" content="default-src 'none'; style-src 'unsafe-inline'">
<title>{html.escape(f"{banner}: " if banner else "")}Monthly summaries, {html.escape(month)}</title>
<style>
:root{{color-scheme:light dark}}body{{font:15px/1.5 system-ui,"DejaVu Sans",sans-serif;max-width:80rem;margin:2rem auto;padding:0 1rem}}main{{overflow-x:auto}}
table{{border-collapse:collapse;width:100%}}caption{{text-align:left;padding:.5rem 0}}th,td{{border-bottom:1px solid #8888;padding:.4rem .6rem .4rem 0;text-align:left;vertical-align:top}}.mark{{border:2px solid;padding:.3rem .6rem}}
</style></head><body><main>
{mark}<h1>Monthly summaries, {html.escape(month)}</h1>
<p>One row a unit. The record of each unit holds the figures and what they rest on. Hours without readings are not counted as in range.
No excursion in a complete record means no more than that; the pharmacist or quality unit decides about stock, under local rules.</p>
<table><caption>Probes that decide; temperatures after correction where a certificate is given</caption>
<thead><tr>{heads}</tr></thead>
<tbody>
{body}
</tbody></table></main></body></html>
"""


def _row(row: UnitMonth, base: Path) -> str:
    head = f'<tr><td>{html.escape(row["site"])}</td><th scope="row">{html.escape(row["unit"])}<br>{html.escape(row["description"])}</th>'
    results = row["results"]
    if results is None:
        said = "AWAITING DOWNLOAD" if row.get("awaiting") else "NOT DONE"
        return head + f'<td colspan="6">{said}: {html.escape(row["fault"])}</td></tr>'
    cells = [_believable(results, row["incomplete"]), _extreme(results, "below"), _extreme(results, "above"), str(len(results["excursions"]) or "none found"), _outside(results)]
    link = Path(row["path"]).relative_to(base).as_posix() + "/data/record.html"
    return head + "".join(f"<td>{html.escape(cell)}</td>" for cell in cells) + f'<td><a href="{html.escape(link)}">open the record</a></td></tr>'


def _believable(results: Results[str], incomplete: list[str]) -> str:
    told = [words.word(one["answer"]) for one in results.get("believable", ())] or ["not evaluated"]
    return "; ".join([*told, *(f"INCOMPLETE: {line}" for line in incomplete)])


def _extreme(results: Results[str], direction: Direction) -> str:
    """The furthest value with its probe; never rounded onto a limit that an excursion crossed."""
    rows = [(row["probe"], *_furthest(row, direction)) for row in results["probes"] if row["decides"]]
    rows = [row for row in rows if row[1] is not None or row[2]]
    if not rows:
        return "no reading"
    sign = 1 if direction == "above" else -1
    probe, value_c, one_sided, text = max(rows, key=lambda row: math.inf if row[1] is None else sign * row[1])
    limit = next((one["limit_c"] for one in results["excursions"] if (one["probe"], one["direction"]) == (probe, direction)), None)
    return f"{words.bounded(value_c, one_sided, text, limit=limit)} ({probe})"


def _furthest(row: ProbeRow[str], direction: Direction) -> tuple[float | None, str | None, str | None]:
    """A probe's furthest value on one side, what it is a bound of, and the file's own text."""
    if direction == "above":
        return row["max_c"], row.get("max_one_sided"), row.get("max_text")
    return row["min_c"], row.get("min_one_sided"), row.get("min_text")


def _outside(results: Results[str]) -> str:
    told = [
        f"{row['probe']} {words.word(side)}: {words.minutes(held['minutes_least'])} to {words.minutes(held['minutes_most'])}"
        for row in results["probes"]
        if row["decides"]
        for side, held in row["outside"].items()
        if held["minutes_most"]
    ]
    return "; ".join(told) or "none by the readings"
