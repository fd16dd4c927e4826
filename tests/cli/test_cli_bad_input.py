"""Bad input through the command line: one clear message, exit code 2, no traceback, nothing written over."""

from __future__ import annotations

import json
from collections.abc import Callable
from pathlib import Path

import numpy as np
import pytest

from washboard.recording import Channel, Recording, write_recording


def edit(folder: Path, old: str, new: str) -> None:
    file = folder / "programme.toml"
    text = file.read_text()
    assert old in text
    file.write_text(text.replace(old, new, 1))


def contents(folder: Path) -> dict[str, bytes]:
    return {
        file.relative_to(folder).as_posix(): file.read_bytes()
        for file in sorted(folder.rglob("*"))
        if file.is_file() and not any(part.startswith(".") for part in file.relative_to(folder).parts)
    }


def recording(samples: np.ndarray, names=("axle left az", "axle right az")) -> Recording:
    channels = tuple(Channel(name=name, unit="m/s2", quantity="acceleration") for name in names)
    return Recording(samples=samples, rate_hz=128.0, channels=channels)


def noise(seconds: float, seed: int = 5) -> np.ndarray:
    return 5 * np.random.default_rng(seed).standard_normal((2, int(seconds * 128)))


def write(folder: Path, name: str, made: Recording) -> Path:
    file = folder / "recordings" / name
    file.unlink(missing_ok=True)
    write_recording(made, file)
    return file


def wrong_unit(folder: Path) -> None:
    edit(folder, 'unit = "m/s2"', 'unit = "mm"')


def unknown_unit(folder: Path) -> None:
    edit(folder, 'low = "1 Hz"', 'low = "1 herz"')


def comma_for_point(folder: Path) -> None:
    edit(folder, 'low = "1 Hz"', 'low = "1,5 Hz"')


def missing_unit(folder: Path) -> None:
    edit(folder, 'low = "1 Hz"', "low = 1")


def missing_channel(folder: Path) -> None:
    edit(folder, 'name = "axle left az"', 'name = "axle lefft az"')


def malformed_key(folder: Path) -> None:
    edit(folder, "[band]\nlow", "[band]\nlwo")


def malformed_table(folder: Path) -> None:
    edit(folder, "[loads]", "[lodas]")


def no_toml(folder: Path) -> None:
    edit(folder, 'name = "Yard test"', "name = Yard test")


def no_text(folder: Path) -> None:
    (folder / "programme.toml").write_bytes(b"\xff\xfe[\x00p\x00")


def doubled_in_plan(folder: Path) -> None:
    edit(folder, 'name = "axle right az"', 'name = "axle left az"')


def doubled_in_recording(folder: Path) -> None:
    lines = ["time,axle left az,axle left az,axle right az"]
    lines += [f"{k / 128:.6f},{k % 7},{k % 5},{k % 3}" for k in range(2000)]
    (folder / "recordings" / "yard-2.csv").write_text("\n".join(lines) + "\n")


