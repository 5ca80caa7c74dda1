"""Lines of the front page that rest on what people stated: stock now, lots, doses given, who was told, root cause, what is open."""

from __future__ import annotations

import re
from typing import TYPE_CHECKING

import pandas as pd

from coldchain_kit.model import AllowanceRow, LotRow
from coldchain_kit.register import entries
from coldchain_kit.show import doubts, open_questions, wording
from coldchain_kit.show.front.line import Line
from coldchain_kit.show.front.times import Times, long
from coldchain_kit.show.tables.lots import more, uncovered

if TYPE_CHECKING:
    from coldchain_kit.assessment import Assessment
    from coldchain_kit.register import Notify

MOST_LOTS = 8  # each in a sentence; of more the counts and the worst three, all in annex F
WORST = 3
MOST = 5
LONGEST = 180  # letters of one typed answer
UNTIL = "Marked until the pharmacist or quality unit has decided under local rules. This page never says that product is safe, or waste."
Answers = dict[str, str | dict[str, str]]


def stock_now(assessment: Assessment, now: Answers, times: Times) -> Line:
    """Whether the stock is marked, where it stands, at what; and the last reading of each unit."""
    marked = now.get("immediate.marked")
    held = [_bare(now[name]) for name in ("immediate.where", "immediate.condition") if name in now]
    by = [_bare(now[name]) for name in ("immediate.by", "immediate.when") if name in now]
    told = [f"Marked: {_bare(marked)}." if marked else "NOT MARKED, as far as is known: nobody has answered."]
    told += [" ".join(f"{text}." for text in held or ["Where it stands now: not answered"]) + (f" ({', '.join(by)})" if by else "")]
    last = _last(assessment, times)
    return Line("Stock now", (*told, *([f"Last readings: {last}."] if last else [])), loud=not marked)


def _bare(text: object) -> str:
    """What somebody typed, without its last stop; a long text is cut, as it stands whole in the body and in annex G."""
    plain = " ".join(str(text).split()).rstrip(".")
    return plain if len(plain) <= LONGEST else f"{plain[:LONGEST].rstrip()} … (in full below)"


def _last(assessment: Assessment, times: Times) -> str:
    """The newest reading of a deciding probe of each unit."""
    told = []
    for name, unit in assessment.units.items():
        series = [(trace.celsius.dropna().index[-1], trace.celsius.dropna().iloc[-1], trace.probe.name) for trace in unit.traces.values() if trace.probe.decides and trace.celsius.notna().any()]
        if series:
            time, value, probe = max(series)
            told.append(f"{name} {wording.celsius(float(value))} ({probe}, {times.short(time)})")
    return "; ".join(told[:MOST])


def lots(assessment: Assessment, now: Answers) -> Line:
    """Each lot with its state, what was decided and its exposure against what was stated; those that were cold first."""
    rows = sorted(assessment.results["lots"], key=_worst_first)
    if not rows:
        return Line("Lots", ("NOT KNOWN: no stock list was given.",), loud=True)
    latest = {row["field"]: row for row in entries.read(assessment.case.folder)}
    about = {lot.lot: lot for lot in assessment.lots}
    shown = rows if len(rows) <= MOST_LOTS else rows[:WORST]
    told = [_lot(row, latest.get(f"decision.{row['lot']}"), getattr(about.get(row["lot"]), "presentation", None)) for row in shown]
    if len(rows) > MOST_LOTS:
        asked, decided = [row["lot"] for row in rows if row["needs_decision"]], [row["lot"] for row in rows if f"decision.{row['lot']}" in now]
        over = sum(any(one["more_than_stated"] == "yes" for one in row["allowances"]) for row in rows)
        told = [f"{len(rows)} lots: {len(asked)} need a decision, {len(decided)} are decided on; {over} got more than their makers stated. The worst {WORST}; all in annex F.", *told]
    return Line("Lots", (*told, *doubts.of_decisions(assessment)[:WORST]))


def _worst_first(row: LotRow[str]) -> tuple[object, ...]:
    stated = [one["more_than_stated"] for one in row["allowances"]]
    return (not row["possible_freezing"], "yes" not in stated, "may_be" not in stated, not row["needs_decision"], -max((held["minutes_most"] for held in row["outside"].values()), default=0.0), row["lot"])


def _lot(row: LotRow[str], decision: entries.Entry | None, presentation: str | None) -> str:
    amount = " then ".join(dict.fromkeys(wording.quantity(stay["quantity"], presentation) for stay in row["stays"] if stay.get("quantity")))
    if not row["needs_decision"] and decision is None:
        return f"{row['lot']}, {row['product']}, {amount or 'quantity not known'}: no excursion found in a complete record{_left(row)}. No release."
    state = _decided(decision) or "no decision yet"
    parts = ["POSSIBLE FREEZING"] if row["possible_freezing"] else []
    parts += [_out(side, held["minutes_least"], held["minutes_most"]) for side, held in row["outside"].items() if held["minutes_most"]]
    parts += [_stated(one) for one in row["allowances"]] or (["nothing stated by its maker"] if parts else [])
    parts += [text.removeprefix(f"{row['lot']}: ").rstrip(".") for text in uncovered(row)]
    parts = parts or [_first(row["why"])]
    return f"{row['lot']}, {row['product']}, {amount or 'quantity not known'}: {state}. {_capital('; '.join(parts))}{_left(row)}."


def _capital(text: str) -> str:
    return text[:1].upper() + text[1:]


