"""Every open format written and read back bit for bit, and read against the formats' own libraries.

References: asammdf (MDF4), pyuff (UFF58), scipy.io (MAT 5), h5py and h5netcdf (netCDF4, HDF5, MAT 7.3), pyarrow
(Parquet) and pandas (CSV), each writing with its own interface, or reading what we wrote.
"""

from __future__ import annotations

from datetime import UTC, datetime

import h5netcdf
import h5py
import numpy as np
import pandas as pd
import pyarrow as pa
import pyarrow.parquet as pq
import pytest
import pyuff
from asammdf import MDF, Signal
from scipy.io import loadmat, savemat

from washboard.errors import ChannelError, DataError, FormatError, InputError
from washboard.recording import (
    Channel,
    CsvOptions,
    Recording,
    Span,
    Step,
    UffFunction,
    convert,
    describe,
    read_recording,
    read_source,
    read_uff58_functions,
    write_recording,
    write_uff58_functions,
)
from washboard.recording._mat import write_mat
from washboard.recording._uff58 import write_uff58

ENDINGS = ("nc", "mf4", "csv", "uff", "mat", "parquet")


def sample(dtype=np.float32, *, n: int = 3000, rate_hz: float = 1000 / 3, seed: int = 1) -> Recording:
    rng = np.random.default_rng(seed)
    samples = (rng.standard_normal((3, n)) * np.array([[1e-6], [1.0], [1e9]])).astype(dtype)
    samples[1, 100:120] = np.nan
    samples[2, :4] = [0.0, -0.0, np.finfo(dtype).max, np.finfo(dtype).tiny]
    channels = (
        Channel(
            name="axle 1 left",
            unit="m/s2",
            quantity="acceleration",
            position_m=(0.0, 1.0, 0.5),
            direction="+z",
            limits=(-200.0, 200.0),
            description='glued, "new" <b> & co',
        ),
        Channel(name="strain_ö", unit="µm/m", quantity="strain"),
        Channel(name="force", unit="kN"),
    )
    return Recording(
        samples=samples,
        rate_hz=rate_hz,
        channels=channels,
        name="cobbled yard, lap 2",
        start=datetime(2026, 3, 4, 5, 6, 7, 890000, tzinfo=UTC),
        spans=(Span(kind="bad", start_s=0.5, end_s=0.75, channel="force", note="cable"),),
        metadata={"driver": "A", "tyre pressure": "8 bar < 9 & more"},
        history=(Step(function="recording.resample", inputs=("x",), settings={"to_hz": 333.3}),),
    )


@pytest.mark.parametrize("dtype", [np.float32, np.float64])
@pytest.mark.parametrize("ending", ENDINGS)
def test_round_trip_keeps_every_bit_and_all_that_is_known(tmp_path, ending, dtype):
    one = sample(dtype)
    file = tmp_path / f"a.{ending}"
    write_recording(one, file)
    two = read_recording(file)
    assert two.samples.dtype == dtype
    # Bit for bit, signed zeros too; CSV and Parquet do not tell one NaN from another.
    finite = np.isfinite(one.samples)
    assert np.array_equal(two.samples[finite].view(np.uint8), one.samples[finite].view(np.uint8))
    assert np.array_equal(np.isnan(two.samples), ~finite)
    for name in ("rate_hz", "channels", "name", "start", "spans", "metadata", "history"):
        assert getattr(two, name) == getattr(one, name), name
    assert list(tmp_path.iterdir()) == [file]


@pytest.mark.parametrize("ending", ENDINGS)
def test_content_decides_not_the_ending(tmp_path, ending):
    write_recording(sample(), tmp_path / f"a.{ending}")
    (tmp_path / f"a.{ending}").rename(tmp_path / "a.dat")
    assert read_recording(tmp_path / "a.dat").names == sample().names


@pytest.mark.parametrize("ending", ENDINGS)
def test_channels_are_picked_in_the_order_asked_for(tmp_path, ending):
    write_recording(sample(), tmp_path / f"a.{ending}")
    got = read_recording(tmp_path / f"a.{ending}", channels=["force", "axle 1 left"])
    assert got.names == ("force", "axle 1 left")
    np.testing.assert_array_equal(got.samples[0], sample().values("force"))
    with pytest.raises(ChannelError, match="has no channel 'forse'; did you mean 'force'"):
        read_recording(tmp_path / f"a.{ending}", channels=["forse"])


