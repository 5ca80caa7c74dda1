"""A revision says what it changed; a past that is not what it was is said in strong words; made again, a record has the same bytes."""

from __future__ import annotations

import copy
import hashlib
import json
import re
import shutil

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from coldchain_kit import cli, records
from coldchain_kit.base import package_files
from coldchain_kit.records import changes, context, ledger, rerunning, verification
from coldchain_kit.records.changes import AnswerState, State
from coldchain_kit.register import entries
from tests import frozen


def held(folder):
    return json.loads((folder / "data/context.json").read_text("utf-8"))


def page(folder):
    return (folder / "data/record.html").read_text("utf-8")


# ------------------------------------------------------------------------------------------------- the comparison itself

names = st.text("abcde", min_size=1, max_size=2)
figures = st.one_of(st.none(), st.booleans(), st.integers(-5, 5), st.floats(-5, 5), names)
trees = st.recursive(figures, lambda inner: st.dictionaries(names, inner, max_size=3) | st.lists(inner, max_size=3), max_leaves=8)
answers = st.lists(st.builds(lambda field, new, mark: AnswerState(n=1, field=field, who="x", new=new, hash=mark), names, st.one_of(st.none(), names), st.uuids().map(str)), max_size=5)
states = st.builds(
    lambda inputs, results, trail: State(inputs=inputs, downloads=sorted(inputs)[:2], results=results, entries=trail), st.dictionaries(names, names, max_size=4), st.dictionaries(names, trees, max_size=4), answers
)


@settings(max_examples=200, deadline=None)
@given(states)
def test_what_is_the_same_is_no_change(state):
    found = changes.compare(state, copy.deepcopy(state), revision=1)
    assert found.rows == () and found.warnings == () and found.told == ("Nothing in inputs, results or answers.",)


@settings(max_examples=300, deadline=None)
@given(states, states)
def test_every_input_and_figure_that_differs_is_a_row_and_every_lost_past_a_warning(before, now):
    found = changes.compare(before, now, revision=4)
    wanted = {name for name in before["inputs"].keys() | now["inputs"].keys() if before["inputs"].get(name) != now["inputs"].get(name)}
    assert {row["where"] for row in found.rows if row["part"] == "inputs"} == wanted
    altered = [name for name in before["downloads"] if now["inputs"].get(name) != before["inputs"].get(name)]
    cut = [row["hash"] for row in before["entries"]] != [row["hash"] for row in now["entries"][: len(before["entries"])]]
    assert len(found.warnings) == len(altered) + cut
    if json.dumps(before["results"], sort_keys=True) != json.dumps(now["results"], sort_keys=True):
        changed = {key for key in before["results"].keys() | now["results"].keys() if before["results"].get(key) != now["results"].get(key)}
        assert {row["part"] for row in found.rows} >= {key for key in changed if before["results"].get(key) not in (None, {}, []) or now["results"].get(key) not in (None, {}, [])}


def test_rows_are_matched_by_what_names_them_not_by_their_place():
    old = [{"id": "F2-E1", "minutes": 261.0}, {"id": "F2-E2", "minutes": 12.0}]
    new = [{"id": "F2-E2", "minutes": 12.0}]
    rows = changes.compare(State(inputs={}, downloads=[], results={"excursions": old}, entries=[]), State(inputs={}, downloads=[], results={"excursions": new}, entries=[]), revision=1).rows
    assert [(row["where"], bool(row["now"])) for row in rows] == [("F2-E1", False)]


# ------------------------------------------------------------------------------------------------- in a record


def entered(base, *answers_):
    (base / "letter.pdf").write_bytes(b"%PDF-1.4 letter")
    for field, new in answers_:
        entries.append(base, who="M. Alder", field=field, new=new, why="as it is")
    return [(base / "F2.csv", "downloads/F2.csv"), (base / "entries.jsonl", "cases/entries.jsonl")]


