"""Training: exercises whose truth is known by construction, marks with reasons, and the record of who is due again."""

from __future__ import annotations

import datetime as dt
import itertools
import re

import numpy as np
import pandas as pd
import pytest

from coldchain_kit import training
from coldchain_kit.base import KitError
from coldchain_kit.training import lessons, marking, record
from coldchain_kit.training.marking import Answer

KINDS = [(lesson, kind) for lesson, kinds in training.LESSONS.items() for kind in kinds]
SEEDS = range(200)


@pytest.mark.parametrize(("lesson", "kind"), KINDS)
def test_two_hundred_seeds_have_an_answer_and_reasons_that_name_the_trace(lesson, kind):
    """Every sentence names a time of that trace; readings that it quotes stand in it; three wrong answers get three sentences."""
    positions = set()
    for seed in SEEDS:
        one = training.exercise(lesson, kind, seed)
        assert len(one.right) == 1 and len({choice.text for choice in one.choices}) == len(one.choices) >= 4
        told = [choice.told for choice in one.choices]
        assert len(set(told)) == len(told) and all(re.search(r"\d\d:\d\d on \d+ May|°C", text) for text in told)
        shown = {round(float(value), 1) for series in (one.made.bottle, one.made.air) for value in series}
        for text in told:
            for value, clock in re.findall(r"(-?\d+\.\d+) °C at (\d\d:\d\d) on", text):
                assert float(value) in shown, (one.number, text)
                assert any(time.tz_convert("Europe/Lisbon").strftime("%H:%M") == clock for time in one.made.air.index)
        positions |= set(one.right)
        assert one.hint and one.worked
    assert positions == set(range(4))  # the right answer has no place of its own


@pytest.mark.parametrize("lesson", training.LESSONS)
def test_model_answers_get_full_marks_and_each_wrong_one_its_sentence(lesson):
    for seed in range(20):
        sheet = lessons.sheet(lesson, seed)
        assert len({one.number for one in sheet}) == len(sheet)
        best = training.mark(sheet, {one.number: Answer(one.right[0], 1.0) for one in sheet})
        assert best.right == best.count == len(sheet) and best.passed and best.brier == 0 and best.sure_and_wrong == 0
        for place in range(3):
            wrong = {one.number: Answer([at for at in range(4) if at not in one.right][place], 0.9) for one in sheet}
            marked = training.mark(sheet, wrong)
            assert marked.right == 0 and not marked.passed and marked.sure_and_wrong == len(sheet) and marked.brier == pytest.approx(0.81)
            assert all(marked.told[one.number] == one.choices[wrong[one.number].choice].told for one in sheet)


def test_without_answers_nothing_is_given_away_and_nothing_is_passed():
    sheet = lessons.sheet(1, 3)
    marked = training.mark(sheet, {})
    assert (marked.right, dict(marked.told), marked.passed) == (0, {}, False)


def test_what_would_do_harm_fails_at_any_score():
    sheet = lessons.sheet(1, 5)
    answers = {one.number: Answer(one.right[0], 0.7) for one in sheet}
    harmful = next((one, at) for one in sheet for at, choice in enumerate(one.choices) if choice.critical)
    answers[harmful[0].number] = Answer(harmful[1], 0.7)
    marked = training.mark(sheet, answers)
    assert marked.right == marked.count - 1 >= marking.PASS_SHARE * marked.count and marked.critical == (harmful[0].number,) and not marked.passed


def test_the_brier_score_is_that_of_its_definition():
    """Mean of (forecast - outcome) squared, by plain numpy (Brier 1950, from memory)."""
    sheet = lessons.sheet(2, 1)
    rng = np.random.default_rng(1)
    answers = {one.number: Answer(int(rng.integers(4)), float(rng.choice(marking.SURE))) for one in sheet}
    outcome = np.array([one.choices[answers[one.number].choice].right for one in sheet], float)
    sure = np.array([answers[one.number].sure for one in sheet])
    assert training.mark(sheet, answers).brier == pytest.approx(float(((sure - outcome) ** 2).mean()))


