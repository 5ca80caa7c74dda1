"""Which lots were there, what each received, and what its manufacturer stated. Nothing here says what remains, or what to do."""

from __future__ import annotations

from typing import TYPE_CHECKING

from coldchain_kit.model import AllowanceRow, ExposureRow, StayRow
from coldchain_kit.show import wording
from coldchain_kit.show.tables.table import Table, capped, turned

if TYPE_CHECKING:
    from coldchain_kit.assessment import Assessment

MOST_LOTS = 100


def lots(assessment: Assessment) -> Table:
    """Every lot with whether a person must decide on it, and why."""
    about = {lot.lot: lot for lot in assessment.lots}
    cells = [
        (
            row["lot"], row["product"], *(getattr(about.get(row["lot"]), name, None) for name in ("presentation", "manufacturer", "expiry")), _quantity(row["stays"]),
            "yes: a person must decide" if row["needs_decision"] else "no excursion found in a complete record, no more than that", row["why"] or "nothing found", _freezing(row["possible_freezing"]),
        )
        for row in assessment.results["lots"]
    ]  # fmt: skip
    shown, notes = capped(cells, MOST_LOTS, "lots")
    columns = ("Lot", "Product", "Presentation", "Manufacturer", "Expiry", "Quantity", "Needs a decision", "Why", "Possible freezing")
    notes = (*notes, "The kit never says that product is safe or must be discarded. The pharmacist or quality unit decides, under local rules.")
    return Table("Lots in the units", columns, shown, notes, "No stock list was given: which lots were there is not known.")


def _quantity(stays: list[StayRow[str]]) -> str:
    held = [str(stay["quantity"]) for stay in stays if stay.get("quantity") not in (None, "")]
    return " then ".join(dict.fromkeys(held)) or wording.NOT_KNOWN


def _freezing(value: bool | None) -> str:
    if value is None:
        return "not evaluated"
    return "possible: some probe's reading less its uncertainty is at or below the freezing point" if value else "not seen by any probe"


def stays(assessment: Assessment) -> Table:
    """Where each lot was, and when."""
    zone = assessment.site.timezone
    cells = [
        (row["lot"], stay.get("unit"), wording.when(stay.get("moved_in"), zone), wording.when(stay["moved_out"], zone) if stay.get("moved_out") else "still there", stay.get("quantity"))
        for row in assessment.results["lots"]
        for stay in row["stays"]
    ]
    shown, notes = capped(cells, MOST_LOTS, "stays")
    return Table(
        "Where each lot was",
        ("Lot", "Unit", "Moved in", "Moved out", "Quantity"),
        shown,
        (*notes, "Minutes between two stays are minutes without readings."),
        "No stock list was given.",
    )


def exposures(assessment: Assessment) -> Table:
    """What each lot received over its stay in the window, with bounds; sides with nothing outside are left out."""
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
            "What each lot received during its stay, corrected values",
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
        f"{one.get('unit')} {one.get('probe')}",
        wording.when(one.get("start"), zone),
        wording.when(one.get("end"), zone),
        side,
        *spans,
        *times,
        *(wording.bounded(one.get(f"{end}_c"), one.get(f"{end}_one_sided"), one.get(f"{end}_text")) for end in ("min", "max")),
    )


def allowances(assessment: Assessment) -> Table:
    """The manufacturers' statements and the share of each that is used, at least and at most."""
    cells = [
        (
            row["lot"],
            f"{_edge(one['from_c'])} to {_edge(one['to_c'])}",
            wording.hours(one["hours"]),
            _COUNTING.get(one["counting"], one["counting"]),
            *_used(one),
            one.get("why") or "applies",
            one["source"],
        )
        for row in assessment.results["lots"]
        for one in row["allowances"]
    ]
    columns = ("Lot", "Between", "Stated", "Counting", "Used, at least", "Used, at most", "Applies?", "Source")
    notes = ("Time without readings counts as used. Allowances of different bands are never added. Device alarm settings are not time that is allowed.",)
    shown, more = capped(cells, MOST_LOTS, "statements")
    return Table("What manufacturers stated, and how much of it is used", columns, shown, (*more, *notes), "No statement of a manufacturer was given.")


_COUNTING = {"single": "one run", "total": "all together"}


def _edge(value: float | None) -> str:
    return "any" if value is None else wording.celsius(value)


def _used(one: AllowanceRow) -> tuple[str, str]:
    if not one["applicable"]:
        return ("not applicable", "not applicable")
    return (wording.hours(one["used_least"]), wording.hours(one["used_most"]))
