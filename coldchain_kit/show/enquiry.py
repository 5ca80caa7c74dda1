"""The enquiry sheet: what a manufacturer asks for about a lot, as data and as one self-contained page.

It can be printed before anything is frozen; then it is marked PRELIMINARY. It asks, it does not judge.
"""

from __future__ import annotations

import html as markup
import re
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from pathlib import Path
from typing import TYPE_CHECKING, TypedDict

from coldchain_kit.base import KitError, files
from coldchain_kit.model import AllowanceRow, ExposureRow, FreezingRow, LotRow, ProbeRow, ProductBesideRow, Results
from coldchain_kit.register import entries
from coldchain_kit.show import charts, wording
from coldchain_kit.show.tables.lots import more, uncovered

if TYPE_CHECKING:
    from coldchain_kit.assessment import Assessment

PRELIMINARY = "PRELIMINARY: made before the record was frozen. Figures may still change."
CAUTIONS = (
    "Keep the stock at its labelled condition, marked \N{LEFT DOUBLE QUOTATION MARK}do not use\N{RIGHT DOUBLE QUOTATION MARK}, until a decision is made.",
    "Ask the manufacturer and the responsible authority. The pharmacist or quality unit decides, under local rules.",
    "This sheet does not say that product is safe or must be discarded. Alarm settings of devices are not time that is allowed.",
    "Between two readings the temperature is taken to lie between them. Time without readings is not known.",
)
REPLY = ("Answered by (name, role, company)", "Reference of the answer", "Date and time", "The answer in its own words", "New expiry date, where one is set", "Attachment")
TO_FILL_IN = "to be filled in by hand"

Facts = list[tuple[str, str]]


class LotFacts(TypedDict):
    """A lot on a sheet: headings and texts in the order of the sheet."""

    lot: str
    facts: Facts


@dataclass(frozen=True)
class About:
    """What a sheet takes from the case beside its results: whom to answer, by when, where the stock is now, a picture of each unit (SVG)."""

    contacts: tuple[str, ...] = ()
    reply_by: str = ""
    stock_now: str = ""
    pictures: Mapping[str, str] = field(default_factory=dict)


def about(assessment: Assessment) -> About:
    """As the site's register and the answers of the case say."""
    now = entries.current(assessment.case.folder)
    held = assessment.site.extra.get("contacts")
    named = [f"{name}: {one}" for name, one in held.items()] if isinstance(held, dict) else [str(one) for one in held] if isinstance(held, list) else [str(held)] if held else []
    where = [str(now[name]).strip().rstrip(".") for name in ("immediate.where", "immediate.condition", "immediate.marked") if name in now]
    pictures = {name: drawn.svg for name, drawn in charts.small_of(assessment).items()}
    return About(tuple(filter(None, (assessment.site.extra.get("address"), *named))), str(now.get("hold.due", "")), ". ".join(where), pictures)


class Sheet(TypedDict):
    """An enquiry to one manufacturer, as data. ``others``: lots there that nothing is asked about, since no excursion was found."""

    title: str
    question: str
    contacts: list[str]
    reply_by: str
    others: list[str]
    pictures: list[str]
    to: str
    case: str
    site: str
    marks: list[str]
    cautions: list[str]
    lots: list[LotFacts]
    reply: list[str]


