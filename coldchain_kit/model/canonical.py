"""The one way from results to bytes: plain JSON values, and their one text.

Times are ISO 8601 UTC ending in Z, temperatures °C with full figures; null stands for "no value".
"""

from __future__ import annotations

import datetime as dt
import json
import math
from collections.abc import Mapping
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd

from coldchain_kit.base import KitError


def plain(value: object) -> Any:
    """Any value of the kit as JSON-ready Python: Timestamps as ISO Z text, NaN and NaT as None.

    Raises
    ------
    KitError
        For a type that has no form in JSON.

    Examples
    --------
    >>> plain({"at": pd.Timestamp("2026-03-06T22:40:00.5Z"), "x": float("nan"), "n": np.int64(3)})
    {'at': '2026-03-06T22:40:00.500000Z', 'x': None, 'n': 3}
    """
    if value is None or value is pd.NaT or isinstance(value, (str, bool)):
        return None if value is pd.NaT else value
    if isinstance(value, pd.Timestamp):
        utc = value.tz_convert("UTC").to_pydatetime(warn=False)
        return utc.replace(tzinfo=None).isoformat() + "Z"
    if isinstance(value, (dt.date, Path)):
        return value.isoformat() if isinstance(value, dt.date) else value.as_posix()
    if isinstance(value, dict):
        return {str(key): plain(inner) for key, inner in value.items()}
    if isinstance(value, pd.DataFrame):
        return [plain(row) for row in value.to_dict("records")]
    if isinstance(value, (list, tuple)):
        return [plain(inner) for inner in value]
    if isinstance(value, (np.bool_, np.integer)):
        return value.item()
    if isinstance(value, (float, np.floating)):
        return float(value) if math.isfinite(value) else None
    if isinstance(value, int):
        return value
    raise KitError(f"a result of type {type(value).__name__} has no place in the record")


def to_text(results: Mapping[str, object]) -> str:
    """The one way results become text: sorted keys, two blanks, no NaN, closing line end.

    Examples
    --------
    >>> print(to_text({"b": 1, "a": "8 °C"}), end="")
    {
      "a": "8 °C",
      "b": 1
    }
    """
    return json.dumps(results, sort_keys=True, ensure_ascii=False, allow_nan=False, indent=2) + "\n"
