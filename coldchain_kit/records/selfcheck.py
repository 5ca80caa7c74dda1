"""Published cases worked on this installation: an installation check for the quality system.

``published_cases.json`` ships with the kit: inputs, the printed result, its source, and a tolerance of half the last printed
digit. Every row goes through the same functions as a real case.
"""

from __future__ import annotations

import json
import math
from collections.abc import Callable, Sequence
from importlib import resources
from pathlib import Path
from typing import Any, NotRequired, TypedDict

import numpy as np
import pandas as pd

from coldchain_kit import __version__, excursions, quality
from coldchain_kit.base import zones
from coldchain_kit.model import Trace, conditions, physics
from coldchain_kit.quality import alarms, calibration_line, decision
from coldchain_kit.records import freezing, ledger
from coldchain_kit.records import strict_run as strict
from coldchain_kit.show import Table

Figures = list[float | str | None]
Given = dict[str, Any]  # what a published case states, by names of its own


class PublishedCase(TypedDict):
    """A case of published_cases.json."""

    case: str
    does: str
    source: str
    given: Given
    expected: Figures
    tolerance: NotRequired[list[float] | None]


class CheckedCase(TypedDict):
    """A published case as it came out here."""

    case: str
    does: str
    source: str
    expected: Figures
    got: Figures
    ok: bool

_FIRST = pd.Timestamp("2026-03-01", tz="UTC")


def _series(values: Sequence[float | None], minutes: list[float]) -> pd.Series:
    index = _FIRST + pd.to_timedelta(minutes, unit="min")
    return pd.Series(np.array([np.nan if value is None else value for value in values], dtype="float64"), index=pd.DatetimeIndex(index).as_unit("us"))


def _mkt(given: Given) -> Figures:
    return [physics.mean_kinetic_temperature_c(given["temps_c"], given["weights"], ea_kj_mol=given["ea_kj_mol"])]


def _above(given: Given) -> Figures:
    usual = float(np.diff(given["times_min"]).min()) if len(given["times_min"]) > 1 else None
    found = excursions.find(Trace.of(_series(given["temps_c"], given["times_min"]), u_c=0.0, interval_min=usual), conditions.get("refrigerated"))
    return [float(found["minutes"].sum()), float(found["degree_minutes"].sum()), int(found["readings"].sum())]


def _warm_up(given: Given) -> Figures:
    return [physics.minutes_to_reach(given["start_c"], given["ambient_c"], target, tau_min=given["tau_h"] * 60) / 60 for target in (8.0, 15.0)]


def _first_order(given: Given) -> Figures:
    return [float(physics.first_order(0.0, 1.0, given["t_over_tau"], tau_min=1.0))]


def _fahrenheit(given: Given) -> Figures:
    return [float(physics.fahrenheit_to_celsius(given["f"]))]


def _line(given: Given) -> Figures:
    line = calibration_line.fit_line(given["x"], given["y"], origin=given["origin"])
    return [line.intercept, line.u_intercept, line.slope, line.u_slope, line.correlation, line.residual_sd, *line.at(30.0)]


def _decision(given: Given) -> Figures:
    value, limit, expanded = given["reading_c"], given["limit_c"], given["expanded_u_c"]
    chance = float(decision.probability_outside(value, limit, expanded / 2, "above"))
    return [chance, *(decision.decide(value, limit, expanded, "above", rule=rule) for rule in ("simple", "guarded", "non_binary"))]


def _conformance(given: Given) -> Figures:
    return [1.0 - float(decision.probability_outside(given["value"], given["limit"], given["u"], given["side"]))]


def _combined(given: Given) -> Figures:
    return list(calibration_line.combined([tuple(part) for part in given["parts"]]))


