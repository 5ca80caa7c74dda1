"""Where the kit's results differ from the oracle's, in words; lenient exactly where tests/oracle says that words
leave room.

``mine`` is the oracle's, ``theirs`` the results of ``assess``. Nothing here imports the kit.
"""

from __future__ import annotations

from collections.abc import Iterator
from itertools import product

from tests import compared_lots, compared_overlaps, oracle
from tests.differences import SECOND, Differences, at

Case = dict[str, oracle.Scenario]
CLOCKED = ("start", "end", "first_out", "last_out", "first_back", "start_earliest", "end_latest", "extreme_time")
DISPLAY_NULL = ("first_out", "last_out", "first_back", "extreme_time", "p_outside", "degree_minutes")
RECORD_KINDS = {"clock", "unit_mixup", "repeated"}
OPEN_KINDS = {"one_sided", "interval", "resolution"}


def closest(case: Case, theirs: dict) -> Differences:
    """Against that reading of the contract with which least differs."""
    if interleaving := compared_overlaps.met(case):
        return compared_overlaps.compare(theirs, case, interleaving)
    best = compare(oracle.assess(case), theirs, case)
    for choices in _choices(case) if best else ():
        found = compare(oracle.assess(case, choices), theirs, case)
        best = found if len(found) < len(best) else best
    return best


def _choices(case: Case) -> Iterator[oracle.Choices]:
    probes = [probe for scenario in case.values() for probe in scenario.probes]
    if any(certificate.points for probe in probes for certificate in probe.certificates()):
        yield from (oracle.Choices(*one) for one in product((False, True), (False, True)))


def compare(mine: dict, theirs: dict, case: Case) -> Differences:
    found = Differences()
    unsure = unsure_probes(mine, theirs)
    _sources(found, mine, theirs)
    _probes(found, mine, theirs, case, unsure)
    _excursions(found, mine, theirs, unsure)
    _displays(found, mine, theirs)
    _near_limit(found, mine, theirs, unsure)
    _conflicts(found, mine, theirs)
    _episodes(found, mine, theirs)
    _mkt(found, mine, theirs, case)
    _faults(found, mine, theirs)
    compared_lots.compare(found, mine, theirs, case, unsure)
    _cause(found, mine, theirs)
    return found


def unsure_probes(mine: dict, theirs: dict) -> set[tuple]:
    """Probes whose U the contract leaves open and for which the kit has another: what rests on U is not compared."""
    rows = {(row["unit"], row["probe"]): row for row in theirs["probes"]}
    found = set()
    for row in (row for row in mine["probes"] if row["u_doubt_c"]):
        other = rows.get((row["unit"], row["probe"]))
        if other and other["u_c"] is not None and abs(other["u_c"] - row["u_c"]) > 2e-6:
            found.add((row["unit"], row["probe"]))
    return found


# --- sources and probes -------------------------------------------------------------------------------------


def _sources(found: Differences, mine: dict, theirs: dict) -> None:
    rows = {row["file"]: row for row in theirs["sources"]}
    found.same("sources", {row["file"] for row in mine["sources"]}, set(rows))
    for row in (row for row in mine["sources"] if row["file"] in rows):
        other, where = rows[row["file"]], f"sources {row['file']}"
        for name in ("rows", "read", "rejected"):
            found.same(f"{where} {name}", row[name], other[name])
        found.same(f"{where} rejects", row["rejects"], [reject["line"] for reject in other["rejects"]])
        for name in ("first", "last"):
            found.number(f"{where} {name}", row[name], at(other[name]), SECOND)
        if not row["several"]:
            found.number(f"{where} interval_min", row["interval_min"], other["interval_min"], 0.02)


def _probes(found: Differences, mine: dict, theirs: dict, case: Case, unsure: set[tuple]) -> None:
    rows = {(row["unit"], row["probe"]): row for row in theirs["probes"]}
    found.same("probes", {(row["unit"], row["probe"]) for row in mine["probes"]}, set(rows))
    for row in (row for row in mine["probes"] if (row["unit"], row["probe"]) in rows):
        key = (row["unit"], row["probe"])
        other, where = rows[key], f"probe {row['unit']} {row['probe']}"
        for name in ("role", "decides", "u_from"):
            found.same(f"{where} {name}", row[name], other[name])
        found.between(
            f"{where} readings", row["readings"], other["readings"], row["readings"] + row["unknown_readings"]
        )
        found.number(f"{where} mean_c", row["mean_c"], other["mean_c"], 2e-6)
        found.number(f"{where} mkt_c", row["mkt_c"], other["mkt_c"], 5e-5)
        _uncertainty(found, where, row, other)
        if not row["readings"]:
            continue
        _extremes(found, where, row, other)
        _time(found, where, row, other, mine["window"], case[row["unit"]], loose=key in unsure)


