"""stock.csv and allowances.csv: which lots lay where and when, and what their manufacturers stated."""

from __future__ import annotations

import datetime as dt
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Literal

import pandas as pd

from coldchain_kit.base import nearest, sheet, zones
from coldchain_kit.model import Condition, conditions
from coldchain_kit.register.site import Site

STOCK_COLUMNS = ("lot", "product", "quantity", "moved_in", "moved_out")
STOCK_OPTIONAL = ("unit", "presentation", "manufacturer", "expiry", "state", "condition", "do_not_freeze", "earlier_out_hours", "opened_at", "goes_with")
ALLOWANCE_COLUMNS = ("lot", "from_c", "to_c", "hours", "counting", "source")
ALLOWANCE_OPTIONAL = ("dated", "state")
STATES = ("unopened", "opened", "reconstituted", "thawed")
UNOPENED = STATES[0]  # what an empty cell is taken as, said so wherever it counts


@dataclass(frozen=True)
class Stay:
    """One stay of a lot in a unit: ``moved_in`` and ``moved_out`` in UTC, None = still there.

    ``condition`` is the product's own where the stock list names one, else the unit's; ``do_not_freeze`` None =
    not stated. ``earlier_out_hours`` [h]: time out of range before this stay, as stated; None = not known, never 0.
    ``state``: one of STATES, None = not stated; ``opened_at`` (UTC): when it was opened, where that is stated.
    """

    unit: str
    moved_in: pd.Timestamp
    moved_out: pd.Timestamp | None
    quantity: str | None
    line: int
    condition: Condition
    state: str | None = None
    do_not_freeze: bool | None = None
    earlier_out_hours: float | None = None
    opened_at: pd.Timestamp | None = None

    @property
    def states(self) -> tuple[str, ...]:
        """Every state the stock was in during the stay; one not stated is taken as unopened.

        Examples
        --------
        >>> stay = Stay("F2", pd.Timestamp("2026-03-01", tz="UTC"), None, None, 2, Condition("own", "Own", 2.0, 8.0))
        >>> stay.states, Stay(**{**vars(stay), "opened_at": pd.Timestamp("2026-03-02", tz="UTC")}).states
        (('unopened',), ('unopened', 'opened'))
        """
        own = self.state or UNOPENED
        if self.opened_at is None or own != UNOPENED or (self.moved_out is not None and self.opened_at >= self.moved_out):
            return (own,)
        return ("opened",) if self.opened_at <= self.moved_in else (own, "opened")


@dataclass(frozen=True)
class Lot:
    """A lot of one product with its stays in order of time. What the stock list does not say is None."""

    lot: str
    product: str
    stays: tuple[Stay, ...]
    presentation: str | None = None
    manufacturer: str | None = None
    expiry: str | None = None
    goes_with: str | None = None  # another lot of the list, such as its diluent

    @property
    def earlier_out_hours(self) -> float | None:
        """The largest stated time out of range before these stays [h]; None where none is stated."""
        return max((stay.earlier_out_hours for stay in self.stays if stay.earlier_out_hours is not None), default=None)

    @property
    def earlier_known(self) -> bool:
        """Whether the time before the first stay is stated; a later row does not say what was before the first."""
        return bool(self.stays) and self.stays[0].earlier_out_hours is not None


@dataclass(frozen=True)
class Allowance:
    """What a manufacturer stated: at most ``hours`` [h] between ``from_c`` and ``to_c`` [°C], in one run or in total.

    ``state``: the state of the stock that the statement is for; None = not stated, taken as unopened.
    """

    lot: str
    from_c: float
    to_c: float
    hours: float
    counting: Literal["single", "total"]
    source: str
    dated: dt.date | None
    line: int
    state: str | None = None


def read(path: Path, *, site: Site, units: Sequence[str]) -> tuple[Lot, ...]:
    """Read stock.csv (columns of CONTRACTS.md).

    Parameters
    ----------
    path : Path
        The file.
    site : Site
        Gives the zone of the times, the units and the conditions.
    units : sequence of str
        Units of the case; a row without ``unit`` belongs to the only one.

    Returns
    -------
    tuple of Lot, in the order of their first rows. A date without a time is the whole day: in from its start,
    out at its end. A repeated hour counts as its first pass for moving in, its second for moving out.

    Raises
    ------
    RegisterError
        Every fault at once, with line and column.
    """
    rows = sheet.rows(path, needed=STOCK_COLUMNS, optional=STOCK_OPTIONAL)
    groups: dict[tuple[str, str], list[tuple[sheet.Row, Stay]]] = {}
    for row in rows:
        lot, product = (row.get(name, sheet.text, needed=True) for name in ("lot", "product"))
        stay = _stay(row, site=site, units=units)
        if lot and product and stay:
            groups.setdefault((lot, product), []).append((row, stay))
    found = tuple(_lot(*key, members) for key, members in groups.items())
    _partners(found, groups)
    sheet.settle(rows)
    return found


