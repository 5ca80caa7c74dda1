"""Lines of the front page that rest on the readings: freezing, what happened, units, record, cause, limits."""

from __future__ import annotations

import re
from collections.abc import Iterator
from typing import TYPE_CHECKING

import pandas as pd

from coldchain_kit import causes
from coldchain_kit.model import Direction, ExcursionRow, FreezingRow, ProbeRow
from coldchain_kit.show import wording
from coldchain_kit.show.front.line import Line
from coldchain_kit.show.front.times import Times, long
from coldchain_kit.show.tables.table import Table

if TYPE_CHECKING:
    from coldchain_kit.assessment import Assessment

MOST = 6  # rows and sentences of one line; the annexes list all
RIVAL = 0.2  # support of a second cause that is named beside the first (own rule, no source)
ANSWERS = {"usable with limits": "not complete; what it holds counts", "not usable": "cannot answer"}  # of the record, never of product
FEW = 2  # sentences where more would bury the rest
Group = tuple[str, Direction]


def groups(assessment: Assessment) -> dict[Group, list[ExcursionRow[str]]]:
    """(unit, side) -> its excursions by readings, in order of time; the side that went further first."""
    found: dict[Group, list[ExcursionRow[str]]] = {}
    for row in sorted(assessment.results["excursions"], key=wording.furthest_first):
        if not wording.of_display(row):
            found.setdefault((row["unit"], row["direction"]), []).append(row)
    return {key: sorted(rows, key=lambda row: row["start"]) for key, rows in found.items()}


def of_displays(assessment: Assessment) -> list[ExcursionRow[str]]:
    """Excursions that only a display showed."""
    return [row for row in assessment.results["excursions"] if wording.of_display(row)]


def still_out(row: ExcursionRow[str]) -> bool:
    """Whether the record ends outside: no reading follows at all."""
    return row["open_end"] and row["end_latest"] == row["end"]


def what(assessment: Assessment, times: Times) -> Line:
    """What happened, a sentence for each unit and side; units together; how long until somebody was there."""
    silent = assessment.results["case"].get("no_readings")
    told = [f"No probe that decides has a reading in this time: {silent}. What the stock met is not known; the paper checks are the only evidence."] if silent else []
    told += [_course(unit, side, rows, times) for (unit, side), rows in groups(assessment).items()][:MOST]
    told += [_by_display(row, times) for row in of_displays(assessment)][:MOST]
    told += together(assessment, times)
    if not assessment.results["excursions"] and not silent:
        told += _nothing(assessment, times)
    return Line("What", (*told, *_response(assessment, times)))


def _course(unit: str, side: Direction, rows: list[ExcursionRow[str]], times: Times) -> str:
    first, last = rows[0], rows[-1]
    begins = f"from {times.short(first['start'])}" if not first["open_start"] else f"already at {times.short(first['start'])}, where readings begin or follow a gap"
    if still_out(last):
        ends = f"STILL OUT at the last reading, {times.short(last['end'])}"
    else:
        ends = f"until {times.short(last['end'])}, then no readings" if last["open_end"] else f"to {times.short(last['end'])}, back inside"
    runs = f" in {len(rows)} runs" if len(rows) > 1 else ""
    doubt = "" if any(row["verdict"] == "outside" for row in rows) else ". All within the probe's uncertainty: handle as an excursion"
    faulty = ". Its readings look impossible: it stays listed" if all(row["faulty"] for row in rows) else ""
    return f"{unit} {side} {wording.celsius(first['limit_c'])}{runs} {begins} {ends}{doubt}{faulty}."


def _by_display(row: ExcursionRow[str], times: Times) -> str:
    return (
        f"{row['unit']} {row['direction']} {wording.celsius(row['limit_c'])} {wording.BY_DISPLAY}: {wording.celsius(row['extreme_c'], limit=row['limit_c'])} at some time "
        f"between {times.short(row['start'])} and {times.short(row['end'])}. No reading shows it: handle it as an excursion."
    )