def _uncertainty(found: Differences, where: str, mine: dict, theirs: dict) -> None:
    if mine["u_c"] is None:
        return
    if mine["u_doubt_c"]:
        found.between(f"{where} u_c", mine["u_doubt_c"][0] - 2e-6, theirs["u_c"], mine["u_doubt_c"][1] + 2e-6)
    else:
        found.between(f"{where} u_c", mine["u_least_c"] - 2e-6, theirs["u_c"], mine["u_c"] + 2e-6)


def _extremes(found: Differences, where: str, mine: dict, theirs: dict) -> None:
    if mine["unknown_readings"]:
        return  # a figure inside the limits that bounds nothing may be an extreme or not
    for end in ("min", "max"):
        if mine[f"{end}_c"] is None:
            continue  # the largest number, or null
        bound = mine[f"{end}_bound"]
        found.number(f"{where} {end}_c", mine[f"{end}_c"], theirs[f"{end}_c"], 1.0 if bound else 2e-6)
        found.number(f"{where} as_read_{end}_c", mine[f"as_read_{end}_c"], theirs[f"as_read_{end}_c"], 2e-6)
        found.number(f"{where} {end}_time", mine[f"{end}_time"], at(theirs[f"{end}_time"]), SECOND)
        found.same(f"{where} {end}_bound", bound, bool(theirs.get(f"{end}_bound")))


def _time(
    found: Differences, where: str, mine: dict, theirs: dict, window: tuple, scenario: oracle.Scenario, *, loose: bool
) -> None:
    """Gaps, minutes outside, coverage."""
    if not mine["unknown_readings"]:
        # the contract leaves open whether a gap is listed cut by the window
        cut = [(round(max(a, window[0])), round(min(b, window[1]))) for a, b in mine["gaps"]]
        other = [(at(gap["start"]), at(gap["end"])) for gap in theirs["gaps"]]
        found.same(f"{where} gaps", cut, [(round(max(a, window[0])), round(min(b, window[1]))) for a, b in other])
    found.same(f"{where} outside", set(mine["outside"]), set(theirs["outside"]))
    for direction, values in mine["outside"].items():
        for name in ("minutes",) if loose else values:
            found.number(f"{where} outside {direction} {name}", values[name], theirs["outside"][direction][name], 1e-3)
    if not loose:
        more = theirs["unknown_minutes"] > mine["unknown_minutes"] and mine["missing"]  # scattered coarse steps may count, too
        if not more:
            found.number(f"{where} unknown_minutes", mine["unknown_minutes"], theirs["unknown_minutes"], 1e-3)
    length = (window[1] - window[0]) / 60
    if length < 1 or mine["nameless"]:
        return
    least, most = (1 - mine[name] / length for name in ("lost_most_min", "lost_min"))
    if scenario.uneven:  # its long steps may count as missing or not
        most = 1 - sum(min(b, window[1]) - max(a, window[0]) for a, b in mine["gaps"]) / 60 / length + 0.2
    found.between(f"{where} covered_share", least - 2e-4, theirs["covered_share"], most + 2e-4)
    if not scenario.uneven and not mine["unknown_readings"]:
        # without a stated end the last instant itself is in the window
        slack = 1 if scenario.end is None and theirs["gaps"] and theirs["gaps"][-1].get("edge") else 0
        found.number(f"{where} missing_readings", mine["missing"], theirs["missing_readings"], slack)


# --- excursions ---------------------------------------------------------------------------------------------


def _excursions(found: Differences, mine: dict, theirs: dict, unsure: set[tuple]) -> None:
    by_readings = [row for row in theirs["excursions"] if row["basis"] != "display"]
    rows = {(row["unit"], row["probe"], row["direction"], round(at(row["first_out"]))): row for row in by_readings}
    keys = {oracle.key(row): row for row in mine["excursions"]}
    found.same("excursions", sorted(keys), sorted(rows))
    for key in sorted(keys.keys() & rows.keys()):
        _excursion(found, f"excursion {key}", keys[key], rows[key], loose=key[:2] in unsure)


