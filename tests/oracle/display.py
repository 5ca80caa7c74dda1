"""Excursions by the display: what a check of the logbook showed outside while the readings were inside."""

from __future__ import annotations

import numpy as np

from tests.oracle.clock import utc_s
from tests.oracle.course import Window, in_window, outside, side
from tests.oracle.model import EPS, Check, Scenario
from tests.oracle.readings import Series


def displays(scenario: Scenario, unit: str, chosen: dict[str, Series], window: Window) -> list[dict]:
    """The unit's rows of basis "display" that overlap the window.

    readings: "the last check with reset" is one before this check; outside readings of a deciding probe on that side
    between the two explain the display, as read or corrected; a figure that was not reset is the same excursion until a
    check shows another.
    """
    found = []
    checks = sorted(scenario.checks, key=lambda check: check.time)
    for sign in (1, -1):
        limit = scenario.condition.limit(sign)
        if limit is None or not chosen:
            continue
        last_reset: Check | None = None
        shown: float | None = None
        for check in checks:
            figure = check.high_c if sign > 0 else check.low_c
            if figure is not None and sign * figure > limit + EPS * 10 and figure != shown:
                row = _row(scenario, unit, chosen, sign * limit, sign, last_reset, check)
                found += [row] if row else []
            shown = None if check.reset else figure if figure is not None else shown
            last_reset = check if check.reset else last_reset
    return [row for row in found if in_window(row, window)]


def _row(
    scenario: Scenario,
    unit: str,
    chosen: dict[str, Series],
    limit_c: float,
    sign: int,
    since: Check | None,
    check: Check,
) -> dict | None:
    end = utc_s(check.time, scenario.zone)
    start = min(float(s.t[0]) for s in chosen.values()) if since is None else utc_s(since.time, scenario.zone)
    if end <= start or any(_out_between(s, sign, sign * limit_c, start, end) for s in chosen.values()):
        return None
    return {
        "unit": unit,
        "probe": None,
        "direction": "above" if sign > 0 else "below",
        "limit_c": limit_c,
        "basis": "display",
        "start": start,
        "end": end,
        "start_earliest": start,
        "end_latest": end,
        "open_start": since is None,
        "open_end": False,
        "first_out": None,
        "last_out": None,
        "first_back": None,
        "extreme_time": None,
        "p_outside": None,
        "degree_minutes": None,
        "minutes": 0.0,
        "minutes_least": 0.0,
        "minutes_most": (end - start) / 60,
        "readings": 0,
        "verdict": "undecided",
        "extreme_c": check.high_c if sign > 0 else check.low_c,
    }


def _out_between(s: Series, sign: int, limit: float, start: float, end: float) -> bool:
    out = outside(side(s, sign, limit).x, limit)
    return bool(np.any(out & (s.t >= start) & (s.t <= end)))