def _nothing(assessment: Assessment, times: Times) -> list[str]:
    deciding = [row for row in assessment.results["probes"] if row["decides"]]
    told = [f"No reading of a deciding probe lies outside the limits, {times.span(assessment.window.start, assessment.window.end)}."]
    missing = any(row["gaps"] or row["unknown_minutes"] for row in deciding)
    return told + ["Because readings are missing, this does not show that the product stayed inside." if missing else "That is said of readings, not of product; it is no release."]


def together(assessment: Assessment, times: Times) -> list[str]:
    """Units that left their range together, a sentence each."""
    return [
        f"Units {wording.several(row['units'])} were {row['direction']} their limit together from {times.short(row['start'])}: look at what they share, such as power and the room."
        for row in assessment.results.get("together", ())[:FEW]
    ]


def _response(assessment: Assessment, times: Times) -> list[str]:
    """From the first reading outside to the first person who saw it."""
    given = assessment.case.found or {}
    outside = [row["first_out"] for row in assessment.results["excursions"] if row["first_out"] is not None]
    if not given.get("time"):
        return []
    found = assessment.site.instant(given["time"])
    told = f"Found {times.short(found)} by {given.get('by') or 'a person not named'}"
    if not outside:
        return [f"{told}."]
    first = pd.Timestamp(min(outside))
    later = f", {long((found - first) / pd.Timedelta(minutes=1))} after the first reading outside ({times.short(first)})" if found > first else f", before the first reading outside ({times.short(first)})"
    return [f"{told}{later}."]


def units(assessment: Assessment, times: Times) -> Line:
    """A row for each unit and side that was outside: how far, from when, to when, how long, whether it still is; then the others in words."""
    rows = [row for group in groups(assessment).items() for row in _rows(assessment, *group, times)]
    rows += [
        (row["unit"], f"{wording.celsius(row['extreme_c'], limit=row['limit_c'])} by the display", f"after {times.short(row['start'])}", f"before {times.short(row['end'])}", "0 min", long(row["minutes_most"]), "time not known", "not known")
        for row in of_displays(assessment)
    ]  # fmt: skip
    columns = ("Unit", "Worst", "Out between", "Back between", "At least", "At most", "Runs", "Now")
    table = Table("Units with an excursion", columns, tuple(rows[:MOST]))
    told = [f"And {len(rows) - MOST} more rows: annex D."] if len(rows) > MOST else []
    return Line("Units", (*told, *_quiet(assessment), *_unknown(assessment), *_beside(assessment), *_others(assessment)), table=table if rows else None)


def _rows(assessment: Assessment, group: Group, found: list[ExcursionRow[str]], times: Times) -> Iterator[tuple[str, ...]]:
    unit, side = group
    for probe in dict.fromkeys(row["probe"] for row in found):
        rows = [row for row in found if row["probe"] == probe]
        held = next(one for one in assessment.results["probes"] if (one["unit"], one["probe"]) == (unit, probe))
        total = held["outside"].get(side)
        worst = min(rows, key=wording.furthest_first)
        longest = max(rows, key=lambda row: row["minutes_most"])
        first, last = rows[0], rows[-1]
        begins = times.span(first["start_earliest"], first["first_out"]) if not first["open_start"] else f"{times.short(first['first_out'])} or earlier"
        ends = f"not by {times.short(last['last_out'])}" if last["first_back"] is None else times.span(last["last_out"], last["first_back"])
        now = "STILL OUT" if still_out(last) else "not known" if last["open_end"] else "inside"
        one = "one run" if len(rows) == 1 else f"{len(rows)} runs, longest {long(longest['minutes_least'])} to {long(longest['minutes_most'])}"
        least, most = (total["minutes_least"], total["minutes_most"]) if total else (worst["minutes_least"], worst["minutes_most"])
        yield (f"{unit}, {probe}", f"{wording.extreme(worst, limit=worst['limit_c'])} ({times.short(worst['extreme_time'])})", begins, ends, long(least), long(most), one, now)


