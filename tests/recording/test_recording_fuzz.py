"""Damaged files of every format: one clear error or a whole recording, no hang, no memory blow-up, nothing partial.

A case is a real file with bytes changed, cut, doubled, zeroed or swapped. A reader may refuse it with an error of ours,
or read it; it may not raise anything else, take longer than a few seconds, or make far more samples than the file has
bytes for.
"""

from __future__ import annotations

import signal
import struct
import tracemalloc
from pathlib import Path

import h5py
import numpy as np
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from washboard.errors import FormatError, WashboardError
from washboard.recording import Channel, Recording, _guarded, open_rows, read_recording, write_recording
from washboard.recording._mat import write_mat
from washboard.recording._own_index import find_index
from washboard.recording._uff58 import write_uff58

KINDS = ("nc", "mf4", "csv", "uff", "ascii.uff", "mat", "v73.mat", "parquet", "plain.nc")
SECONDS = 20


@pytest.fixture(scope="module")
def originals(tmp_path_factory) -> dict[str, bytes]:
    folder = tmp_path_factory.mktemp("originals")
    rng = np.random.default_rng(1)
    channels = (Channel(name="a", unit="m/s2", quantity="acceleration"), Channel(name="b", unit="mm"))
    one = Recording(samples=rng.standard_normal((2, 300)), rate_hz=100.0, channels=channels, metadata={"k": "v"})
    found = {}
    for kind in KINDS:
        if kind == "plain.nc":
            found[kind] = without_note(found["nc"])
            continue
        file = folder / f"a.{kind}"
        if kind == "ascii.uff":
            write_uff58(one, file, binary=False)
        elif kind == "v73.mat":
            write_mat(one, file, version="7.3")
        else:
            write_recording(one, file)
        found[kind] = file.read_bytes()
    return found


def mutated(data: bytes, rng: np.random.Generator) -> bytes:
    out = bytearray(data)
    for _number in range(int(rng.integers(1, 4))):
        if not out:
            break
        # Most of what matters stands near the start or the end.
        where = rng.random()
        reach = min(len(out), 1500)
        at = int(
            rng.integers(reach)
            if where < 0.5
            else len(out) - 1 - rng.integers(reach)
            if where < 0.7
            else rng.integers(len(out))
        )
        how = int(rng.integers(7))
        if how == 0:
            out[at] ^= 1 << int(rng.integers(8))
        elif how == 1:
            out[at : at + int(rng.integers(1, 64))] = rng.bytes(int(rng.integers(0, 64)))
        elif how == 2:
            del out[at:]
        elif how == 3:
            big = int(rng.choice([0, 1, 255, 2**31 - 1, 2**32 - 1, 2**62, 2**63 - 1]))
            out[at : at + 8] = struct.pack("<Q", big)
        elif how == 4:
            size = int(rng.integers(1, 200))
            out[at:at] = out[at : at + size]
        elif how == 5:
            out[at : at + 32] = bytes(min(32, len(out) - at))
        else:
            other = int(rng.integers(len(out)))
            out[at : at + 8], out[other : other + 8] = out[other : other + 8], out[at : at + 8]
    return bytes(out)


def without_note(data: bytes) -> bytes:
    """Our netCDF4 as the HDF5 library leaves it: without the note that spares us the library."""
    at = data.rfind(b'{"size"')
    assert at > 0
    return data[:at]


class TooLong(BaseException):
    pass


def _stop(_signal, _frame):
    raise TooLong


def try_read(file: Path, size: int) -> str:
    before = signal.signal(signal.SIGALRM, _stop)
    signal.alarm(SECONDS)
    try:
        got = read_recording(file)
        # Compression may gain, but not a thousandfold; gaps in time stamps are filled with NaN, within reason.
        assert got.samples.size <= 1_000_000 + 1000 * size
        for name in got.names:
            got.values(name)
        if file.suffix == ".mf4":
            # Piece by piece, as the check stage takes it in: the same, or refused.
            with open_rows(file, file.with_suffix(".rows")) as rows:
                for row in range(rows.header.n_channels):
                    np.testing.assert_array_equal(rows.get(row), got.samples[row])
        return "read"
    except WashboardError as error:
        return type(error).__name__ if str(file) in str(error) else f"does not name the file: {error}"
    finally:
        signal.alarm(0)
        signal.signal(signal.SIGALRM, before)


def batter(kind: str, data: bytes, folder: Path, seeds: range) -> dict[str, int]:
    outcomes: dict[str, int] = {}
    for seed in seeds:
        rng = np.random.default_rng([seed, KINDS.index(kind)])
        bad = mutated(data, rng)
        file = folder / f"x.{kind.rsplit('.', 1)[-1]}"
        file.write_bytes(bad)
        try:
            outcome = try_read(file, len(bad))
        except TooLong:
            pytest.fail(f"{kind}, case {seed}: no end after {SECONDS} s")
        except AssertionError:
            raise
        except Exception as error:
            raise AssertionError(f"{kind}, case {seed}: {type(error).__name__}: {error}") from error
        if " " in outcome:
            pytest.fail(f"{kind}, case {seed}: {outcome}")
        outcomes[outcome] = outcomes.get(outcome, 0) + 1
    return outcomes