def sheets(results: Results[str], *, by: str = "lot", with_mkt: bool = False, preliminary: bool = True, marks: Sequence[str] = (), known: About | None = None) -> list[Sheet]:
    """One sheet a lot or a manufacturer, the question first, then the facts in the order manufacturers ask for them.

    Lots for which no excursion was found in a complete record are named on each sheet and not asked about.

    Parameters
    ----------
    results : dict
        CONTRACTS "Results" of a case, with the lots of ``lots.assess``.
    by : str
        "lot" or "manufacturer"; lots without a stated manufacturer have sheets of their own.
    with_mkt : bool
        Adds mean kinetic temperatures with their windows: only where the manufacturer asks for them.
    marks : sequence of str
        Words for every page, such as DEMONSTRATION.
    known : About, optional
        Contacts, reply date, the stock's place now, pictures.

    Returns
    -------
    list of dict: title, question, to, case, site, contacts[], reply_by, marks[], cautions[], others[], pictures[] (SVG), lots[] {lot, facts[] (heading, text)}, reply[].

    Raises
    ------
    KitError
        For another ``by``.
    """
    if by not in ("lot", "manufacturer"):
        raise KitError(f"sheets by '{by}'", expected="lot or manufacturer")
    groups: dict[tuple[str | None, int | None], list[LotRow[str]]] = {}
    known = known or About()
    others = [f"{lot['lot']} ({lot['product']})" for lot in results["lots"] if not lot["needs_decision"]]
    for number, lot in enumerate(lot for lot in results["lots"] if lot["needs_decision"]):
        maker = lot.get("manufacturer")
        groups.setdefault((maker, None) if by == "manufacturer" and maker else (maker, number), []).append(lot)
    case = results["case"]
    return [
        {
            "title": f"Enquiry about a temperature excursion: {wording.several([lot['lot'] for lot in members])}", "to": key[0] or wording.NOT_KNOWN,
            "question": " ".join(map(question, members)), "contacts": list(known.contacts), "reply_by": known.reply_by or TO_FILL_IN, "others": others,
            "pictures": [known.pictures[unit] for unit in dict.fromkeys(stay["unit"] for lot in members for stay in lot["stays"]) if unit in known.pictures],
            "case": f"{case['id']}: {case['title']}", "site": case.get("site") or wording.NOT_KNOWN, "marks": [*marks, *([PRELIMINARY] if preliminary else [])],
            "cautions": list(CAUTIONS), "lots": [{"lot": lot["lot"], "facts": facts(lot, results, with_mkt=with_mkt, stock_now=known.stock_now)} for lot in members], "reply": list(REPLY),
        }
        for key, members in groups.items()
    ]  # fmt: skip


def question(lot: LotRow[str]) -> str:
    """What is asked about a lot, in one sentence and a request: whether the maker's own statement covers it, else what the maker states.

    Examples
    --------
    >>> row = {"lot": "TBH-2207", "possible_freezing": False, "earlier_out_hours": 1.5, "allowances": [{"source": "Letter 7", "dated": "2025-11-04"}]}
    >>> question({**row, "outside": {"above": {"limits_c": [8.0], "minutes_least": 250.0, "minutes_most": 270.0}}})
    'Lot TBH-2207: does your statement of 2025-11-04 (Letter 7) cover at least 250 min (4 h 10 min), at most 270 min (4 h 30 min) above 8.0 °C, together with 1.5 h earlier? Please answer in writing for this lot.'
    """
    met = [
        f"at least {wording.minutes(held['minutes_least'])}, at most {wording.minutes(held['minutes_most'])} {side} {wording.celsius(held['limits_c'][0] if held.get('limits_c') else held.get('limit_c'))}"
        for side, held in lot.get("outside", {}).items() if held["minutes_most"]
    ]
    met += ["possible freezing"] if lot["possible_freezing"] else []
    earlier = f", together with {wording.hours(lot['earlier_out_hours'])} earlier" if lot.get("earlier_out_hours") else ""
    what = wording.several(met) or "a record that is not complete, as below"
    stated = [_statement(one) for one in lot["allowances"]]
    asked = f"does your statement {' or '.join(stated)} cover {what}{earlier}?" if stated else f"what do you state for {what}{earlier}?"
    return f"Lot {lot['lot']}: {asked} Please answer in writing for this lot."


def _statement(one: AllowanceRow) -> str:
    return f"of {one['dated']} ({one['source']})" if one.get("dated") else f"({one['source']})"


def facts(lot: LotRow[str], results: Results[str], *, with_mkt: bool = False, stock_now: str = "") -> Facts:
    """(heading, text) of one lot, in the order of the sheet."""
    zone = results["case"].get("timezone") or "UTC"
    rows = [*_product(lot), *_storage(lot, zone), *_readings(lot, zone), *_times(lot, zone), *_bands(lot), *_statements(lot), *_unknown(lot), *_beside(lot), *_probes(lot, results)]
    rows += _mkt(lot, results, zone) if with_mkt else []
    return [*rows, *_place(lot, zone, stock_now)]


