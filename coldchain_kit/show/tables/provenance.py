"""How this record was made, the standing cautions, and the tables as data."""

from __future__ import annotations

import hashlib
import platform
from collections.abc import Iterable, Mapping
from functools import cache
from pathlib import Path
from typing import TYPE_CHECKING, Final

import pandas as pd

import coldchain_kit
from coldchain_kit.base import zones
from coldchain_kit.show import wording
from coldchain_kit.show.tables import every_reading
from coldchain_kit.show.tables.from_rows import header
from coldchain_kit.show.tables.inputs import flat
from coldchain_kit.show.tables.table import Prose, Table, Tables, facts

if TYPE_CHECKING:
    from coldchain_kit.assessment import Assessment

CAUTIONS = (
    'Keep affected stock at its labelled condition, marked "do not use", until it is decided upon.',
    "Ask the manufacturer and the responsible authority. The pharmacist or quality unit decides, under local rules.",
    "This page never says that product is safe or must be discarded. An uncertain verdict never makes an excursion smaller. Time without readings is never good news.",
    "Alarm delays and alarm limits of a device are not time that is allowed.",
)


def cautions(assessment: Assessment) -> Prose:
    """The cautions that every record, month and lesson carries; DEMONSTRATION or EXERCISE first where it is one."""
    extra = assessment.site.extra
    mark = "EXERCISE: invented for practice, not a real case." if extra.get("exercise") else "DEMONSTRATION: invented, not a real case." if extra.get("demonstration") else ""
    return Prose((mark, *CAUTIONS) if mark else CAUTIONS)


@cache
def fingerprint() -> str:
    """SHA-256 over the kit's own Python files, names and bytes: which code ran, whatever its version says."""
    root, digest = Path(coldchain_kit.__file__).parent, hashlib.sha256()
    for path in sorted(root.rglob("*.py")):
        digest.update(path.relative_to(root).as_posix().encode() + b"\0" + path.read_bytes() + b"\0")
    return digest.hexdigest()


def made(assessment: Assessment) -> Tables:
    """Interpreter, kit, libraries, time zone database and the full hash of every input."""
    from importlib.metadata import version

    import numpy
    from IPython import get_ipython

    rows = [
        ("Interpreter", f"{platform.python_implementation()} {platform.python_version()}"), ("Kit", f"coldchain_kit {coldchain_kit.__version__}"), ("Kit's code, SHA-256", fingerprint()),
        ("Libraries", f"pandas {pd.__version__}, numpy {numpy.__version__}, altair {version('altair')}"), ("Time zone database", zones.tz_version()), ("Time zone of this page", assessment.site.timezone),
        ("Run as", "a notebook" if get_ipython() is not None else "a plain program"), ("Form of the results", assessment.results["schema"]),
    ]  # fmt: skip
    files = tuple((row["file"], wording.count(row["rows"]), row["sha256"]) for row in assessment.results["sources"])
    return Tables((facts("How this record was made", rows), Table("Inputs with readings", ("File", "Data lines", "SHA-256"), files), _steps(assessment)))


def _steps(assessment: Assessment) -> Table:
    rows = tuple(
        (
            f"{unit.name} {trace.probe.name}",
            step.function,
            "; ".join(_argument(key, held) for key, held in step.arguments.items() if held not in (None, "", [], {}, ())) or "none",
            wording.count(step.rows_changed),
        )
        for unit in assessment.units.values()
        for trace in unit.traces.values()
        for step in trace.steps
    )
    return Table(
        "What was done to each trace, in order",
        ("Unit and probe", "Step", "Arguments", "Readings changed"),
        rows,
        ("The as-read values are never altered.",),
        "Nothing: the readings stand as read.",
    )


def _argument(key: str, held: object) -> str:
    """An argument in words, its unit taken from the end of its name: "resolution: 0.1 °C"."""
    if isinstance(held, dict):
        return f"{header(key).lower()}: {', '.join(_argument(name, inner) for name, inner in held.items() if inner is not None)}"
    name, _, unit = header(key).partition(" (")
    return f"{name.lower()}: {flat(held).replace('_', ' ')}{f' {unit[:-1]}' if unit else ''}"


_FRAMES: Final = ("sources", "probes", "excursions", "near_limit", "conflicts", "faults", "mkt", "bands", "buffer", "gap_estimates", "calibration", "alarms", "checks", "beside", "together")


def csv_tables(assessment: Assessment) -> dict[str, pd.DataFrame]:
    """The tables as data, for the record's CSV files: full figures, times in UTC, units in the column names.

    Returns
    -------
    dict: name -> DataFrame. ``readings`` holds every reading of the window (:mod:`every_reading`). Nested lists become tables of their own (gaps, rejected, logger_events, episodes,
    causes, lots, stays, exposures, allowances) or are joined with "; ".
    """
    results = assessment.results
    tables: dict[str, pd.DataFrame] = {name: _frame(results[name]) for name in _FRAMES if name in results}
    tables["gaps"] = _frame({"unit": row["unit"], "probe": row["probe"], **gap} for row in results["probes"] for gap in row["gaps"])
    tables["outside"] = _frame({"unit": row["unit"], "probe": row["probe"], "direction": side, **held} for row in results["probes"] for side, held in row["outside"].items())
    tables["rejected"] = _frame({"file": row["file"], **one} for row in results["sources"] for one in row["rejects"])
    tables["logger_events"] = _frame({"file": row["file"], **one} for row in results["sources"] for one in row["events"])
    tables["episodes"] = _frame({key: held for key, held in row.items() if key != "causes"} for row in results["episodes"])
    tables["causes"] = _frame({"episode": row["id"], **cause} for row in results["episodes"] for cause in row["causes"])
    tables["lots"] = _frame({key: held for key, held in row.items() if key not in ("stays", "exposures", "allowances", "product_beside")} for row in results["lots"])
    for part in ("stays", "exposures", "allowances", "product_beside"):
        tables[part] = _frame({"lot": row["lot"], **one} for row in results["lots"] for one in row[part])
    named = {name: table.rename(columns=_column) for name, table in tables.items() if len(table)} | {"readings": every_reading.table(assessment)}
    return dict(sorted(named.items()))


_NAMES = {
    "degree_minutes": "degree_minutes_c_min",
    "used_least": "used_least_hours",
    "used_most": "used_most_hours",
    "gaps": "gap_count",
    "rejects": "rejected_count",
    "events": "event_count",
    "no_value": "no_value_count",
}
_TIMES = {
    "start",
    "end",
    "first",
    "last",
    "first_out",
    "last_out",
    "first_back",
    "start_earliest",
    "end_latest",
    "extreme_time",
    "min_time",
    "max_time",
    "window_start",
    "window_end",
    "moved_in",
    "moved_out",
}


def _column(name: str) -> str:
    return f"{name}_utc" if name in _TIMES else _NAMES.get(name, name)


def _frame(rows: Iterable[Mapping[str, object]]) -> pd.DataFrame:
    return pd.DataFrame([_flat(row) for row in rows])


def _flat(row: Mapping[str, object]) -> dict[str, object]:
    """One level: counts of a dict become columns of their own, lists of texts are joined, lists of rows are counted."""
    out: dict[str, object] = {}
    for key, held in row.items():
        if isinstance(held, dict):
            out.update({f"{key}_{name}": inner if not isinstance(inner, (dict, list)) else str(inner) for name, inner in held.items()})
        elif isinstance(held, list):
            out[key] = "; ".join(map(str, held)) if not held or not isinstance(held[0], dict) else len(held)
        else:
            out[key] = held
    return out
