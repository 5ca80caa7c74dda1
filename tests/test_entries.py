"""What people write is kept, in order, with the earlier answers, and survives a killed process."""

from __future__ import annotations

import datetime as dt
import hashlib
import json
import os
import signal
import subprocess
import sys
import time

import pytest

from coldchain_kit.base import KitError
from coldchain_kit.register import entries
from tests.conftest import CHECKOUT

NOON = dt.datetime(2026, 3, 9, 12, 0, tzinfo=dt.timezone(dt.timedelta(hours=1)))
DECISION = {"outcome": "keep marked until the reply", "by": "P. Reis", "role": "pharmacist", "time": "2026-03-09 15:00"}
ASIDE = {"unit": "F2", "probe": "A", "start": "2026-03-06T20:00", "end": "2026-03-06T23:00", "reason": "probe lay on the bench", "second_person": "P. Reis"}


def test_an_entry_says_who_when_field_old_new_and_why(tmp_path):
    entries.append(tmp_path, who=" R. Vaz ", field="conclusion", new="Power cut.", now=NOON)
    row = entries.append(tmp_path, who="R. Vaz", field="conclusion", new="Power cut in the street.", why="the supplier confirmed it", now=NOON)
    # trail row = who, when, field, old, new, why (FACTS E6, READ-2)
    assert {key: row[key] for key in ("n", "who", "when", "field", "old", "new", "why")} == {
        "n": 2, "who": "R. Vaz", "when": "2026-03-09T11:00:00Z", "field": "conclusion", "old": "Power cut.", "new": "Power cut in the street.", "why": "the supplier confirmed it",
    }  # fmt: skip
    assert entries.current(tmp_path) == {"conclusion": "Power cut in the street."}
    assert [one["new"] for one in entries.read(tmp_path)] == ["Power cut.", "Power cut in the street."]


def test_each_line_is_hashed_over_the_one_before(tmp_path):
    for number in range(1, 4):
        entries.append(tmp_path, who="R. Vaz", field=f"why.{number}", new=f"because {number}", now=NOON)
    rows = [json.loads(line) for line in (tmp_path / entries.FILE).read_text("utf-8").splitlines()]
    lines = (tmp_path / entries.FILE).read_bytes().splitlines()
    assert [row["previous"] for row in rows] == ["0" * 64, *(hashlib.sha256(line).hexdigest() for line in lines[:2])]
    held = {key: value for key, value in rows[2].items() if key != "line_hash"}
    assert rows[2]["line_hash"] == hashlib.sha256(json.dumps(held, sort_keys=True, ensure_ascii=False).encode()).hexdigest()
    assert entries.head(tmp_path) == hashlib.sha256(lines[2]).hexdigest()
    assert entries.check(tmp_path) == []


def test_every_edit_of_the_file_is_found(tmp_path):
    for number in range(1, 4):
        entries.append(tmp_path, who="R. Vaz", field=f"why.{number}", new=f"because {number}", now=NOON)
    whole = (tmp_path / entries.FILE).read_text("utf-8").splitlines(keepends=True)
    edits = {
        "line 2 was changed": [whole[0], whole[1].replace("because 2", "because 9"), whole[2]],
        "line 2 does not follow the line before it": [whole[0], whole[2]],
        "line 1 does not follow the line before it": whole[1:],
        "before entry 2 one is missing, added or in another place": [whole[0], whole[2], whole[1]],
        "entry 4 is no entry": [*whole, '{"who": "nobody"}\n'],
        "line 2 is not readable": [whole[0], whole[1][:40] + "\n", whole[2]],
    }
    for told, lines in edits.items():
        (tmp_path / entries.FILE).write_text("".join(lines), "utf-8")
        assert any(told in problem for problem in entries.check(tmp_path)), told
        with pytest.raises(KitError, match="line"):
            entries.append(tmp_path, who="R. Vaz", field="conclusion", new="x")