def test_a_revision_on_falsified_readings_and_deleted_answers_says_so_first(tmp_path, capsys):
    (tmp_path / "F2.csv").write_text(frozen.READINGS)
    source = lambda: {"sources": [{"file": "downloads/F2.csv", "sha256": hashlib.sha256((tmp_path / "F2.csv").read_bytes()).hexdigest()}]}  # noqa: E731
    inputs = entered(tmp_path, ("conclusion", "The door stood open"), ("cause.root", "No emergency supply"))
    first = frozen.freeze(tmp_path, inputs=inputs, results={**source(), "excursions": [{"id": "F2-E1", "minutes_most": 270.0}]})
    assert held(first)["previous"] is None and "What changed" not in page(first)

    (tmp_path / "F2.csv").write_text(frozen.READINGS.replace("8.4", "7.9"))
    (tmp_path / "entries.jsonl").unlink()
    inputs = entered(tmp_path, ("conclusion", "The door stood open"))
    second = frozen.freeze(tmp_path, inputs=inputs, results={**source(), "excursions": []}, reason="again")
    told, text = held(second)["changes"], page(second)
    assert [line.split(":")[0] for line in told["warnings"]] == ["AN EARLIER DOWNLOAD DIFFERS", "EARLIER ENTRIES ARE NOT WHAT THEY WERE"]
    assert "downloads/F2.csv" in told["warnings"][0] and re.search("of the 2 entries of revision 1 the first [01] stand unchanged", told["warnings"][1])
    assert any("excursions F2-E1" in line and "now not there" in line for line in told["told"]) and "Answers withdrawn: “Root cause, in the investigator's own words”." in told["told"]
    assert text.index("What changed since revision 1") < text.index("AN EARLIER DOWNLOAD DIFFERS") < text.index("<main")
    assert ledger.record_hash(first) in text and held(second)["previous"]["record_hash"] == ledger.record_hash(first)
    assert verification.record(second) == []


def test_an_honest_revision_names_what_was_added_and_warns_of_nothing(tmp_path):
    (tmp_path / "F2.csv").write_text(frozen.READINGS)
    inputs = entered(tmp_path, ("conclusion", "The door stood open"))
    first = frozen.freeze(tmp_path, inputs=inputs)
    inputs = entered(tmp_path, ("conclusion", "The power was cut"), ("cause.root", "No emergency supply"))
    (tmp_path / "reply.txt").write_text("as stated")
    second = frozen.freeze(tmp_path, inputs=inputs, attachments=[(tmp_path / "letter.pdf", "letter.pdf"), (tmp_path / "reply.txt", "reply.txt")], reason="reply came")
    told = held(second)["changes"]
    assert told["warnings"] == [] and told["told"][0].startswith("Inputs added: attachments/reply.txt")
    assert "Answers added: “Root cause, in the investigator's own words”." in told["told"] and "Answers changed: “Conclusion”." in told["told"]
    assert {row["where"] for row in told["rows"] if row["part"] == "answers"} == {"conclusion", "cause.root"}
    assert first.is_dir()


@pytest.mark.parametrize("lost", ["folder", "damaged"])
def test_a_revision_whose_forerunner_is_lost_says_that_it_cannot_be_compared(tmp_path, lost):
    first = frozen.freeze(tmp_path)
    if lost == "folder":
        shutil.rmtree(first)
    else:
        (first / "data/results.json").write_text("{}")
    second = frozen.freeze(tmp_path, reason="again")
    (warning,) = held(second)["changes"]["warnings"]
    assert warning.startswith("WHAT CHANGED CANNOT BE SAID: revision 1") and warning in page(second)


def test_the_page_says_when_by_whom_and_from_which_files(tmp_path, monkeypatch):
    monkeypatch.setattr(ledger, "now", lambda: "2026-03-09T09:12:00Z")
    monkeypatch.setattr(context, "account", lambda: "ward3")
    folder = frozen.freeze(tmp_path)
    text = page(folder)
    assert "2026-03-09 09:12:00 UTC, by the computer account ward3" in text
    for path in [*(folder / "data/inputs").rglob("*"), *(folder / "data/attachments").rglob("*")]:
        if path.is_file():
            assert hashlib.sha256(path.read_bytes()).hexdigest() in text, path.name


