"""A lesson on the screen: a worked example, a trace with sliders, exercises that explain; in a frozen run the questions without answers."""

from __future__ import annotations

from collections.abc import Callable
from html import escape
from pathlib import Path
from typing import Any

import pandas as pd

from coldchain_kit.base import KitError
from coldchain_kit.model import conditions
from coldchain_kit.show import charts
from coldchain_kit.training import lessons, marking, record, traces
from coldchain_kit.training.asked import MARK, ZONE, Exercise
from coldchain_kit.training.marking import Answer
from coldchain_kit.training.traces import Event, Made


def draw(made: Made, *, title: str) -> charts.Drawing:
    """The trace: bottle and air with the limits, and what was noted."""
    words = f"Bottle from {made.bottle.min():.1f} to {made.bottle.max():.1f} °C, air from {made.air.min():.1f} to {made.air.max():.1f} °C, a reading each {made.interval_min:g} min."
    return charts.course(
        {"bottle (buffered)": made.bottle, "air": made.air}, conditions.get("refrigerated"), zone=ZONE, interval_min=made.interval_min, title=title, description=words, noted=made.marks,
        banner="EXERCISE",
    )  # fmt: skip


def example(lesson: int, *, seed: int = 0, steps: int = 2) -> Any:
    """A worked example: the trace, its question, and the way to the answer; with fewer ``steps`` the learner goes the rest alone."""
    from IPython.display import HTML, display

    kind = next(iter(lessons.LESSONS[lesson]))
    one = lessons.exercise(lesson, kind, 1_000_000 + seed)
    told = [f"First: {one.hint}", f"So: {one.worked}", f"The answer: {one.choices[one.right[0]].text}."][: steps + 1]
    display(HTML(f"<p><strong>{escape(MARK)}</strong> Worked example. {escape(one.question)}</p>"))
    display(draw(one.made, title="Worked example"))
    display(HTML("".join(f"<p>{escape(text)}</p>" for text in told)))


def lesson(number: int, *, seed: int, folder: str | Path, frozen: bool = False) -> Any:
    """The exercises of a lesson.

    Parameters
    ----------
    number, seed : int
        Which lesson, and which fresh traces; the seed stands on the page.
    folder : path
        Where training.jsonl is kept.
    frozen : bool
        True in a run without a person: questions and traces, no answers and nothing that gives one away.
    """
    sheet = lessons.sheet(number, seed)
    if frozen:
        return _paper(sheet, number, seed)
    return _boxes(sheet, number, Path(folder))


def _paper(sheet: list[Exercise], number: int, seed: int) -> None:
    from IPython.display import HTML, display

    display(HTML(f"<p><strong>{escape(MARK)}</strong> Lesson {number}, {escape(lessons.TITLES[number])}; traces of seed {seed}.</p>"))
    for place, one in enumerate(sheet, 1):
        display(draw(one.made, title=f"Exercise {place}"))
        display(HTML(f"<p><strong>{place}.</strong> {escape(one.question)}</p><ul>{''.join(f'<li>{escape(choice.text)}</li>' for choice in one.choices)}</ul>"))


def _boxes(sheet: list[Exercise], number: int, folder: Path) -> Any:
    import ipywidgets as widgets

    answers: dict[str, Answer] = {}
    who = widgets.Text(description="Your name", placeholder="typed, not checked")
    said = widgets.HTML("")
    keep = widgets.Button(description="Keep this attempt", disabled=True, layout=widgets.Layout(width="16em"))
    cards = [_card(one, place, answers, lambda: _told(keep, answers, sheet)) for place, one in enumerate(sheet, 1)]

    def press(_: object) -> None:
        marked = marking.mark(sheet, answers)
        try:
            row = record.append(folder, who=who.value, lesson=number, exercises=sheet, answers=answers, marked=marked)
        except KitError as fault:
            said.value = f'<span role="alert"><strong>Not kept.</strong> {escape(str(fault))}</span>'
            return
        keep.disabled = True
        said.value = f'<span role="status"><strong>{escape(marked.sentence)}</strong> Kept {escape(row["when"])}, with the traces\' numbers.</span>'

    keep.on_click(press)
    return widgets.VBox([widgets.HTML(f"<strong>{escape(MARK)}</strong>"), who, *cards, keep, said])


def _told(keep: Any, answers: dict[str, Answer], sheet: list[Exercise]) -> None:
    keep.disabled = len(answers) < len(sheet)


