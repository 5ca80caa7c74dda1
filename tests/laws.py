"""A law that must hold on every site: less of a record never makes it look better.

Taking readings away, replacing them by a text, or holding them still never raises ``covered_share``, never
lowers ``minutes_most`` + ``unknown_minutes`` of a direction, never turns ``needs_decision`` off, never changes a
cause to none.

Every damage rewrites the downloads of a copy of the site; ``assess`` (case.toml -> results) is handed in, so
that nothing here imports the kit. What the rules themselves let go is forgiven, and only that:

- a step that stays bridged (rule 4: up to 2.5 intervals or 5 minutes) may lose the minutes of the readings taken
  out of it, unless it is part of a regular stretch of 12 such steps, which is unknown;
- a gap that enters the other direction's ``minutes_most`` is no longer unknown (rule 6), so what that direction
  gains counts;
- one-sided readings stay: one that may be anything is unknown like a gap (rule 9), a missing one may be bridged;
- a reading replaced by HI is known to be above, so only that direction is held to the law (LO: below);
- values held still count from the stillness test's own limit on (``still_min``); without one only the coverage
  is held to it;
- a record that is coarser than stated already is left alone (``check(again=True)`` takes it as well);
- a register that states a coarser step than the download keeps is tried with a third of the record thinned to that step;
- all of it with the interval stated, for otherwise the finer steps that are left decide which interval is in
  force. Thinning is done a second time with nothing stated, where only ``needs_decision`` must stay.
"""

from __future__ import annotations

import datetime as dt
import random
import re
import shutil
import tomllib
from collections.abc import Callable, Iterator
from dataclasses import dataclass, replace
from pathlib import Path

Assess = Callable[[Path], dict]
CLAUSES = ("covered", "minutes", "decision", "cause")
DIRECTIONS = ("above", "below")
TOLERANCE_MIN, TOLERANCE_SHARE = 0.01, 1e-4
TIME = re.compile(r"\s*\"?\d{1,4}[-./]\d{1,2}[-./]\d{1,4}")
ERRORS = ("---", "ERR", "Sensor error")


# --- downloads ----------------------------------------------------------------------------------------------


@dataclass(frozen=True)
class Download:
    """A file's lines; ``rows`` are the places of its data lines, in the order of time."""

    lines: tuple[str, ...]
    rows: tuple[int, ...]
    separator: str

    def time(self, row: int) -> str:
        return self.lines[row].split(self.separator)[0]

    def cells(self, row: int) -> list[str]:
        return self.lines[row].split(self.separator)[1:]


def read(path: Path) -> Download:
    lines = tuple(path.read_text("utf-8").splitlines())
    dated = [k for k, line in enumerate(lines) if TIME.match(line)]
    separator = next((one for one in (";", "\t", ",") if dated and one in lines[dated[0]]), ",")
    rows = [k for k in dated if _is_time(lines[k].split(separator)[0])]
    times = [_sortable(lines[row].split(separator)[0]) for row in rows]
    newest_first = len(times) > 1 and times[0] > times[-1]
    return Download(lines, tuple(reversed(rows) if newest_first else rows), separator)


def _is_time(text: str) -> bool:
    try:
        return bool(dt.datetime(*_sortable(text)))
    except (ValueError, TypeError):
        return False


def _sortable(time: str) -> tuple[int, ...]:
    """Year, month, day, hour, minute, second; day and month by the separators that this project's sites write."""
    first, second, third, *clock = (int(part) for part in re.findall(r"\d+", time))
    date = (first, second, third) if first > 31 else (third, second, first) if "." in time else (third, first, second)
    if clock and time.upper().rstrip().endswith(("AM", "PM")):
        clock[0] = clock[0] % 12 + (12 if time.upper().rstrip().endswith("PM") else 0)
    return (*date, *clock)


def write(path: Path, download: Download) -> None:
    path.write_text("\n".join(download.lines) + "\n", "utf-8")


def without(download: Download, times: set[str]) -> Download:
    gone = {row for row in download.rows if download.time(row) in times}
    return replace(download, lines=tuple(line for k, line in enumerate(download.lines) if k not in gone), rows=())


def is_number(cell: str) -> bool:
    return bool(re.fullmatch(r"\s*-?\d+([.,]\d+)?\s*", cell))


def with_text(download: Download, times: set[str], text: str) -> Download:
    """Every column of these rows with a number says ``text``."""

    def said(row: int) -> str:
        cells = [text if is_number(cell) else cell for cell in download.cells(row)]
        return download.separator.join([download.time(row), *cells])

    changed = {row: said(row) for row in download.rows if download.time(row) in times}
    return replace(download, lines=tuple(changed.get(k, line) for k, line in enumerate(download.lines)))