def _excursion(found: Differences, where: str, mine: dict, theirs: dict, *, loose: bool) -> None:
    for name in CLOCKED:
        found.number(f"{where} {name}", mine[name], at(theirs[name]), SECOND)
    for name in ("minutes", "minutes_in_window"):
        found.number(f"{where} {name}", mine[name], theirs[name], 1e-3)
    bound = mine["extreme_bound"]
    found.number(f"{where} degree_minutes", mine["degree_minutes"], theirs["degree_minutes"], 1e9 if bound else 1e-3)
    found.number(f"{where} limit_c", mine["limit_c"], theirs["limit_c"], 2e-6)
    found.number(f"{where} extreme_c", mine["extreme_c"], theirs["extreme_c"], 1.0 if bound else 2e-6)
    for name in ("extreme_bound", "degree_minutes_bound"):
        found.same(f"{where} {name}", mine[name], bool(theirs.get(name)))
    for name in ("open_start", "open_end", "readings", "basis", *(() if loose else ("verdict",))):
        found.same(f"{where} {name}", mine[name], theirs[name])
    if not loose:
        found.number(f"{where} p_outside", mine["p_outside"], theirs["p_outside"], 1e-3 if bound else 1e-6)
        found.number(f"{where} minutes_least", mine["minutes_least"], theirs["minutes_least"], 1e-3)
        found.between(
            f"{where} minutes_most", mine["most_touching"] - 1e-3, theirs["minutes_most"], mine["most_reach"] + 1e-3
        )
    if (
        not theirs["minutes_least"] <= theirs["minutes"] + 1e-3
        or not theirs["minutes"] <= theirs["minutes_most"] + 1e-3
    ):
        order = [theirs[name] for name in ("minutes_least", "minutes", "minutes_most")]
        found.append(f"{where}: least, minutes and most are out of order: {order}")


def _displays(found: Differences, mine: dict, theirs: dict) -> None:
    rows = {
        (row["unit"], row["direction"], round(at(row["end"]))): row
        for row in theirs["excursions"]
        if row["basis"] == "display"
    }
    keys = {(row["unit"], row["direction"], round(row["end"])): row for row in mine["displays"]}
    found.same("displays", sorted(keys), sorted(rows))
    for key in sorted(keys.keys() & rows.keys()):
        row, other, where = keys[key], rows[key], f"display {key}"
        for name in DISPLAY_NULL:
            found.same(f"{where} {name}", None, other[name])
        for name in ("probe", "verdict", "readings", "open_start", "minutes", "minutes_least"):
            found.same(f"{where} {name}", row[name], other[name])
        found.number(f"{where} extreme_c", row["extreme_c"], other["extreme_c"], 2e-6)
        found.same(f"{where} end_latest", other["end"], other["end_latest"])
        found.same(f"{where} start_earliest", other["start"], other["start_earliest"])
        found.number(f"{where} minutes_most", (row["end"] - at(other["start"])) / 60, other["minutes_most"], 1e-2)
        if not row["open_start"]:  # the first reading, or a stay's beginning
            found.number(f"{where} start", row["start"], at(other["start"]), SECOND)


def _near_limit(found: Differences, mine: dict, theirs: dict, unsure: set[tuple]) -> None:
    def keyed(rows: list[dict], time) -> set[tuple]:
        sure = [row for row in rows if (row["unit"], row["probe"]) not in unsure]
        return {
            (row["unit"], row["probe"], row["direction"], round(time(row["start"])), round(time(row["end"])))
            for row in sure
        }

    window = mine["window"]
    inside = [
        row for row in mine["near_limit"] if not row["beside"] and row["start"] >= window[0] and row["end"] < window[1]
    ]
    may, must, rows = keyed(mine["near_limit"], float), keyed(inside, float), keyed(theirs["near_limit"], at)
    if must - rows:
        found.append(f"near_limit: missing {sorted(must - rows)}")
    if rows - may:
        found.append(f"near_limit: unexpected {sorted(rows - may)}")


# --- the rest -----------------------------------------------------------------------------------------------


