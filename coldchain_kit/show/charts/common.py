"""What the charts share: words for probes and units, the time axis, shading, alternative text."""

from __future__ import annotations

from typing import TYPE_CHECKING

import pandas as pd

from coldchain_kit.model import Direction, EpisodeRow, ExcursionRow, ProbeRow, Trace, Unit
from coldchain_kit.show import wording
from coldchain_kit.show.charts import drawing, layers
from coldchain_kit.show.charts.drawing import Clock

if TYPE_CHECKING:
    import altair as alt

    from coldchain_kit.assessment import Assessment

MOST_EPISODES = 6  # the rest are listed in the table; those with the most degree-minutes are drawn


def banner(assessment: Assessment) -> str:
    """The word that must stand on every chart and page of this site: DEMONSTRATION, EXERCISE or none."""
    extra = assessment.site.extra
    return "EXERCISE" if extra.get("exercise") else "DEMONSTRATION" if extra.get("demonstration") else ""


def probe_name(trace: Trace) -> str:
    """ "A (buffered)"; "B (air, does not decide)"."""
    words = [wording.word(trace.probe.role)] if trace.probe.role != "unknown" else ["role not known"]
    return f"{trace.probe.name} ({', '.join(words + ([] if trace.probe.decides else [layers.SECOND]))})"


def worst_episodes(assessment: Assessment, most: int = MOST_EPISODES) -> tuple[list[str], str]:
    """Ids of the episodes to draw, in order of time, and the sentence about those that are not."""
    weight = {row["id"]: 0.0 for row in assessment.results["episodes"]}
    exposure = {row["id"]: -wording.furthest_first(row) for row in assessment.results["excursions"] if not wording.of_display(row)}
    for row in assessment.results["episodes"]:
        if any(one in exposure for one in row["excursions"]):
            weight[row["id"]] = sum(exposure.get(one, 0.0) for one in row["excursions"])
        else:  # only a display saw it: there is nothing to draw
            del weight[row["id"]]
    chosen = sorted(weight, key=lambda number: -weight[number])[:most]
    left = len(weight) - len(chosen)
    note = f"Drawn are the {len(chosen)} episodes with the most degree-minutes; {left} more stand in the table of episodes." if left else ""
    return [number for number in weight if number in chosen], note


def row_direction(excursions: list[ExcursionRow[pd.Timestamp]]) -> Direction | None:
    return excursions[0]["direction"] if excursions else None


def temperature(unit: Unit) -> list[Trace]:
    """The unit's own probes, deciding ones last (drawn on top); those of the room only where there is no other."""
    traces = sorted((trace for trace in unit.traces.values() if trace.heard.notna().any()), key=lambda trace: trace.probe.decides)
    return [trace for trace in traces if trace.probe.role != "room"] or traces


def room_of(assessment: Assessment, unit: Unit) -> list[Trace]:
    own = [trace for trace in unit.traces.values() if trace.probe.role == "room" and trace not in temperature(unit)]
    return own or ([assessment.room] if assessment.room is not None and assessment.room not in unit.traces.values() else [])


def corrected(traces: list[Trace]) -> bool:
    return any((trace.celsius - trace.as_read_c).abs().max() > 1e-6 for trace in traces)


def probes_of(assessment: Assessment, unit: str) -> list[ProbeRow[str]]:
    return [row for row in assessment.results["probes"] if row["unit"] == unit]


def excursions_of(assessment: Assessment, unit: str) -> list[ExcursionRow[pd.Timestamp]]:
    """Excursions of a unit by its readings; what only a display saw has no place on a time axis."""
    return [
        {
            **row, "start": pd.Timestamp(row["start"]), "end": pd.Timestamp(row["end"]), "first_out": _instant(row["first_out"]), "last_out": _instant(row["last_out"]),
            "first_back": _instant(row["first_back"]), "start_earliest": pd.Timestamp(row["start_earliest"]), "end_latest": pd.Timestamp(row["end_latest"]),
            "extreme_time": _instant(row["extreme_time"]),
        }
        for row in assessment.results["excursions"] if row["unit"] == unit and not wording.of_display(row)
    ]  # fmt: skip


def _instant(time: str | None) -> pd.Timestamp | None:
    return None if time is None else pd.Timestamp(time)