def _product(lot: LotRow[str]) -> Facts:
    stays = lot["stays"]
    return [
        ("Product", lot["product"]), ("Presentation", lot.get("presentation") or wording.NOT_KNOWN), ("Lot", lot["lot"]), ("Expiry", lot.get("expiry") or wording.NOT_KNOWN),
        ("Quantity", " then ".join(dict.fromkeys(wording.quantity(held, lot.get("presentation")) for stay in stays if (held := stay.get("quantity")))) or wording.NOT_KNOWN),
        ("State", " then ".join(dict.fromkeys(f"{stay['state']}{'' if stay.get('state_stated') else ' (taken so, none is stated)'}" for stay in stays)) or wording.NOT_KNOWN),
        *([("Goes with lot", str(lot["goes_with"]))] if lot.get("goes_with") else []),
    ]  # fmt: skip


def _storage(lot: LotRow[str], zone: str) -> Facts:
    """The condition the figures are measured against, and the time they cover."""
    titles = dict.fromkeys(f"{stay['condition_title']} (source: {stay['condition_source'] or wording.NOT_KNOWN})" for stay in lot["stays"])
    spans = [f"{stay['unit']}, from {wording.when(stay['judged_from'], zone)} to {wording.when(stay['judged_to'], zone)}" for stay in lot["stays"] if stay["judged_from"]]
    return [("Storage condition that the figures are measured against", "; ".join(titles)), ("Time that the figures cover", "; ".join(spans) or "none of the lot's stay")]


def _place_of(row: ExposureRow[str] | FreezingRow[str] | ProbeRow[str] | ProductBesideRow[str]) -> str:
    return f"{row['unit']}, by the display" if row.get("probe") is None else f"{row['unit']}, probe {row['probe']} ({wording.word(row.get('role'))})"


def _readings(lot: LotRow[str], zone: str) -> Facts:
    """Highest and lowest reading of each probe during the stay, corrected, with the value as read where it differs."""
    seen: dict[str, ExposureRow[str]] = {}
    for row in lot["exposures"]:
        seen.setdefault(f"{_place_of(row)}{row.get('start')}{row['excursions'] if row.get('probe') is None else ''}", row)
    highs: list[str] = []
    lows: list[str] = []
    for row in seen.values():
        high = (row.get("max_c"), row.get("max_time"), row.get("as_read_max_c"), row.get("max_one_sided"))
        low = (row.get("min_c"), row.get("min_time"), row.get("as_read_min_c"), row.get("min_one_sided"))
        for (value_c, time, as_read_c, words), told, found in ((high, wording.end_of(row, "max"), highs), (low, wording.end_of(row, "min"), lows)):
            if value_c is not None or words:
                also = f" (as read: {wording.celsius(as_read_c)})" if as_read_c is not None and not words and as_read_c != value_c else ""
                at = f"between {wording.when(row['start'], zone)} and {wording.when(row['end'], zone)}, time not known" if row.get("probe") is None else f"at {wording.when(time, zone)}"
                found.append(f"{told} {at}, {_place_of(row)}{also}")
    none = "no reading during the stay"
    return [("Highest reading", "; ".join(highs) or none), ("Lowest reading", "; ".join(lows) or none), ("Possible freezing", _freezing(lot, zone))]


def _freezing(lot: LotRow[str], zone: str) -> str:
    row = lot.get("freezing")
    if lot["possible_freezing"] is None or not row:
        return "not known: no probe has a reading during the stay"
    lowest = wording.bounded(row["lowest_c"], row.get("lowest_one_sided"), row.get("lowest_text"))
    less = "" if row.get("lowest_one_sided") else f"; less its uncertainty {wording.celsius(row['lowest_less_u_c'])}"
    figures = f"lowest reading {lowest} at {wording.when(row['time'], zone)}, {_place_of(row)}{less}"
    if lot["possible_freezing"]:
        return f"YES, possible: {figures}"
    cold = f"no probe at or below {wording.celsius(row.get('freeze_c'))}, each at its own place only: {figures}"
    return cold if row.get("do_not_freeze", True) else f"not marked freeze-sensitive in our list; {cold}"


