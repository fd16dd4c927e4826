"""`show` and `convert` with files of others, and `--json` when the words make no sense."""

from __future__ import annotations

import json
import math

import numpy as np
import pytest
from asammdf import MDF, Signal

from washboard.cli._app import run
from washboard.recording import UffFunction, read_recording, write_uff58_functions


def answered(capsys) -> dict:
    return json.loads(capsys.readouterr().out)


@pytest.mark.parametrize(
    "words",
    [
        ["show", "--json"],
        ["show", "a", "b", "--json"],
        ["show", "a", "--bogus", "--json"],
        ["frobnicate", "--json"],
        ["convert", "a", "--json"],
        ["convert", "a", "b", "--rate", "fast", "--json"],
        ["check", "--json", "one", "two"],
    ],
)
def test_misuse_is_one_json_object_too(capsys, words):
    assert run(words) == 2
    captured = capsys.readouterr()
    found = json.loads(captured.out)
    assert found["exit"] == 2
    assert found["error"]
    assert "Usage" in captured.err


def test_a_table_without_time_is_converted_with_its_rate(tmp_path, capsys):
    file = tmp_path / "a.csv"
    file.write_text("x,y\n" + "".join(f"{math.sin(k):.5f};{math.cos(k):.5f}\n".replace(";", ",") for k in range(200)))
    assert run(["convert", str(file), str(tmp_path / "b.mf4"), "--json"]) == 2
    assert "--rate" in answered(capsys)["error"]
    assert run(["convert", str(file), str(tmp_path / "b.mf4"), "--rate", "250", "--json"]) == 0
    assert answered(capsys)["channels"] == ["x", "y"]
    assert read_recording(tmp_path / "b.mf4").rate_hz == 250.0
    assert run(["convert", str(file), str(tmp_path / "c.mf4"), "--rate", "250", "--channel", "y", "--json"]) == 0
    assert read_recording(tmp_path / "c.mf4").names == ("y",)


@pytest.mark.parametrize(
    ("words", "said"),
    [
        (["--rate", "0"], "more than 0 Hz"),
        (["--separator", "::"], "must be one sign"),
        (["--decimal", "x"], "must be '.' or ','"),
        (["--header-lines", "-1"], "cannot be less than 0"),
        (["--separator", ",", "--decimal", ","], "cannot both be"),
    ],
)
def test_impossible_options_are_refused(tmp_path, capsys, words, said):
    (tmp_path / "a.csv").write_text("time,a\n0.0,1\n0.1,2\n")
    assert run(["show", str(tmp_path / "a.csv"), *words, "--json"]) == 2
    assert said in answered(capsys)["error"]


def test_options_for_csv_are_refused_for_other_files(tmp_path, capsys):
    write_uff58_functions([UffFunction(name="a", values=np.ones(20, np.float32), step=0.01)], tmp_path / "a.uff")
    assert run(["show", str(tmp_path / "a.uff"), "--rate", "100", "--json"]) == 2
    assert "is no CSV file" in answered(capsys)["error"]


def test_spectra_are_listed(tmp_path, capsys):
    values = np.linspace(1, 2, 11).astype(np.complex128)
    functions = [
        UffFunction(name="h", values=values, function_type=4, step=0.5, abscissa_unit="Hz", unit="(m/s²)/N"),
        UffFunction(name="p", values=values.real, function_type=9, step=0.5, abscissa_unit="Hz", unit="g²/Hz"),
    ]
    write_uff58_functions(functions, tmp_path / "a.uff")
    assert run(["show", str(tmp_path / "a.uff"), "--json"]) == 0
    found = answered(capsys)["functions"]
    assert [(entry["name"], entry["kind"], entry["unit"], entry["to"]) for entry in found] == [
        ("h", "FRF", "(m/s²)/N", 5.0),
        ("p", "power spectral density", "g²/Hz", 5.0),
    ]


def test_channels_that_make_no_recording_are_listed(tmp_path, capsys):
    rng = np.random.default_rng(1)
    with MDF(version="4.10") as store:
        store.append([Signal(rng.standard_normal(500), np.arange(500) / 100, name="fast")])
        store.append([Signal(rng.standard_normal(8), np.cumsum(np.full(8, 0.7131987)), name="slow")])
        store.save(tmp_path / "a.mf4")
    assert run(["show", str(tmp_path / "a.mf4"), "--json"]) == 1
    found = answered(capsys)
    assert "cannot be resampled" in found["trouble"]
    assert [entry["channel"]["name"] for entry in found["channels"]] == ["fast", "slow"]
    assert run(["convert", str(tmp_path / "a.mf4"), str(tmp_path / "b.nc"), "--channel", "fast", "--json"]) == 0
    assert read_recording(tmp_path / "b.nc").names == ("fast",)
