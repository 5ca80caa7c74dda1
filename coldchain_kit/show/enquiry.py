"""The enquiry sheet: what a manufacturer asks for about a lot, as data and as one self-contained page.

It can be printed before anything is frozen; then it is marked PRELIMINARY. It asks, it does not judge.
"""

from __future__ import annotations

import html as markup
import re
from collections.abc import Sequence
from pathlib import Path
from typing import TypedDict

from coldchain_kit.base import KitError, files
from coldchain_kit.model import ExposureRow, FreezingRow, LotRow, ProbeRow, ProductBesideRow, Results
from coldchain_kit.show import wording
from coldchain_kit.show.tables.lots import more, uncovered

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


class Sheet(TypedDict):
    """An enquiry to one manufacturer, as data."""

    title: str
    to: str
    case: str
    site: str
    marks: list[str]
    cautions: list[str]
    lots: list[LotFacts]
    reply: list[str]


def sheets(results: Results[str], *, by: str = "lot", with_mkt: bool = False, preliminary: bool = True, marks: Sequence[str] = ()) -> list[Sheet]:
    """One sheet a lot or a manufacturer, the facts in the order manufacturers ask for them.

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

    Returns
    -------
    list of dict: title, to, case, site, marks[], cautions[], lots[] {lot, facts[] (heading, text)}, reply[].

    Raises
    ------
    KitError
        For another ``by``.
    """
    if by not in ("lot", "manufacturer"):
        raise KitError(f"sheets by '{by}'", expected="lot or manufacturer")
    groups: dict[tuple[str | None, int | None], list[LotRow[str]]] = {}
    for number, lot in enumerate(results["lots"]):
        maker = lot.get("manufacturer")
        groups.setdefault((maker, None) if by == "manufacturer" and maker else (maker, number), []).append(lot)
    case = results["case"]
    return [
        {
            "title": f"Enquiry about a temperature excursion: {wording.several([lot['lot'] for lot in members])}", "to": key[0] or wording.NOT_KNOWN,
            "case": f"{case['id']}: {case['title']}", "site": case.get("site") or wording.NOT_KNOWN, "marks": [*marks, *([PRELIMINARY] if preliminary else [])],
            "cautions": list(CAUTIONS), "lots": [{"lot": lot["lot"], "facts": facts(lot, results, with_mkt=with_mkt)} for lot in members], "reply": list(REPLY),
        }
        for key, members in groups.items()
    ]  # fmt: skip


def facts(lot: LotRow[str], results: Results[str], *, with_mkt: bool = False) -> Facts:
    """(heading, text) of one lot, in the order of the sheet."""
    zone = results["case"].get("timezone") or "UTC"
    rows = [*_product(lot), *_storage(lot, zone), *_readings(lot, zone), *_times(lot, zone), *_bands(lot), *_statements(lot), *_unknown(lot), *_beside(lot), *_probes(lot, results)]
    rows += _mkt(lot, results, zone) if with_mkt else []
    return [*rows, *_place(lot, zone)]


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
    return f"not seen by any probe: {figures}" if row.get("do_not_freeze", True) else f"the stock list says that this product may be frozen; {figures}"


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
    return [(f"ESTIMATE: contents with a time constant of {low:g} to {high:g} min ({rows[0]['source']}) in the air that the probe met; goods put in warm or cold are not covered", "; ".join(told))]


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
    return [("Probe and place", "; ".join(places) or wording.NOT_KNOWN), ("Uncertainty of the readings", "; ".join(doubts) or wording.NOT_KNOWN)]


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


def _place(lot: LotRow[str], zone: str) -> Facts:
    last = lot["stays"][-1]
    where = f"in {last['unit']} since {wording.when(last['moved_in'], zone)}" if last.get("moved_out") is None else f"taken out of {last['unit']} at {wording.when(last['moved_out'], zone)}"
    return [("Where the stock list has it", where), ("Stage of the vial monitor, as read off the vial", f"{TO_FILL_IN}, where there is one"), ("Where the stock is now, at what temperature, how it is marked", TO_FILL_IN)]


_STYLE = """
body{font:11pt/1.4 system-ui,sans-serif;color:#000;background:#fff;margin:1.5cm auto;max-width:19cm;padding:0 .5cm}
h1{font-size:15pt;margin:.3em 0}h2{font-size:12pt;margin:1.2em 0 .3em}.mark{border:2px solid #000;padding:.3em .6em;font-weight:bold;margin:.3em 0}
table{border-collapse:collapse;width:100%}th,td{border:1px solid #555;padding:.25em .5em;text-align:left;vertical-align:top}th{width:36%;font-weight:600}
.reply td{height:2.2em}ul{margin:.4em 0;padding-left:1.3em}section{break-inside:auto}tr{break-inside:avoid}
@media print{body{margin:0;max-width:none}@page{margin:1.5cm}}
"""


def html(sheet: Sheet) -> str:
    """One self-contained page to print or send; everything that people typed is escaped."""
    text = markup.escape
    marks = "".join(f'<p class="mark">{text(mark)}</p>' for mark in sheet["marks"])
    lots = "".join(f"<section><h2>Lot {text(lot['lot'])}</h2>{_rows(lot['facts'])}</section>" for lot in sheet["lots"])
    reply = "".join(f'<tr><th scope="row">{text(label)}</th><td></td></tr>' for label in sheet["reply"])
    cautions = "".join(f"<li>{text(caution)}</li>" for caution in sheet["cautions"])
    return (
        f'<!DOCTYPE html>\n<html lang="en"><head><meta charset="utf-8"><meta name="viewport" content="width=device-width"><title>{text(sheet["title"])}</title><style>{_STYLE}</style></head>\n'
        f"<body><main>{marks}<h1>{text(sheet['title'])}</h1><p>To: {text(sheet['to'])}<br>From: {text(sheet['site'])}<br>Case: {text(sheet['case'])}</p>\n"
        f"<ul>{cautions}</ul>\n{lots}\n<section><h2>Answer of the manufacturer</h2><table class=\"reply\"><tbody>{reply}</tbody></table></section>{marks}</main></body></html>\n"
    )


def _rows(facts: Facts) -> str:
    text = markup.escape
    rows = "".join(f'<tr><th scope="row">{text(heading)}</th><td>{"<br>".join(map(text, value.split("; ")))}</td></tr>' for heading, value in facts)
    return f"<table><tbody>{rows}</tbody></table>"


def write(results: Results[str], out: Path, *, by: str = "lot", with_mkt: bool = False, marks: Sequence[str] = ()) -> list[Path]:
    """The sheets as pages in a folder, before any freeze, marked preliminary; earlier pages of the same name are replaced whole.

    Raises
    ------
    KitError
        The case has no lots, or the folder cannot be written to.
    """
    found = sheets(results, by=by, with_mkt=with_mkt, marks=marks)
    if not found:
        raise KitError("the case has no lots to ask about", mend='Name a stock list under [inputs]: stock = "stock.csv"')
    paths = []
    for number, sheet in enumerate(found, 1):
        name = re.sub(r"[^A-Za-z0-9._-]+", "-", " ".join(lot["lot"] for lot in sheet["lots"]))[:60].strip("-.") or "lot"
        paths.append(files.write(out / f"enquiry-{number:02d}-{name}.html", html(sheet)))
    return paths