@pytest.mark.filterwarnings("ignore")
@pytest.mark.parametrize("kind", KINDS)
def test_damaged_files(originals, tmp_path, kind):
    outcomes = batter(kind, originals[kind], tmp_path, range(60))
    assert sum(outcomes.values()) == 60
    assert len(outcomes) > 1


@pytest.mark.slow
@pytest.mark.timeout(3600)
@pytest.mark.filterwarnings("ignore")
@pytest.mark.parametrize("kind", KINDS)
def test_many_damaged_files(originals, tmp_path, kind):
    tracemalloc.start()
    outcomes = batter(kind, originals[kind], tmp_path, range(1000, 2300))
    peak = tracemalloc.get_traced_memory()[1]
    tracemalloc.stop()
    assert sum(outcomes.values()) == 1300
    assert peak < 500e6


@pytest.mark.parametrize("kind", KINDS)
def test_a_file_cut_short_is_never_taken_for_whole(originals, tmp_path, kind):
    whole = originals[kind]
    file = tmp_path / f"x.{kind.rsplit('.', 1)[-1]}"
    for share in (0.1, 0.3, 0.5, 0.7, 0.9, 0.97):
        file.write_bytes(whole[: int(share * len(whole))])
        outcome = try_read(file, len(whole))
        if outcome == "read":
            # A text table may end anywhere; then it must end with a whole line or be refused. Our netCDF4 may lose the
            # note behind its end, when nothing of the recording itself is lost.
            assert kind in {"csv", "nc"}
            if kind == "nc":
                got = read_recording(file)
                file.write_bytes(whole)
                assert got.samples.shape == read_recording(file).samples.shape
                assert got.metadata == {"k": "v"}


@pytest.mark.filterwarnings("ignore")
@settings(max_examples=60, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(text=st.text(alphabet=st.sampled_from('0123456789.,;\t -+eE\n\r"#[]timeaz'), max_size=400))
def test_any_text_is_read_or_refused(tmp_path, text):
    file = tmp_path / "x.csv"
    file.write_text(text, encoding="utf-8", newline="")
    try_read(file, len(text))


def test_own_netcdf_without_its_note_is_read_by_the_hdf5_library_all_the_same(originals, tmp_path):
    file = tmp_path / "x.nc"
    file.write_bytes(originals["nc"])
    noted = read_recording(file)
    with h5py.File(file, "r+") as store:
        store.attrs["title"] = "changed by another program"
    assert find_index(file) is None
    plain = read_recording(file)
    np.testing.assert_array_equal(plain.samples, noted.samples)
    assert plain.channels == noted.channels
    assert plain.metadata == noted.metadata


def test_a_file_on_which_the_hdf5_library_comes_to_no_end_is_refused(originals, tmp_path, monkeypatch):
    # HDF5 File Format Specification 3.0, III.E "Disk Format: Level 1E - Global Heap": behind the 16-byte header, each
    # object has 8 bytes and its size. A size of -16 leads back to the object itself.
    bad = bytearray(without_note(originals["nc"]))
    # The first heap holds the dimensions' references; the one behind it the texts.
    struct.pack_into("<Q", bad, bad.find(b"GCOL", bad.find(b"GCOL") + 4) + 24, 2**64 - 16)
    file = tmp_path / "x.nc"
    file.write_bytes(bad)
    monkeypatch.setattr(_guarded, "LEAST_S", 2.0)
    with pytest.raises(FormatError, match="comes to no end"):
        read_recording(file)
    # The next file is read as if nothing had been.
    file.write_bytes(without_note(originals["nc"]))
    assert read_recording(file).names == ("a", "b")


def test_mdf4_blocks_linked_in_a_circle_are_refused(originals, tmp_path):
    data = bytearray(originals["mf4"])
    first_group = struct.unpack_from("<Q", data, 64 + 24)[0]
    # The data group's next one is itself.
    struct.pack_into("<Q", data, first_group + 24, first_group)
    file = tmp_path / "x.mf4"
    file.write_bytes(data)
    assert try_read(file, len(data)) == "FormatError"


def test_mdf4_block_that_says_it_is_empty_is_refused(originals, tmp_path):
    # ASAM MDF 4, block header: the length is at byte 8. asammdf would give whatever lay in memory for the samples.
    data = bytearray(originals["mf4"])
    at = data.rfind(b"##DT")
    struct.pack_into("<Q", data, at + 8, 0)
    file = tmp_path / "x.mf4"
    file.write_bytes(data)
    assert try_read(file, len(data)) == "FormatError"
