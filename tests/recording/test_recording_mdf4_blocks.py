"""Long, packed and unsorted MDF4 files against asammdf, the reference reader."""

from __future__ import annotations

import struct

import numpy as np
import pytest

from washboard.recording import import_recording, read_recording


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
