"""Storage conditions: a named range with its rules and the document and edition each figure comes from."""

from __future__ import annotations

import tomllib
from dataclasses import dataclass
from functools import cache
from importlib import resources
from typing import Any

import numpy as np
import numpy.typing as npt

from coldchain_kit.base import KitError, nearest
from coldchain_kit.model import physics
from coldchain_kit.model.rows.fields import Direction

# Where minutes are counted beside the condition's own limits [°C]; cuts of the tables, never limits of a verdict.
# Above: 8, 15, 25, 30, 40 are edges of the pharmacopoeial ranges (FACTS B1, READ-2). Below: 2 and 0 °C (B5, B19, READ-2),
# -0.5 °C the usual freeze alarm (B13, READ-2).
BANDS_ABOVE_C = (-10.0, 0.0, 8.0, 15.0, 25.0, 30.0, 40.0)
BANDS_BELOW_C = (8.0, 2.0, 0.0, -0.5)


# Where a condition states no freezing point: water freezes at 0 °C, and goods that freezing spoils are protected below it (FACTS B19, READ-2).
FREEZING_C = 0.0


@dataclass(frozen=True)
class MktRule:
    """An MKT limit: ``limit_c`` [°C] over ``window_hours`` [h], looking ``direction`` (back | forward | both) from the excursion.

    ``band_c`` [°C]: the excursions that the rule's document speaks of; ``band_hours`` [h]: for how long.
    """

    limit_c: float
    window_hours: float
    direction: str = "back"
    band_c: tuple[float, float] | None = None
    band_hours: float | None = None
    source: str = ""
    status: str = ""


@dataclass(frozen=True)
class Condition:
    """A storage condition. Limits are inclusive and judged in the unit they were given in.

    ``low``, ``high``: limits in ``unit`` ("C" or "F"), None where there is none. ``high_exclusive``: the high
    limit itself is outside ("below -15"). ``freeze_c`` [°C]: possible freezing at or below it; None: not stated.
    ``document``, ``edition``: the label or procedure that the limits were taken from, as the site names them.
    """

    id: str
    title: str
    low: float | None
    high: float | None
    unit: str = "C"
    high_exclusive: bool = False
    frozen: bool = False
    do_not_freeze: bool = False
    freeze_c: float | None = None
    activation_energy_kj_mol: float = physics.ACTIVATION_ENERGY_KJ_MOL
    mkt: MktRule | None = None
    source: str = ""
    status: str = ""
    notes: tuple[str, ...] = ()
    document: str = ""
    edition: str = ""

    @property
    def freezing_c(self) -> float:
        """Where possible freezing begins [°C]: as stated, else FREEZING_C."""
        return FREEZING_C if self.freeze_c is None else self.freeze_c

    def freezing_rule(self) -> str:
        """Which rule possible freezing is judged by, in words.

        Examples
        --------
        >>> get("refrigerated").freezing_rule()
        'at or below 0 °C, as the storage condition states'
        >>> get("room").freezing_rule()
        'at or below 0 °C, the rule of the kit: the storage condition states no freezing point'
        """
        at = f"at or below {self.freezing_c:g} °C"
        return f"{at}, as the storage condition states" if self.freeze_c is not None else f"{at}, the rule of the kit: the storage condition states no freezing point"

    def limit_c(self, direction: str) -> float | None:
        """The limit in °C for ``above`` or ``below``; full figures, for crossings and display."""
        value = self.high if direction == "above" else self.low
        if value is None or self.unit == "C":
            return value
        return (value - 32.0) / 1.8

    def bands(self) -> tuple[tuple[Direction, float], ...]:
        """(direction, limit [°C]) of every cut at which minutes are counted, the condition's own limits first.

        Examples
        --------
        >>> get("refrigerated").bands()[:4]
        (('above', 8.0), ('above', 15.0), ('above', 25.0), ('above', 30.0))
        >>> [limit for direction, limit in get("refrigerated").bands() if direction == "below"]
        [2.0, 0.0, -0.5]
        """
        rows: list[tuple[Direction, float]] = []
        direction: Direction
        for direction, cuts in (("above", BANDS_ABOVE_C), ("below", BANDS_BELOW_C)):
            own, other = self.limit_c(direction), self.limit_c("below" if direction == "above" else "above")
            if own is None and (direction == "above" or self.frozen):
                continue
            sign = 1.0 if direction == "above" else -1.0
            edge = own if own is not None else other
            assert edge is not None, "a condition without a limit (the register refuses it)"
            rows += [(direction, own)] if own is not None else []
            rows += [(direction, cut) for cut in cuts if sign * (cut - edge) > 1e-6]
        return tuple(rows)

    def outside(self, celsius: npt.ArrayLike, direction: str) -> np.ndarray:
        """Which temperatures [°C] are beyond the inclusive limit, judged in the limit's own unit.

        NaN is never outside: it is unknown.

        Examples
        --------
        >>> local = Condition("local", "Local", 36.0, 46.0, unit="F")
        >>> local.outside([7.777778, 7.777779, 7.79], "above").tolist()
        [False, False, True]
        """
        limit = self.high if direction == "above" else self.low
        values = np.asarray(celsius, dtype="float64")
        if limit is None:
            return np.zeros(values.shape, dtype=bool)
        values = physics.celsius_to_fahrenheit(values) if self.unit == "F" else np.round(values, 6)
        if direction == "above":
            return values >= limit if self.high_exclusive else values > limit
        return values < limit


def from_table(name: str, table: dict[str, Any]) -> Condition:
    """A condition from a checked TOML table (built-in file or the site's own)."""
    unit = "F" if "low_f" in table or "high_f" in table else "C"
    suffix = unit.lower()
    mkt = dict(table["mkt"]) if "mkt" in table else None
    if mkt and "band_c" in mkt:
        mkt["band_c"] = tuple(mkt["band_c"])
    return Condition(
        id=name,
        title=table.get("title", name),
        low=table.get(f"low_{suffix}"),
        high=table.get(f"high_{suffix}"),
        unit=unit,
        high_exclusive=table.get("high_exclusive", False),
        frozen=table.get("frozen", (table.get(f"high_{suffix}", 99.0) < (0 if unit == "C" else 32))),
        do_not_freeze=table.get("do_not_freeze", False),
        freeze_c=table.get("freeze_c"),
        activation_energy_kj_mol=table.get("activation_energy_kj_mol", physics.ACTIVATION_ENERGY_KJ_MOL),
        mkt=MktRule(**mkt) if mkt else None,
        source=table.get("source", ""),
        status=table.get("status", ""),
        notes=tuple(table.get("notes", ())),
        document=table.get("document", ""),
        edition=table.get("edition", ""),
    )


@cache
def built_in() -> dict[str, Condition]:
    """The built-in conditions by id, from conditions.toml."""
    text = resources.files("coldchain_kit.model").joinpath("conditions.toml").read_text("utf-8")
    return {name: from_table(name, table) for name, table in tomllib.loads(text).items()}


def get(name: str, local: dict[str, Condition] | None = None) -> Condition:
    """The condition of that id, the site's own before the built-in ones.

    Raises
    ------
    KitError
        For an unknown id, naming the nearest.

    Examples
    --------
    >>> get("refrigerated").high
    8.0
    """
    known = {**built_in(), **(local or {})}
    if name not in known:
        raise KitError(f"storage condition '{name}' is not known", expected="one of " + ", ".join(sorted(known)), mend=nearest(name, known))
    return known[name]