def test_working_copy_is_a_memory_map(tmp_path):
    write_recording(sample(), tmp_path / "a.nc")
    got = read_recording(tmp_path / "a.nc")
    base = got.samples
    while base.base is not None and not isinstance(base, np.memmap):
        base = base.base
    assert isinstance(base, np.memmap) or type(base).__name__ == "mmap"
    assert not got.samples.flags.writeable


# --- netCDF4 / HDF5 ---------------------------------------------------------------------------------------------------


def test_netcdf_can_be_opened_by_h5netcdf(tmp_path):
    one = sample()
    write_recording(one, tmp_path / "a.nc")
    with h5netcdf.File(tmp_path / "a.nc") as store:
        assert store.dimensions["time"].size == one.n_samples
        np.testing.assert_array_equal(store["samples"][...], one.samples)
        assert store.attrs["rate_hz"] == one.rate_hz
        assert [unit.decode() for unit in store["channel_unit"][...]] == ["m/s2", "µm/m", "kN"]


def test_plain_hdf5_with_a_time_vector(tmp_path):
    time = np.arange(500) / 250
    with h5py.File(tmp_path / "a.h5", "w") as store:
        store["run/time"] = time
        store["run/az"] = np.sin(time)
        store["run/az"].attrs["units"] = "m/s2"
        store["other"] = np.arange(3)
    got = read_recording(tmp_path / "a.h5")
    assert (got.rate_hz, got.names, got.channels[0].unit) == (250.0, ("az",), "m/s2")
    np.testing.assert_array_equal(got.samples[0], np.sin(time))


def test_xarray_file(tmp_path):
    one = sample(np.float64)
    one.to_xarray().to_dataset(name="data").to_netcdf(tmp_path / "x.nc", engine="h5netcdf")
    got = read_recording(tmp_path / "x.nc")
    assert got.rate_hz == pytest.approx(one.rate_hz, rel=1e-12)
    np.testing.assert_array_equal(got.samples, one.samples)
    assert got.names == one.names


# --- MDF4 -------------------------------------------------------------------------------------------------------------


def mdf_with_traps(path, *, version="4.10", compression=0, start=None):
    """Two rates, an invalidation bit, a linear conversion, a value-to-text conversion, one name in two groups."""
    fast, slow = np.arange(2000) / 500, np.arange(400) / 100
    invalid = np.zeros(2000, dtype=bool)
    invalid[300:310] = True
    counts = (1000 * np.sin(2 * np.pi * 3 * fast)).astype(np.int16)
    states = {"val_0": 0, "val_1": 1, "text_0": b"off", "text_1": b"on", "default": b""}
    with MDF(version=version) as store:
        if start is not None:
            store.header.start_time = start
        store.append(
            [
                Signal(counts, fast, name="az", unit="m/s2", conversion={"a": 0.01, "b": 0.5}),
                Signal(np.cos(fast).astype(np.float32), fast, name="ok", unit="V", invalidation_bits=invalid),
                Signal((np.arange(2000) % 2).astype(np.uint8), fast, name="state", conversion=states),
                Signal(np.array([b"x"] * 2000), fast, name="words", encoding="utf-8"),
            ],
            acq_name="fast",
            common_timebase=True,
        )
        store.append([Signal(slow * 2.0, slow, name="speed", unit="km/h")], acq_name="slow")
        store.append([Signal(slow * 3.0, slow, name="az", unit="g")], acq_name="other logger")
        store.save(path, overwrite=True, compression=compression)
    return counts, fast, slow


@pytest.mark.parametrize(("version", "compression"), [("4.10", 0), ("4.10", 1), ("4.10", 2), ("4.20", 0), ("4.00", 0)])
def test_mdf4_traps(tmp_path, version, compression):
    counts, _fast, _slow = mdf_with_traps(tmp_path / "a.mf4", version=version, compression=compression)
    got = read_recording(tmp_path / "a.mf4", channels=["az@1", "ok", "state"])
    assert got.rate_hz == 500.0
    np.testing.assert_allclose(got.values("az@1"), counts * 0.01 + 0.5, rtol=1e-12)
    with MDF(tmp_path / "a.mf4") as store:
        np.testing.assert_array_equal(got.values("az@1"), store.get("az", group=0).samples)
    ok = got.values("ok")
    assert np.isnan(ok[300:310]).all()
    assert np.isfinite(np.delete(ok, np.arange(300, 310))).all()
    assert [(s.kind, s.channel, s.start_s, s.end_s) for s in got.spans] == [("bad", "ok", 0.6, 0.62)]
    np.testing.assert_array_equal(got.values("state"), np.arange(2000) % 2)