def _times(lot: LotRow[str], zone: str) -> Facts:
    """First outside, last outside, first back; longest single and total time at most, for each side of the limits."""
    rows: Facts = []
    for side in ("above", "below"):
        spans = [row for row in lot["exposures"] if row["direction"] == side and row.get("first_out") is not None]
        files = lot.get("outside", {}).get(side)
        if files is None:
            continue
        limits: Sequence[float | None] = files.get("limits_c") or [files["limit_c"]]
        limit = f"{side} {wording.several([wording.celsius(one) for one in limits])}" + (", each stay by its own limit" if len(limits) > 1 else "")
        if not spans and not files["minutes_most"]:
            rows.append((f"Readings {limit}", "none"))
            continue
        firsts, lasts, backs = ([(row["first_out"], row) for row in spans], [(row["last_out"], row) for row in spans], [(row["first_back"], row) for row in spans])
        for heading, times in (("First reading outside", firsts), ("Last reading outside", lasts), ("First reading back inside", backs)):
            shown = [f"{wording.when(time, zone) if time is not None else 'none in this record'} ({_place_of(row)})" for time, row in times]
            rows.append((f"{heading}, {limit}", "; ".join(shown) or "no reading outside"))
        rows.append((f"Longest single time {limit}", _bounds(files["longest_least"], files["longest_most"])))
        rows.append((f"Total time {limit}", _bounds(files["minutes_least"], files["minutes_most"])))
    return rows


def _bounds(least_min: float, most_min: float) -> str:
    return f"at most {wording.minutes(most_min)}, at least {wording.minutes(least_min)}"


def _bands(lot: LotRow[str]) -> Facts:
    rows = lot.get("bands", ())
    shown = [f"{row['direction']} {wording.celsius(row['limit_c'])}: {_bounds(row['minutes_least'], row['minutes_most'])}, longest at most {wording.minutes(row['longest_most'])}" for row in rows if row["minutes_most"] > 0]
    return [("Time in each band", "; ".join(shown) or "none beyond the limits")]


def _statements(lot: LotRow[str]) -> Facts:
    """What the manufacturer stated before, and what of it is used by this record."""
    told = [
        f"{wording.celsius(one['from_c'])} to {wording.celsius(one['to_c'])}, {wording.hours(one['hours'])} in {'one run' if one['counting'] == 'single' else 'total'}, {one['state']} stock ({one['source']}): {more(one)}"
        + (f"; used at least {wording.hours(one['used_least'])}, at most {wording.hours(one['used_most'])}{' in this case' if one['used_bound'] else ''}" if one["applicable"] else f"; {one['why']}")
        for one in lot["allowances"]
    ]
    return [("Stated by the manufacturer so far", "; ".join([*told, *(text.removeprefix(f"{lot['lot']}: ") for text in uncovered(lot))]) or "nothing that is known")]


def _beside(lot: LotRow[str]) -> Facts:
    """Contents beside the probe, marked as the estimate it is."""
    rows = lot.get("product_beside", ())
    told = [
        f"{_place_of(row)}: highest {wording.celsius(row['max_least_c'])} to {wording.celsius(row['max_most_c'])}, lowest {wording.celsius(row['min_least_c'])} to {wording.celsius(row['min_most_c'])}"
        + "".join(f", {side} {wording.celsius(held['limit_c'])} at least {wording.minutes(held['minutes_least'])}, at most {wording.minutes(held['minutes_most'])}" for side, held in row["outside"].items())
        for row in rows
    ]
    if not told:
        return []
    low, high = rows[0]["time_constant_min"]
    return [("ESTIMATE: contents beside the probe", "; ".join([*told, f"for a time constant of {low:g} to {high:g} min ({rows[0]['source']}), in the air that the probe met; goods put in warm or cold are not covered"]))]


