"""Units looked at beside a case over the same hours: were they out as well?"""

from __future__ import annotations

from typing import Any

import pandas as pd

from coldchain_kit import excursions
from coldchain_kit.assessment import window as spans
from coldchain_kit.assessment.window import Window
from coldchain_kit.excursions import bounds
from coldchain_kit.model import Condition, Unit, timeline


def look(unit: Unit, condition: Condition, window: Window) -> tuple[dict[str, Any], list[dict[str, Any]]]:
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
        row = {"unit": unit.name, "found": "no_readings", "covered_share": 0.0, "excursions": 0, "first_out": None, "last_out": None}
        return {**row, "text": f"{unit.name}: no readings of a probe that decides in these hours."}, []
    tables = [table for trace in deciding if len(table := excursions.find(trace, condition))]
    table = pd.concat(tables, ignore_index=True) if tables else pd.DataFrame(columns=list(excursions.COLUMNS))
    table = table[(table["end"] >= window.start) & (table["start"] < window.stop)].sort_values(["start", "probe", "direction"], ignore_index=True)
    share = min(timeline.coverage(bounds.known(trace, condition), start=window.start, end=window.end)["covered_share"] for trace in deciding)
    found = "outside" if len(table) else "none_outside"
    count = f"{len(table)} excursion{'s' if len(table) > 1 else ''}" if len(table) else "no reading outside"
    row = {
        "unit": unit.name, "found": found, "covered_share": share, "excursions": len(table), "first_out": table["first_out"].min() if len(table) else None,
        "last_out": table["last_out"].max() if len(table) else None, "text": f"{unit.name}: {count}, {100 * share:.3g} % of these hours with readings.",
    }  # fmt: skip
    rows = [{"id": f"{unit.name}-E{n}", "unit": unit.name, "basis": "both", **{key: one[key] for key in ("direction", "start", "end")}} for n, one in enumerate(table.to_dict("records"), 1)]
    return row, rows