def _quiet(assessment: Assessment) -> list[str]:
    """Deciding probes without an excursion: lowest and highest, and what the uncertainty leaves possible."""
    told = []
    out = {(row["unit"], row["probe"]) for row in assessment.results["excursions"]}
    for row in assessment.results["probes"]:
        if not row["decides"] or (row["unit"], row["probe"]) in out or not row["readings"]:
            continue
        near = [f"{side} the limit possible, at most {long(held['minutes_most'])}" for side, held in row["outside"].items() if held["minutes_most"]]
        told.append(f"{row['unit']}, {row['probe']}: none outside, {wording.end_of(row, 'min')} to {wording.end_of(row, 'max')}{_plus_minus(row)}{'; within the uncertainty, ' + ' and '.join(near) if near else ''}.")
    return told[:MOST] + ([f"And {len(told) - MOST} more probes without a reading outside."] if len(told) > MOST else [])


def _plus_minus(row: ProbeRow[str]) -> str:
    return "" if row["u_c"] is None else f" (±{wording.celsius(2 * row['u_c'])}{', no certificate' if row['u_from'] == 'assumed' else ''})"


def _unknown(assessment: Assessment) -> list[str]:
    told = [f"{row['unit']}, {row['probe']}: AND {long(row['unknown_minutes'])} NOT KNOWN, without readings." for row in assessment.results["probes"] if row["decides"] and row["unknown_minutes"]]
    return told[:MOST]


def _beside(assessment: Assessment) -> list[str]:
    return [f"Same hours, {row['text']}" for row in assessment.results.get("beside", ())][:MOST]


def _others(assessment: Assessment) -> list[str]:
    """Probes that do not decide, where they were outside: no verdict rests on them, but a reader must not overlook them."""
    return [
        f"{row['unit']}, {row['probe']} ({wording.word(row['role'])}, does not decide): {side} the limit at least {long(held['minutes_least'])}, at most {long(held['minutes_most'])}."
        for row in assessment.results["probes"] if not row["decides"]
        for side, held in row["outside"].items() if held["minutes_most"]
    ][:MOST]  # fmt: skip


def freezing(assessment: Assessment, times: Times) -> Line:
    """Whether freezing is possible, the lowest reading with its place and uncertainty, and where nobody looked."""
    held = [(lot, lot["freezing"]) for lot in assessment.results["lots"] if lot["freezing"] is not None]
    possible = [(lot, row) for lot, row in held if lot["possible_freezing"]]
    holes = [gap for row in assessment.results["probes"] if row["decides"] and _can_freeze(assessment, row) for gap in row["gaps"]]
    spans = list(dict.fromkeys(times.span(gap["start"], gap["end"]) for gap in holes))
    blind = [f"NOT KNOWN {wording.several(spans[:3])}{' and in more gaps' if len(spans) > 3 else ''}: no readings."] if spans else []
    if possible:
        worst = min((row for _, row in possible), key=lambda row: row["lowest_c"] if row["lowest_c"] is not None else -999.0)
        lots = wording.several([lot["lot"] for lot, _ in possible[:MOST]]) + (f" and {len(possible) - MOST} more" if len(possible) > MOST else "")
        told = [f"POSSIBLE for {lots}: {_lowest(worst, times)}.", *blind, "A shake test by itself releases nothing: ask the manufacturer."]
        return Line("Freezing", tuple(told), loud=True)
    sensitive = [row for lot, row in held if row["do_not_freeze"]]
    if sensitive:
        row = min(sensitive, key=lambda row: row["lowest_c"] if row["lowest_c"] is not None else -999.0)
        return Line("Freezing", (f"No probe at or below {wording.celsius(row['freeze_c'])}; {_lowest(row, times)}. A probe speaks for its own place only.", *blind), loud=bool(blind))
    rows = [row for row in assessment.results["probes"] if row["role"] not in ("room", "surface") and _can_freeze(assessment, row) and row["min_c"] is not None]
    if not rows:
        silent = any(_can_freeze(assessment, row) for row in assessment.results["probes"])
        return Line("Freezing", ("NOT KNOWN: no probe has a reading.",) if silent or blind else ("Not asked: what is kept here is stored frozen, or no freezing point is known.",), loud=silent)
    low = min(rows, key=lambda row: row["min_c"] if row["min_c"] is not None else 0.0)
    point = assessment.site.units[low["unit"]].condition.freezing_c
    doubt = low["min_c"] is not None and low["min_c"] - 2 * (low["u_c"] or 0.0) <= point
    first = f"POSSIBLE: lowest {wording.end_of(low, 'min')}" if doubt else f"No probe at or below {wording.celsius(point)}; lowest {wording.end_of(low, 'min')}"
    return Line("Freezing", (f"{first} ({low['unit']}, {low['probe']}{_u(low)}, {times.short(low['min_time'])}). A probe speaks for its own place only.", *blind), loud=doubt or bool(blind))


