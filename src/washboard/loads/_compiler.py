"""The compiler for counting loops, without the detour its set-up takes.

Setting up, numba asks whether SciPy's linear algebra is there by importing all of it, which takes longer than anything
else on the way to a kept loop. It is there, as this package depends on it; a loop that multiplies matrices still finds
it when it is compiled. So that one question is answered without the import; where numba is made otherwise than
expected, it asks as usual.
"""

from __future__ import annotations

import sys

from numba import njit

__all__ = ["njit"]


def _nothing() -> None:
    pass


def _set_up_quickly() -> None:
    if "numba.np.arraymath" in sys.modules or "scipy.linalg" in sys.modules:
        return
    try:
        import numba.np.linalg as algebra

        usual = algebra.ensure_blas
    except (ImportError, AttributeError):
        return
    algebra.ensure_blas = _nothing
    try:
        import numba.np.arraymath  # noqa: F401 - imported for what it does
    finally:
        algebra.ensure_blas = usual


_set_up_quickly()