def _conflicts(found: Differences, mine: dict, theirs: dict) -> None:
    def keyed(rows: list[dict], time) -> list[tuple]:
        return sorted(
            (row["unit"], row["probe"], round(time(row)), row["file"], row["line"], row["kept"]) for row in rows
        )

    # an instant at which one download has a value and another has none is no readings at odds, and
    # harmless where listed
    with_value: dict[tuple, int] = {}
    for row in theirs["conflicts"]:
        key = row["unit"], row["probe"], row["time"]
        with_value[key] = with_value.get(key, 0) + (row["value_c"] is not None)
    kept = [
        row
        for row in theirs["conflicts"]
        if row["value_c"] is not None and with_value[row["unit"], row["probe"], row["time"]] > 1
    ]
    found.same("conflicts", keyed(mine["conflicts"], lambda row: row["time"]), keyed(kept, lambda row: at(row["time"])))


def _episodes(found: Differences, mine: dict, theirs: dict) -> None:
    """What the display shows may join episodes and stands in one of them."""
    shown = {row["id"] for row in theirs["excursions"] if row["basis"] == "display"}
    listed = [one for row in theirs["episodes"] for one in row["excursions"]]
    if sorted(listed) != sorted(row["id"] for row in theirs["excursions"]):
        found.append(f"episodes: not every excursion stands in one episode: {sorted(listed)}")
        return
    if any(row["recurrent"] for row in theirs["episodes"]):
        return  # regular short runs form one episode; what is regular the contract leaves open
    by_readings = [row for row in theirs["excursions"] if row["id"] not in shown]
    names = {
        row["id"]: (row["unit"], row["probe"], row["direction"], round(at(row["first_out"]))) for row in by_readings
    }
    groups = [sorted(names[one] for one in row["excursions"] if one in names) for row in theirs["episodes"]]
    other = sorted(group for group in groups if group)
    wanted = sorted(sorted(group) for group in mine["episodes"])
    if shown and all(any(set(group) <= set(one) for one in other) for group in wanted):
        return
    found.same("episodes", wanted, other)


def _mkt(found: Differences, mine: dict, theirs: dict, case: Case) -> None:
    for row in (row for row in theirs["mkt"] if row["mkt_c"] is not None):
        s = mine["series"][row["unit"]][row["probe"]]
        window = at(row["window_start"]), at(row["window_end"])
        where = f"mkt {row['probe']} {row['window_start']} {row['window_end']}"
        inside = (s.t >= window[0] - SECOND) & (s.t <= window[1] + SECOND)  # the reading that ends it is included
        if (inside & s.sided).any():
            found.append(f"{where}: not null although a one-sided reading lies in it")
            continue
        weight = oracle.weights_min(s, inside)
        found.number(where, oracle.mkt_c(s.value[inside], weight[inside]), row["mkt_c"], 5e-5)
        if window[1] - window[0] > case[row["unit"]].condition.mkt[1] * 3600 + 1:
            found.append(f"{where}: longer than its rule")


def _faults(found: Differences, mine: dict, theirs: dict) -> None:
    kinds = {(row["unit"], row["kind"]) for row in theirs["faults"]}
    for unit, kind in mine["faults"]:
        if (unit, kind) not in kinds and not (kind == "clock" and (None, kind) in kinds):
            found.append(f"faults: no {kind} for {unit}")
    stated = {unit for unit, kind in mine["faults"] if kind == "interval"}
    for unit in sorted({unit for unit, kind in kinds if kind == "interval"} - stated, key=str):
        found.append(f"faults: interval for {unit}, oracle none")


def _cause(found: Differences, mine: dict, theirs: dict) -> None:
    kinds = {row["kind"] for row in theirs["faults"]} - {"gap", "no_value"}
    cause, rule = theirs["cause"]["cause"], mine["cause"]
    if rule["no_readings"]:
        found.same("cause without readings", "undetermined", cause)
    elif rule["never"]:
        if cause in rule["never"]:
            found.append(f"cause: {cause} although there is an excursion")
    elif cause not in (wanted := _wanted(kinds, rule)):
        found.append(f"cause: oracle {sorted(wanted)} for {sorted(kinds)}, kit {cause}")


def _wanted(kinds: set[str], rule: dict) -> set[str]:
    if not kinds:
        return {"undetermined"} if rule["undetermined"] else {"none", "undetermined"} if rule["perhaps"] else {"none"}
    found = {"undetermined"} if rule["perhaps"] or kinds <= OPEN_KINDS else set()
    if kinds & RECORD_KINDS or kinds <= OPEN_KINDS:
        found.add("record_error")
    if not kinds <= RECORD_KINDS:
        found.add("probe_fault")
    return found