def _card(one: Exercise, place: int, answers: dict[str, Answer], after: Callable[[], None]) -> Any:
    """One exercise: trace, question, choices, how sure, and what the answer is told."""
    import ipywidgets as widgets

    pick = widgets.RadioButtons(options=[(choice.text, at) for at, choice in enumerate(one.choices)], value=None, layout=widgets.Layout(width="auto"))
    sure = widgets.Dropdown(options=[(words, value) for value, words in marking.WORDS.items()], description="How sure?", value=0.5)
    button, hint, told = widgets.Button(description="Answer"), widgets.Button(description="Hint"), widgets.HTML("")

    def answer(_: object) -> None:
        if pick.value is None:
            told.value = '<span role="alert">Choose an answer first.</span>'
            return
        chosen = one.choices[pick.value]
        answers.setdefault(one.number, Answer(pick.value, sure.value))  # the first answer counts
        again = "" if chosen.right else f"<br>Worked through: {escape(one.worked)}"
        harm = "<strong>In a real case this would do harm.</strong> " if chosen.critical else ""
        told.value = f'<span role="status"><strong>{"Right" if chosen.right else "Not so"}.</strong> {harm}{escape(chosen.told)}{again}</span>'
        pick.disabled = sure.disabled = button.disabled = hint.disabled = True
        after()

    def help_(_: object) -> None:
        told.value = f"Hint: {escape(one.hint)}"

    button.on_click(answer)
    hint.on_click(help_)
    head = widgets.HTML(f"<h3>Exercise {place}</h3>{draw(one.made, title=f'Exercise {place}').svg}<p>{escape(one.question)}</p>")
    return widgets.VBox([head, pick, sure, widgets.HBox([button, hint]), told])


def live(*, frozen: bool = False) -> Any:
    """A trace that answers to sliders: the bottle, how long the door stands open, how often the logger reads. Nothing in a frozen run but a picture."""
    if frozen:
        return draw(moved(14.0, 15.0, 5), title="Bottle and air when the door stands open for 15 min")
    import ipywidgets as widgets

    bottle_min = widgets.FloatSlider(description="Bottle (min)", min=0, max=40, value=14, step=1, continuous_update=False)
    door_min = widgets.FloatSlider(description="Door (min)", min=0, max=60, value=15, step=1, continuous_update=False)
    interval_min = widgets.Dropdown(description="Interval", options=[(f"{step} min", step) for step in (1, 5, 10, 15, 30, 60)], value=5)
    shown = widgets.HTML()

    def redraw(_: object = None) -> None:
        shown.value = quick(moved(bottle_min.value, door_min.value, interval_min.value))

    for box in (bottle_min, door_min, interval_min):
        box.observe(redraw, names="value")
    redraw()
    return widgets.VBox([widgets.HTML(f"<strong>{escape(MARK)}</strong> Move a slider. What stays hidden when the logger reads seldom?"), bottle_min, door_min, interval_min, shown])


WIDTH_PX, LEFT_PX, TOP_PX, PLOT_PX = 700, 46, 24, 180  # of the quick picture


def quick(made: Made) -> str:
    """A plain SVG of a trace, drawn at once: what a slider needs. Bottle solid, air dashed, the limits in grey, hours below."""
    low, high = min(made.low_c, float(made.air.min())) - 1, max(made.high_c, float(made.air.max())) + 1
    first, span_s = made.air.index[0], (made.air.index[-1] - made.air.index[0]).total_seconds()

    def x(seconds: float) -> float:
        return LEFT_PX + (WIDTH_PX - LEFT_PX - 8) * seconds / span_s

    def y(value_c: float) -> float:
        return TOP_PX + PLOT_PX * (high - value_c) / (high - low)

    def line(series: pd.Series, look: str) -> str:
        seconds = (pd.DatetimeIndex(series.index) - first).total_seconds().tolist()
        points = " ".join(f"{x(at):.1f},{y(value):.1f}" for at, value in zip(seconds, series.tolist(), strict=True))
        return f'<polyline fill="none" {look} points="{points}"/>'

    limits = "".join(f'<line x1="{LEFT_PX}" x2="{WIDTH_PX - 8}" y1="{y(one):.1f}" y2="{y(one):.1f}" stroke="#555" stroke-dasharray="8 3"/><text x="2" y="{y(one) + 4:.1f}">{one:g} °C</text>' for one in (made.low_c, made.high_c))
    hours = "".join(f'<text x="{x(hour * 3600) - 22 * (hour > 0):.1f}" y="{TOP_PX + PLOT_PX + 18}">{hour} h</text>' for hour in range(0, int(span_s // 3600) + 1, 2))
    top = f'<text x="{LEFT_PX}" y="14">bottle solid, highest {made.bottle.max():.1f} °C; air dashed, highest {made.air.max():.1f} °C; {MARK}</text>'
    words = f"Bottle up to {made.bottle.max():.1f} °C, air up to {made.air.max():.1f} °C, a reading each {made.interval_min:g} min."
    return (
        f'<svg role="img" aria-label="{escape(words)}" width="{WIDTH_PX}" height="{TOP_PX + PLOT_PX + 24}" viewBox="0 0 {WIDTH_PX} {TOP_PX + PLOT_PX + 24}" font-size="12" font-family="sans-serif" fill="currentColor">'
        f'{limits}{line(made.air, AIR)}{line(made.bottle, BOTTLE)}{hours}{top}</svg>'
    )


AIR, BOTTLE = 'stroke="#D55E00" stroke-width="1.4" stroke-dasharray="5 3"', 'stroke="#0072B2" stroke-width="2"'


def moved(bottle_min: float, door_min: float, interval_min: int) -> Made:
    """The trace of the sliders: one door opening on a calm day."""
    return traces.make((Event("door", 150, door_min),) if door_min else (), tau_min=bottle_min, interval_min=interval_min, hours=8, seed=4)