def test_mdf4_same_name_in_two_groups_must_be_said(tmp_path):
    mdf_with_traps(tmp_path / "a.mf4")
    with pytest.raises(ChannelError, match=r"channel 'az' is in 2 groups; say which: 'az@1' or 'az@3'"):
        read_recording(tmp_path / "a.mf4", channels=["az"])
    assert set(read_recording(tmp_path / "a.mf4").names) == {"az@1", "az@3", "ok", "state", "speed"}


def test_mdf4_slow_group_is_resampled_to_the_common_rate_and_says_so(tmp_path):
    mdf_with_traps(tmp_path / "a.mf4")
    got = read_recording(tmp_path / "a.mf4", channels=["ok", "speed"])
    assert got.samples.shape == (2, 2000)
    inside = slice(200, 1700)
    np.testing.assert_allclose(got.values("speed")[inside], 2 * np.arange(2000)[inside] / 500, atol=2e-3)
    assert any("100" in str(step.settings) for step in got.history)
    assert [track.rate_hz for track in describe(tmp_path / "a.mf4").tracks if track.channel.name == "speed"] == [100.0]


def test_mdf4_start_time(tmp_path):
    start = datetime(2026, 5, 6, 7, 8, 9, tzinfo=UTC)
    mdf_with_traps(tmp_path / "a.mf4", start=start)
    assert read_recording(tmp_path / "a.mf4", channels=["ok"]).start == start


def test_mdf4_doubled_name_in_one_group(tmp_path):
    time = np.arange(100) / 100
    with MDF(version="4.10") as store:
        store.append([Signal(time, time, name="az"), Signal(2 * time, time, name="az")], common_timebase=True)
        store.save(tmp_path / "a.mf4")
    with pytest.raises(ChannelError, match=r"a\.mf4: more than one channel is named 'az'; rename"):
        read_recording(tmp_path / "a.mf4", channels=["az"])


def test_mdf4_written_by_us_reads_in_asammdf(tmp_path):
    one = sample()
    write_recording(one, tmp_path / "a.mf4")
    with MDF(tmp_path / "a.mf4") as store:
        got = store.get("force")
        np.testing.assert_array_equal(got.samples, one.values("force"))
        np.testing.assert_array_equal(got.timestamps, one.time_s)
        assert got.unit == "kN"
        assert store.header.start_time == one.start


# --- UFF58 ------------------------------------------------------------------------------------------------------------


@pytest.mark.filterwarnings("ignore::pytest.PytestUnraisableExceptionWarning")  # pyuff leaves a file open
@pytest.mark.parametrize("binary", [0, 1])
@pytest.mark.parametrize("spacing", [0, 1])
def test_uff58_of_pyuff(tmp_path, binary, spacing):
    time = np.arange(1000) / 512
    data = np.sin(7 * time)
    written = pyuff.prepare_58(
        binary=binary, func_type=1, rsp_node=3, rsp_dir=3, ref_dir=0, ref_node=0, data=data, x=time, id1="az",
        rsp_ent_name="v", ref_ent_name="v", abscissa_spacing=spacing, abscissa_spec_data_type=17,
        ordinate_spec_data_type=12, orddenom_spec_data_type=0, ordinate_axis_units_lab="m/s2",
    )  # fmt: skip
    pyuff.UFF(str(tmp_path / "a.uff")).write_sets(written, mode="add")
    got = read_recording(tmp_path / "a.uff")
    assert got.rate_hz == pytest.approx(512, rel=1e-5)
    assert got.channels[0] == Channel(name="az", unit="m/s2", quantity="acceleration", direction="+z")
    # ASCII real double: 4E20.12 holds twelve digits.
    np.testing.assert_allclose(got.samples[0], data, rtol=0, atol=0 if binary else 1e-11)