def _unknown(lot: LotRow[str]) -> Facts:
    silent = lot.get("without_readings_min") or 0.0
    stated = lot.get("earlier_out_hours")
    before = [] if lot.get("earlier_known", True) else ["before the first stay: not known"]
    before += [] if stated is None else [f"{wording.hours(stated) + ' out of range' if stated else 'none'} before this stay, as stated in the stock list"]
    before += [
        f"case {row['case']}: at most {wording.hours(row['out_hours_most'])} out of range or without readings" + (", possible freezing" if row["possible_freezing"] else "")
        for row in lot.get("earlier_cases", ())
    ]  # fmt: skip
    return [("Time without readings", wording.minutes(silent) if silent else "none"), ("Earlier exposures", "; ".join(before) or wording.NOT_KNOWN)]


def _probes(lot: LotRow[str], results: Results[str]) -> Facts:
    """Probe and place, and the uncertainty each reading carries."""
    units = dict.fromkeys(stay["unit"] for stay in lot["stays"])
    known = [row for row in results.get("probes", ()) if row["unit"] in units and row["decides"]]
    places = [_place_of(row) for row in known]
    doubts = [f"{_place_of(row)}: \N{PLUS-MINUS SIGN}{wording.celsius(2 * u_c)} (k = 2, {wording.word(row['u_from'])})" for row in known if (u_c := row.get("u_c")) is not None]
    papers = [row["text"] for row in results.get("calibration", ()) if any((row["unit"], row["probe"]) == (one["unit"], one["probe"]) for one in known)]
    rows = [("Probe and place", "; ".join(places) or wording.NOT_KNOWN), ("Uncertainty of the readings", "; ".join(doubts) or wording.NOT_KNOWN)]
    return [*rows, *([("Calibration", " ".join(papers))] if papers else [])]


def _mkt(lot: LotRow[str], results: Results[str], zone: str) -> Facts:
    """Over the stay, and each window of the condition's own rule, with window, activation energy and what is not covered."""
    shown = []
    for stay in lot["stays"]:
        for row in stay.get("probes", ()):
            span = f"{stay['unit']}, probe {row['probe']}, from {wording.when(stay['judged_from'], zone)} to {wording.when(stay['judged_to'], zone)}"
            value = row["mkt_why_not"] or f"{wording.celsius(row['mkt_c'])} ({row['ea_kj_mol']:g} kJ/mol, {wording.percent(row['covered_share'])} of the time covered)"
            shown.append(f"{span}: {value}")
    units = {stay["unit"] for stay in lot["stays"]}
    for mkt in results.get("mkt", ()):
        if mkt.get("used") and mkt.get("unit") in (None, *units) and (mkt["mkt_c"] is not None or mkt.get("why_not")):
            span = f"{mkt['rule']}, probe {mkt['probe']}, from {wording.when(mkt['window_start'], zone)} to {wording.when(mkt['window_end'], zone)}"
            value = mkt.get("why_not") or f"{wording.celsius(mkt['mkt_c'], limit=mkt['limit_c'])} ({mkt['ea_kj_mol']:g} kJ/mol, {wording.percent(mkt['covered_share'])} of the time covered)"
            shown.append(f"{span}: {value}")
    return [("Mean kinetic temperature, asked for", "; ".join(shown) or "not computed")]


def _place(lot: LotRow[str], zone: str, stock_now: str) -> Facts:
    last = lot["stays"][-1]
    where = f"in {last['unit']} since {wording.when(last['moved_in'], zone)}" if last.get("moved_out") is None else f"taken out of {last['unit']} at {wording.when(last['moved_out'], zone)}"
    return [("Where the stock list has it", where), ("Stage of the vial monitor, as read off the vial", f"{TO_FILL_IN}, where there is one"), ("Where the stock is now, at what temperature, how it is marked", stock_now or TO_FILL_IN)]


