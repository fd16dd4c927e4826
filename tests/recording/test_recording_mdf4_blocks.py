"""Long, packed and unsorted MDF4 files against asammdf, the reference reader."""

from __future__ import annotations

import struct
from datetime import UTC, datetime

import numpy as np
import pytest

from washboard.errors import FormatError
from washboard.recording import Channel, Recording, Span, Step, import_recording, read_recording, write_recording
from washboard.recording._mdf4_stream import stream_mdf4


@pytest.mark.parametrize("compression", [0, 1, 2])
def test_mdf4_of_many_data_blocks_is_imported_as_asammdf_selects_it(tmp_path, compression):
    from asammdf import MDF, Signal

    rng = np.random.default_rng(4)
    stamps = np.arange(60_000) / 512
    file = tmp_path / "a.mf4"
    with MDF(version="4.10") as store:
        store.configure(write_fragment_size=100_000)
        kinds = (np.float32, np.float64, np.int16, np.uint8)
        store.append(
            [
                Signal((100 * rng.standard_normal(60_000)).astype(kind), stamps, name=np.dtype(kind).name)
                for kind in kinds
            ],
            common_timebase=True,
        )
        store.save(file, overwrite=True, compression=compression)
    import_recording(file, tmp_path / "a.nc")
    copy = read_recording(tmp_path / "a.nc")
    assert copy.rate_hz == pytest.approx(512.0, rel=1e-9)
    with MDF(file) as store:
        for name in copy.names:
            np.testing.assert_array_equal(copy.values(name), store.get(name).samples)


def test_unsorted_mdf4_records_of_two_groups_in_one_block(tmp_path):
    # ASAM MDF 4, record identifiers: records of different channel groups of one data group follow each other in any
    # order, each led by its identifier. Built from asammdf's sorted groups by joining them under one data group.
    from asammdf import MDF, Signal

    stamps_a, stamps_b = np.arange(900) / 100, np.arange(450) / 50
    a, b = np.sin(stamps_a), np.cos(stamps_b)
    file = tmp_path / "sorted.mf4"
    with MDF(version="4.10") as store:
        store.append([Signal(a, stamps_a, name="a")])
        store.append([Signal(b, stamps_b, name="b")])
        store.save(file, overwrite=True)
    data = bytearray(file.read_bytes())
    with MDF(file) as store:
        one, two = store._mdf.groups
        first, second = one.data_group.address, two.data_group.address
        cg_one, cg_two = one.channel_group.address, two.channel_group.address
    records = [(at, b"\x01" + struct.pack("<dd", at, value)) for at, value in zip(stamps_a, a, strict=True)]
    records += [(at, b"\x02" + struct.pack("<dd", at, value)) for at, value in zip(stamps_b, b, strict=True)]
    body = b"".join(record for _, record in sorted(records, key=lambda entry: entry[0]))
    data += bytes(-len(data) % 8)
    block = len(data)
    data += b"##DT" + bytes(4) + struct.pack("<QQ", 24 + len(body), 0) + body
    # The first data group gets the block, identifiers of one byte, and no next; its channel group leads to the other.
    struct.pack_into("<Q", data, first + 24, 0)
    struct.pack_into("<Q", data, first + 24 + 16, block)
    data[first + 24 + 32] = 1
    struct.pack_into("<Q", data, cg_one + 24, cg_two)
    struct.pack_into("<Q", data, cg_one + 24 + 48, 1)
    struct.pack_into("<Q", data, cg_two + 24 + 48, 2)
    assert second
    file = tmp_path / "unsorted.mf4"
    file.write_bytes(data)
    with MDF(file) as store:
        assert len(store.get("a").samples) == 900
    got = read_recording(file)
    assert got.rate_hz == pytest.approx(100.0)
    np.testing.assert_allclose(got.values("a"), a)
    np.testing.assert_allclose(got.values("b")[100:800:2], b[50:400], atol=2e-3)
    import_recording(file, tmp_path / "copy.nc")
    np.testing.assert_array_equal(read_recording(tmp_path / "copy.nc").values("a"), got.values("a"))


def test_a_stream_knows_all_that_reading_whole_knows(tmp_path):
    one = Recording(
        samples=np.random.default_rng(1).standard_normal((3, 4000)),
        rate_hz=1000 / 3,
        channels=tuple(Channel(name=name, unit="mm", limits=(-5.0, 5.0)) for name in "abc"),
        name="lane, lap 3",
        start=datetime(2026, 3, 4, 5, 6, 7, tzinfo=UTC),
        spans=(
            Span(kind="bad", start_s=1.0, end_s=2.0, channel="c"),
            Span(kind="bad", start_s=1.0, end_s=2.0, channel="b"),
        ),
        metadata={"driver": "A"},
        history=(Step(function="x"),),
    )
    write_recording(one, tmp_path / "a.mf4")
    for channels in (None, ["c", "a"]):
        found = stream_mdf4(tmp_path / "a.mf4", channels, block_bytes=10_000)
        whole = read_recording(tmp_path / "a.mf4", channels=channels)
        assert found is not None
        samples = np.concatenate([piece.copy() for piece in found.pieces], axis=1)
        np.testing.assert_array_equal(samples, whole.samples)
        for name in ("rate_hz", "channels", "name", "start", "spans", "metadata", "history"):
            assert getattr(found.header, name) == getattr(whole, name), name


def test_a_stream_of_a_file_cut_off_is_refused_and_quiet(tmp_path, capfd, caplog):
    one = Recording(samples=np.ones((3, 40_000)), rate_hz=100.0, channels=tuple(Channel(name=name) for name in "abc"))
    write_recording(one, tmp_path / "a.mf4")
    data = (tmp_path / "a.mf4").read_bytes()
    at = max(range(0, len(data) - 4, 8), key=lambda place: (data[place : place + 4] == b"##DT", place))
    for share in (0.2, 0.9):
        (tmp_path / "b.mf4").write_bytes(data[: at + int(share * 900_000)])
        with pytest.raises(FormatError, match=r"b\.mf4: "):
            import_recording(tmp_path / "b.mf4", tmp_path / "b.nc")
        assert not (tmp_path / "b.nc").exists()
    captured = capfd.readouterr()
    assert (captured.out, captured.err, caplog.text) == ("", "", "")
