"""Product beside the probe for a stay: contents of a stated or assumed time constant, an estimate on which no verdict rests."""

from __future__ import annotations

from collections.abc import Callable
from typing import TypedDict

import numpy as np
import pandas as pd

from coldchain_kit.exposure import product
from coldchain_kit.lots import stays
from coldchain_kit.lots.stays import Place
from coldchain_kit.model import BesideOutsideRow, Direction, ProductBesideRow, Trace, one_sided
from coldchain_kit.register import Site


class _Frame(TypedDict):
    """The part of a row that says which stay and what it rests on."""

    unit: str
    probe: str
    start: pd.Timestamp
    end: pd.Timestamp
    time_constant_min: list[float]
    stated: bool
    source: str
    estimate: bool
    probe_time_constant_min: list[float]
    assumes: str


class _OfProbe(TypedDict):
    """The part of a row that sets the probe's own figures beside those of contents."""

    probe_max_c: float | None
    probe_min_c: float | None
    outside: dict[Direction, BesideOutsideRow]


class Beside:
    """Rows of ``lots[].product_beside[]``; the courses of each trace are worked out once."""

    def __init__(self, site: Site) -> None:
        stated = site.product_time_constant_min
        self.tau_min: tuple[float, float] = (float(stated[0]), float(stated[1])) if stated else product.ASSUMED_MIN
        self.source: str = (site.product_time_constant_source or f"stated in {site.path.name}") if stated else product.ASSUMED_SOURCE
        self.stated = bool(stated)
        self._courses: dict[int, tuple[Trace, product.Courses | None]] = {}

    def rows(self, here: Place) -> list[ProductBesideRow[pd.Timestamp]]:
        """One row a deciding probe of the stay, the probe's own figures beside those of contents.

        Returns
        -------
        list of dict: unit, probe, start, end (UTC), time_constant_min [least, most], stated, source, estimate (True), the figures of
        ``product.beside``, probe_max_c, probe_min_c [°C], outside[].probe_minutes [min], assumes.
        """
        found: list[ProductBesideRow[pd.Timestamp]] = []
        for trace in here.traces:
            held = self._of(trace)
            row = None if held is None else product.beside(held, here.stay.condition, start=here.opens, end=here.closes)
            if row is not None:
                found.append({**self._frame(here, trace), **row, **self._probe(here, trace, row)})
        return found

    def _of(self, trace: Trace) -> product.Courses | None:
        if id(trace) not in self._courses:
            self._courses[id(trace)] = trace, product.courses(trace, tau_min=self.tau_min)
        return self._courses[id(trace)][1]

    def _frame(self, here: Place, trace: Trace) -> _Frame:
        return {
            "unit": here.stay.unit, "probe": trace.probe.name, "start": here.opens, "end": here.closes.floor("s"), "time_constant_min": list(self.tau_min),
            "stated": self.stated, "source": self.source, "estimate": True, "probe_time_constant_min": list(product.probe_min(trace)), "assumes": product.ASSUMES,
        }  # fmt: skip

    def _probe(self, here: Place, trace: Trace, row: product.Contents) -> _OfProbe:
        """The probe's own figures, by which the verdict goes."""
        part = stays.within(trace, here)
        ends = one_sided.extremes(part)
        valued = part.dropna(subset="celsius")
        high, low = (stays.further(valued, side) for side in ("above", "below"))
        outside: dict[Direction, BesideOutsideRow] = {
            side: {**held, "probe_minutes": stays.straight(trace, here, limit_c=held["limit_c"], direction=side)} for side, held in row["outside"].items()
        }  # fmt: skip
        return {"probe_max_c": _known(high, np.max, ends["max_one_sided"]), "probe_min_c": _known(low, np.min, ends["min_one_sided"]), "outside": outside}


def _known(celsius: np.ndarray, pick: Callable[[np.ndarray], np.floating], open_: str | None) -> float | None:
    """None without a reading, and where a reading without a number of its own may lie further (CONTRACTS rule 9)."""
    return float(pick(celsius)) if len(celsius) and open_ is None else None
