"""The look of every figure: calm, the same everywhere, safe for colour-blind readers.

The palette is that of Okabe and Ito, "Color Universal Design" (2008), as quoted in Wong, Nature Methods 8, 441 (2011).
"""

from __future__ import annotations

import functools
from collections.abc import Callable
from typing import TYPE_CHECKING, Any, Final, ParamSpec, TypeVar

import numpy as np
from numpy.typing import NDArray

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

P = ParamSpec("P")
R = TypeVar("R")

#: Okabe and Ito's eight colours.
BLACK: Final = "#000000"
ORANGE: Final = "#E69F00"
SKY: Final = "#56B4E9"
GREEN: Final = "#009E73"
YELLOW: Final = "#F0E442"
BLUE: Final = "#0072B2"
VERMILION: Final = "#D55E00"
PURPLE: Final = "#CC79A7"

#: Colours of lines that have no part of their own, in the order they are taken (yellow is too pale for a line).
CYCLE: Final = (BLUE, VERMILION, GREEN, ORANGE, PURPLE, SKY, BLACK)

#: Parts that recur have one colour everywhere.
FIELD: Final = BLUE
LABORATORY: Final = VERMILION
TARGET: Final = "#333333"
DRIVE: Final = GREEN
LIMIT: Final = PURPLE
GOOD: Final = GREEN
LOOK: Final = ORANGE
FAINT: Final = "#B8B8B8"
INK: Final = "#333333"

#: Colour maps for matrices: one running from pale to dark, one with a neutral middle.
SEQUENTIAL: Final = "cividis"
DIVERGING: Final = "PuOr_r"

MM_PER_INCH: Final = 25.4

RC: Final[dict[str, Any]] = {
    "font.family": "DejaVu Sans",
    "font.size": 8.0,
    "axes.titlesize": 8.5,
    "axes.titleweight": "bold",
    "axes.titlelocation": "left",
    "axes.titlecolor": INK,
    "axes.labelsize": 8.0,
    "axes.labelcolor": INK,
    "axes.edgecolor": "#8C8C8C",
    "axes.linewidth": 0.6,
    "axes.spines.top": False,
    "axes.spines.right": False,
    "axes.grid": True,
    "axes.axisbelow": True,
    "axes.formatter.use_mathtext": True,
    "axes.unicode_minus": True,
    "grid.color": "#E4E4E4",
    "grid.linewidth": 0.5,
    "xtick.color": "#6A6A6A",
    "ytick.color": "#6A6A6A",
    "xtick.labelcolor": INK,
    "ytick.labelcolor": INK,
    "xtick.labelsize": 7.5,
    "ytick.labelsize": 7.5,
    "xtick.major.width": 0.6,
    "ytick.major.width": 0.6,
    "xtick.minor.width": 0.4,
    "ytick.minor.width": 0.4,
    "legend.frameon": False,
    "legend.fontsize": 7.5,
    "lines.linewidth": 1.1,
    "lines.solid_joinstyle": "round",
    "patch.linewidth": 0.5,
    "figure.facecolor": "white",
    "axes.facecolor": "white",
    "figure.constrained_layout.use": True,
    "path.simplify_threshold": 0.3,
}


def styled(function: Callable[P, R]) -> Callable[P, R]:
    """Decorate a plot function so that everything it draws has the look above."""

    @functools.wraps(function)
    def drawn(*args: P.args, **kwargs: P.kwargs) -> R:
        import matplotlib as mpl
        from cycler import cycler

        look: Any = {**RC, "axes.prop_cycle": cycler(color=CYCLE)}
        with mpl.rc_context(look):
            made = function(*args, **kwargs)
            if hasattr(made, "axes"):
                _plain_logs(made)
            return made

    return drawn


def _plain_logs(figure: Any) -> None:
    """Write 1, 2, 5, 10 on logarithmic axes of few decades, and nothing between the decades of longer ones."""
    from matplotlib.ticker import FixedLocator, FuncFormatter, LogLocator, NullFormatter

    for axes in figure.axes:
        for axis, (low, high) in ((axes.xaxis, axes.get_xlim()), (axes.yaxis, axes.get_ylim())):
            if axis.get_scale() != "log" or not 0 < low < high or isinstance(axis.get_major_locator(), FixedLocator):
                continue
            axis.set_minor_formatter(NullFormatter())
            if high / low < 200 and low >= 1e-3 and high < 1e5:
                axis.set_major_locator(LogLocator(subs=(1.0, 2.0, 5.0) if high / low < 60 else (1.0, 3.0)))
                axis.set_major_formatter(FuncFormatter(lambda value, _place: f"{value:g}"))


def new_figure(*, width_mm: float = 170.0, height_mm: float = 85.0, placed: bool = False) -> Figure:
    """An empty figure of a size that fits a page's text width, made without pyplot. [mm]

    With `placed` the caller gives its panels their room (`subplots_adjust`), much quicker where there are many.
    """
    from matplotlib.figure import Figure

    size = (width_mm / MM_PER_INCH, height_mm / MM_PER_INCH)
    layout: Any = "none" if placed else None
    return Figure(figsize=size, layout=layout)


def panels(
    figure: Figure, rows: int = 1, columns: int = 1, *, sharex: bool | str = False, sharey: bool | str = False
) -> NDArray[Any]:
    """Axes of `figure` in rows and columns, always as an array of shape (rows, columns)."""
    axes: NDArray[Any] = np.asarray(figure.subplots(rows, columns, sharex=sharex, sharey=sharey, squeeze=False))  # type: ignore[arg-type]
    return axes


def title(target: Figure | Axes, finding: str) -> None:
    """The title of a figure or of one panel: what it shows, as a sentence, at the left."""
    if hasattr(target, "suptitle"):
        target.suptitle(finding, x=0.01, ha="left", fontsize=9.5, fontweight="bold", color=INK)
    else:
        target.set_title(finding)


_UNIT_TEXT: Final = {"1": "-", "m/m": "m/m", "um/m": "µm/m"}


def pretty_unit(unit: str) -> str:
    """A unit as it is printed: ``m/s2`` becomes ``m/s²``."""
    text = _UNIT_TEXT.get(unit, unit)
    return text.replace("**2", "²").replace("**3", "³").replace("2", "²").replace("3", "³").replace("*", "·")


def axis_label(quantity: str, unit: str) -> str:
    """Text beside an axis: the quantity with its unit in brackets."""
    return f"{quantity} [{pretty_unit(unit)}]"


def outline(values: NDArray[Any], points: int = 2000) -> NDArray[np.intp]:
    """Indices that keep the lowest and highest sample of each of `points` stretches: peaks survive thinning.

    Parameters
    ----------
    values : ndarray, shape (time,)
        In any unit.
    points : int
        Stretches; up to twice as many samples are kept.
    """
    n = len(values)
    if n <= 2 * points:
        return np.arange(n)
    length = n // points
    whole = np.asarray(values[: length * points]).reshape(points, length)
    start = np.arange(points) * length
    kept = np.concatenate([start + whole.argmin(axis=1), start + whole.argmax(axis=1), [0, n - 1]])
    return np.unique(kept)


def font_folder() -> str:
    """Folder of the fonts that figures are drawn with, for documents that should look alike."""
    import matplotlib as mpl

    return f"{mpl.get_data_path()}/fonts/ttf"