_STYLE = """
body{font:10.5pt/1.35 system-ui,sans-serif;color:#000;background:#fff;margin:1cm auto;max-width:19cm;padding:0 .5cm}
h1{font-size:13pt;margin:.2em 0}h2{font-size:11pt;margin:.6em 0 .2em}.mark{border:2px solid #000;padding:.15em .5em;font-weight:bold;margin:.2em 0}.question{font-weight:700;font-size:1.08em;margin:.4em 0}
table{border-collapse:collapse;width:100%}th,td{border-bottom:1px solid #777;padding:.12em .5em .12em 0;text-align:left;vertical-align:top}th{width:31%;font-weight:600}p{margin:.25em 0}svg{max-width:100%;height:auto}
.reply td,.reply th{height:1.7em;border:1px solid #555;padding:.1em .4em}ul{margin:.2em 0;padding-left:1.3em}section{break-inside:auto}tr{break-inside:avoid}
@media print{body{margin:0;padding:0;max-width:none;font-size:7.2pt;line-height:1.16}svg{max-height:19mm;display:block}ul{display:block;padding:0;margin:1mm 0}li{display:inline}@page{margin:.9cm 1.2cm}.reply td,.reply th{height:1.4em}th{width:24%}h1{font-size:11pt}section + section{break-before:auto}}
"""


def html(sheet: Sheet) -> str:
    """One self-contained page to print or send; everything that people typed is escaped."""
    text = markup.escape
    marks = f'<p class="mark">{text(" ".join(sheet["marks"]))}</p>' if sheet["marks"] else ""
    lots = "".join("<section>" + _rows(lot["facts"]) + "</section>" for lot in sheet["lots"])
    reply = "".join(f'<tr><th scope="row">{text(label)}</th><td></td></tr>' for label in sheet["reply"])
    others = f"<p>In the same units, no excursion found and nothing asked: {text('; '.join(sheet['others']))}.</p>" if sheet["others"] else ""
    cautions = "".join(f"<li>{text(caution)}</li>" for caution in sheet["cautions"])
    return (
        f'<!DOCTYPE html>\n<html lang="en"><head><meta charset="utf-8"><meta name="viewport" content="width=device-width"><title>{text(sheet["title"])}</title><style>{_STYLE}</style></head>\n'
        f"<body><main>{marks}<p class=\"question\">{text(sheet['question'])}</p><h1>{text(sheet['title'])}</h1><p>To: {text(sheet['to'])}. From: {text(', '.join([sheet['site'], *sheet['contacts']]))}. Case: {text(sheet['case'])}. <strong>Reply by: {text(sheet['reply_by'])}</strong></p>\n"
        f"{''.join(sheet['pictures'])}\n{lots}\n{others}<section><h2>Answer of the manufacturer</h2><table class=\"reply\"><tbody>{reply}</tbody></table></section><ul>{cautions}</ul></main></body></html>\n"
    )


def _rows(facts: Facts) -> str:
    text = markup.escape
    rows = "".join(f'<tr><th scope="row">{text(heading)}</th><td>{"<br>".join(map(text, value.split("; ")))}</td></tr>' for heading, value in facts)
    return f"<table><tbody>{rows}</tbody></table>"


def write(results: Results[str], out: Path, *, by: str = "lot", with_mkt: bool = False, marks: Sequence[str] = (), known: About | None = None) -> list[Path]:
    """The sheets as pages in a folder, before any freeze, marked preliminary; earlier pages of the same name are replaced whole.

    Raises
    ------
    KitError
        The case has no lots, or the folder cannot be written to.
    """
    found = sheets(results, by=by, with_mkt=with_mkt, marks=marks, known=known)
    if not found and results["lots"]:
        raise KitError("no lot of the case was exposed, as far as its record shows: there is nothing to ask about", mend="To ask all the same, write to the manufacturer with the report")
    if not found:
        raise KitError("the case has no lots to ask about", mend='Name a stock list under [inputs]: stock = "stock.csv"')
    paths = []
    for number, sheet in enumerate(found, 1):
        name = re.sub(r"[^A-Za-z0-9._-]+", "-", " ".join(lot["lot"] for lot in sheet["lots"]))[:60].strip("-.") or "lot"
        paths.append(files.write(out / f"enquiry-{number:02d}-{name}.html", html(sheet)))
    return paths