def _first(why: list[str]) -> str:
    return _bare(why[0]) + (f" (and {len(why) - 1} more reasons)" if len(why) > 1 else "") if why else "needs a decision"


def _out(side: str, least: float, most: float) -> str:
    return f"out {side} {long(least)} to {long(most)}"


def _stated(one: AllowanceRow) -> str:
    told = more(one)
    band = f"{wording.hours(one['hours'])} {'in one run' if one['counting'] == 'single' else 'in all'}, {wording.celsius(one['from_c'])} to {wording.celsius(one['to_c'])}: {one['source']}"
    return f"{told.upper() if one['more_than_stated'] in ('yes', 'may_be') else told} ({band})"


def _left(row: LotRow[str]) -> str:
    last = row["stays"][-1] if row["stays"] else None
    return f"; left {last['unit']} before the end of this record" if last and last.get("moved_out") else ""


def _decided(row: entries.Entry | None) -> str:
    """What was decided, by whom; that it stands in place of an earlier decision."""
    if row is None or row["new"] is None:
        return ""
    held = entries.parts(row["new"])
    changed = f"; changed, see No. {row['n']}" if row["old"] is not None else ""
    return f"{held['outcome']} (by {held['by']}{changed})"


def given(assessment: Assessment, now: Answers, times: Times) -> Line:
    """Doses given or issued while it was not known: asked for the time from the last reading inside to the marking."""
    outside = [row for row in assessment.results["excursions"] if row["start_earliest"]]
    since = f"From {times.short(min(row['start_earliest'] for row in outside))} until the stock was marked: " if outside else ""
    if "given.doses" not in now:
        return Line("Given", (f"{since}doses given or issued? NOT ANSWERED.",) if outside else ("Doses given or issued: not answered.",), loud=bool(outside))
    rest = [f"{entries.question(name).split('?')[0].split(':')[0]}: {_bare(now[name])}." for name in ("given.list", "given.who") if name in now]
    return Line("Given", (f"{since}{_bare(now['given.doses'])}.", *rest, *([] if "given.who" in now or re.match(r"\s*(no|none|0)\b", str(now["given.doses"]), re.IGNORECASE) else ["Who looks into it, and by when: NOT ANSWERED."])))


def told(assessment: Assessment, now: Answers, times: Times) -> Line:
    """Who was told and when; who must be told by which rule, and by when."""
    lines = [f"{_bare(now['immediate.informed'])}."] if "immediate.informed" in now else []
    held = {name: entries.parts(row) for name, row in now.items() if name.startswith("told.") and isinstance(row, dict)}
    lines += [_told(row) for row in held.values()]
    names = {" ".join(row["who"].casefold().split()) for row in held.values()}
    left = [_notify(rule, assessment, times) for rule in assessment.site.notify if " ".join(rule.who.casefold().split()) not in names]
    return Line("Told", (*(lines or ["Nobody, as far as is known: not answered."])[:MOST], *left[:MOST]), loud=bool(left) or not lines)


def _told(row: dict[str, str]) -> str:
    how = ", ".join(filter(None, (row.get("how"), row.get("reference"))))
    return f"{row['who']}, {row['time']}{f' ({how})' if how else ''}."


def _notify(rule: Notify, assessment: Assessment, times: Times) -> str:
    found = (assessment.case.found or {}).get("time")
    due = ""
    if rule.hours is not None:
        due = f" within {wording.hours(rule.hours)}"
        due += f", by {times.short(assessment.site.instant(found) + pd.Timedelta(hours=rule.hours))}" if found else " of its being found"
    return f"NOT ENTERED AS TOLD: {rule.who}{f', of {rule.trigger}' if rule.trigger else ''}{due}{f' ({rule.source})' if rule.source else ''}."


def root(assessment: Assessment, now: Answers) -> Line:
    """The investigator's root cause, with who wrote it."""
    row = next((row for row in reversed(entries.read(assessment.case.folder)) if row["field"] == "cause.root"), None)
    if row is None or row["new"] is None:
        return Line("Root cause", (f"{open_questions.UNANSWERED[:1].upper()}{open_questions.UNANSWERED[1:]}: the investigator states it.",))
    return Line("Root cause", (f"{_bare(row['new'])}. ({row['who']})",))


def still_open(assessment: Assessment, now: Answers) -> Line:
    """What is not decided, answered or done, with the days it is due."""
    rows = assessment.results["lots"]
    wait = [row["lot"] for row in rows if row["needs_decision"] and f"decision.{row['lot']}" not in now]
    due = f"due {_bare(now['hold.due'])}" if "hold.due" in now else "due NOT SET"
    lines = [f"Decision on {len(wait)} of {len(rows)} lots: {wording.several(wait[:MOST])}{f' and {len(wait) - MOST} more' if len(wait) > MOST else ''} ({due})."] if wait else []
    asked = open_questions.unanswered(assessment)
    lines += [f"{len(asked)} questions not answered, among them: {'; '.join(text.partition('?')[0] for text in asked[:2])}."] if asked else []
    acts = [row for row in entries.actions(assessment.case.folder) if not row["closed"] or not row["effective"]]
    named = [f"No. {row['id']} {'done, not yet found effective' if row['closed'] else 'due ' + (row['due'] or 'NOT SET')}" for row in acts[:MOST]]
    lines += [f"Actions: {'; '.join(named)}{f'; and {len(acts) - MOST} more' if len(acts) > MOST else ''}."] if acts else []
    return Line("Open", tuple(lines or ["Nothing."]))
