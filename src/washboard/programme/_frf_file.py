"""The identified FRF in its file, `frf.nc`."""

from __future__ import annotations

from pathlib import Path

import numpy as np

from washboard.errors import StorageError
from washboard.identify import Frf
from washboard.programme._store import load_arrays, save_arrays

FILE_NAME = "frf.nc"


def save_frf(file: Path, frf: Frf) -> None:
    """Write an FRF with its uncertainty as netCDF4."""
    save_arrays(
        file,
        {
            "freq_hz": (("freq",), frf.freq_hz),
            "responses": (("response",), np.array(frf.responses)),
            "drives": (("drive",), np.array(frf.drives)),
            "values": (("freq", "response", "drive"), frf.values),
            "residual": (("freq", "response"), frf.residual),
            "noise": (("freq", "response"), frf.noise),
            "information": (("freq", "drive", "drive_2"), frf.information),
            "coherence": (("freq", "response"), frf.coherence),
            "n_experiments": (("one",), np.array([frf.n_experiments])),
            "averaged": (("freq",), frf.averaged),
            "n_periods": (("one",), np.array([frf.n_periods])),
        },
        units={"freq_hz": "Hz"},
    )


def load_frf(file: Path) -> Frf:
    """Read what `save_frf` wrote. Raises StorageError."""
    kept = load_arrays(file)
    try:
        return Frf(
            values=kept["values"],
            freq_hz=kept["freq_hz"],
            responses=tuple(str(name) for name in kept["responses"]),
            drives=tuple(str(name) for name in kept["drives"]),
            residual=kept["residual"],
            noise=kept["noise"],
            information=kept["information"],
            coherence=kept["coherence"],
            n_experiments=float(kept["n_experiments"][0]),
            averaged=kept["averaged"],
            n_periods=float(kept["n_periods"][0]) if "n_periods" in kept else 2.0,
        )
    except KeyError as error:
        raise StorageError(f"{file} holds no {error}; run 'washboard identify' again") from None
