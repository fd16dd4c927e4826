"""CSV as loggers and spreadsheets write it: every oddity gives the same numbers, or one sentence that says what to do."""

from __future__ import annotations

import codecs
import math
from datetime import datetime

import numpy as np
import pytest

from washboard.errors import FormatError, InputError
from washboard.recording import CsvOptions, read_recording

N = 400
AZ = [5 * math.sin(0.1 * k) + math.sin(0.013 * k) for k in range(N)]
Z = [3 * math.cos(0.07 * k) for k in range(N)]


def seconds(at: int) -> str:
    return f"{0.01 * at:.4f}"


def of_day(at: int) -> str:
    return f"10:00:{at // 100:02d}.{10 * (at % 100):03d}"


def around_midnight(at: int) -> str:
    whole, part = divmod(100 * 86_398 + at, 100)
    whole %= 86_400
    return f"{whole // 3600:02d}:{whole // 60 % 60:02d}:{whole % 60:02d}.{10 * part:03d}"


def rows(first=seconds, separator=",", decimal=".", end="\n") -> str:
    lines = []
    for at in range(N):
        numbers = [f"{AZ[at]:.7f}".replace(".", decimal), f"{Z[at]:.7f}".replace(".", decimal)]
        lines.append(separator.join([first(at), *numbers]))
    return end.join(lines) + end


def comma(at: int) -> str:
    return seconds(at).replace(".", ",")


GOOD = {
    "plain": ("time,az,z\n" + rows(), ("az", "z"), ("", "")),
    "semicolon and decimal comma": ("Zeit;az;z\ns;m/s2;mm\n" + rows(comma, ";", ","), ("az", "z"), ("m/s2", "mm")),
    "byte order mark, units in the heading": ("\ufefftime [s],az [g],z (mm)\n" + rows(), ("az", "z"), ("g", "mm")),
    "lines about the logger first": (
        "Logger: X 12\nSerial\t12\n\ntime\taz\tz\n[s]\t[m/s2]\t[mm]\n" + rows(seconds, "\t"),
        ("az", "z"),
        ("m/s2", "mm"),
    ),
    "no heading": (rows(), ("column_2", "column_3"), ("", "")),
    "blanks": (rows(seconds, "   "), ("column_2", "column_3"), ("", "")),
    "date and time": ("timestamp,az,z\n" + rows(lambda k: f"2026-03-04T{of_day(k)}"), ("az", "z"), ("", "")),
    "date and time, day first": (
        "Datum;az;z\n" + rows(lambda k: f"04.03.2026 {of_day(k)}".replace("0.", "0,"), ";", ","),
        ("az", "z"),
        ("", ""),
    ),
    "time of day past midnight": ("time,az,z\n" + rows(around_midnight), ("az", "z"), ("", "")),
    "date in a column of its own": ("date;time;az;z\n" + rows(lambda k: f"2026-03-04;{of_day(k)}", ";", ","),
                                    ("az", "z"), ("", "")),
    "a column of words": ("time,gps,az,z\n" + rows(lambda k: f"{seconds(k)},fix ok"), ("az", "z"), ("", "")),
    "milliseconds by name": ("Time_ms;az;z\n" + rows(lambda k: str(10 * k), ";", ","), ("az", "z"), ("", "")),
    "a comma in a quoted name": ('"time","axle, left","z"\n' + rows(), ("axle, left", "z"), ("", "")),
    "line breaks of Windows": ("time,az,z\r\n" + rows(end="\r\n"), ("az", "z"), ("", "")),
    "a separator at the end": ("time,az,z,\n" + rows(end=",\n"), ("az", "z"), ("", "")),
    "line numbers": (",time,az,z\n" + rows(lambda k: f"{k},{seconds(k)}"), ("az", "z"), ("", "")),
    "blank lines at the end": ("time,az,z\n" + rows() + "\n\n", ("az", "z"), ("", "")),
    "heading behind a hash": ("# made by x\n# time,az,z\n" + rows(), ("az", "z"), ("", "")),
    "a remark at the end of the heading": ("time\taz\tz\tComment\n" + rows(seconds, "\t"), ("az", "z"), ("", "")),
}  # fmt: skip