def _stay(row: sheet.Row, *, site: Site, units: Sequence[str]) -> Stay | None:
    moved_in = row.get("moved_in", lambda cell: instant(cell, site=site), needed=True)
    moved_out = row.get("moved_out", lambda cell: instant(cell, site=site, closing=True))
    unit = _unit(row, site=site, units=units)
    own = row.get("condition", lambda cell: _condition(cell, site=site))
    hours = row.get("earlier_out_hours", sheet.number)
    if hours is not None and hours < 0:
        row.complain(f"column 'earlier_out_hours' is {hours}", "zero or more hours")
    if moved_in is not None and moved_out is not None and moved_out <= moved_in:
        row.complain("moved_out is not after moved_in", mend="Correct one of the two times")
    freeze, state = row.get("do_not_freeze", sheet.flag), row.get("state", sheet.one_of(*STATES))
    opened_at = row.get("opened_at", lambda cell: instant(cell, site=site))
    if row.faults or moved_in is None or unit is None:
        return None
    return Stay(
        unit, moved_in, moved_out, row.get("quantity", sheet.text), row.line, own or site.units[unit].condition, state, freeze, hours, opened_at,
    )  # fmt: skip


def _unit(row: sheet.Row, *, site: Site, units: Sequence[str]) -> str | None:
    name = row.get("unit", sheet.text)
    if name is None:
        if len(units) == 1:
            return units[0]
        row.complain("column 'unit' is empty", "one of " + ", ".join(units), "The case has several units: say in which one the lot was")
    elif name not in site.units:
        row.complain(f"column 'unit' is '{name}'", "one of " + ", ".join(site.units), nearest(name, site.units))
    else:
        return name
    return None


def _condition(name: str, *, site: Site) -> Condition:
    known = {**conditions.built_in(), **site.conditions}
    if name not in known:
        raise sheet.Complaint("one of " + ", ".join(sorted(known)), nearest(name, known))
    return known[name]


def _lot(lot: str, product: str, members: list[tuple[sheet.Row, Stay]]) -> Lot:
    stated = {}
    for name in ("presentation", "manufacturer", "expiry", "goes_with"):
        given = [(row, row.get(name, sheet.text)) for row, _ in members]
        given = [(row, value) for row, value in given if value is not None]
        stated[name] = given[0][1] if given else None
        for row, value in given[1:]:
            if value != stated[name]:
                row.complain(f"column '{name}' is '{value}', but lot '{lot}' has '{stated[name]}' in line {given[0][0].line}", mend="Make the rows of one lot agree")
    stays = sorted((stay for _, stay in members), key=lambda stay: (stay.moved_in, stay.line))
    return Lot(lot, product, tuple(stays), **stated)


def _partners(found: Sequence[Lot], groups: dict[tuple[str, str], list[tuple[sheet.Row, Stay]]]) -> None:
    """Complain where a lot goes with one that the list does not have: a diluent is a row of its own with its own limits."""
    names = [lot.lot for lot in found]
    for lot in found:
        others = [name for name in names if name != lot.lot]
        if lot.goes_with is not None and lot.goes_with not in others:
            row = groups[lot.lot, lot.product][0][0]
            mend = nearest(lot.goes_with, others) or "Give it a row of its own, with its own condition"
            row.complain(f"column 'goes_with' is '{lot.goes_with}', which the stock list does not have", mend=mend)


def instant(cell: str, *, site: Site, closing: bool = False) -> pd.Timestamp:
    """UTC of a time as people write it; ``closing``: the end of a day without time, the second pass of a repeated hour."""
    stamp, has_time = sheet.moment(cell)
    if stamp.tzinfo is not None:
        return pd.Timestamp(stamp).tz_convert("UTC").as_unit("us")
    if closing and not has_time:
        stamp += dt.timedelta(days=1)
    return zones.instant(stamp, zone=site.timezone, first=not closing)


def read_allowances(path: Path, *, lots: Sequence[Lot] = ()) -> tuple[Allowance, ...]:
    """Read allowances.csv (columns of CONTRACTS.md).

    Parameters
    ----------
    path : Path
        The file.
    lots : sequence of Lot
        The case's lots: an allowance for a lot that is not there is an error that names the nearest.

    Raises
    ------
    RegisterError
        Every fault at once, with line and column.
    """
    rows = sheet.rows(path, needed=ALLOWANCE_COLUMNS, optional=ALLOWANCE_OPTIONAL)
    known = sorted({lot.lot for lot in lots})
    found = [_allowance(row, known) for row in rows]
    sheet.settle(rows)
    return tuple(allowance for allowance in found if allowance is not None)


def _allowance(row: sheet.Row, known: list[str]) -> Allowance | None:
    lot, source = (row.get(name, sheet.text, needed=True) for name in ("lot", "source"))
    from_c, to_c, hours = (row.get(name, sheet.number, needed=True) for name in ("from_c", "to_c", "hours"))
    counting = row.get("counting", sheet.one_of("single", "total"), needed=True)
    dated, state = row.get("dated", sheet.date), row.get("state", sheet.one_of(*STATES))
    if lot and known and lot not in known:
        row.complain(f"column 'lot' is '{lot}', which the stock list does not have", "one of " + ", ".join(known), nearest(lot, known))
    if from_c is not None and from_c == to_c:
        row.complain("from_c and to_c are the same", "the two ends of the stated band")
    if hours is not None and hours <= 0:
        row.complain(f"column 'hours' is {hours}", "more than zero hours")
    return None if row.faults else Allowance(lot, from_c, to_c, hours, counting, source, dated, row.line, state)
