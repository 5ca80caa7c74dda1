"""The parts of the real traces in which their owners know of no fault of a probe (events of the temperature are
none)."""

from __future__ import annotations

import json
from collections.abc import Mapping

import pandas as pd

from coldchain_kit.model import Probe, Trace
from tests.conftest import open_data

BAD_RIVER = -100.0  # the river's placeholders lie below


def units() -> dict[str, dict[str, Trace]]:
    """Name of a real unit -> its probes' traces."""
    found = {
        "store": _unit(_store()),
        "household": _unit(_household()),
        "river": _unit(_river()),
        "nab ambient": _unit(_nab("ambient")),
        "nab machine": _unit(_nab("machine")),
    }
    found |= {
        f"mote {number}": _unit(_mote(number, place))
        for number, place in ((1, "indoor"), (2, "indoor"), (3, "outdoor"), (4, "outdoor"))
    }
    found["santander raw"] = _unit(_santander())
    return (
        found | {f"milk {repeat}": _unit(_milk(repeat)) for repeat in (1, 2, 3, 4)} | {"water bottle": _unit(_bottle())}
    )


def _unit(series: Mapping[str, pd.Series]) -> dict[str, Trace]:
    return {
        name: Trace.of(values[~values.index.duplicated()].sort_index(), probe=Probe(name, "air"))
        for name, values in series.items()
    }


def _store() -> dict[str, pd.Series]:
    table = pd.read_csv(open_data("store_walkin_freezer/measurements.csv"), parse_dates=["Time"], index_col="Time")
    return {name: table[name] for name in ("Tref", "Tfre", "Trtu")}


def _household() -> dict[str, pd.Series]:
    table = pd.read_csv(open_data("household_fridge/sensor_data_July25_8am_to_Aug1.csv"))
    table.index = pd.DatetimeIndex(pd.to_datetime(table["time"], utc=True)).floor("us")
    return {f"S{k}": table[f"temperature_{k}"] for k in (1, 2, 3)}


def _river() -> dict[str, pd.Series]:
    """Without the rows that the technicians marked as no measurement."""
    table = pd.read_csv(
        open_data("river_water_expert_qc/BlackSmithFork2015.csv"), parse_dates=["datetime"], index_col="datetime"
    )
    return {"water": table["temp"].tz_localize("UTC").loc[lambda x: (x > BAD_RIVER) & (x != 0.0)]}


def _nab(which: str) -> dict[str, pd.Series]:
    """Without the labelled windows of failure."""
    name = f"{which}_temperature_system_failure.csv"
    table = pd.read_csv(open_data(f"nab_temperature/{name}"), parse_dates=["timestamp"], index_col="timestamp")
    windows = json.loads(open_data("nab_temperature/combined_windows.json").read_text("utf-8"))[
        f"realKnownCause/{name}"
    ]
    keep = pd.Series(True, index=table.index)
    for first, last in windows:
        keep &= ~((table.index >= first) & (table.index <= last))
    return {"machine": ((table["value"] - 32.0) / 1.8).tz_localize("UTC")[keep.to_numpy()]}


def _mote(number: int, place: str) -> dict[str, pd.Series]:
    table = pd.read_csv(
        open_data(f"wsn_labelled_single_hop/singlehop_{place}_moteid{number}_data.txt"),
        sep=r"\s+",
        skiprows=1,
        header=None,
    )
    return {
        "mote": pd.Series(
            table[3].to_numpy("float64"), index=pd.date_range("2010-05-09", periods=len(table), freq="5s", tz="UTC")
        )
    }


def _santander() -> dict[str, pd.Series]:
    table = pd.read_csv(open_data("sensor_fault_benchmark/santander163_raw.txt"))
    return {
        "outdoor": pd.Series(
            table["temperature"].to_numpy("float64"),
            index=pd.DatetimeIndex(pd.to_datetime(table["timestamp"], utc=True)),
        )
    }


def _milk(repeat: int) -> dict[str, pd.Series]:
    found = {}
    for where in ("External", "Internal"):
        table = pd.read_csv(open_data(f"milk_holding_trials/{where}_Rep{repeat}.csv"))
        times = pd.date_range("2023-01-01", periods=len(table), freq="min", tz="UTC")
        found |= {
            f"{where} {column.strip()}": pd.Series(
                pd.to_numeric(table[column], errors="coerce").to_numpy(), index=times
            )
            for column in table.columns[1:]
        }
    return found


def _bottle() -> dict[str, pd.Series]:
    table = pd.read_csv(open_data("water_bottle_warmup/data.csv"))
    column = next(name for name in table.columns if "(F)" in name or "F)" in name)
    return {
        "bottle": pd.Series(
            ((table[column] - 32) / 1.8).to_numpy(),
            index=pd.date_range("2023-01-01", periods=len(table), freq="min", tz="UTC"),
        )
    }