# ------------------------------------------------------------------------------------------------- made again


@pytest.fixture(scope="module")
def investigated(tmp_path_factory):
    site = package_files.copy_sample_site(tmp_path_factory.mktemp("site"))
    return records.investigate(site / "cases" / "2026-014" / "case.toml", site / "records")


def rebuilt(folder, target, change):
    """A copy in which somebody changed files and rebuilt every manifest: only the bytes themselves can tell."""
    made = shutil.copytree(folder, target / folder.name)
    change(made)
    info = (made / "bag-info.txt").read_text("utf-8")
    rows = sorted((path.relative_to(made).as_posix(), hashlib.sha256(path.read_bytes()).hexdigest()) for path in (made / "data").rglob("*") if path.is_file())
    (made / "manifest-sha256.txt").write_text("".join(f"{digest}  {name}\n" for name, digest in rows), "utf-8")
    contents = verification.contents_hash([(digest, name) for name, digest in rows])
    old = verification.bag_info(folder)["Contents-SHA256"]
    size = sum((made / name).stat().st_size for name, _ in rows)
    lines = [f"Payload-Oxum: {size}.{len(rows)}" if line.startswith("Payload-Oxum") else line.replace(old, contents) for line in info.splitlines()]
    (made / "bag-info.txt").write_text("\n".join(lines) + "\n", "utf-8")
    if contents != old:
        (made / "data/record.html").write_text(page(made).replace(old[:16], contents[:16]), "utf-8")
        return rebuilt_tags(made, refresh=True)
    return rebuilt_tags(made)


def rebuilt_tags(made, *, refresh=False):
    if refresh:
        rows = sorted((path.relative_to(made).as_posix(), hashlib.sha256(path.read_bytes()).hexdigest()) for path in (made / "data").rglob("*") if path.is_file())
        (made / "manifest-sha256.txt").write_text("".join(f"{digest}  {name}\n" for name, digest in rows), "utf-8")
        size = sum((made / name).stat().st_size for name, _ in rows)
        lines = [f"Payload-Oxum: {size}.{len(rows)}" if line.startswith("Payload-Oxum") else line for line in (made / "bag-info.txt").read_text("utf-8").splitlines()]
        (made / "bag-info.txt").write_text("\n".join(lines) + "\n", "utf-8")
    tags = sorted(name for name in ("bag-info.txt", "bagit.txt", "manifest-sha256.txt"))
    (made / "tagmanifest-sha256.txt").write_text("".join(f"{hashlib.sha256((made / name).read_bytes()).hexdigest()}  {name}\n" for name in tags), "utf-8")
    return made


def altered(path, old, new):
    def change(made):
        text = (made / path).read_text("utf-8")
        assert old in text, (path, old)
        (made / path).write_text(text.replace(old, new), "utf-8")

    return change


def added_cell(made):
    path = made / "data/record.ipynb"
    notebook = json.loads(path.read_text("utf-8"))
    notebook["cells"].insert(3, {"cell_type": "code", "id": "x", "metadata": {"tags": ["injected-parameters"]}, "execution_count": None, "outputs": [], "source": "assessment = None"})
    path.write_text(json.dumps(notebook, indent=1, ensure_ascii=False, sort_keys=True) + "\n", "utf-8")