@pytest.mark.parametrize("seed", range(30))
def test_the_bounds_of_an_exercise_are_those_of_the_kit(seed):
    """Against the kit's own bounds of the same readings with no uncertainty."""
    import coldchain_kit as ck

    one = training.exercise(2, "bounds", seed)
    found = ck.minutes_beyond(one.made.bottle, limit_c=8.0, u_c=0.0)
    text = one.choices[one.right[0]].text
    assert text == f"At least {found.least:.0f} min, at most {found.most:.0f} min"


def test_a_cabinet_without_cooling_warms_as_a_first_order_body_does():
    """Closed form: after t minutes the air is room - (room - level) exp(-t / tau), tau 330 min (FACTS C11 to C13)."""
    made = training.traces.make((training.traces.Event("failure", 600, 1),), swing_c=0.0, tau_min=0, seed=1)
    for later in (60, 200, 500):
        expected = 22.0 - 17.0 * np.exp(-later / 330.0)
        assert float(made.air[made.near(made.air, 600 + later)]) == pytest.approx(expected, abs=0.2)


def test_an_unknown_lesson_kind_or_choice_is_one_plain_error():
    for call in (lambda: training.exercise(9, "humps", 1), lambda: training.exercise(1, "nothing", 1), lambda: lessons.sheet(7, 1), lambda: training.mark(lessons.sheet(1, 1), {"x": Answer(0)}), lambda: training.mark(lessons.sheet(1, 1), {lessons.sheet(1, 1)[0].number: Answer(9)})):
        with pytest.raises(KitError):
            call()


# --- the record of training ---------------------------------------------------------------------------------------


def attempt(folder, who: str, lesson: int, day: str, *, right: bool = True, seed: int = 1) -> None:
    sheet = lessons.sheet(lesson, seed)
    answers = {one.number: Answer(one.right[0] if right else (one.right[0] + 1) % 4, 0.9) for one in sheet}
    now = dt.datetime.fromisoformat(f"{day}T10:00:00+00:00")
    record.append(folder, who=who, lesson=lesson, exercises=sheet, answers=answers, marked=training.mark(sheet, answers), now=now)


def test_attempts_are_kept_in_a_chain_and_a_changed_line_is_found(tmp_path):
    from coldchain_kit.base import chain

    attempt(tmp_path, "Ana Sousa", 1, "2026-05-04")
    attempt(tmp_path, "Ben Ito", 1, "2026-05-04", right=False)
    assert [(row["who"], row["passed"]) for row in record.read(tmp_path)] == [("Ana Sousa", True), ("Ben Ito", False)]
    assert chain.read(tmp_path / record.FILE).problems == []
    text = (tmp_path / record.FILE).read_text("utf-8")
    (tmp_path / record.FILE).write_text(text.replace('"passed": false', '"passed": true'), "utf-8")
    assert chain.read(tmp_path / record.FILE).problems
    with pytest.raises(KitError):
        attempt(tmp_path, "Cal Roy", 1, "2026-05-05")


def test_who_is_due_again(tmp_path):
    """3, 10 and 42 days after each pass in a row; a failed attempt is due at once (FACTS I3, I5; days our own)."""
    day = dt.date.fromisoformat
    attempt(tmp_path, "Ana", 1, "2026-05-04")
    assert record.due(tmp_path, day("2026-05-06")) == [] and [one.stage for one in record.due(tmp_path, day("2026-05-07"))] == [1]
    attempt(tmp_path, "Ana", 1, "2026-05-07", seed=2)
    assert record.due(tmp_path, day("2026-05-16")) == [] and [one.stage for one in record.due(tmp_path, day("2026-05-17"))] == [2]
    attempt(tmp_path, "Ana", 1, "2026-05-17", seed=3, right=False)
    assert [(one.stage, one.day) for one in record.due(tmp_path, day("2026-05-17"))] == [(0, day("2026-05-17"))]


