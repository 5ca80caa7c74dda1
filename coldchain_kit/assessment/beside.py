"""Units looked at beside a case over the same hours: were they out as well?"""

from __future__ import annotations

from typing import TYPE_CHECKING

import pandas as pd

from coldchain_kit import excursions
from coldchain_kit.assessment import window as spans
from coldchain_kit.assessment.window import Window
from coldchain_kit.excursions import bounds
from coldchain_kit.model import BesideRow, Condition, ExcursionRow, Unit, rows_of, timeline

if TYPE_CHECKING:
    from coldchain_kit.causes import Out


def look(unit: Unit, condition: Condition, window: Window) -> tuple[BesideRow[pd.Timestamp], list[Out]]:
    """A row of ``beside[]`` and the unit's excursions in the window.

    Returns
    -------
    row : dict
        unit, found ("none_outside", "outside" or "no_readings"), covered_share (the least of its deciding probes), excursions (count), first_out,
        last_out (UTC or None), text. ``none_outside`` speaks of readings only; the share says of how much.
    rows : list of dict
        id, unit, direction, basis, start, end of each excursion.
    """
    deciding = [trace for trace in spans.deciding([unit]) if spans.measured(trace, window.start, window.stop)]
    if not deciding:
        text = f"{unit.name}: no readings of a probe that decides in these hours."
        return {"unit": unit.name, "found": "no_readings", "covered_share": 0.0, "excursions": 0, "first_out": None, "last_out": None, "text": text}, []
    tables = [table for trace in deciding if len(table := excursions.find(trace, condition))]
    table = pd.concat(tables, ignore_index=True) if tables else pd.DataFrame(columns=list(excursions.COLUMNS))
    table = table[(table["end"] >= window.start) & (table["start"] < window.stop)].sort_values(["start", "probe", "direction"], ignore_index=True)
    share = min(timeline.coverage(bounds.known(trace, condition), start=window.start, end=window.end)["covered_share"] for trace in deciding)
    count = f"{len(table)} excursion{'s' if len(table) > 1 else ''}" if len(table) else "no reading outside"
    row: BesideRow[pd.Timestamp] = {
        "unit": unit.name, "found": "outside" if len(table) else "none_outside", "covered_share": share, "excursions": len(table), "first_out": table["first_out"].min() if len(table) else None,
        "last_out": table["last_out"].max() if len(table) else None, "text": f"{unit.name}: {count}, {100 * share:.3g} % of these hours with readings.",
    }  # fmt: skip
    rows: list[Out] = [
        {"id": f"{unit.name}-E{n}", "unit": unit.name, "basis": "both", "direction": one["direction"], "start": one["start"], "end": one["end"]}
        for n, one in enumerate(rows_of(table, ExcursionRow[pd.Timestamp]), 1)
    ]
    return row, rows