@pytest.mark.parametrize("binary", [True, False])
@pytest.mark.parametrize("dtype", [np.float32, np.float64, np.complex64, np.complex128])
@pytest.mark.parametrize("even", [True, False])
def test_uff58_of_ours_reads_in_pyuff(tmp_path, binary, dtype, even):
    rng = np.random.default_rng(5)
    values = rng.standard_normal(77) + (1j * rng.standard_normal(77) if np.dtype(dtype).kind == "c" else 0)
    values = values.astype(dtype)
    x = np.arange(77) * 0.25
    function = UffFunction(
        name="h", values=values, function_type=4, step=0.25 if even else 0.0, abscissa=None if even else x,
        abscissa_unit="Hz", unit="g", response=(12, -3), reference=(4, 2),
    )  # fmt: skip
    write_uff58_functions([function, function], tmp_path / "a.uff", binary=binary)
    again = read_uff58_functions(tmp_path / "a.uff")
    assert len(again) == 2
    assert (again[1].response, again[1].reference, again[1].function_type) == ((12, -3), (4, 2), 4)
    digits = {True: 0.0, False: 1e-4}[binary] if dtype in (np.float32, np.complex64) or not even else 1e-11
    np.testing.assert_allclose(again[1].values, values, rtol=0, atol=digits)
    assert again[1].values.dtype == dtype
    if not even and not binary and dtype == np.complex128:
        return  # pyuff cannot read this case of the format
    if not even and binary and dtype in (np.complex64, np.float32):
        return  # nor this one
    theirs = pyuff.UFF(str(tmp_path / "a.uff")).read_sets(1)
    np.testing.assert_allclose(theirs["data"], values, rtol=0, atol=max(digits, 1e-7))
    np.testing.assert_allclose(theirs["x"], x, atol=1e-5)


def test_uff58_ascii_round_trip_of_a_recording_keeps_rate_and_units(tmp_path):
    one = sample(np.float64)
    write_uff58(one, tmp_path / "a.uff", binary=False)
    two = read_recording(tmp_path / "a.uff")
    assert (two.rate_hz, two.channels, two.start) == (one.rate_hz, one.channels, one.start)
    np.testing.assert_allclose(two.samples[0], one.samples[0], rtol=1e-11)


def test_uff58_spectra_are_not_taken_for_time_histories(tmp_path):
    write_uff58_functions([UffFunction(name="h", values=np.ones(5), function_type=9, step=1.0)], tmp_path / "a.uff")
    with pytest.raises(FormatError, match="holds no time history, only: power spectral density"):
        read_recording(tmp_path / "a.uff")


def test_uff58_units_in_the_letters_of_windows(tmp_path):
    # As exported by other programs: the superscript two of Windows-1252, a byte that is no UTF-8.
    file = tmp_path / "a.uff"
    write_uff58_functions([UffFunction(name="a", values=np.ones(20, np.float32), step=0.01, unit="m/s2")], file)
    file.write_bytes(file.read_bytes().replace(b"m/s2", b"m/s\xb2"))
    assert read_recording(file).channels[0].unit == "m/s²"


def test_uff58_that_begins_with_another_data_set(tmp_path):
    file = tmp_path / "a.dat"
    write_uff58_functions([UffFunction(name="a", values=np.ones(20, np.float32), step=0.01)], file)
    file.write_bytes(b"    -1\n  1858\n         0         0\n    -1\n" + file.read_bytes())
    assert read_recording(file).names == ("a",)


def test_uff58_complex_time_history_becomes_two_channels(tmp_path):
    values = np.exp(1j * np.arange(10))
    write_uff58_functions([UffFunction(name="z", values=values, step=0.1)], tmp_path / "a.uff")
    got = read_recording(tmp_path / "a.uff")
    assert got.names == ("z real", "z imag")
    np.testing.assert_array_equal(got.samples[1], values.imag)


# --- MAT --------------------------------------------------------------------------------------------------------------


def test_mat5_of_scipy(tmp_path):
    time = np.arange(600) / 200
    savemat(tmp_path / "a.mat", {"time": time, "az": np.sin(time), "speed": np.float32(time), "note": "hello"})
    got = read_recording(tmp_path / "a.mat")
    assert got.rate_hz == 200.0
    assert set(got.names) == {"az", "speed"}
    np.testing.assert_array_equal(got.values("az"), np.sin(time))


