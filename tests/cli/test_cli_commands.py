"""What the commands say, to people and to scripts."""

from __future__ import annotations

import os
import signal
import subprocess
import sys

import pytest

from washboard import __version__

COMMANDS = (
    "new", "demo", "status", "check", "loads", "target", "shorten", "plan", "identify", "replicate", "endure",
    "correlate", "report", "convert", "show", "serve", "doctor",
)  # fmt: skip


def test_help_lists_every_command_in_the_order_of_the_job(wb):
    told = wb("--help")
    assert told.code == 0
    places = [told.out.index(f"\n  {name} ") for name in COMMANDS]
    assert places == sorted(places)


def test_help_is_quick():
    # Half a second is what a person takes for at once (common practice, no source). Processor time, the best of three,
    # since the clock on the wall says as much about what else the machine is doing.
    times = []
    for _ in range(3):
        before = os.times()
        subprocess.run([sys.executable, "-m", "washboard", "--help"], check=True, capture_output=True)
        after = os.times()
        times.append(after.children_user + after.children_system - before.children_user - before.children_system)
    assert min(times) < 0.5


@pytest.mark.parametrize("module", ["numpy", "scipy", "numba", "pandas", "matplotlib", "asammdf", "nicegui", "typst"])
def test_help_imports_nothing_heavy(module):
    code = f"import sys; from washboard.cli import _app; _app.run(['--help']); sys.exit({module!r} in sys.modules)"
    assert subprocess.run([sys.executable, "-c", code], check=False, capture_output=True).returncode == 0


def test_version(wb):
    assert wb("--version").out.strip() == f"washboard {__version__}"


@pytest.mark.parametrize("name", COMMANDS)
def test_each_command_explains_itself(wb, name):
    told = wb(name, "--help")
    assert told.code == 0
    assert "Usage: washboard " + name in told.out


def test_check_and_status_for_people_and_for_scripts(folder, wb):
    told = wb("check", folder)
    assert told.code in {0, 1}
    assert "2 of 2 laps of 1 events are ready at 128 Hz" in told.out
    again = wb("check", folder, "--json")
    assert again.json["ran"] == []
    assert again.json["stage"] == "check"
    assert "check.json" in again.json["files"]
    assert again.code == told.code
    status = wb("status", folder, "--json")
    states = {entry["stage"]: entry["state"] for entry in status.json["stages"]}
    assert states["check"] == "fresh"
    assert set(states.values()) == {"fresh", "missing"}
    assert status.json["next"] == "loads"
    text = wb("status", folder).out
    assert "next: washboard loads" in text
    assert "Yard test" in text


def test_the_exit_code_says_that_there_is_something_to_look_at(folder, wb):
    from washboard.recording import read_recording, write_recording

    file = folder / "recordings" / "yard-2.csv"
    recording = read_recording(file)
    samples = recording.samples.copy()
    samples[0, 700] += 400.0
    file.unlink()
    write_recording(recording.replace(samples=samples), file)
    told = wb("check", folder, "--json")
    assert told.code == 1
    assert told.json["verdict"] == "look"
    assert any(finding["kind"] == "spike" for finding in told.json["findings"])


def test_show_and_convert(folder, wb, tmp_path):
    source = folder / "recordings" / "yard-1.csv"
    shown = wb("show", source, "--json")
    assert shown.json["rate_hz"] == 128
    assert [channel["name"] for channel in shown.json["channels"]] == ["axle left az", "axle right az"]
    assert "12.00 s at 128 Hz" in wb("show", source).out
    for ending in ("nc", "mf4", "mat", "uff", "parquet", "csv"):
        target = tmp_path / f"copy.{ending}"
        told = wb("convert", source, target)
        assert told.code == 0, told.err
        again = wb("show", target, "--json").json
        assert again["n_samples"] == shown.json["n_samples"]
        for one, other in zip(shown.json["channels"], again["channels"], strict=True):
            assert other["rms"] == pytest.approx(one["rms"], rel=1e-5)


def test_doctor_says_what_is_there(wb):
    told = wb("doctor", "--json")
    assert told.code == 0
    assert told.json["ok"] is True
    names = {check["name"] for check in told.json["checks"]}
    assert {"Python", "numpy", "SQLite", "typst"} <= names
    assert "everything needed is here" in wb("doctor").out


