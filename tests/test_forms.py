"""Questions and answers: saved at once in live use, escaped tables in a frozen record, no box there."""

from __future__ import annotations

import json

import pytest

from coldchain_kit import forms
from coldchain_kit.forms import boxes as boxes_of_forms
from coldchain_kit.register import entries
from coldchain_kit.show import open_questions
from coldchain_kit.show.tables import Prose, Table, Tables
from tests.assessed import assessed

ASKING = ("before_anything_else", "found", "five_whys", "cause_groups", "root_cause", "classification", "conclusion", "decisions", "replies", "set_aside", "actions")


@pytest.fixture
def case(tmp_path):
    boxes_of_forms._SHARED.clear()
    return assessed(tmp_path)


def boxes(widget, kind: str) -> list:
    """Every widget of a kind inside a form, in order."""
    found = [widget] if type(widget).__name__ == kind else []
    return found + [box for child in getattr(widget, "children", ()) for box in boxes(child, kind)]


def said(form) -> str:
    """Everything the form says in words at the moment."""
    return " ".join(box.value for box in boxes(form, "HTML"))


def sign_in(form, name="R. Vaz") -> None:
    boxes(form, "Text")[0].value = name


@pytest.mark.parametrize("name", ASKING)
def test_a_frozen_form_is_a_table_and_holds_no_widget(case, name):
    found = getattr(forms, name)(case, frozen=True)
    assert isinstance(found, Table)
    assert set(found._repr_mimebundle_()) == {"text/html", "text/plain"}
    assert not any(tag in found._repr_html_() for tag in ("<input", "<textarea", "<button", "<select"))


def test_what_nobody_answered_is_said(case):
    text = str(forms.before_anything_else(case, frozen=True))
    assert "none of 7 questions is answered; see “What is still open”" in text
    assert all(entries.FIELDS[name] in str(open_questions.still_open(case)) for name in entries.FIELDS if name.startswith("immediate."))
    assert "Decision on lot L-7731" in str(open_questions.still_open(case))


def test_a_typed_answer_is_in_the_file_when_the_box_is_left(case):
    form = forms.before_anything_else(case)
    sign_in(form)
    boxes(form, "Textarea")[0].value = 'yes, <b>red</b> label "do not use"'
    assert entries.current(case.case.folder) == {"immediate.marked": 'yes, <b>red</b> label "do not use"'}
    assert entries.read(case.case.folder)[0]["who"] == "R. Vaz"
    page = forms.before_anything_else(case, frozen=True)._repr_html_()
    assert "&lt;b&gt;red&lt;/b&gt;" in page and "<b>" not in page and "R. Vaz" in page


def test_without_a_name_nothing_is_saved_and_the_form_says_so(case):
    form = forms.conclusion(case)
    boxes(form, "Textarea")[0].value = "Power cut."
    assert entries.read(case.case.folder) == []
    assert "Not saved" in said(form) and "Type your name first" in said(form)


def test_a_changed_answer_needs_a_reason_and_keeps_the_earlier_one(case):
    form = forms.conclusion(case)
    sign_in(form)
    answer, reason = boxes(form, "Textarea")[0], boxes(form, "Text")[1]
    answer.value = "Power cut."
    answer.value = "Power cut in the street."
    assert "Say in one sentence why" in said(form)
    reason.value = "the supplier confirmed it"
    answer.value = "Power cut in the street, confirmed."
    trail = str(forms.trail(case))
    assert "Power cut. | Power cut in the street, confirmed. | the supplier confirmed it" in trail
    assert "the chain is whole" in trail and "typed, not authenticated" in trail


def test_one_name_serves_every_form(case):
    sign_in(forms.conclusion(case), "I. Lopes")
    form = forms.root_cause(case)
    boxes(form, "Textarea")[0].value = "Street works cut the cable."
    assert entries.read(case.case.folder)[0]["who"] == "I. Lopes"


def test_classes_come_from_the_sites_own_scheme(case):
    form = forms.classification(case)
    assert boxes(form, "Dropdown")[0].options == ("", "minor", "major")


def test_a_decision_is_kept_with_outcome_person_role_and_time(case):
    form = forms.decisions(case)
    sign_in(form)
    for box in boxes(form, "Combobox"):
        box.value = {"outcome": "kept marked", "by": "P. Reis", "role": "pharmacist", "time": "2026-03-09 15:00"}.get(box.description, "")
    boxes(form, "Button")[0].click()
    assert entries.current(case.case.folder)["decision.L-7731"] == {"outcome": "kept marked", "by": "P. Reis", "role": "pharmacist", "time": "2026-03-09 15:00"}
    assert "L-7731 | kept marked | P. Reis | pharmacist | 2026-03-09 15:00 +00:00 | none | none | none | R. Vaz" in str(forms.decisions(case, frozen=True))
    assert "Decision on lot" not in str(open_questions.still_open(case))


def test_a_decision_with_a_missing_part_is_refused_with_the_part_named(case):
    form = forms.decisions(case)
    sign_in(form)
    boxes(form, "Combobox")[0].value = "kept marked"
    boxes(form, "Button")[0].click()
    assert "&#x27;role&#x27; is not filled in" in said(form)
    assert entries.read(case.case.folder) == []