def test_mat5_structs_and_sample_rate(tmp_path):
    run = {"fs": 100.0, "data": np.arange(800.0).reshape(400, 2), "names": np.array(["a", "b"], dtype=object)}
    savemat(tmp_path / "a.mat", {"run": run})
    got = read_recording(tmp_path / "a.mat")
    assert (got.rate_hz, got.names) == (100.0, ("a", "b"))
    np.testing.assert_array_equal(got.values("b"), np.arange(1.0, 800.0, 2))


def test_mat5_of_ours_reads_in_scipy(tmp_path):
    one = sample()
    write_recording(one, tmp_path / "a.mat")
    got = loadmat(tmp_path / "a.mat", simplify_cells=True)
    np.testing.assert_array_equal(got["samples"], one.samples.T)
    assert list(got["units"]) == ["m/s2", "µm/m", "kN"]
    assert got["rate_hz"] == one.rate_hz


@pytest.mark.parametrize("dtype", [np.float32, np.float64])
def test_mat73_round_trip_and_h5py(tmp_path, dtype):
    one = sample(dtype)
    write_mat(one, tmp_path / "a.mat", version="7.3")
    two = read_recording(tmp_path / "a.mat")
    np.testing.assert_array_equal(two.samples, one.samples)
    assert two.samples.dtype == dtype
    assert (two.channels, two.rate_hz, two.metadata) == (one.channels, one.rate_hz, one.metadata)
    with h5py.File(tmp_path / "a.mat") as store:
        np.testing.assert_array_equal(store["samples"][...], one.samples)
        assert store["samples"].attrs["MATLAB_class"] == (b"single" if dtype == np.float32 else b"double")


def test_mat73_as_matlab_lays_it_out(tmp_path):
    """Column-major, so transposed in HDF5; text as 16-bit codes; cells as references (MATLAB 7.3 layout, from memory)."""
    with h5py.File(tmp_path / "a.mat", "w", userblock_size=512) as store:
        store["data"] = np.arange(20.0).reshape(2, 10)
        store["fs"] = np.array([[50.0]])
        refs = []
        for name in ("left", "right"):
            text = store.create_dataset(f"#refs#/{name}", data=np.array([[ord(c)] for c in name], dtype=np.uint16))
            text.attrs["MATLAB_class"] = np.bytes_("char")
            refs.append(text.ref)
        cell = store.create_dataset("names", data=np.array([refs], dtype=h5py.ref_dtype))
        cell.attrs["MATLAB_class"] = np.bytes_("cell")
    got = read_recording(tmp_path / "a.mat")
    assert (got.rate_hz, got.names) == (50.0, ("left", "right"))
    np.testing.assert_array_equal(got.values("right"), np.arange(10.0, 20.0))


# --- Parquet ----------------------------------------------------------------------------------------------------------


def test_parquet_of_pyarrow_and_pandas(tmp_path):
    time = np.arange(300) / 100
    frame = pd.DataFrame({"time": time, "az [m/s2]": np.sin(time), "n": np.arange(300, dtype=np.int16)})
    frame.to_parquet(tmp_path / "a.parquet")
    got = read_recording(tmp_path / "a.parquet")
    assert (got.rate_hz, got.names, got.channels[0].unit) == (100.0, ("az", "n"), "m/s2")
    np.testing.assert_array_equal(got.values("az"), np.sin(time))


def test_parquet_with_date_times(tmp_path):
    moments = pd.date_range("2026-01-01", periods=300, freq="10ms")
    pq.write_table(pa.table({"timestamp": moments, "az": np.arange(300.0)}), tmp_path / "a.parquet")
    assert read_recording(tmp_path / "a.parquet").rate_hz == 100.0


def test_parquet_of_ours_reads_in_pandas(tmp_path):
    one = sample()
    write_recording(one, tmp_path / "a.parquet")
    got = pd.read_parquet(tmp_path / "a.parquet")
    np.testing.assert_array_equal(got["force"].to_numpy(), one.values("force"))
    assert pq.read_schema(tmp_path / "a.parquet").field("force").metadata == {b"unit": b"kN"}


# --- CSV --------------------------------------------------------------------------------------------------------------

