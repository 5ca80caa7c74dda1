"""How soon a stuck probe is found, and how often a sound one is called stuck or drawn with a ruler.

``python -m tests.benchmarks.bench_stillness [--cases N] [--years N]`` prints, for intervals of 1, 5, 10, 15 min and
resolutions of 0.1 and
0.5 °C: the delay until a probe that is stuck from the beginning of a power loss is flagged (the record is cut at each
moment, so nothing
later helps), and false alarms a unit and year on sound records with everyday life and, in every second month, one true
event. Aims: found
within four hours or three times the longest usual still run, whichever is more; less than one false alarm a unit and
year.
"""

from __future__ import annotations

import argparse
from dataclasses import replace
from typing import NamedTuple

import numpy as np
import pandas as pd

from coldchain_kit import quality, simulate
from coldchain_kit.model import SUSPECT, Probe, Trace
from coldchain_kit.quality import series as leaf
from coldchain_kit.simulate import Event
from tests.benchmarks import sound_records

START = pd.Timestamp("2026-03-01", tz="UTC")
INTERVALS_MIN, RESOLUTIONS_C = (1, 5, 10, 15), (0.1, 0.5)
# Mix of cabinets and kinds of true events in sound months: own choice, no source.
KINDS = ("refrigerator",) * 9 + ("freezer",) * 4 + ("ultra_low",) * 2 + ("cold_room",) * 3 + ("room",) * 2
EVENTS = (
    "power_loss",
    "cooling_failure",
    "door_open",
    "warm_load",
    "cold_load",
    "setpoint_change",
    "defrost",
    "ambient_heat",
    "ambient_cold",
    "overcooling",
    "airflow_blocked",
)
MONTH_DAYS, CASE_DAYS = 28, 10
ROLES = {"A": "buffered", "B": "air", "room": "room"}
TESTS = ("stillness", "straight", "lone")
FLOOR_MIN, TIMES = 240.0, 3.0  # the aim


class Found(NamedTuple):
    """One stuck case: minutes until flagged (NaN: never), minutes allowed, and whether the probe could be judged at
    all."""

    delay_min: float
    due_min: float
    judged: bool


def cabinet(seed: int, kinds: tuple[str, ...] = KINDS) -> simulate.Cabinet:
    """A random cabinet whose probes show ten-thousandths; :func:`shown` rounds them."""
    drawn = simulate.draw(seed, kinds[seed % len(kinds)])
    return replace(drawn, probes=tuple(replace(probe, resolution_c=1e-4) for probe in drawn.probes))


def shown(data: pd.DataFrame, interval_min: int, resolution_c: float) -> pd.DataFrame:
    """Every so many minutes of a record by the minute, as a display of that resolution shows it."""
    return (np.round(data.iloc[::interval_min] / resolution_c) * resolution_c).round(6)


def flagged(data: pd.DataFrame, channels: dict[str, pd.Series] | None = None) -> dict[str, Trace]:
    """The record through the quality tests."""
    return quality.run_all(
        {name: Trace.of(data[name], probe=Probe(name, ROLES[name])) for name in data}, channels=channels or {}
    )


def month(seed: int) -> pd.DataFrame:
    """A sound month by the minute; every second one with a true event of 20 min to 15 h."""
    rng = np.random.default_rng([seed, 99])
    events = []
    if rng.random() < 0.5:
        kind = EVENTS[rng.integers(len(EVENTS))]
        events = [
            Event(
                kind, float(rng.uniform(2, MONTH_DAYS - 2)) * 1440, float(np.exp(rng.uniform(np.log(20), np.log(900))))
            )
        ]
    return simulate.run(cabinet(seed), events, start=START, hours=24 * MONTH_DAYS, seed=seed).sampled(1)