@pytest.mark.notebooks
@pytest.mark.parametrize(
    ("change", "said"),
    [
        (None, ""), (altered("data/record.html", "261 min", "26 min"), "data/record.html: made again it has other bytes"),
        (altered("data/record.ipynb", "261 min", "26 min"), "data/record.ipynb: made again it has other bytes"),
        (altered("data/tables/readings.csv", "13.8", "7.8"), "data/tables/readings.csv: made again it has other bytes"),
        (altered("data/results.json", '"minutes_most": 270.0', '"minutes_most": 27.0'), "minutes_most: recorded 27.0, now 270.0"),
        (altered("data/context.json", '"kit_version": "', '"kit_version": "9'), "data/record.html: made again it has other bytes"),
        (added_cell, "the recorded notebook differs from investigation.ipynb in cell"),
        (lambda made: (made / "data/tables/more.csv").write_text("a\n"), "data/tables/more.csv: recorded, but not made again"),
    ],
    ids=["nothing", "page", "notebook", "readings", "results", "context", "cell", "table"],
)  # fmt: skip
def test_whoever_rebuilt_the_manifests_is_found_by_making_it_again(investigated, tmp_path, change, said):
    made = rebuilt(investigated, tmp_path, change or (lambda made: None))
    assert verification.record(made) == []
    outcome = rerunning.rerun(made)
    assert (outcome.differences == ()) is (change is None), outcome
    assert not said or any(said in line for line in outcome.differences), outcome.differences


@pytest.mark.notebooks
@pytest.mark.parametrize(
    ("label", "value", "note"),
    [
        ("Kit-Version", "0.0.9", "frozen with coldchain_kit 0.0.9"), ("Kit-Code-SHA256", "0" * 64, "the kit's code is not the one of then"), ("Time-Zone-Database", "2020a", "time zone database 2020a when frozen"),
    ],
)  # fmt: skip
def test_another_kit_compares_numbers_and_says_that_it_does_not_compare_layout(investigated, tmp_path, label, value, note):
    old = verification.bag_info(investigated)[label]
    made = rebuilt(investigated, tmp_path, altered("bag-info.txt", f"{label}: {old}", f"{label}: {value}"))
    outcome = rerunning.rerun(made)
    assert outcome.differences == () and any(note in line for line in outcome.notes) and "numbers compared, layout not" in outcome.notes


@pytest.mark.notebooks
def test_another_edition_of_the_rules_is_listed_and_is_no_difference(investigated, tmp_path, capsys):
    def change(made):
        altered("bag-info.txt", "Rules: 2", "Rules: 1")(made)
        altered("data/results.json", '"minutes_most": 270.0', '"minutes_most": 260.0')(made)
        altered("data/results.json", "coldchain-kit/results/2", "coldchain-kit/results/1")(made)

    made = rebuilt(investigated, tmp_path, change)
    assert cli.main(["rerun", str(made)]) == 0
    told = capsys.readouterr().out
    assert "rules changed: frozen by edition 1 of the rules" in told and "minutes_most: recorded 260.0, now 270.0" in told


@pytest.mark.notebooks
def test_a_label_of_another_edition_excuses_no_difference(investigated, tmp_path):
    def change(made):
        altered("bag-info.txt", "Rules: 2", "Rules: 1")(made)
        altered("data/results.json", '"minutes_most": 270.0', '"minutes_most": 27.0')(made)

    outcome = rerunning.rerun(rebuilt(investigated, tmp_path, change))
    assert any("says edition 1 of the rules, and the results have the form of edition 2" in text for text in outcome.differences)


@pytest.mark.notebooks
def test_a_warning_struck_out_of_what_changed_is_found(tmp_path):
    """The second revision on deleted answers; then its own warnings taken out of context.json and page, manifests rebuilt."""
    site = package_files.copy_sample_site(tmp_path / "site")
    case = site / "cases" / "2026-014"
    records.investigate(case / "case.toml", tmp_path / "records")
    lines = (case / "entries.jsonl").read_text("utf-8").splitlines(keepends=True)
    (case / "entries.jsonl").write_text("".join(lines[:3]), "utf-8")
    second = records.investigate(case / "case.toml", tmp_path / "records", reason="again")
    assert rerunning.rerun(second).differences == () and held(second)["changes"]["warnings"]

    def struck(made):
        told = held(made)
        told["changes"]["warnings"] = []
        (made / "data/context.json").write_bytes(context.text(told))

    outcome = rerunning.rerun(rebuilt(second, tmp_path / "forged", struck))
    assert any("what it says changed since the revision before is not what its own figures give" in text for text in outcome.differences)