def _u(row: ProbeRow[str]) -> str:
    return "" if row["u_c"] is None else f", ±{wording.celsius(2 * row['u_c'])}"


def _can_freeze(assessment: Assessment, row: ProbeRow[str]) -> bool:
    held = assessment.site.units.get(row["unit"])
    low = held.condition.limit_c("below") if held else None
    return held is not None and held.kind != "room" and (low is None or low >= 0) and not held.condition.frozen


def _lowest(row: FreezingRow[str], times: Times) -> str:
    by = f"{row['unit']}, {'the display' if row.get('probe') is None else row['probe']}"
    doubt = "" if row["expanded_c"] is None else f", ±{wording.celsius(row['expanded_c'])}"
    return f"lowest {wording.bounded(row['lowest_c'], row.get('lowest_one_sided'), row.get('lowest_text'))} ({by}{doubt}, {times.short(row['time'])})"


def record(assessment: Assessment, times: Times) -> Line:
    """Whether the record can be believed, in at most two sentences a unit; clock, certificates and checks in one."""
    told, loud, answers = [], False, assessment.results.get("believable", ())
    most = FEW if len(answers) <= FEW else 1
    for row in answers:
        reasons = list(row["reasons"])
        more = f" And {len(reasons) - most} more reasons: annex B." if len(reasons) > most else ""
        loud = loud or bool(reasons)
        told.append(f"{row['unit']}: {ANSWERS.get(row['answer'], wording.word(row['answer']))}.{' ' if reasons else ''}{' '.join(reasons[:most])}{more}")
    clocks = list(dict.fromkeys(f"{row['unit']} clock {_checked(row['text']) or wording.word(row['state'])}" for row in assessment.results.get("clock", ())))
    papers = [_paper(row["unit"], row["probe"], row["due"], overdue=row["overdue"]) for row in assessment.results.get("calibration", ()) if _decides(assessment, row["unit"], row["probe"])]
    papers = [paper for paper in papers if "OVERDUE" not in paper or paper.partition("since ")[2] not in " ".join(told)]  # said once
    second = "; ".join([*clocks[:3], *papers[:3], *missed(assessment, times)])
    checks = assessment.results.get("checks", ())
    at_odds = [f"Logbook at odds with the readings: {row['text']}" for row in checks[:FEW]] + ([f"And {len(checks) - FEW} more checks: annex B."] if len(checks) > FEW else [])
    return Line("Record", (*(told or ["Not evaluated."]), *([f"{second}."] if second else []), *at_odds), loud=loud)


def _checked(text: str) -> str:
    """ "checked 2 times and was right", where the clock's sentences say how it was checked."""
    found = re.search(r"The clock was (checked[^.]*)\.", text)
    return found[1] if found else ""


def _decides(assessment: Assessment, unit: str, probe: str) -> bool:
    return any(row["decides"] for row in assessment.results["probes"] if (row["unit"], row["probe"]) == (unit, probe))


def _paper(unit: str, probe: str, due: object, *, overdue: bool) -> str:
    if overdue:
        return f"{unit} {probe}: certificate OVERDUE since {due}"
    return f"{unit} {probe}: certificate to {due}" if due else f"{unit} {probe}: no due date of a certificate known"


