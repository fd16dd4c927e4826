"""The journal keeps what it was told, through crashes, and never changes it."""

from __future__ import annotations

import os
import random
import signal
import sqlite3
import subprocess
import sys
import textwrap
import time

import pytest

from washboard.endure import TRANSITIONS, Journal, settle
from washboard.errors import InputError, StorageError


@pytest.fixture
def journal(tmp_path):
    with Journal(tmp_path / "journal.db") as found:
        yield found


def begin(journal, event="yard", specimen="1"):
    run = journal.begin_run(specimen=specimen, about={"rig": "bench"})
    return journal.begin_pass(run, specimen=specimen, event=event, block=0, drive="d" * 64)


def test_the_database_is_opened_as_crash_safety_needs(journal):
    # sqlite.org/pragma.html: synchronous 2 is FULL.
    with journal._engine.connect() as connection:
        values = {
            name: connection.exec_driver_sql(f"PRAGMA {name}").scalar_one()
            for name in ("journal_mode", "synchronous", "foreign_keys")
        }
    assert values == {"journal_mode": "wal", "synchronous": 2, "foreign_keys": 1}


def test_numbers_rise_over_runs_and_reopening(tmp_path):
    for expected in (1, 2, 3):
        with Journal(tmp_path / "journal.db") as journal:
            entry = begin(journal)
            assert entry.number == expected
            assert entry.label == f"pass-{expected:06d}-{entry.run[:8]}"
            journal.change_state(entry.number, "done", result={"x": 1.5})
    with Journal(tmp_path / "journal.db") as journal:
        assert [entry.number for entry in journal.passes()] == [1, 2, 3]
        assert journal.passes()[0].result == {"x": 1.5}
        assert [run.reason for run in journal.runs()] == [None, None, None]


@pytest.mark.parametrize("now", list(TRANSITIONS))
@pytest.mark.parametrize("to", list(TRANSITIONS))
def test_only_the_changes_of_the_table_are_allowed(journal, now, to):
    entry = begin(journal)
    path = {"begun": [], "unclear": ["unclear"]}.get(now) if now in {"begun", "unclear"} else None
    if path is None:
        path = [now] if now in TRANSITIONS["begun"] else ["unclear", now]
    for state in path:
        journal.change_state(entry.number, state)
    if to in TRANSITIONS[now]:
        journal.change_state(entry.number, to)
        assert journal.passes()[0].state == to
    else:
        with pytest.raises(InputError, match=f"pass 1 is '{now}' and cannot become '{to}'"):
            journal.change_state(entry.number, to)
        assert journal.passes()[0].state == now


@pytest.mark.parametrize("table", ["passes", "pass_states", "pass_results", "runs", "run_ends", "marks", "about"])
@pytest.mark.parametrize("statement", ["UPDATE {} SET {} = {}", "DELETE FROM {}"])
def test_the_database_itself_refuses_to_change_or_remove_rows(tmp_path, table, statement):
    file = tmp_path / "journal.db"
    with Journal(file) as journal:
        entry = begin(journal)
        journal.change_state(entry.number, "done", result={})
        journal.end_run(entry.run, "finished")
        journal.accept_change("1", by="A. Tester")
    connection = sqlite3.connect(file)
    column = connection.execute(f"SELECT name FROM pragma_table_info('{table}')").fetchone()[0]
    with pytest.raises(sqlite3.IntegrityError, match="append-only"):
        connection.execute(statement.format(table, column, column))
    connection.close()


def test_a_number_cannot_be_used_twice(journal):
    from washboard.endure._tables import passes

    entry = begin(journal)
    row = {
        "number": 1, "run": entry.run, "specimen": "1", "event": "x", "block": 0, "drive": "d", "label": "other",
        "begun_at": "now",
    }  # fmt: skip
    with pytest.raises(StorageError, match="refused a row"):
        journal._write(lambda connection: connection.execute(passes.insert().values(row)))


def test_a_second_connection_reads_while_the_first_holds_on(tmp_path, journal):
    entry = begin(journal)
    with Journal(tmp_path / "journal.db") as other:
        assert other.passes()[0].state == "begun"
        assert other.open_passes()[0].number == entry.number