@pytest.mark.parametrize("oddity", GOOD)
def test_read_as_it_is_meant(tmp_path, oddity):
    text, names, units = GOOD[oddity]
    file = tmp_path / "a.csv"
    file.write_bytes(text.encode())
    got = read_recording(file)
    assert got.names == names
    assert tuple(channel.unit for channel in got.channels) == units
    assert got.rate_hz == pytest.approx(100.0, rel=1e-6)
    np.testing.assert_allclose(got.samples, [AZ, Z], atol=1e-6)


@pytest.mark.parametrize("encoding", ["utf-8", "cp1252", "utf-16"])
def test_letters_beyond_ascii_in_three_encodings(tmp_path, encoding):
    file = tmp_path / "a.csv"
    file.write_bytes(("time;Kraft Stütze;Weg\ns;kN;µm\n" + rows(comma, ";", ",")).encode(encoding))
    got = read_recording(file)
    assert got.names == ("Kraft Stütze", "Weg")
    assert [channel.unit for channel in got.channels] == ["kN", "µm"]
    np.testing.assert_allclose(got.samples, [AZ, Z], atol=1e-6)


def test_big_endian_utf_16(tmp_path):
    file = tmp_path / "a.csv"
    file.write_bytes(codecs.BOM_UTF16_BE + ("time,az,z\n" + rows()).encode("utf-16-be"))
    assert read_recording(file).names == ("az", "z")


def test_the_date_is_the_start(tmp_path):
    file = tmp_path / "a.csv"
    file.write_text(GOOD["date and time, day first"][0])
    assert read_recording(file).start == datetime(2026, 3, 4, 10, 0, 0)


def test_a_first_column_taken_for_time_is_said(tmp_path):
    file = tmp_path / "a.csv"
    file.write_text(GOOD["no heading"][0])
    assert "rises evenly" in read_recording(file).metadata["time column"]


BAD = {
    "no time column": ("Sample,az,z\n" + rows(str), r"has no time column .*--rate 500.*it has: Sample, az, z"),
    "x that is no time": ("x,y,z\n" + rows(lambda k: f"{math.sin(k):.4f}"), "has no time column"),
    "a line that is cut off": (("time,az,z\n" + rows()).replace("\n0.5000,", "\n0.5", 1), "line 52 is cut off or not"),
    "an end in the middle of a line": ("time,az,z\n" + rows() + "4.0000,1.0,", "ends in the middle of a line"),
    "words only": ("dear engineer,\nplease find enclosed\n", "holds no table of numbers"),
}


@pytest.mark.parametrize("oddity", BAD)
def test_refused_with_what_to_do(tmp_path, oddity):
    text, words = BAD[oddity]
    (tmp_path / "a.csv").write_text(text)
    with pytest.raises(FormatError, match=r"a\.csv: .*" + words):
        read_recording(tmp_path / "a.csv")


def test_options_say_what_cannot_be_found_out(tmp_path):
    file = tmp_path / "a.csv"
    file.write_text("x,y,z\n" + rows(lambda k: f"{math.sin(k):.4f}"))
    got = read_recording(file, csv=CsvOptions(rate_hz=250.0))
    assert (got.names, got.rate_hz) == (("x", "y", "z"), 250.0)
    file.write_text("clock,az,z\n" + rows())
    got = read_recording(file, csv=CsvOptions(time_column="clock"))
    assert (got.names, got.rate_hz) == (("az", "z"), 100.0)
    file.write_text("time,az,z\n" + rows())
    with pytest.raises(InputError, match="has a time column, 'time'"):
        read_recording(file, csv=CsvOptions(rate_hz=250.0))
