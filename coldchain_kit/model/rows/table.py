"""Rows out of a table of pandas, typed: the one place where a type is only claimed, since pandas does not know the types of its columns."""

from __future__ import annotations

from typing import TypeVar, cast

import pandas as pd

Row = TypeVar("Row")


def rows_of(table: pd.DataFrame, row: type[Row]) -> list[Row]:
    """The rows of a table whose columns are the fields of a row.

    Examples
    --------
    >>> from coldchain_kit.model.rows.found import Trustworthy
    >>> rows_of(pd.DataFrame({"minutes": [5.0], "degree_minutes": [2.5], "readings": [1], "extreme_c": [9.0]}), Trustworthy)[0]["minutes"]
    5.0
    """
    return cast("list[Row]", table.to_dict("records"))