@pytest.mark.parametrize(
    ("answer", "state", "counts"), [("done", "confirmed", True), ("not-done", "not done", False),
                                    ("abandoned", "abandoned", False)],
)  # fmt: skip
def test_a_person_settles_an_open_pass(journal, answer, state, counts):
    entry = begin(journal)
    settled = settle(journal, answer, by="A. Tester", note="rig log says so")
    assert (settled.number, settled.state, settled.counted) == (entry.number, state, counts)
    assert journal.open_passes() == ()
    with pytest.raises(InputError, match="no pass is open"):
        settle(journal, answer)


def test_an_unknown_answer_names_the_known_ones(journal):
    begin(journal)
    with pytest.raises(InputError, match="done, not-done, abandoned"):
        settle(journal, "perhaps")


def test_an_accepted_change_moves_the_reference(journal):
    assert journal.reference_from("1") == 1
    entry = begin(journal)
    journal.change_state(entry.number, "done")
    journal.accept_change("1", by="A. Tester")
    assert journal.reference_from("1") == 2
    assert journal.reference_from("2") == 1


def test_the_fingerprint_changes_with_every_change_of_a_pass_only(journal):
    prints = [journal.fingerprint()]
    entry = begin(journal)
    prints.append(journal.fingerprint())
    journal.change_state(entry.number, "done", result={"x": 1})
    prints.append(journal.fingerprint())
    assert len(set(prints)) == 3
    journal.end_run(entry.run, "finished")
    assert journal.fingerprint() == prints[-1]


def test_a_damaged_file_is_not_overwritten(tmp_path):
    file = tmp_path / "journal.db"
    file.write_bytes(b"this is not a database, though long enough to be one " * 40)
    before = file.read_bytes()
    with pytest.raises(StorageError, match="restore it from a copy rather than deleting it"):
        Journal(file)
    assert file.read_bytes() == before


def test_a_newer_layout_is_refused(tmp_path):
    file = tmp_path / "journal.db"
    Journal(file).close()
    connection = sqlite3.connect(file)
    connection.execute("DROP TRIGGER no_update_of_about")
    connection.execute("UPDATE about SET value = '99' WHERE key = 'schema'")
    connection.commit()
    connection.close()
    with pytest.raises(StorageError, match="newer Washboard"):
        Journal(file)


def test_a_wrong_address_is_refused():
    with pytest.raises(InputError, match="not the address of a database"):
        Journal("no address")


WRITER = textwrap.dedent(
    """
    import sys
    from pathlib import Path
    from washboard.endure import Journal

    with Journal(Path(sys.argv[1])) as journal:
        if waiting := journal.open_passes():
            journal.change_state(waiting[0].number, "unclear")
            journal.change_state(waiting[0].number, "abandoned")
        run = journal.begin_run(specimen="1", about={})
        while True:
            entry = journal.begin_pass(run, specimen="1", event="yard", block=0, drive="d")
            print("begun", entry.number, flush=True)
            journal.change_state(entry.number, "done", result={"n": entry.number})
            print("done", entry.number, flush=True)
    """
)


@pytest.mark.skipif(os.name == "nt", reason="needs SIGKILL")
@pytest.mark.parametrize("kills", [6, pytest.param(60, marks=pytest.mark.slow)])
def test_nothing_announced_is_lost_when_the_writer_is_killed(tmp_path, kills):
    script, file = tmp_path / "writer.py", tmp_path / "journal.db"
    script.write_text(WRITER)
    pause = random.Random(4)
    announced: dict[int, str] = {}
    for _ in range(kills):
        process = subprocess.Popen([sys.executable, script, file], stdout=subprocess.PIPE, text=True)
        assert process.stdout is not None
        line = process.stdout.readline()
        announced[int(line.split()[1])] = line.split()[0]
        time.sleep(pause.uniform(0.0, 0.15))
        process.send_signal(signal.SIGKILL)
        for rest in process.stdout.read().splitlines():
            if len(words := rest.split()) == 2:
                announced[int(words[1])] = words[0]
        process.wait()
        process.stdout.close()
    with Journal(file) as journal:
        found = {entry.number: entry for entry in journal.passes()}
    assert list(found) == list(range(1, len(found) + 1))
    for number, state in announced.items():
        if state == "done":
            assert found[number].state == "done"
            assert found[number].result == {"n": number}
        else:
            # Killed between the two commits, or just after the second and before it was announced.
            assert found[number].state in {"begun", "done", "abandoned"}
    # At most the one pass begun after the last announcement is more than was announced.
    assert len(found) - max(announced) <= 1
    connection = sqlite3.connect(file)
    assert connection.execute("PRAGMA integrity_check").fetchone() == ("ok",)
    connection.close()
