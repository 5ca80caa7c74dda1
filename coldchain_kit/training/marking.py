"""Answers against the truth: right, what each is told, how sure, and what would have done harm."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

from coldchain_kit.base import KitError
from coldchain_kit.training.asked import Exercise

SURE = (0.5, 0.7, 0.9, 1.0)  # "guess", "rather sure", "sure", "certain"
WORDS = {0.5: "a guess", 0.7: "rather sure", 0.9: "sure", 1.0: "certain"}
PASS_SHARE = 0.8  # of the answers (common practice, no source; the site's procedure may set another)


@dataclass(frozen=True)
class Answer:
    """A chosen place among the choices, and how sure the learner was (0.5 to 1)."""

    choice: int
    sure: float = 0.5


@dataclass(frozen=True)
class Marked:
    """What came of a lesson.

    ``right`` of ``count``; ``told``: number of the exercise -> the sentence its answer gets; ``critical``: exercises answered in a way that would do
    harm; ``sure_and_wrong``: how many were wrong and sure (0.9 and more); ``brier``: mean squared distance of sureness from right (0 best), for the trainer.
    """

    right: int
    count: int
    told: Mapping[str, str]
    critical: tuple[str, ...]
    sure_and_wrong: int
    brier: float

    @property
    def passed(self) -> bool:
        """Four of five right, and nothing that would do harm."""
        return self.count > 0 and self.right >= PASS_SHARE * self.count and not self.critical

    @property
    def sentence(self) -> str:
        """The result in a sentence for the learner."""
        harm = f" {len(self.critical)} would have done harm: that fails at any score." if self.critical else ""
        return f"{self.right} of {self.count} right; sure and wrong: {self.sure_and_wrong}.{harm} {'Passed.' if self.passed else 'Not passed yet: try fresh traces.'}"


def mark(exercises: Sequence[Exercise], answers: Mapping[str, Answer]) -> Marked:
    """Mark a lesson's answers; an exercise without an answer counts as not right and gives nothing away.

    Raises
    ------
    KitError
        An answer to an exercise that is not in the lesson, or to a choice that it does not have.
    """
    known = {one.number: one for one in exercises}
    for number, given in answers.items():
        if number not in known or not 0 <= given.choice < len(known[number].choices):
            raise KitError(f"an answer to '{number}', choice {given.choice + 1}", expected="an exercise and a choice of this lesson")
    chosen = {number: known[number].choices[given.choice] for number, given in answers.items()}
    squares = [(given.sure - float(chosen[number].right)) ** 2 for number, given in answers.items()]
    return Marked(
        right=sum(one.right for one in chosen.values()), count=len(exercises), told={number: one.told for number, one in chosen.items()},
        critical=tuple(number for number, one in chosen.items() if one.critical),
        sure_and_wrong=sum(answers[number].sure >= 0.9 and not one.right for number, one in chosen.items()), brier=sum(squares) / len(squares) if squares else 1.0,
    )  # fmt: skip