def episode_of(assessment: Assessment, number: str) -> tuple[EpisodeRow[pd.Timestamp], Unit, Clock]:
    """An episode, its unit and a time axis around it: half its length, at least two hours, on either side, inside the record."""
    found = next(row for row in assessment.results["episodes"] if row["id"] == number)
    row: EpisodeRow[pd.Timestamp] = {**found, "start": pd.Timestamp(found["start"]), "end": pd.Timestamp(found["end"])}
    pad = max((row["end"] - row["start"]) / 2, pd.Timedelta(hours=2))
    unit = assessment.units[row["unit"]]
    indexes = [trace.readings.index for trace in unit.traces.values() if len(trace.readings)]
    first, last = min(index[0] for index in indexes), max(index[-1] for index in indexes)
    start, end = max(row["start"] - pad, first), min(row["end"] + pad, last)
    return row, unit, Clock.of(start, max(end, start + pd.Timedelta(minutes=1)), assessment.site.timezone)


def clock_of(assessment: Assessment) -> Clock:
    """The time axis of the assessment's window."""
    return Clock.of(assessment.window.start, max(assessment.window.end, assessment.window.start + pd.Timedelta(minutes=1)), assessment.site.timezone)


def holes(assessment: Assessment, unit: Unit) -> list[tuple[pd.Timestamp, pd.Timestamp]]:
    """Stretches in which a deciding probe (where none decides: any probe) has no readings, each once."""
    rows = probes_of(assessment, unit.name)
    rows = [row for row in rows if row["decides"]] or rows
    return sorted({(pd.Timestamp(gap["start"]), pd.Timestamp(gap["end"])) for row in rows for gap in row["gaps"]})


def shaded(assessment: Assessment, unit: Unit) -> list[layers.Span]:
    spans: list[layers.Span] = [{"start": start, "end": end, "kind": "no readings", "label": ""} for start, end in holes(assessment, unit)]
    sure = {"above": "excursion above the limit", "below": "excursion below the limit"}
    doubt = {"above": "above, within the uncertainty", "below": "below, within the uncertainty"}
    for row in excursions_of(assessment, unit.name):
        kinds = sure if row["verdict"] == "outside" else doubt
        spans.append({"start": row["start"], "end": row["end"], "kind": kinds[row["direction"]], "label": row["id"]})
    return spans


def layered(*parts: layers.Drawn | None) -> alt.LayerChart:
    import altair as alt

    return alt.layer(*[part for part in parts if part is not None]).resolve_scale(color="independent", strokeDash="independent", stroke="independent", shape="independent")


def sized(chart: alt.LayerChart, height: int = drawing.HEIGHT_PX) -> alt.LayerChart:
    return chart.properties(width=drawing.WIDTH_PX, height=height)


def in_words(assessment: Assessment, unit: Unit, traces: list[Trace]) -> str:
    """The alternative text: what a seeing reader takes from the picture, in sentences."""
    zone, parts = assessment.site.timezone, []
    for row in probes_of(assessment, unit.name):
        if row["probe"] in [trace.probe.name for trace in traces] and row["readings"]:
            parts.append(
                f"Probe {row['probe']}: lowest {wording.end_of(row, 'min')} at {wording.when(row['min_time'], zone)}, highest {wording.end_of(row, 'max')} at {wording.when(row['max_time'], zone)}."
            )
    found = excursions_of(assessment, unit.name)
    parts.append(f"Excursions: {len(found)}." if found else "No excursion was found in the readings that are there.")
    shown = sum(row["unit"] == unit.name and wording.of_display(row) for row in assessment.results["excursions"])
    parts += [f"Outside by the display, time not known: {shown}, not drawn."] if shown else []
    parts.append(f"Stretches without readings: {len(holes(assessment, unit))}.")
    return f"Temperature of unit {unit.name} over time in {zone}. " + " ".join(parts)


def episode_in_words(assessment: Assessment, row: EpisodeRow[pd.Timestamp], excursions: list[ExcursionRow[pd.Timestamp]]) -> str:
    """The alternative text of an episode's chart."""
    zone = assessment.site.timezone
    parts = [
        f"{one['id']}, probe {one['probe']}: {wording.word(one['direction'])} from about {wording.when(one['start'], zone, estimated=True)} to {wording.when(one['end'], zone, estimated=True)},"
        f" {wording.minutes(one['minutes'])}, most extreme {wording.extreme(one, limit=one['limit_c'])} at {wording.when(one['extreme_time'], zone)}."
        for one in excursions[:6]
    ]
    more = f" And {len(excursions) - 6} more, listed in the table." if len(excursions) > 6 else ""
    return f"Temperature around episode {row['id']} of unit {row['unit']}. " + " ".join(parts) + more