def held(download: Download, since: str) -> Download:
    """Every column with a number shows from ``since`` on what it showed then."""
    later = [row for row in download.rows if _sortable(download.time(row)) >= _sortable(since)]
    if not later:
        return download
    first = download.cells(later[0])

    def still(row: int) -> str:
        cells = [then if is_number(now) else now for now, then in zip(download.cells(row), first, strict=True)]
        return download.separator.join([download.time(row), *cells])

    changed = {row: still(row) for row in later}
    return replace(download, lines=tuple(changed.get(k, line) for k, line in enumerate(download.lines)))


# --- sites --------------------------------------------------------------------------------------------------


def copied(case: Path, into: Path) -> Path:
    """The whole folder of a case whose site lies beside or above it within that folder."""
    shutil.copytree(case.parent, into)
    return into / case.name


@dataclass(frozen=True)
class Recorder:
    """One logger of the register: its table, its downloads."""

    table: str
    files: tuple[Path, ...]


def recorders(folder: Path) -> list[Recorder]:
    site, found = tomllib.loads((folder / "site.toml").read_text("utf-8")), []
    for unit, keys in site["units"].items():
        named = {f"units.{unit}.loggers.{name}": one for name, one in keys.get("loggers", {}).items()}
        for table, logger in (named or {f"units.{unit}.logger": keys}).items():
            paths = [path for pattern in logger.get("readings", ()) for path in sorted(folder.glob(pattern))]
            found.append(Recorder(table, tuple(paths)))
    return found


def states(folder: Path, intervals: dict[str, float]) -> None:
    """Rewrites site.toml: these tables state this interval (minutes); no other statement of one is left."""
    path, text = folder / "site.toml", ""
    kept = re.sub(r"(?m)^\[\[units\.[^\]]*\.settings\]\]\n(?:(?!\[).*\n)*", "", path.read_text("utf-8"))
    kept = re.sub(r"(?m)^interval_min = .*\n", "", kept)
    for line in kept.splitlines():
        text += line + "\n"
        table = line.strip().strip("[]")
        if line.startswith("[") and table in intervals:
            text += f"interval_min = {intervals[table]:g}\n"
    path.write_text(text, "utf-8")


def in_force(folder: Path, results: dict) -> dict[str, float]:
    """The finest interval of each logger's downloads, where the results know all of them."""
    rows = {Path(row["file"]).as_posix(): row["interval_min"] for row in results["sources"]}
    found = {}
    for one in recorders(folder):
        steps = [rows.get(path.relative_to(folder).as_posix()) for path in one.files]
        if steps and all(isinstance(step, int | float) for step in steps):
            found[one.table] = min(steps)
    return found


# --- damage -------------------------------------------------------------------------------------------------


@dataclass(frozen=True)
class Damage:
    """What is done to the downloads, and which clauses of the law it is held to."""

    name: str
    change: Callable[[Download], Download]
    clauses: tuple[str, ...] = CLAUSES
    directions: tuple[str, ...] = DIRECTIONS
    forgiven_min: float = 0.0


def all_times(one: Recorder) -> list[str]:
    """The logger's instants in order, each once."""
    found: dict[str, tuple[int, ...]] = {}
    for path in one.files:
        download = read(path)
        found |= {download.time(row): _sortable(download.time(row)) for row in download.rows}
    return sorted(found, key=found.get)


def inner_times(one: Recorder) -> list[str]:
    """Those without the first and last two of a file (which keep the record's span) and without one-sided readings."""
    kept: set[str] = set()
    for path in one.files:
        download = read(path)
        kept |= {download.time(row) for row in (*download.rows[:2], *download.rows[-2:])}
        kept |= {download.time(row) for row in download.rows if re.search("HI|LO|<|>", download.lines[row])}
    return [time for time in all_times(one) if time not in kept]


def bridged_min(times: list[str], gone: set[str], interval: float) -> float:
    """Minutes of the steps that lose readings and stay known: no gap, and no part of a regular stretch of 12 steps."""
    left = [_minutes_of(time) for time in times if time not in gone]
    steps = [b - a for a, b in zip(left, left[1:], strict=False)]
    total, k = 0.0, 0
    while k < len(steps):
        stop = k + 1
        while stop < len(steps) and abs(steps[stop] - steps[k]) <= 0.1 * steps[k]:
            stop += 1
        short = 1.1 * interval < steps[k] <= max(2.5 * interval, 5.0) + 0.1
        total += sum(steps[k:stop]) if short and stop - k < 12 else 0.0
        k = stop
    return total