def test_a_saved_row_stands_in_the_forms_table_and_the_next_number_is_offered(case):
    form = forms.replies(case)
    sign_in(form)
    for box in boxes(form, "Combobox"):
        box.value = {"from": "Example maker A", "words": "Use within 30 days", "time": "2026-03-10"}.get(box.description, "")
    boxes(form, "Button")[0].click()
    assert "Use within 30 days" in said(form) and boxes(form, "Dropdown")[0].options == ("1", "2")
    boxes(form, "Dropdown")[0].value = "2"
    assert [box.value for box in boxes(form, "Combobox")][:2] == ["", ""]
    boxes(form, "Dropdown")[0].value = "1"
    assert boxes(form, "Combobox")[0].value == "Example maker A"


def test_an_action_typed_into_the_form_is_in_the_table(case):
    form = forms.actions(case)
    sign_in(form)
    for box in boxes(form, "Combobox"):
        box.value = {"kind": "corrective", "action": "Fit a lock", "owner": "T. Melo", "due": "2026-04-01"}.get(box.description, "")
    boxes(form, "Button")[0].click()
    assert [row["action"] for row in entries.actions(case.case.folder)] == ["Fit a lock"]
    assert boxes(form, "Dropdown")[0].options == ("A1", "A2")


def test_actions_are_shown_until_closed_and_found_effective(case):
    row = {"id": "A1", "kind": "corrective", "action": "Fit a lock on the plug", "owner": "T. Melo", "due": "2026-04-01"}
    entries.save_action(case.case.folder, row, who="R. Vaz")
    assert "Still open, or not yet found effective: A1." in str(forms.actions(case, frozen=True))
    entries.save_action(case.case.folder, {**row, "closed": "2026-03-20"}, who="R. Vaz", why="done")
    assert "A1" in str(open_questions.still_open(case))
    entries.save_action(case.case.folder, {**row, "closed": "2026-03-20", "effective": "yes, checked 2026-05-02"}, who="R. Vaz", why="checked")
    assert "Still open" not in str(forms.actions(case, frozen=True)) and "A1" not in str(open_questions.still_open(case))


def test_proposed_text_stands_until_somebody_words_it(case):
    proposed = forms.text(case, "happened", frozen=True)
    assert isinstance(proposed, Prose) and "went above the limit" in str(proposed)
    form = forms.text(case, "happened")
    sign_in(form)
    boxes(form, "Textarea")[0].value = "On Friday night F2 warmed up <fast>."
    shown = forms.text(case, "happened", frozen=True)
    assert shown[0] == "On Friday night F2 warmed up <fast>." and "Worded by R. Vaz" in shown[1] and str(proposed) in shown[1]
    assert "&lt;fast&gt;" in shown._repr_html_()


def test_a_wording_made_before_the_figures_changed_is_marked(case, tmp_path):
    form = forms.text(case, "happened")
    sign_in(form)
    boxes(form, "Textarea")[0].value = "On Friday night F2 warmed up."
    other = assessed(tmp_path, peak_c=12.4)
    assert "has changed since this wording was written" in str(forms.text(other, "happened", frozen=True))


def test_readings_set_aside_show_both_results_with_all_readings_first(case):
    held = {"unit": "F2", "probe": "A", "start": "2026-03-06T18:00", "end": "2026-03-07T01:00", "reason": "the probe lay on the bench", "second_person": "P. Reis"}
    entries.append(case.case.folder, who="R. Vaz", field="set_aside.1", new=held)
    table = forms.both_results(case)
    # all readings: the one excursion of the made-up night; without them: none is left, the night is a gap
    assert table.columns[3:5] == ("All readings (the headline)", "Without them")
    assert table.rows[0][3].startswith("1 excursion, ") and table.rows[0][4].startswith("no excursion; time without readings ")
    assert "time without readings 300 min" in table.rows[0][3] and "300 min" not in table.rows[0][4]
    assert table.rows[0][5:] == ("the probe lay on the bench", "P. Reis")
    assert case.results["excursions"], "the results themselves keep every reading"


def test_a_set_aside_of_an_unknown_probe_changes_nothing(case):
    held = {"unit": "F9", "probe": "A", "start": "2026-03-06T18:00", "end": "2026-03-07T01:00", "reason": "x", "second_person": "P. Reis"}
    entries.append(case.case.folder, who="R. Vaz", field="set_aside.1", new=held)
    assert "no such probe in this case" in str(forms.both_results(case))


def test_a_broken_chain_is_named_in_the_record(case):
    entries.append(case.case.folder, who="R. Vaz", field="risk", new="low")
    path = case.case.folder / entries.FILE
    path.write_text(path.read_text("utf-8").replace('"low"', '"none"'), "utf-8")
    assert "entries.jsonl line 1 was changed" in str(forms.trail(case))


def test_a_line_that_is_no_entry_is_named_and_stops_nothing(case):
    entries.append(case.case.folder, who="R. Vaz", field="risk", new="low")
    with (case.case.folder / entries.FILE).open("a", encoding="utf-8") as file:
        file.write('{"field": "other"}\n')
    text = str(forms.trail(case))
    assert "entry 2 is no entry of the kit" in text and "Risk to product and patients, in your words | none before | low" in text


def test_what_the_case_file_says_is_not_asked_again(case):
    assert "I. Lopes (from the case file)" in str(forms.found(case, frozen=True))
    assert "found.by" not in str(open_questions.still_open(case))


def test_the_trail_is_the_same_from_run_to_run(case):
    entries.append(case.case.folder, who="R. Vaz", field="risk", new="low")
    assert isinstance(forms.trail(case), Tables)
    assert json.dumps(forms.trail(case)._repr_mimebundle_()) == json.dumps(forms.trail(case)._repr_mimebundle_())