def test_a_cut_off_last_line_counts_for_nothing_and_its_text_is_kept_in_the_next(tmp_path):
    entries.append(tmp_path, who="R. Vaz", field="conclusion", new="Power cut.", now=NOON)
    with (tmp_path / entries.FILE).open("ab") as file:
        file.write(b'{"n": 2, "when": "2026-03-0')
    assert entries.check(tmp_path) == ["note: entries.jsonl ends in an unfinished line of 27 bytes and counts for nothing"]
    row = entries.append(tmp_path, who="R. Vaz", field="risk", new="Two lots.", now=NOON)
    assert entries.current(tmp_path) == {"conclusion": "Power cut.", "risk": "Two lots."}
    assert row["torn"] == '{"n": 2, "when": "2026-03-0'
    assert entries.check(tmp_path) == ["note: entry 2 was written over an unfinished line, whose text it keeps"]


def test_entries_of_version_0_1_are_checked_by_their_own_rule_and_written_on(tmp_path):
    rows, before = [], "0" * 64
    for number in (1, 2, 3):
        row = {"n": number, "when": "2026-03-09T11:00:00Z", "who": "R. Vaz", "field": f"why.{number}", "old": None, "new": f"because {number}", "why": "", "previous": before}
        before = row["hash"] = hashlib.sha256(json.dumps(row, sort_keys=True, ensure_ascii=False, separators=(",", ":")).encode()).hexdigest()
        rows.append(json.dumps(row, ensure_ascii=False) + "\n")
    torn = '{"n": 3, "when\n'  # a line that was cut off stayed among them
    (tmp_path / entries.FILE).write_text(rows[0] + rows[1] + torn + rows[2], "utf-8")
    assert entries.check(tmp_path) == ["note: entries.jsonl line 3 is not readable and counts for nothing"]
    entries.append(tmp_path, who="R. Vaz", field="risk", new="Two lots.", now=NOON)
    assert [row["n"] for row in entries.read(tmp_path)] == [1, 2, 3, 4]
    assert entries.check(tmp_path) == ["note: entries.jsonl line 3 is not readable and counts for nothing"]
    for edited in (rows[0] + rows[2], rows[1] + rows[2], rows[0] + rows[1].replace("because 2", "because 9") + rows[2]):
        (tmp_path / entries.FILE).write_text(edited, "utf-8")
        assert [text for text in entries.check(tmp_path) if not text.startswith("note:")] != []


def test_a_change_needs_a_reason_and_the_same_answer_writes_nothing(tmp_path):
    first = entries.append(tmp_path, who="R. Vaz", field="risk", new="low")
    assert entries.append(tmp_path, who="R. Vaz", field="risk", new="low") == first
    for new in ("high", None):
        with pytest.raises(KitError, match="Say in one sentence why the answer changes"):
            entries.append(tmp_path, who="R. Vaz", field="risk", new=new)
    entries.append(tmp_path, who="R. Vaz", field="risk", new=None, why="entered in the wrong case")
    assert entries.current(tmp_path) == {}
    assert len(entries.read(tmp_path)) == 2


@pytest.mark.parametrize(
    ("call", "told"),
    [
        ({"who": "  ", "field": "risk", "new": "x"}, "no name was typed"),
        ({"who": "R", "field": "rsk", "new": "x"}, "Did you mean 'risk'"),
        ({"who": "R", "field": "decision.*", "new": DECISION}, "no question"),
        ({"who": "R", "field": "decision.", "new": DECISION}, "no question"),
        ({"who": "R", "field": "decision.L1", "new": {**DECISION, "role": ""}}, "'role' is not filled in"),
        ({"who": "R", "field": "decision.L1", "new": {**DECISION, "rol": "x"}}, "unknown part 'rol'"),
        ({"who": "R", "field": "decision.L1", "new": "keep"}, "single text"),
        ({"who": "R", "field": "risk", "new": 3}, "a int"),
        ({"who": "p. reis", "field": "set_aside.1", "new": ASIDE}, "second person is the same"),
        ({"who": "R. Vaz", "field": "set_aside.1", "new": {**ASIDE, "reason": " "}}, "'reason' is not filled in"),
        ({"who": "R. Vaz", "field": "set_aside.1", "new": {**ASIDE, "start": "Friday"}}, "'start' is 'Friday'"),
        ({"who": "R. Vaz", "field": "set_aside.1", "new": {**ASIDE, "end": "2026-03-06T23:00+01:00"}}, "the site's local time"),
    ],
)
def test_what_is_refused_is_refused_before_anything_is_written(tmp_path, call, told):
    with pytest.raises(KitError, match=told):
        entries.append(tmp_path, **call)
    assert not (tmp_path / entries.FILE).exists()