def _minutes_of(time: str) -> float:
    return dt.datetime(*_sortable(time)).timestamp() / 60


def thinning(one: Recorder, every: int, interval: float, clauses: tuple[str, ...] = CLAUSES) -> Damage:
    inner = set(inner_times(one))
    gone = {time for k, time in enumerate(all_times(one)) if k % every and time in inner}
    forgiven = bridged_min(all_times(one), gone, interval)
    change = lambda download: without(download, gone)  # noqa: E731
    return Damage(f"every {every}th row of {one.table}", change, clauses, forgiven_min=forgiven)


def thinned_in_part(one: Recorder, every: int, interval: float) -> Damage:
    """Every so manieth row left in the middle third, the rest as it was: a register that states that step must not make it whole."""
    times = inner_times(one)
    middle = set(times[len(times) // 3 : 2 * len(times) // 3])
    gone = {time for k, time in enumerate(all_times(one)) if k % every and time in middle}
    forgiven = bridged_min(all_times(one), gone, interval)
    return Damage(f"every {every}th row of the middle third of {one.table}", lambda download: without(download, gone), forgiven_min=forgiven)


def losses(one: Recorder, share: float, interval: float, rng: random.Random) -> Damage:
    times = inner_times(one)
    gone = {time for time in times if rng.random() < share}
    forgiven = bridged_min(all_times(one), gone, interval)
    return Damage(
        f"{len(gone)} rows of {one.table} lost", lambda download: without(download, gone), forgiven_min=forgiven
    )


def block(one: Recorder, count: int, rng: random.Random) -> Damage:
    times = inner_times(one)
    first = rng.randrange(max(1, len(times) - count))
    gone = set(times[first : first + count])
    return Damage(f"{len(gone)} rows of {one.table} lost in one block", lambda download: without(download, gone))


def texts(one: Recorder, count: int, text: str, interval: float, rng: random.Random) -> Damage:
    """A short run of rows that say a word or an error."""
    times = inner_times(one)
    first = rng.randrange(max(1, len(times) - count))
    gone = set(times[first : first + count])
    directions = {"HI": ("above",), "LO": ("below",)}.get(text, DIRECTIONS)
    forgiven = 0.0 if text in ("HI", "LO") else bridged_min(all_times(one), gone, interval)
    change = lambda download: with_text(download, gone, text)  # noqa: E731
    return Damage(f"{len(gone)} rows of {one.table} say {text}", change, CLAUSES, directions, forgiven)


def stillness(one: Recorder, interval: float, still_min: float | None, rng: random.Random) -> Damage | None:
    """Values held from a row with a number in every column on; None where there is none, or too little follows."""
    times = inner_times(one)
    rows = {read(path).time(row): read(path).cells(row) for path in one.files for row in read(path).rows}
    plain = [time for time in times if all(map(is_number, rows[time]))]
    long = [time for time in plain if (len(times) - times.index(time)) * interval > (still_min or 0.0)]
    if not long:
        return None
    since = rng.choice(long)
    clauses = CLAUSES if still_min is not None else ("covered",)
    return Damage(
        f"{one.table} held still from {since} on",
        lambda download: held(download, since),
        clauses,
        forgiven_min=still_min or 0.0,
    )


def damages(one: Recorder, interval: float, rng: random.Random, still_min: float | None) -> Iterator[Damage]:
    """All kinds, for one logger whose interval is stated."""
    if len(inner_times(one)) < 20:
        return
    yield from (thinning(one, every, interval) for every in (2, 3, 12))
    yield from (losses(one, share, interval, rng) for share in (0.002, 0.02, 0.3))
    yield from (block(one, count, rng) for count in (8, 30))
    for text in (rng.choice(ERRORS), "", "HI", "LO"):
        yield texts(one, rng.choice([1, 2, 9]), text, interval, rng)
    still = stillness(one, interval, still_min, rng)
    if still:
        yield still


# --- the law ------------------------------------------------------------------------------------------------


def breaches(
    before: dict,
    after: dict,
    *,
    clauses: tuple[str, ...] = CLAUSES,
    directions: tuple[str, ...] = DIRECTIONS,
    forgiven_min: float = 0.0,
) -> list[str]:
    """Where ``after``, of a damaged record, looks better than ``before``."""
    found: list[str] = []
    rows = {(row["unit"], row["probe"]): row for row in after["probes"]}
    for row in before["probes"]:
        other, where = rows.get((row["unit"], row["probe"])), f"probe {row['unit']} {row['probe']}"
        if other is None:
            found.append(f"{where}: not in the results any more")
            continue
        found += _covered(where, row, other) if "covered" in clauses else []
        found += _minutes(where, row, other, directions, forgiven_min) if "minutes" in clauses else []
    found += _decisions(before, after) if "decision" in clauses else []
    if "cause" in clauses and before["cause"]["cause"] != "none" and after["cause"]["cause"] == "none":
        found.append(f"cause: {before['cause']['cause']} became none")
    return found


def _covered(where: str, before: dict, after: dict) -> list[str]:
    a, b = before["covered_share"], after["covered_share"]
    return (
        [f"{where} covered_share: {a} became {b}"]
        if a is not None and b is not None and b > a + TOLERANCE_SHARE
        else []
    )


def _minutes(where: str, before: dict, after: dict, directions: tuple[str, ...], forgiven_min: float) -> list[str]:
    """A gap in the other direction's ``minutes_most`` is not unknown (rule 6), so what that gains counts."""
    found = []
    for direction in (one for one in before["outside"] if one in directions):
        a, b = (_most(row, direction) + row["unknown_minutes"] for row in (before, after))
        other = max(0.0, sum(_most(after, one) - _most(before, one) for one in DIRECTIONS if one != direction))
        if b + other < a - forgiven_min - TOLERANCE_MIN:
            found.append(f"{where} {direction} minutes_most + unknown_minutes: {a} became {b}")
    return found


def _most(row: dict, direction: str) -> float:
    return row["outside"].get(direction, {}).get("minutes_most", 0.0)


def _decisions(before: dict, after: dict) -> list[str]:
    asked = {row["lot"]: row for row in after["lots"]}
    lost = [
        row for row in before["lots"] if row["needs_decision"] and not asked.get(row["lot"], {}).get("needs_decision")
    ]
    return [f"lot {row['lot']}: needs_decision turned off, before {row['why']}" for row in lost]


def _applied(case: Path, into: Path, one: Recorder, damage: Damage) -> Path:
    made = copied(case, into)
    for path in one.files:
        there = into / path.relative_to(case.parent)
        write(there, damage.change(read(there)))
    return made


def check(
    case: Path,
    work: Path,
    assess: Assess,
    *,
    seed: int = 0,
    still_min: float | None = None,
    refused: tuple[type[Exception], ...] = (),
    again: bool = False,
    most: int | None = None,
    judged: list[str] | None = None,
) -> list[str]:
    """Breaches of the law on one site.

    ``judged``: the names of the damages that were held to it are added to this list.

    ``refused``: what ``assess`` raises for a case it will not judge, which breaks no law. ``again``: damage also what
    is coarser than stated already (by the words of rule 4 a loss there breaks up the stretch, and its steps count as
    known).
    """
    rng, found = random.Random(seed), []  # ``most``: so many damages, drawn by the seed
    try:
        plain = assess(case)
        stated = copied(case, work / "stated")
        intervals = in_force(stated.parent, plain)
        states(stated.parent, intervals)
        silent = copied(case, work / "silent")
        states(silent.parent, {})
        times = rng.choice((2, 3, 12))
        wrong = copied(case, work / "wrong")
        states(wrong.parent, {table: times * one for table, one in intervals.items()})
        before, unsaid, misled = assess(stated), assess(silent), assess(wrong)
    except refused:
        return []
    coarse = set() if again else {row["unit"] for row in before["faults"] if row["kind"] == "interval"}
    whole = [
        one for one in recorders(stated.parent) if one.table in intervals and one.table.split(".")[1] not in coarse
    ]
    jobs = [
        (stated, before, one, damage) for one in whole for damage in damages(one, intervals[one.table], rng, still_min)
    ]
    jobs += [
        (silent, unsaid, one, thinning(one, every, 0.0, ("decision",)))
        for one in recorders(silent.parent)
        for every in (2, 12)
    ]
    jobs += [
        (wrong, misled, one, thinned_in_part(one, times, intervals[one.table]))
        for one in recorders(wrong.parent)
        if one.table in {other.table for other in whole} and len(inner_times(one)) >= 36 * times and intervals[one.table] * times > 5.0
    ]
    jobs = jobs if most is None else rng.sample(jobs, min(most, len(jobs)))
    for number, (start, results, one, damage) in enumerate(jobs):
        try:
            after = assess(_applied(start, work / str(number), one, damage))
        except refused:
            continue
        held_to = {"clauses": damage.clauses, "directions": damage.directions, "forgiven_min": damage.forgiven_min}
        said = {silent: "nothing stated, ", wrong: f"register states {times} times the step, "}.get(start, "")
        if judged is not None:
            judged.append(damage.name)
        found += [f"{said}{damage.name}: {breach}" for breach in breaches(results, after, **held_to)]
        shutil.rmtree(work / str(number))
    return found
