"""Which lots were there, what each received, and what its manufacturer stated. Nothing here says what remains, or what to do."""

from __future__ import annotations

from typing import TYPE_CHECKING

from coldchain_kit.model import AllowanceRow, BesideOutsideRow, ExposureRow, FreezingRow, LotRow, StayRow
from coldchain_kit.show import wording
from coldchain_kit.show.tables.table import Table, Tables, capped, turned

if TYPE_CHECKING:
    from coldchain_kit.assessment import Assessment

MOST_LOTS = 100


def lots(assessment: Assessment) -> Table:
    """Every lot with whether a person must decide on it, and why."""
    about = {lot.lot: lot for lot in assessment.lots}
    cells = [
        (
            row["lot"], row["product"], *(getattr(about.get(row["lot"]), name, None) for name in ("presentation", "manufacturer", "expiry")), _quantity(row["stays"], getattr(about.get(row["lot"]), "presentation", None)),
            "yes: a person must decide" if row["needs_decision"] else "no excursion found in a complete record, no more than that", row["why"] or "nothing found", _freezing(row["possible_freezing"], row.get("freezing")), _state(row["stays"]), _missing(row), _against(row),
        )
        for row in assessment.results["lots"]
    ]  # fmt: skip
    shown, notes = capped(cells, MOST_LOTS, "lots")
    columns = ("Lot", "Product", "Presentation", "Manufacturer", "Expiry", "Quantity", "Needs a decision", "Why", "Possible freezing", "State", "Missing readings", "Against what was stated")
    notes = (*notes, "The kit never says that product is safe or must be discarded. The pharmacist or quality unit decides, under local rules.")
    return Table("Lots in the units", columns, shown, notes, "No stock list was given: which lots were there is not known.")


def received(assessment: Assessment) -> Table:
    """Every lot in a row: what it received, against what was stated, and why a person must decide; all else stands in annex F."""
    about = {lot.lot: lot.presentation for lot in assessment.lots}
    cells = [
        (
            row["lot"], f"{row['product']}, {_quantity(row['stays'], about.get(row['lot']))}", _outside(row), _against(row),
            (row["why"] or "needs a decision") if row["needs_decision"] else "no excursion found in a complete record, no more than that",
        )
        for row in assessment.results["lots"]
    ]  # fmt: skip
    shown, notes = capped(cells, MOST_LOTS, "lots")
    columns = ("Lot", "What it is", "Time outside, at least to at most", "Against what was stated", "Why a person must decide")
    return Table("What each lot received", columns, shown, (*notes, "In full: annex F. The pharmacist or quality unit decides, under local rules."), "No stock list was given: which lots were there is not known.")


def _outside(row: LotRow[str]) -> list[str]:
    told = ["possible freezing"] if row["possible_freezing"] else []
    told += [f"{wording.word(side)}: {wording.minutes(held['minutes_least'])} to {wording.minutes(held['minutes_most'])}" for side, held in row["outside"].items() if held["minutes_most"]]
    silent = row.get("without_readings_min")
    return [*told, *([f"without readings: {wording.minutes(silent)}"] if silent else [])] or ["none by the readings"]


MORE = {"yes": "more than stated", "may_be": "may be more than stated", "no": "not more than stated, by this record"}
OTHER = {"below": "cold", "above": "warm"}


def more(one: AllowanceRow) -> str:
    """What a row of ``allowances[]`` says of the hours used against the hours stated, in words.

    Examples
    --------
    >>> more({"more_than_stated": "may_be", "used_bound": True}), more({"more_than_stated": None})
    ('may be more than stated: earlier time is not known', 'the statement does not apply')
    """
    told = MORE.get(str(one.get("more_than_stated")))
    if told is None:
        return "the statement does not apply"
    return f"{told}: earlier time is not known" if one.get("used_bound") and one["more_than_stated"] == "may_be" else told


def uncovered(row: LotRow[str]) -> list[str]:
    """Sides of a lot's limits on which it was out, or may have been, and that no statement of its manufacturer covers."""
    out = {side: held for side, held in row.get("outside", {}).items() if held["minutes_most"]}
    return [
        f"{row['lot']}: no statement covers the {OTHER[side]} side" + (", on which it was or may have been outside." if side in out else ".")
        for side in row.get("sides_without_statement", ())
    ]  # fmt: skip