def test_new_without_an_example_writes_a_file_to_fill_in(wb, tmp_path):
    told = wb("new", tmp_path / "mine", "--json")
    assert told.code == 0
    assert (tmp_path / "mine" / "programme.toml").is_file()
    assert wb("check", tmp_path / "mine").code == 2  # no recordings there yet
    assert "no file matches" in wb("check", tmp_path / "mine").err


def test_progress_goes_to_standard_error_only(folder, wb):
    told = wb("check", folder, "--json")
    assert "check …" in told.err
    assert told.out.startswith("{")


def test_a_closed_pipe_is_no_error(wb, tmp_path):
    command = f"{sys.executable} -m washboard doctor | head -1"
    done = subprocess.run(["bash", "-c", f"set -o pipefail; {command}"], capture_output=True, text=True, check=False)
    assert "Traceback" not in done.stderr


@pytest.mark.skipif(os.name == "nt", reason="needs POSIX signals")
def test_the_first_interrupt_stops_at_a_safe_point(tmp_path):
    script = tmp_path / "interrupted.py"
    script.write_text(
        "import os, signal, sys, time\n"
        "from washboard.cli import _app\n"
        "from washboard.cli._console import Watch\n"
        "import typer\n"
        "@_app.app.command('wait')\n"
        "def wait():\n"
        "    with Watch() as watch:\n"
        "        progress = watch('slow')\n"
        "        print('ready', flush=True)\n"
        "        for step in range(1000):\n"
        "            progress(step / 1000, 'waiting')\n"
        "            time.sleep(0.02)\n"
        "sys.exit(_app.run(['wait']))\n"
    )
    process = subprocess.Popen([sys.executable, script], stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True)
    assert process.stdout is not None
    assert process.stdout.readline() == "ready\n"
    process.send_signal(signal.SIGINT)
    _, said = process.communicate(timeout=20)
    assert process.returncode == 1
    assert "stopping at the next safe point" in said
    assert "slow was stopped; what was finished is kept" in said
    assert "Traceback" not in said


def test_an_error_of_our_own_is_one_message_with_a_way_to_see_more(wb, monkeypatch, capsys):
    from washboard.cli import _app

    monkeypatch.setattr(_app, "app", lambda **_options: 1 / 0)
    assert _app.run(["status"]) == 3
    said = capsys.readouterr().err
    assert "Washboard itself failed (ZeroDivisionError" in said
    assert "WASHBOARD_TRACEBACK" in said
    monkeypatch.setenv("WASHBOARD_TRACEBACK", "1")
    with pytest.raises(ZeroDivisionError):
        _app.run(["status"])


@pytest.mark.parametrize("name", ["correlate", "report"])
def test_asking_for_paper_never_moves_a_real_rig(folder, wb, name):
    told = wb(name, folder)
    assert told.code == 2
    assert f"{name} would first run identify, replicate, endure and so move the rig" in told.err
    assert not (folder / "stages" / "check").exists()


@pytest.mark.parametrize("options", [["--begun", "done"], ["--accept-change"]])
def test_there_is_nothing_to_say_before_the_first_pass(folder, wb, options):
    told = wb("endure", folder, *options)
    assert told.code == 2
    assert "there is no journal yet" in told.err
    assert not (folder / "journal.db").exists()


def test_an_open_pass_is_settled_from_the_command_line(folder, wb):
    from washboard.endure import Journal

    with Journal(folder / "journal.db") as journal:
        run = journal.begin_run(specimen="1", about={})
        journal.begin_pass(run, specimen="1", event="yard", block=0, drive="d" * 64)
    # What a person says is on record even though this programme has nothing to run yet.
    told = wb("endure", folder, "--begun", "perhaps")
    assert told.code == 2
    assert "done, not-done, abandoned" in told.err
    edit = (folder / "programme.toml").read_text().replace("yard-*.csv", "none-*.csv")
    (folder / "programme.toml").write_text(edit)
    told = wb("endure", folder, "--begun", "abandoned", "--by", "A. Tester")
    assert "pass 1 (event 'yard') is 'abandoned'" in told.err
    with Journal(folder / "journal.db") as journal:
        assert [entry.state for entry in journal.passes()] == ["abandoned"]