def test_text_comes_back_as_it_was_typed(tmp_path):
    typed = 'Ärger & "Zitat" <b>\n\u2028 zweite Zeile \\n =1+1'
    entries.append(tmp_path, who="Ünal", field="conclusion", new=typed)
    assert entries.current(tmp_path)["conclusion"] == typed
    assert entries.check(tmp_path) == []


WRITER = """
import sys
from coldchain_kit.register import entries
for number in range(100000):
    entries.append(sys.argv[1], who="R. Vaz", field=f"decision.L{number}", new={"outcome": "x", "by": "y", "role": "z", "time": "t"})
    print(number, flush=True)
"""


def test_a_killed_writer_leaves_every_entry_it_reported(tmp_path):
    for wait in (0.05, 0.11, 0.17):
        folder = tmp_path / str(wait)
        folder.mkdir()
        writer = subprocess.Popen([sys.executable, "-c", WRITER, str(folder)], stdout=subprocess.PIPE, text=True, cwd=CHECKOUT)
        assert writer.stdout is not None
        writer.stdout.readline()
        time.sleep(wait)
        os.kill(writer.pid, signal.SIGKILL)
        reported = 1 + len(writer.stdout.read().splitlines())
        writer.stdout.close()
        writer.wait()
        assert len(entries.read(folder)) >= reported
        assert [problem for problem in entries.check(folder) if not problem.startswith("note:")] == []
        entries.append(folder, who="R. Vaz", field="conclusion", new="after the kill")
        assert entries.current(folder)["conclusion"] == "after the kill"


ACTION = {"id": "A1", "kind": "corrective", "action": "Fit a lock on the plug", "owner": "T. Melo", "due": "2026-04-01"}


def test_actions_stand_in_a_table_and_in_the_trail(tmp_path):
    entries.save_action(tmp_path, ACTION, who="R. Vaz")
    rows = entries.save_action(tmp_path, {**ACTION, "closed": "2026-03-20"}, who="R. Vaz", why="done")
    assert rows == entries.actions(tmp_path)
    assert rows[0]["closed"] == "2026-03-20"
    assert [row["field"] for row in entries.read(tmp_path)] == ["action.A1", "action.A1"]


def test_actions_csv_faults_come_all_at_once_with_their_lines(tmp_path):
    (tmp_path / entries.ACTIONS).write_text("id,kind,action,owner,due\nA1,corective,x,T. Melo,2026-04-01\nA2,preventive,,T. Melo,April\n", "utf-8")
    with pytest.raises(KitError) as fault:
        entries.actions(tmp_path)
    told = str(fault.value)
    assert "actions.csv line 2: kind is 'corective'" in told and "Did you mean 'corrective'?" in told
    assert "actions.csv line 3: 'action' is empty" in told and "actions.csv line 3: due is 'April'" in told


def test_actions_csv_holds_no_live_formula(tmp_path):
    entries.save_action(tmp_path, {**ACTION, "note": "=HYPERLINK(1)"}, who="R. Vaz")
    assert ",'=HYPERLINK(1)" in (tmp_path / entries.ACTIONS).read_text("utf-8")
    (row,) = entries.actions(tmp_path)
    assert row["note"] == "=HYPERLINK(1)", "what was typed comes back as it was typed"
    entries.save_action(tmp_path, row, who="R. Vaz")  # the same again is no change and needs no reason
    assert len(entries.read(tmp_path)) == 1


