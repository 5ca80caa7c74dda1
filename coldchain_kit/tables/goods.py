"""Which lots were there, what each received, and what its manufacturer stated. Nothing here says what remains, or what to do."""

from __future__ import annotations

from typing import Any

from coldchain_kit import say
from coldchain_kit.tables.plain import records
from coldchain_kit.tables.table import Table, capped

MOST_LOTS = 100


def lots(assessment: Any) -> Table:
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


def _quantity(stays: list[dict]) -> str:
    held = [str(stay["quantity"]) for stay in stays if stay.get("quantity") not in (None, "")]
    return " then ".join(dict.fromkeys(held)) or say.NOT_KNOWN


def _freezing(value: Any) -> str:
    if value is None:
        return "not evaluated"
    return "possible: some probe's reading less its uncertainty is at or below the freezing point" if value else "not seen by any probe"


def stays(assessment: Any) -> Table:
    """Where each lot was, and when."""
    zone = assessment.site.timezone
    cells = [
        (row["lot"], stay.get("unit"), say.when(stay.get("moved_in"), zone), say.when(stay["moved_out"], zone) if stay.get("moved_out") else "still there", stay.get("quantity"))
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


def exposures(assessment: Any) -> Table:
    """What each lot received over its stay, with bounds."""
    rows = [{"lot": row["lot"], **one} for row in assessment.results["lots"] for one in row["exposures"]]
    return records(
        "What each lot received during its stay, corrected values",
        rows,
        assessment.site.timezone,
        most=MOST_LOTS,
        empty="No exposure outside the limits was found, or no stock list was given.",
        notes=("An exposure during time without readings is not known.",),
    )


def allowances(assessment: Any) -> Table:
    """The manufacturers' statements and the share of each that is used, at least and at most."""
    cells = [
        (
            row["lot"],
            f"{_edge(one['from_c'])} to {_edge(one['to_c'])}",
            say.hours(one["hours"]),
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
    return "any" if value is None else say.celsius(value)


def _used(one: dict) -> tuple[str, str]:
    if not one["applicable"]:
        return ("not applicable", "not applicable")
    return (say.hours(one["used_least"]), say.hours(one["used_most"]))