def _missing(row: LotRow[str]) -> str:
    """Readings missing from the stays, the worst probe of each, and the part of the stays that they are; isolated losses are told only here.

    Examples
    --------
    >>> _missing({"missing_readings": 3, "missing_share": 0.0004}), _missing({"missing_readings": 0, "missing_share": 0.0}), _missing({"missing_readings": 0, "missing_share": None})
    ('3, 0.04 % of the stay', 'none', 'not known')
    """
    count, share = row.get("missing_readings"), row.get("missing_share")
    if share is None or count is None:
        return wording.NOT_KNOWN
    return f"{count}, {100 * share:.2g} % of the stay" if count or share else "none"


def _state(stays: list[StayRow[str]]) -> list[str]:
    told = [f"{stay['state']}{'' if stay.get('state_stated') else ' (taken so, as none is stated)'}{', opened during the stay or before' if stay.get('opened_at') else ''}" for stay in stays]
    return list(dict.fromkeys(told)) or [wording.NOT_KNOWN]


def _against(row: LotRow[str]) -> list[str]:
    """Each statement in a few words, and the sides without one; what goes with the lot has a row of its own."""
    told = [f"{_edge(one['from_c'])} to {_edge(one['to_c'])}: {more(one)}" for one in row["allowances"]] or ["no statement was given"]
    told += [text.removeprefix(f"{row['lot']}: ") for text in uncovered(row)]
    return told + ([f"goes with lot {row['goes_with']}, which has its own row and limits"] if row.get("goes_with") else [])


def _quantity(stays: list[StayRow[str]], presentation: str | None) -> str:
    """How much, with what it is counted in: "40 single-dose vial"; that nobody stated what, where nobody did."""
    held = [wording.quantity(stay["quantity"], presentation) for stay in stays if stay.get("quantity") not in (None, "")]
    return " then ".join(dict.fromkeys(held)) or wording.NOT_KNOWN


def _freezing(value: bool | None, held: FreezingRow[str] | None = None) -> str:
    if value is None:
        return "not evaluated"
    rule = f" Judged: {held['freeze_rule']}." if held and held.get("freeze_rule") else ""
    by = "what a display showed" if held and held.get("role") == "display" else "some probe's reading"
    return (f"possible: {by} less its uncertainty is at or below the freezing point" if value else "not seen by any probe") + ("." + rule if rule else "")


def stays(assessment: Assessment) -> Table:
    """Where each lot was, and when."""
    zone, presented = assessment.site.timezone, {lot.lot: lot.presentation for lot in assessment.lots}
    cells = [
        (row["lot"], stay.get("unit"), wording.when(stay.get("moved_in"), zone), wording.when(stay["moved_out"], zone) if stay.get("moved_out") else "still there", _quantity([stay], presented.get(row["lot"])), "; ".join(_state([stay])))
        for row in assessment.results["lots"]
        for stay in row["stays"]
    ]
    shown, notes = capped(cells, MOST_LOTS, "stays")
    return Table(
        "Where each lot was",
        ("Lot", "Unit", "Moved in", "Moved out", "Quantity", "State"),
        shown,
        (*notes, "Where the last stay of a lot ended, this list does not say where it went.", "Minutes between two stays are minutes without readings."),
        "No stock list was given.",
    )


def exposures(assessment: Assessment) -> Tables:
    """What each lot received over its stay in the window, with bounds, and contents beside the probe, an estimate."""
    found = (_exposures(assessment), product_beside(assessment))
    return Tables(found if found[1].rows else found[:1])


def product_beside(assessment: Assessment) -> Table:
    """Contents of a stated or assumed time constant beside the probe's own figures. An estimate: the verdict stays on the probe."""
    zone = assessment.site.timezone
    rows = [(lot["lot"], one) for lot in assessment.results["lots"] for one in lot.get("product_beside", ())]
    cells = [
        (
            lot, wording.place(one), wording.when(one["start"], zone), wording.when(one["end"], zone), f"{wording.celsius(one['probe_max_c'])}; {_between(one['max_least_c'], one['max_most_c'])}",
            f"{wording.celsius(one['probe_min_c'])}; {_between(one['min_least_c'], one['min_most_c'])}", [_beside(side, held) for side, held in one["outside"].items()],
            wording.minutes(one["unknown_minutes"]) if one["unknown_minutes"] else "none",
        )
        for lot, one in rows
    ]  # fmt: skip
    shown, notes = capped(cells, MOST_LOTS, "rows")
    about = [f"Time constant of the contents {one['time_constant_min'][0]:g} to {one['time_constant_min'][1]:g} min: {one['source']}. {one['assumes']}" for _, one in rows[:1]]
    notes = (*notes, *about, "An estimate. No verdict and no share of a statement rests on it: those stay on the probe's readings.")
    columns = ("Lot", "Unit and probe", "From", "To", "Highest: probe; contents", "Lowest: probe; contents", "Time outside: probe; contents, at least to at most", "Time that nothing tells about")
    return turned(Table("Contents beside the probe: an estimate", columns, shown, notes))