def truncated(folder: Path) -> None:
    file = write(folder, "yard-3.mf4", recording(noise(12)))
    edit(folder, "yard-*.csv", "yard-*.*")
    file.write_bytes(file.read_bytes()[: file.stat().st_size // 2])


def truncated_netcdf(folder: Path) -> None:
    file = write(folder, "yard-3.nc", recording(noise(12)))
    edit(folder, "yard-*.csv", "yard-*.*")
    file.write_bytes(file.read_bytes()[: file.stat().st_size // 2])


def not_numbers(folder: Path) -> None:
    samples = noise(12)
    samples[1, 640:768] = np.nan
    write(folder, "yard-2.csv", recording(samples))


def empty(folder: Path) -> None:
    (folder / "recordings" / "yard-2.csv").write_bytes(b"")


def too_short(folder: Path) -> None:
    write(folder, "yard-2.csv", recording(noise(1.5)))


def no_recording(folder: Path) -> None:
    for file in (folder / "recordings").iterdir():
        file.unlink()


def outside(folder: Path) -> None:
    edit(folder, "recordings/yard-*.csv", "/etc/*.csv")


CASES: list[tuple[Callable[[Path], None], list[str]]] = [
    (wrong_unit, ["programme.toml:11: channel[1].unit", "'mm' is not a unit of acceleration"]),
    (unknown_unit, ["programme.toml:5: band.low", "'herz' is not a unit known here"]),
    (comma_for_point, ["band.low", "'1,5 Hz' is not a number with a unit", "with a point"]),
    (missing_unit, ["band.low", "has no unit", '"0.6 Hz"']),
    (missing_channel, ["yard-1.csv", "axle lefft az", "did you mean 'axle left az'?"]),
    (malformed_key, ["programme.toml:5: band.lwo: no such key; did you mean low?"]),
    (malformed_table, ["lodas: no such key; did you mean loads?"]),
    (no_toml, ["programme.toml:2:", "is not valid TOML"]),
    (no_text, ["programme.toml: is not text in UTF-8; save it as UTF-8"]),
    (doubled_in_plan, ["channel[2].name", "'axle left az' is already the name of number 1; names must differ"]),
    (doubled_in_recording, ["yard-2.csv", "axle left az"]),
    (truncated, ["yard-3.mf4"]),
    (truncated_netcdf, ["yard-3.nc"]),
    (not_numbers, ["yard-2.csv", "'axle right az'", "NaN", "5.00 to 6.00 s", "check.repair"]),
    (empty, ["yard-2.csv", "empty"]),
    (too_short, ["yard-2.csv", "1.5 s long", "check.shortest"]),
    (no_recording, ["event 'yard': no file matches", "put the recording there"]),
    (outside, ["event 'yard'", "inside the programme folder"]),
]


@pytest.mark.parametrize(("spoil", "words"), CASES, ids=[case[0].__name__ for case in CASES])
def test_bad_input_gets_one_clear_message(folder, wb, spoil, words):
    spoil(folder)
    before = contents(folder)
    told = wb("check", folder)
    assert told.code == 2, told.err
    for word in words:
        assert word in told.err
    assert "Traceback" not in told.err + told.out
    # The message is said once (progress lines come before it), and standard output is for results.
    assert told.err.count("washboard: ") == 1
    assert told.out == ""
    assert contents(folder) == before


@pytest.mark.parametrize("spoil", [wrong_unit, empty])
def test_with_json_the_error_is_on_standard_output_too(folder, wb, spoil):
    spoil(folder)
    told = wb("check", folder, "--json")
    assert told.code == 2
    assert told.json["exit"] == 2
    assert told.json["error"] in told.err


def test_every_problem_of_the_file_is_said_at_once(folder, wb):
    wrong_unit(folder)
    unknown = 'high = "20 Hz"'
    edit(folder, unknown, 'high = "fast"')
    told = wb("check", folder)
    assert told.code == 2
    assert "band.high: 'fast' is not a number with a unit" in told.err


def test_a_recording_shorter_than_the_analysis_block_names_the_block(folder, wb):
    edit(folder, 'block = "4 s"', 'block = "60 s"')
    told = wb("loads", folder)
    assert told.code == 2
    assert "60 s" in told.err
    assert "block" in told.err
    assert "Traceback" not in told.err
    assert json.loads((folder / "stages" / "check" / "stage.json").read_text())["stage"] == "check"
    assert not (folder / "stages" / "loads").exists()


@pytest.mark.parametrize(
    ("arguments", "words"),
    [
        (["check", "nowhere"], "there is no such folder"),
        (["check", "."], "there is no programme.toml here; 'washboard new DIR --example NAME'"),
        (["status", "file.txt"], "is a file; give the programme folder"),
        (["new", "."], "is not empty"),
        (["new", "fresh", "--example", "moon-rover"], "there is no example 'moon-rover'; there are quarry-tipper"),
        (["show", "nothing.csv"], "nothing.csv"),
        (["show", "file.txt"], "file.txt"),
        (["convert", "nothing.csv", "out.nc"], "nothing.csv"),
    ],
)
def test_wrong_arguments_get_one_clear_message(tmp_path, wb, arguments, words):
    (tmp_path / "file.txt").write_text("words, not samples")
    told = wb(*arguments, cwd=tmp_path)
    assert told.code == 2, told.err
    assert words in told.err
    assert "Traceback" not in told.err
    assert (tmp_path / "file.txt").read_text() == "words, not samples"


@pytest.mark.parametrize("arguments", [["bogus"], ["check", "--bogus"], ["endure", "--passes", "-3"], ["show"]])
def test_wrong_use_ends_with_two(wb, tmp_path, arguments):
    told = wb(*arguments, cwd=tmp_path)
    assert told.code == 2
    assert "Traceback" not in told.err


def test_converting_never_writes_over_anything(folder, wb):
    source, target = folder / "recordings" / "yard-1.csv", folder / "recordings" / "yard-2.csv"
    before = contents(folder)
    told = wb("convert", source, target)
    assert told.code == 2
    assert "exists already" in told.err
    told = wb("convert", source, source, "--overwrite")
    assert told.code == 2
    assert "never written to" in told.err
    assert contents(folder) == before


def test_a_folder_that_cannot_be_written_ends_with_three(folder, wb):
    # The stages' place is taken by a file, which works whoever runs the test.
    (folder / "stages").write_text("in the way")
    told = wb("check", folder)
    assert told.code == 3
    assert "Traceback" not in told.err
    assert str(folder / "stages") in told.err