def false_alarms(data: pd.DataFrame) -> dict[str, int]:
    """Runs that each test flags in a sound unit, room probe included; each probe by itself."""
    tests = {"stillness": quality.still_habit, "straight": quality.straight_line, "lone": quality.lone_reading}
    return {
        name: sum(len(leaf.runs(test(data[probe])["flag"].to_numpy() == SUSPECT)) for probe in data)
        for name, test in tests.items()
    }


def stuck_case(seed: int) -> tuple[pd.DataFrame, pd.DataFrame, pd.Series, int, str]:
    """(as it shows, as it would have shown, power, minute of the onset, probe) of a probe stuck from the beginning of
    a power loss on."""
    rng = np.random.default_rng([seed, 5])
    onset, long, probe = int(rng.uniform(3, 8) * 1440), int(rng.uniform(12, 36) * 60), "AB"[seed % 2]
    loss = Event("power_loss", onset, long)
    made = simulate.run(cabinet(seed, KINDS[:-2]), [loss], start=START, hours=24 * CASE_DAYS, seed=seed)
    true = made.sampled(1)
    data = true.copy()
    data.iloc[onset : onset + long, data.columns.get_loc(probe)] = true[probe].iloc[onset]
    return data, true, made.channels(1)["power"].astype("float64"), onset, probe


def search(
    data: pd.DataFrame,
    true: pd.DataFrame,
    power: pd.Series | None,
    onset: int,
    probe: str,
    interval_min: int,
    resolution_c: float,
) -> Found:
    """When the stuck probe is flagged, by cutting the record."""
    rounded, sound = (shown(part, interval_min, resolution_c) for part in (data, true))
    first = int(np.ceil(onset / interval_min))
    usual = leaf.still(leaf.course(sound[probe].iloc[:first]))["minutes"].max()
    end = int(np.flatnonzero(rounded[probe].to_numpy()[first:] != rounded[probe].iloc[first])[0]) + first

    def codes(stop: int) -> np.ndarray:
        part = rounded.iloc[:stop]
        channels = {} if power is None else {"power": power.iloc[: (stop - 1) * interval_min + 1].rename("power")}
        for channel in channels.values():
            channel.attrs["kind"] = "power"
        return flagged(part[[probe]], channels)[probe].flags["stillness"].to_numpy()[first:]

    last = codes(end)
    low, high = first + 1, end
    found = bool((last >= SUSPECT).any())
    while found and high - low > 1:
        middle = (low + high) // 2
        low, high = (low, middle) if (codes(middle) >= SUSPECT).any() else (middle, high)
    delay = (high - 1) * interval_min - onset if found else np.nan
    return Found(delay, max(FLOOR_MIN, TIMES * float(usual)), found or bool((last != 2).all()))


def print_delays(cases: int, first_seed: int) -> None:
    made = [stuck_case(first_seed + k) for k in range(cases)]
    print(f"{cases} probes stuck from the beginning of a power loss of 12 to 36 h on; a record of {CASE_DAYS} days")
    for with_power in (False, True):
        print("with a power channel" if with_power else "readings alone", "(delay in minutes)")
        for resolution in RESOLUTIONS_C:
            for interval in INTERVALS_MIN:
                rows = [
                    search(data, true, power if with_power else None, onset, probe, interval, resolution)
                    for data, true, power, onset, probe in made
                ]
                delays = np.array([row.delay_min for row in rows])
                judged = np.array([row.judged for row in rows])
                in_time = np.array([row.delay_min <= row.due_min for row in rows])
                middle, most = (float(value) for value in (np.nanmedian(delays), np.nanmax(delays)))
                print(
                    f"  {interval:2d} min {resolution:.1f} °C: in time {in_time.sum():3d} of {judged.sum():3d} "
                    f"judged ({cases - judged.sum():3d} not evaluated); "
                    f"median {middle:4.0f}, longest {most:5.0f}; allowed (median) "
                    f"{np.median([row.due_min for row in rows]):4.0f}"
                )