def _between(least_c: float, most_c: float) -> str:
    return f"contents between {wording.celsius(least_c)} and {wording.celsius(most_c)}"


def _beside(side: str, held: BesideOutsideRow) -> str:
    told = f"{wording.minutes(held['minutes_least'])} to {wording.minutes(held['minutes_most'])}"
    return f"{side} {wording.celsius(held['limit_c'])}: {wording.minutes(held['probe_minutes'])}; {told}"


def _exposures(assessment: Assessment) -> Table:
    """Sides with nothing outside are left out."""
    cells = []
    for row in assessment.results["lots"]:
        hit = [one for one in row["exposures"] if one["minutes_most"]]
        quiet = {
            (one.get("unit"), one.get("probe")): one
            for one in row["exposures"]
            if not any((one.get("unit"), one.get("probe")) == (held.get("unit"), held.get("probe")) for held in hit)
        }
        cells += [_exposure(row["lot"], one, assessment.site.timezone) for one in [*hit, *quiet.values()]]
    shown, notes = capped(cells, MOST_LOTS, "rows")
    columns = (
        "Lot",
        "Unit and probe",
        "In the window from",
        "to",
        "Side",
        "Time outside, at least to at most",
        "Longest run",
        "First reading outside",
        "Last reading outside",
        "First reading back",
        "Lowest",
        "Highest",
    )
    return turned(
        Table(
            f"What each lot received during its stay; {wording.FURTHER}; lowest and highest corrected",
            columns,
            shown,
            (*notes, "What a lot received during time without readings is not known."),
            "No stock list was given.",
        )
    )


def _exposure(lot: str, one: ExposureRow[str], zone: str) -> tuple[str, ...]:
    inside = not one["minutes_most"]
    side = "no reading outside" if inside else f"{wording.word(one['direction'])} of {wording.celsius(one['limit_c'])}"
    spans = ("none", "none") if inside else (f"{wording.minutes(one['minutes_least'])} to {wording.minutes(one['minutes_most'])}", wording.minutes(one.get("longest")))
    times = ("none", "none", "none") if inside else tuple(wording.when(time, zone) for time in (one.get("first_out"), one.get("last_out"), one.get("first_back")))
    return (
        lot,
        wording.place(one) if one.get("probe") else f"{wording.place(one)} ({wording.BY_DISPLAY})",
        wording.when(one.get("start"), zone),
        wording.when(one.get("end"), zone),
        side,
        *spans,
        *times,
        wording.end_of(one, "min"),
        wording.end_of(one, "max"),
    )


def allowances(assessment: Assessment) -> Table:
    """The manufacturers' statements and the share of each that is used, at least and at most."""
    cells = [
        (
            row["lot"],
            f"{_edge(one['from_c'])} to {_edge(one['to_c'])}, {one['state']} stock",
            wording.hours(one["hours"]),
            _COUNTING.get(one["counting"], one["counting"]),
            *_used(one),
            more(one),
            one.get("why") or "applies",
            one["source"],
        )
        for row in assessment.results["lots"]
        for one in row["allowances"]
    ]
    columns = ("Lot", "Between", "Stated", "Counting", "Used, at least", "Used, at most", "Against what is stated", "Applies?", "Source")
    notes = ("Time without readings counts as used. Allowances of different bands are never added. Device alarm settings are not time that is allowed.",)
    shown, left = capped(cells, MOST_LOTS, "statements")
    missing = tuple(text for row in assessment.results["lots"] for text in uncovered(row))
    return Table("What manufacturers stated, and how much of it is used", columns, shown, (*left, *missing, *notes), "No statement of a manufacturer was given.")


_COUNTING = {"single": "one run", "total": "all together"}


def _edge(value: float | None) -> str:
    return "any" if value is None else wording.celsius(value)


def _used(one: AllowanceRow) -> tuple[str, str]:
    if not one["applicable"]:
        return ("not applicable", "not applicable")
    return (wording.hours(one["used_least"]), wording.hours(one["used_most"]))