CSV_CASES = {
    "comma": "time,az,bz\n0.00,1.5,2\n0.01,-2.5,3\n0.02,3.5,4\n0.03,0,5\n",
    "units row": "time,az,bz\ns,m/s2,g\n0.00,1.5,2\n0.01,-2.5,3\n0.02,3.5,4\n0.03,0,5\n",
    "brackets": "Time [s];az [m/s2];bz (g)\n0.00;1.5;2\n0.01;-2.5;3\n0.02;3.5;4\n0.03;0;5\n",
    "decimal comma": "Zeit;az;bz\ns;m/s2;g\n0,00;1,5;2\n0,01;-2,5;3\n0,02;3,5;4\n0,03;0;5\n",
    "tabs": "logger 7\nserial 123\n\ntime\taz\tbz\n0.00\t1.5\t2\n0.01\t-2.5\t3\n0.02\t3.5\t4\n0.03\t0\t5\n",
    "blanks": "% comment\n  time   az   bz\n 0.00  1.5  2\n 0.01 -2.5  3\n 0.02  3.5  4\n 0.03  0    5\n",
    "milliseconds": "time,az,bz\nms,m/s2,g\n0,1.5,2\n10,-2.5,3\n20,3.5,4\n30,0,5\n",
    "byte order mark": "\ufefftime,az,bz\n0.00,1.5,2\n0.01,-2.5,3\n0.02,3.5,4\n0.03,0,5\n",
    "carriage returns": "time,az,bz\r\n0.00,1.5,2\r\n0.01,-2.5,3\r\n0.02,3.5,4\r\n0.03,0,5\r\n",
    "date and time": "date;az;bz\n2026-03-01 10:00:00.00;1.5;2\n2026-03-01 10:00:00.01;-2.5;3\n"
    "2026-03-01 10:00:00.02;3.5;4\n2026-03-01 10:00:00.03;0;5\n",
    "german date": "Datum;az;bz\n01.03.2026 10:00:00,00;1,5;2\n01.03.2026 10:00:00,01;-2,5;3\n"
    "01.03.2026 10:00:00,02;3,5;4\n01.03.2026 10:00:00,03;0;5\n",
    "exponents": "time,az,bz\n0.00,1.5e0,2E0\n1e-2,-2.5,3\n2e-2,+3.5,4\n0.03,0,5\n",
}


@pytest.mark.parametrize("case", CSV_CASES)
def test_csv_is_found_out(tmp_path, case):
    (tmp_path / "a.csv").write_text(CSV_CASES[case], encoding="utf-8", newline="")
    got = read_recording(tmp_path / "a.csv")
    assert got.rate_hz == pytest.approx(100.0, rel=1e-9)
    assert got.names == ("az", "bz")
    np.testing.assert_array_equal(got.samples, [[1.5, -2.5, 3.5, 0.0], [2, 3, 4, 5]])
    if case in {"units row", "brackets", "decimal comma", "milliseconds"}:
        assert [channel.unit for channel in got.channels] == ["m/s2", "g"]


def test_csv_start_from_date_time(tmp_path):
    (tmp_path / "a.csv").write_text(CSV_CASES["german date"])
    assert read_recording(tmp_path / "a.csv").start == datetime(2026, 3, 1, 10, 0, 0)


def test_csv_can_be_told(tmp_path):
    (tmp_path / "a.csv").write_text("1;2\n3;4\n5;6\n")
    got = read_recording(tmp_path / "a.csv", csv=CsvOptions(rate_hz=10.0, separator=";"))
    assert (got.names, got.rate_hz) == (("column_1", "column_2"), 10.0)
    with pytest.raises(FormatError, match="has no time column and states no sample rate"):
        read_recording(tmp_path / "a.csv")


def test_csv_missing_values_are_nan(tmp_path):
    (tmp_path / "a.csv").write_text("time,az\n0,1\n1,\n2,nan\n3,4\n")
    np.testing.assert_array_equal(read_recording(tmp_path / "a.csv").samples, [[1, np.nan, np.nan, 4]])


def test_csv_cut_off_line_is_refused(tmp_path):
    (tmp_path / "a.csv").write_text("time,az,bz\n0,1,2\n1,2,3\n2,3,4\n3,4")
    with pytest.raises(FormatError, match="a line is cut off or not like the others"):
        read_recording(tmp_path / "a.csv")


def test_csv_two_columns_of_one_name(tmp_path):
    (tmp_path / "a.csv").write_text("time,az,az\n0,1,2\n1,2,3\n2,3,4\n")
    with pytest.raises(ChannelError, match=r"a\.csv: more than one channel is named 'az'"):
        read_recording(tmp_path / "a.csv")


