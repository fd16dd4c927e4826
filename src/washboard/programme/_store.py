"""Arrays and tables of a stage in open files: netCDF4 for arrays, JSON for tables."""

from __future__ import annotations

import json
from collections.abc import Mapping
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from washboard.errors import StorageError
from washboard.settings import to_plain


def save_arrays(
    file: Path, arrays: Mapping[str, tuple[tuple[str, ...], NDArray[Any]]], *, units: Mapping[str, str] | None = None
) -> None:
    """Write named arrays with named axes as netCDF4; complex ones as a pair ``name_re``, ``name_im``.

    Parameters
    ----------
    file : Path
        Ends in ``.nc``.
    arrays : mapping of name to (axes, array)
        Axes of equal name must have equal length.
    units : mapping, optional
        Unit per array name.
    """
    import h5netcdf

    with h5netcdf.File(file, "w") as store:
        for name, (axes, array) in arrays.items():
            values = np.asarray(array)
            for axis, length in zip(axes, values.shape, strict=True):
                if axis not in store.dimensions:
                    store.dimensions[axis] = length
            parts = {name: values}
            if np.iscomplexobj(values):
                parts = {f"{name}_re": values.real, f"{name}_im": values.imag}
            for part, data in parts.items():
                if data.dtype.kind in "US":
                    import h5py

                    variable = store.create_variable(part, axes, h5py.string_dtype())
                    variable[...] = data.astype(object)
                else:
                    variable = store.create_variable(part, axes, data.dtype, data=np.ascontiguousarray(data))
                if units and name in units:
                    variable.attrs["units"] = units[name]


def load_arrays(file: Path) -> dict[str, NDArray[Any]]:
    """Everything `save_arrays` wrote, complex pairs joined again. Raises StorageError."""
    import h5netcdf

    try:
        with h5netcdf.File(file, "r") as store:
            found = {name: np.asarray(variable[...]) for name, variable in store.variables.items()}
    except (OSError, KeyError, ValueError) as error:
        raise StorageError(f"{file} cannot be read ({error}); run its stage again") from None
    for name in [name for name in found if name.endswith("_re") and f"{name[:-3]}_im" in found]:
        found[name[:-3]] = found.pop(name) + 1j * found.pop(f"{name[:-3]}_im")
    for name, values in found.items():
        if values.dtype == object:
            found[name] = np.array([v.decode() if isinstance(v, bytes) else v for v in values.ravel()]).reshape(
                values.shape
            )
    return found


def save_table(file: Path, table: Any) -> None:
    """Write plain values, settings objects and results as JSON."""
    file.write_text(json.dumps(to_plain(table), indent=1, allow_nan=False), encoding="utf-8")


def load_table(file: Path) -> Any:
    """Read what `save_table` wrote. Raises StorageError."""
    try:
        return json.loads(file.read_text(encoding="utf-8"))
    except (OSError, ValueError) as error:
        raise StorageError(f"{file} cannot be read ({error}); run its stage again") from None