def test_actions_csv_from_a_spreadsheet_of_another_country_is_read(tmp_path):
    entries.save_action(tmp_path, {**ACTION, "action": "Trinco no frigorífico"}, who="R. Vaz")
    path = tmp_path / entries.ACTIONS
    path.write_bytes(path.read_text("utf-8").replace(",", ";").encode("cp1252"))
    assert entries.actions(tmp_path)[0]["action"] == "Trinco no frigorífico"


def test_actions_csv_that_is_no_text_is_one_plain_error(tmp_path):
    (tmp_path / entries.ACTIONS).write_bytes(b"PK\x03\x04\0\0\xff")
    with pytest.raises(KitError, match=r"actions\.csv: the file is not text"):
        entries.actions(tmp_path)


def test_an_action_that_would_read_as_a_remark_is_refused(tmp_path):
    with pytest.raises(KitError, match="begins with # is a remark"):
        entries.save_action(tmp_path, {**ACTION, "id": "#1"}, who="R. Vaz")
    assert not (tmp_path / entries.ACTIONS).exists()


def test_two_writers_take_turns(tmp_path):
    script = "import sys\nfrom coldchain_kit.register import entries\nfor n in range(15):\n    entries.append(sys.argv[1], who=sys.argv[2], field=f'decision.{sys.argv[2]}{n}', new={'outcome': 'x', 'by': 'y', 'role': 'z', 'time': 't'})"
    writers = [subprocess.Popen([sys.executable, "-c", script, str(tmp_path), who], cwd=CHECKOUT) for who in ("A", "B")]
    assert [writer.wait() for writer in writers] == [0, 0]
    assert len(entries.read(tmp_path)) == 30
    assert entries.check(tmp_path) == []


def test_a_whole_last_line_that_lost_only_its_line_end_is_a_line(tmp_path):
    for number in (1, 2):
        entries.append(tmp_path, who="R. Vaz", field=f"why.{number}", new=f"because {number}", now=NOON)
    path = tmp_path / entries.FILE
    path.write_bytes(path.read_bytes().rstrip(b"\n"))
    assert [row["n"] for row in entries.read(tmp_path)] == [1, 2] and entries.check(tmp_path) == []
    entries.append(tmp_path, who="R. Vaz", field="risk", new="Two lots.", now=NOON)
    assert [row["n"] for row in entries.read(tmp_path)] == [1, 2, 3] and entries.check(tmp_path) == []


@pytest.mark.parametrize("line", [b'{"n": 2, "who": "\\ud800"}', b"[" * 100_000, b"\xff\xfe", b"3"])
def test_a_line_that_nobody_can_read_is_named_and_raises_nothing(tmp_path, line):
    entries.append(tmp_path, who="R. Vaz", field="risk", new="low", now=NOON)
    path = tmp_path / entries.FILE
    path.write_bytes(path.read_bytes() + line + b"\n")
    assert entries.check(tmp_path) == ["entries.jsonl line 2 is not readable"]


def test_a_text_that_is_no_unicode_is_refused_before_anything_is_written(tmp_path):
    with pytest.raises(KitError, match="cannot be written"):
        entries.append(tmp_path, who="R. Vaz", field="risk", new="a\ud800b", now=NOON)
    assert not (tmp_path / entries.FILE).exists()


def test_a_write_that_the_disk_refuses_leaves_what_stood_there(tmp_path, monkeypatch):
    entries.append(tmp_path, who="R. Vaz", field="risk", new="low", now=NOON)
    path = tmp_path / entries.FILE
    path.write_bytes(path.read_bytes() + b'{"n": 2, "when": "2026')
    before, write, calls = path.read_bytes(), os.write, []

    def refuse_once(handle, data):
        calls.append(len(data))
        if len(calls) == 1:
            write(handle, data[:10])
            raise OSError(28, "No space left on device")
        return write(handle, data)

    monkeypatch.setattr(os, "write", refuse_once)
    with pytest.raises(KitError, match="No space left"):
        entries.append(tmp_path, who="R. Vaz", field="conclusion", new="x", now=NOON)
    assert path.read_bytes() == before
