"""Numbers that nobody measured: what stands on pages, in tables and in results beside one-sided readings (CONTRACTS
rule 9).

``never``: figures [°C] that the file does not give for such a reading, and that the kit once made up: just outside
the limit, the file's
own largest number. ``bounds``: the cell's own figure and the words that must stand before it.
"""

from __future__ import annotations

import csv
import io
import json
import re
from typing import Any

_QUOTED = re.compile(r"“[^”]*”|<[^>]*>")
_FIGURE = re.compile(
    r"(?P<before>at least |at most |at or above |at or below )?(?<![\d.])(?P<number>-?\d+(?:\.\d+)?) °C(?!·)"
)
FLAGS = {
    "extreme_c": "extreme_bound",
    "min_c": "min_bound",
    "max_c": "max_bound",
    "as_read_min_c": "min_bound",
    "as_read_max_c": "max_bound",
    "lowest_c": "lowest_one_sided",
    "value_c": "one_sided",
}


def in_text(text: str, *, bounds: dict[float, str], never: set[float]) -> list[str]:
    """Temperatures of a text that were never measured, and bounds that stand there as if they had been."""
    found = []
    for hit in _FIGURE.finditer(_QUOTED.sub("", text)):
        number, before = float(hit["number"]), (hit["before"] or "").strip()
        if number in never or bounds.get(number, before) != before:
            found.append(hit.group())
    return found


def in_results(results: Any, *, bounds: dict[float, str], never: set[float], path: str = "") -> list[str]:
    """The same of a JSON value: a bound only under a key whose flag says that it is one."""
    if isinstance(results, list):
        return [
            said
            for at, one in enumerate(results)
            for said in in_results(one, bounds=bounds, never=never, path=f"{path}/{at}")
        ]
    if not isinstance(results, dict):
        return (
            [f"{path}: {results}"] if isinstance(results, str) and in_text(results, bounds=bounds, never=never) else []
        )
    found = []
    for key, value in results.items():
        here = f"{path}/{key}"
        if isinstance(value, float) and (value in never or value in bounds and not results.get(FLAGS.get(key, ""))):
            found.append(f"{here}: {value}")
        found += in_results(value, bounds=bounds, never=never, path=here)
    return found


def in_chart(spec: dict[str, Any], *, bounds: dict[float, str], never: set[float]) -> list[str]:
    """Heights at which a chart draws something that was never measured; its words are looked at as well."""
    found = in_text(json.dumps(spec, ensure_ascii=False), bounds=bounds, never=never)
    for values in _values(spec):
        for row in csv.DictReader(io.StringIO(values)):
            drawn = {float(row[key]) for key in ("c", "top", "mean") if row.get(key)}
            found += [f"drawn at {number}" for number in sorted(drawn & (never | set(bounds)))]
    return found


def _values(spec: Any) -> list[str]:
    if isinstance(spec, list):
        return [text for one in spec for text in _values(one)]
    if not isinstance(spec, dict):
        return []
    own = [spec["values"]] if isinstance(spec.get("values"), str) else []
    return own + [text for one in spec.values() for text in _values(one)]