def test_the_trainer_sees_what_people_get_wrong(tmp_path):
    attempt(tmp_path, "Ana", 3, "2026-05-04", right=False)
    attempt(tmp_path, "Ben", 3, "2026-05-04")
    rows = record.wrong_most(tmp_path)
    assert {kind for kind, _, _ in rows} == {"3-gap", "3-stuck"} and all((wrong, of) == (3, 6) for _, wrong, of in rows)


def test_every_pair_of_seeds_differs(tmp_path):
    for lesson, kind in KINDS:
        made = [training.exercise(lesson, kind, seed).made.air for seed in range(6)]
        assert all(not one.equals(other) for one, other in itertools.combinations(made, 2))
    assert isinstance(made[0].index, pd.DatetimeIndex)


# --- the lessons themselves ---------------------------------------------------------------------------------------


@pytest.mark.notebooks
@pytest.mark.parametrize("number", training.LESSONS)
def test_a_lesson_runs_headless_and_gives_nothing_away(number, tmp_path):
    """By papermill, as a person without a screen would; no output holds a sentence that only an answer earns."""
    import papermill

    from tests.conftest import CHECKOUT

    seed = 7
    made = papermill.execute_notebook(str(CHECKOUT / "notebooks" / "lessons" / f"lesson_{number}.ipynb"), str(tmp_path / "out.ipynb"), parameters={"seed": seed, "frozen": True, "folder": str(tmp_path)}, progress_bar=False)
    outputs = {cell.id: "\n".join(str(output.get("data", output)) for output in cell.outputs) for cell in made.cells if cell.cell_type == "code"}
    asked = outputs["lesson"]
    for one in lessons.sheet(number, seed):
        assert one.question.split("“")[0].split("'")[0][:40] in asked
        assert not any(choice.told in asked for choice in one.choices) and one.worked not in asked
    assert "EXERCISE" in asked and "EXERCISE" in outputs["start"] and "EXERCISE" in outputs["sliders"] and not (tmp_path / record.FILE).exists()


@pytest.mark.notebooks
def test_a_slider_is_answered_within_a_fifth_of_a_second():
    """Processor time of a redraw; the picture changes with the slider."""
    import time

    from coldchain_kit.training import screen

    spent, pictures = [], set()
    for bottle, door, step in ((20.0, 30.0, 1), (5.0, 10.0, 10), (0.0, 45.0, 5)):
        begun = time.process_time()
        pictures.add(screen.quick(screen.moved(bottle, door, step)))
        spent.append(time.process_time() - begun)
    assert max(spent) <= 0.2 and len(pictures) == 3 and all("EXERCISE" in one for one in pictures), spent


def test_the_boxes_of_a_lesson_keep_one_attempt(tmp_path):
    """Each exercise answered by its widgets, then kept with a name; without a name it says so and keeps nothing."""
    box = training.lesson(3, seed=2, folder=tmp_path)
    sheet = lessons.sheet(3, 2)
    _, who, *cards, keep, said = box.children
    for one, card in zip(sheet, cards, strict=True):
        _, pick, sure, buttons, told = card.children
        buttons.children[0].click()
        assert "Choose an answer first" in told.value
        pick.value, sure.value = one.right[0], 0.9
        buttons.children[0].click()
        assert "Right" in told.value and pick.disabled
    keep.click()
    assert "Not kept" in said.value and record.read(tmp_path) == []
    who.value = "Ana Sousa"
    keep.click()
    (row,) = record.read(tmp_path)
    assert (row["who"], row["lesson"], row["right"], row["of"], row["passed"]) == ("Ana Sousa", 3, 6, 6, True) and "6 of 6 right; sure and wrong: 0" in said.value