def print_false_alarms(years: float, first_seed: int) -> None:
    months = round(years * 365.25 / MONTH_DAYS)
    total = {
        (test, interval, resolution): 0 for test in TESTS for interval in INTERVALS_MIN for resolution in RESOLUTIONS_C
    }
    for seed in range(first_seed, first_seed + months):
        data = month(seed)
        for interval in INTERVALS_MIN:
            for resolution in RESOLUTIONS_C:
                for test, count in false_alarms(shown(data, interval, resolution)).items():
                    total[test, interval, resolution] += count
    print(
        f"{months} sound months of {MONTH_DAYS} days ({months * MONTH_DAYS / 365.25:.1f} unit-years), three probes "
        "each: false alarms a unit and year"
    )
    for test in TESTS:
        for resolution in RESOLUTIONS_C:
            rates = ", ".join(
                f"{interval} min {total[test, interval, resolution] / (months * MONTH_DAYS / 365.25):.2f}"
                for interval in INTERVALS_MIN
            )
            print(f"  {test:10} {resolution:.1f} °C: {rates}")


def drawn(data: pd.DataFrame, seed: int) -> tuple[pd.DataFrame, int, int, str]:
    """A month with a straight line over 4 to 8 h of one probe, as if an excursion had been filled in; its first and
    last minute."""
    rng = np.random.default_rng([seed, 6])
    first, long, probe = int(rng.uniform(2, 25) * 1440), int(rng.uniform(4, 8) * 60), "AB"[seed % 2]
    copy, values = data.copy(), data[probe].to_numpy().copy()
    # Where the end lies furthest from the beginning: a level line stands still, which is another test.
    last = first + long + int(np.argmax(np.abs(values[first + long : first + long + 120] - values[first])))
    values[first : last + 1] = np.linspace(values[first], values[last], last - first + 1)
    copy[probe] = values
    return copy, first, last, probe


def print_drawn(cases: int, first_seed: int) -> None:
    print(f"{cases} straight lines over 4 to 8 h of one probe in a sound month: found (most of it flagged)")
    for resolution in RESOLUTIONS_C:
        hits = dict.fromkeys(INTERVALS_MIN, 0)
        for seed in range(first_seed, first_seed + cases):
            data, first, last, probe = drawn(month(seed), seed)
            for interval in INTERVALS_MIN:
                codes = flagged(shown(data, interval, resolution)[[probe]])[probe].flags["straight"].to_numpy()
                hits[interval] += bool((codes[first // interval : last // interval + 1] >= SUSPECT).mean() > 0.5)
        print(f"  {resolution:.1f} °C: " + ", ".join(f"{interval} min {count}" for interval, count in hits.items()))


def print_real() -> None:
    print("real records without a known fault: false alarms")
    for name, unit in sound_records.units().items():
        days = max((trace.readings.index[-1] - trace.readings.index[0]) / pd.Timedelta("1D") for trace in unit.values())
        done = quality.run_all(unit)
        counts = {
            test: sum(
                len(leaf.runs(trace.flags[test].to_numpy() >= SUSPECT))
                for trace in done.values()
                if test in trace.flags
            )
            for test in TESTS
        }
        print(f"  {name:24} {days:6.1f} days  " + ", ".join(f"{test} {count}" for test, count in counts.items()))


def main() -> None:
    parser = argparse.ArgumentParser()
    parser.add_argument("--cases", type=int, default=100)
    parser.add_argument("--years", type=float, default=50.0)
    parser.add_argument("--only", choices=("delays", "drawn", "alarms", "real"), help="one part alone")
    parser.add_argument("--seed", type=int, default=50_000)
    chosen = parser.parse_args()
    parts = {
        "delays": lambda: print_delays(chosen.cases, chosen.seed),
        "drawn": lambda: print_drawn(chosen.cases, chosen.seed + 5000),
        "alarms": lambda: print_false_alarms(chosen.years, chosen.seed + 10_000),
        "real": print_real,
    }
    for name, part in parts.items():
        if chosen.only in (None, name):
            part()


if __name__ == "__main__":
    main()