def test_csv_of_ours_reads_in_pandas(tmp_path):
    one = sample()
    write_recording(one, tmp_path / "a.csv")
    got = pd.read_csv(tmp_path / "a.csv", comment="#", skiprows=[2])
    np.testing.assert_array_equal(got["force"].to_numpy(dtype=np.float32), one.values("force"))


# --- around -----------------------------------------------------------------------------------------------------------


def test_convert_between_all_and_never_over_the_original(tmp_path):
    write_recording(sample(), tmp_path / "a.mf4")
    for ending in ENDINGS:
        convert(tmp_path / "a.mf4", tmp_path / f"b.{ending}")
        np.testing.assert_array_equal(read_recording(tmp_path / f"b.{ending}").samples, sample().samples)
    with pytest.raises(InputError, match="is the file to read; an original is never written over"):
        convert(tmp_path / "a.mf4", tmp_path / "a.mf4", overwrite=True)
    with pytest.raises(InputError, match="exists already"):
        convert(tmp_path / "a.mf4", tmp_path / "b.nc")
    with pytest.raises(InputError, match="no format is known by that ending"):
        convert(tmp_path / "a.mf4", tmp_path / "b.xyz")


@pytest.mark.parametrize(
    ("content", "words"),
    [
        (b"", "is empty"),
        (b"\0\1\2\3" * 100, "is of no format known here"),
        (b"CDF\x01" + b"\0" * 50, "netCDF of the classic kind"),
        (b"PK\x03\x04" + b"\0" * 50, "is a ZIP archive"),
        (b"MDF     4.10" + b"\0" * 50, "is not an MDF4 file that can be read"),
        (b"PAR1" + b"\0" * 50, "is not a Parquet file that can be read"),
        (b"\x89HDF\r\n\x1a\n" + b"\0" * 50, "is not a netCDF4/HDF5 file that can be read"),
        (b"MATLAB 5.0 MAT-file" + b"\0" * 300, "is not a MAT file that can be read|holds no time histories"),
        (b"    -1\n    58b     1     2          11         800\n", "is not a universal file that can be read"),
        (b"hello\nworld\n", "holds no table of numbers"),
    ],
)
def test_unreadable_files_get_one_clear_message(tmp_path, content, words):
    (tmp_path / "a.dat").write_bytes(content)
    with pytest.raises(FormatError, match=words) as caught:
        read_recording(tmp_path / "a.dat")
    assert str(tmp_path / "a.dat") in str(caught.value)


def test_no_file_and_a_folder(tmp_path):
    with pytest.raises(FormatError, match="there is no such file"):
        read_recording(tmp_path / "no.nc")
    with pytest.raises(FormatError, match="is a folder"):
        read_recording(tmp_path)


def test_describe(tmp_path):
    write_recording(sample(), tmp_path / "a.mf4")
    summary = describe(tmp_path / "a.mf4")
    assert (summary.format, summary.name, len(summary.tracks)) == ("mdf4", "cobbled yard, lap 2", 3)
    assert summary.duration_s == pytest.approx(9.0)
    assert summary.tracks[0].rate_hz == pytest.approx(1000 / 3)


def test_gap_in_the_stamps_stays_a_gap(tmp_path):
    time = np.arange(1000) / 100
    keep = np.ones(1000, dtype=bool)
    keep[400:450] = False
    pd.DataFrame({"time": time[keep], "az": np.sin(time[keep])}).to_csv(tmp_path / "a.csv", index=False)
    got = read_recording(tmp_path / "a.csv")
    assert got.n_samples == 1000
    assert np.isnan(got.samples[0, 400:450]).all()
    np.testing.assert_array_equal(got.samples[0, keep], np.sin(time[keep]))
    assert [(s.kind, s.start_s, s.end_s) for s in got.spans] == [("gap", pytest.approx(4.0), pytest.approx(4.5))]
    assert describe(tmp_path / "a.csv").tracks[0].remarks == ("1 gaps (50 samples missing), first at 3.990 s",)


def test_time_running_backwards_is_refused(tmp_path):
    (tmp_path / "a.csv").write_text("time,az\n" + "".join(f"{t},1\n" for t in [0, 1, 2, 3, 1, 2, 3, 4, 5, 6]))
    with pytest.raises(DataError, match=r"a\.csv: time runs backwards at 1 s"):
        read_recording(tmp_path / "a.csv")
    assert len(read_source(tmp_path / "a.csv").tracks) == 1