def missed(assessment: Assessment, times: Times) -> list[str]:
    """Days of the window, of those that the site is open, with fewer checks in the logbook than the site's own practice."""
    if assessment.site.checks_per_day and assessment.case.logbook is None:
        return ["whether checks were made is not known: no logbook was given"]
    days = missed_days(assessment)
    if not days:
        return []
    named = ", ".join(times.date(day) for day in days[:4]) + (f" and {len(days) - 4} more days" if len(days) > 4 else "")
    return [f"checks missed: {named}"]


def missed_days(assessment: Assessment) -> list[pd.Timestamp]:
    """Local days of :func:`missed`; the first and last day count only where the window holds them whole or a check is there."""
    site = assessment.site
    if not site.checks_per_day:
        return []
    start, end = (time.tz_convert(site.timezone).tz_localize(None) for time in (assessment.window.start, assessment.window.end))
    made = [wording.local(row.time, site.timezone) for row in assessment.logbook if row.kind == "check"]
    seen = pd.Series([time.strftime("%Y-%m-%d") for time in made if time is not None], dtype=object).value_counts()
    days = pd.date_range(start.ceil("D"), end.floor("D") - pd.Timedelta(days=1), freq="D")
    names = ("monday", "tuesday", "wednesday", "thursday", "friday", "saturday", "sunday")
    due = [day for day in days if site.open_days is None or names[day.weekday()] in site.open_days]
    return [day for day in due if seen.get(day.strftime("%Y-%m-%d"), 0) < site.checks_per_day]


def cause(assessment: Assessment, times: Times) -> Line:
    """What fits best and why, what could not be tested, and lines of the logbook that do not fit."""
    told = []
    shown = {row["id"] for row in of_displays(assessment)}
    area = {row["id"]: -wording.furthest_first(row) for row in assessment.results["excursions"]}
    episodes = sorted((row for row in assessment.results["episodes"] if row["causes"]), key=lambda row: -sum(area.get(one, 0.0) for one in row["excursions"]))
    for row in episodes[:FEW]:
        first, *others = row["causes"]
        if shown.issuperset(row["excursions"]):
            told.append(f"{row['unit']}: {wording.word(first['cause'])}; only a display showed it.")
            continue
        best = max(first["for"], key=lambda one: one.get("weight") or 0.0, default=None)
        name = f"{wording.word(first['cause'])} fits best" if first["cause"] not in ("undetermined", "none") else "not determined"
        rival = f" {wording.word(others[0]['cause'])[:1].upper()}{wording.word(others[0]['cause'])[1:]} is not ruled out." if others and others[0]["support"] >= RIVAL and others[0]["cause"] != "undetermined" else ""
        untested = f" Not tested: {' '.join(first['untested'][:3])}" if first["untested"] else ""
        told.append(f"{row['unit']} from {times.short(row['start'])}: {name}.{' ' + best['observation'] if best else ''}{rival}{untested}")
    if len(episodes) > FEW:
        told.append(f"And {len(episodes) - FEW} more episodes: annex E.")
    if not episodes:
        code = assessment.results["cause"]["cause"]
        told.append(f"{wording.word(code)[:1].upper()}{wording.word(code)[1:]}.")
    return Line("Cause", (*told, *at_odds(assessment), *(["The kit ranks; the investigator concludes."] if episodes else [])))


def at_odds(assessment: Assessment) -> list[str]:
    """Lines of the logbook, or of the logger, that the readings do not allow to have caused an episode, a sentence each."""
    told = [
        f"{one['observation']} {one['comment']}"
        for row in assessment.results["episodes"] for held in row.get("causes", ()) for one in held["for"] if one["comment"].startswith(causes.AT_ODDS)
    ]  # fmt: skip
    return list(dict.fromkeys(told))[:FEW]


def limits(assessment: Assessment) -> Line:
    """Which limits count, and from which document."""
    told: dict[str, list[str]] = {}
    for name in assessment.case.units:
        condition = assessment.site.units[name].condition
        paper = ", ".join(filter(None, (condition.document, condition.edition))) or condition.source or "no document is named: name the label or procedure"
        told.setdefault(f"{condition.title}; {paper}", []).append(name)
    return Line("Limits", tuple(f"{wording.several(names)}: {text.rstrip('.')}." for text, names in told.items())[:3])