def _alarm(given: Given) -> Figures:
    values = [temperature for minutes, temperature in given["segments_min_temp"] for _ in range(minutes // 15)]
    data = _series(values, [15 * k for k in range(len(values))])
    found = [alarms.replay(data, alarms.REFERENCE[name])["at"] for name in given["rules"]]
    return [None if at.empty else (at.iloc[0] - _FIRST) / pd.Timedelta(minutes=1) for at in found]


def _gross_range(given: Given) -> Figures:
    values = _series(given["values"], [5 * k for k in range(len(given["values"]))])
    return quality.gross_range(values, fail_span_c=tuple(given["fail_span"]), suspect_span_c=tuple(given["suspect_span"]))["flag"].tolist()


def _clock_change(given: Given) -> Figures:
    at = pd.Timestamp(given["utc"])
    return [f"{wall:%Y-%m-%dT%H:%M:%S}" for wall in zones.local(pd.DatetimeIndex([at - pd.Timedelta("1s"), at]), zone=given["zone"]).astype("datetime64[s]").tolist()]


_WORK: dict[str, Callable[[Given], Figures]] = {
    "mean kinetic temperature": _mkt, "minutes, degree-minutes and readings above 8 °C": _above, "hours to 8 and 15 °C": _warm_up,
    "first-order step": _first_order, "°F to °C": _fahrenheit, "calibration line": _line, "decision rules": _decision, "alarm rules": _alarm,
    "range test flags": _gross_range, "clock change": _clock_change, "conformance probability": _conformance,
    "combined uncertainty and degrees of freedom": _combined,
}  # fmt: skip


def run() -> list[CheckedCase]:
    """Every published case: rows of {case, does, source, expected, got, ok}.

    Examples
    --------
    >>> rows = run()
    >>> len(rows) >= 100 and all(row["ok"] for row in rows)
    True
    """
    text = resources.files("coldchain_kit.records").joinpath("published_cases.json").read_text("utf-8")
    return [_row(case) for case in json.loads(text)]


def _row(case: PublishedCase) -> CheckedCase:
    got = _WORK[case["does"]](case["given"])
    tolerances = case.get("tolerance") or [0.0] * len(case["expected"])
    same = len(got) == len(case["expected"]) and all(_same(a, b, tolerance) for a, b, tolerance in zip(case["expected"], got, tolerances, strict=True))
    return {"case": case["case"], "does": case["does"], "source": case["source"], "expected": case["expected"], "got": got, "ok": same}


def _same(expected: float | str | None, got: float | str | None, tolerance: float) -> bool:
    if isinstance(expected, (int, float)) and isinstance(got, (int, float)):
        return math.isclose(expected, got, rel_tol=0.0, abs_tol=tolerance + 1e-12)
    return expected == got


def line(row: CheckedCase) -> str:
    """One row as one line of text."""
    words = f"{'same ' if row['ok'] else 'WRONG'}  {row['does']}, {row['case']}"
    return words if row["ok"] else f"{words}: printed {_shown(row['expected'])}, got {_shown(row['got'])} ({row['source']})"


def _shown(values: Figures) -> str:
    return ", ".join(f"{value:.7g}" if isinstance(value, float) else "none" if value is None else str(value) for value in values)


def freeze(rows: list[CheckedCase], out: str | Path) -> Path:
    """The check as a dated record of its own, ``self-check-DATE-rN``."""
    from nbformat.v4 import new_code_cell, new_markdown_cell, new_notebook, new_output

    wrong = [row for row in rows if not row["ok"]]
    said = f"{len(rows) - len(wrong)} of {len(rows)} published cases come out as printed." + (f" {len(wrong)} DO NOT: do not use this installation before it is mended." if wrong else "")
    about = f"Python {strict.environment().splitlines()[0].split()[1]}, coldchain_kit {__version__}, time zone database {zones.tz_version()}."
    table = new_output("display_data", _table(rows)._repr_mimebundle_())
    cells = [
        new_markdown_cell(f"## Outcome\n\n{said}\n\n{about}", id="outcome"),
        new_markdown_cell("## Cases\n\nEach case has its own source; \"same\" means equal within half the last printed digit.", id="cases"),
        new_code_cell("selfcheck.run()", id="table", outputs=[table]),
    ]
    date = ledger.now()[:10]
    results = {"schema": "coldchain-kit/self-check/1", "cases": rows, "right": len(rows) - len(wrong), "wrong": len(wrong)}
    info = {"title": f"Check of this installation, {date}", "kind": "self-check"}
    return freezing.freeze(new_notebook(cells=cells), results, {}, [], [], info, Path(out), number=f"self-check-{date}", again="next")


def _table(rows: list[CheckedCase]) -> Table:
    cells = tuple((row["case"], row["does"], _shown(row["expected"]), _shown(row["got"]), "same" if row["ok"] else "WRONG", row["source"]) for row in rows)
    return Table("Published cases on this installation", ("Case", "What", "Printed", "Got here", "Outcome", "Source"), cells)
