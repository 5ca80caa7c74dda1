"""An exercise: a trace with its truth, a question, and choices that each say what they are told, with a reading and a time of that trace."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import pandas as pd

from coldchain_kit.show import wording

if TYPE_CHECKING:
    from coldchain_kit.training.traces import Made

ZONE = "Europe/Lisbon"
MARK = "EXERCISE: invented for practice, not a real case."


@dataclass(frozen=True)
class Choice:
    """An answer to choose. ``told``: the sentence that follows it; ``critical``: in a real case it would do harm, so it fails at any score."""

    text: str
    right: bool
    told: str
    critical: bool = False


@dataclass(frozen=True)
class Exercise:
    """One exercise.

    Parameters
    ----------
    lesson : int
    kind : str
        Which kind of exercise of the lesson.
    seed : int
        The same lesson, kind and seed give the same exercise, whose number the learner sees.
    made : Made
        Traces [°C] and their truth.
    question : str
    choices : tuple of Choice
        In the order shown; at least one is right. Two may be, where the trace admits both.
    hint, worked : str
        What to look at; the answer worked through.
    """

    lesson: int
    kind: str
    seed: int
    made: Made
    question: str
    choices: tuple[Choice, ...]
    hint: str
    worked: str

    @property
    def right(self) -> tuple[int, ...]:
        """Places of the right choices."""
        return tuple(at for at, one in enumerate(self.choices) if one.right)

    @property
    def number(self) -> str:
        """ "1-defrost-17": what the record of training names."""
        return f"{self.lesson}-{self.kind}-{self.seed}"


def at(series: pd.Series, time: pd.Timestamp) -> str:
    """A reading and its time in words: "9.4 °C at Tue 5 May 03:20".

    Examples
    --------
    >>> at(pd.Series([9.4], index=[pd.Timestamp("2026-05-05T02:20Z")]), pd.Timestamp("2026-05-05T02:20Z"))
    '9.4 °C at 03:20 on 5 May'
    """
    return f"{wording.celsius(float(series[time]))} at {when(time)}"


def when(time: pd.Timestamp) -> str:
    """A time of an exercise's trace in the zone of the exercises."""
    local = time.tz_convert(ZONE)
    return f"{local:%H:%M} on {local.day} {local:%B}"
