"""The numbers behind a figure are the numbers it was drawn from."""

import csv
import io

import numpy as np

from washboard.plot import data_kept, figure_csv, new_figure, panels, styled, to_svg


@styled
def drawn():  # type: ignore[no-untyped-def]
    figure = new_figure()
    left, right = panels(figure, 1, 2)[0]
    left.loglog([1.5, 3.0, 22.0], [0.1, 0.2, 0.4], label="=front")
    left.set_xlabel("frequency [Hz]")
    right.barh([0, 1], [30.0, 70.0])
    right.set_yticks([0, 1], labels=["haul ramp", "kerb strikes"])
    right.pcolormesh([0, 1, 2], [10, 20], np.array([[5.0, np.nan]]))
    return figure


def test_curves_bars_and_cells_come_back() -> None:
    rows = list(csv.DictReader(io.StringIO(figure_csv(drawn()))))
    curve = [row for row in rows if row["drawn as"] == "curve"]
    assert [(float(row["x"]), float(row["y"])) for row in curve] == [(1.5, 0.1), (3.0, 0.2), (22.0, 0.4)]
    assert {row["series"] for row in curve} == {"'=front"}, "no table program may take a name for a formula"
    assert {row["panel"] for row in curve} == {"frequency [Hz]"}
    bars = [(row["y"], float(row["value"])) for row in rows if row["drawn as"] == "bar"]
    assert bars == [("haul ramp", 30.0), ("kerb strikes", 70.0)]
    cells = [(row["x"], row["y"], row["value"]) for row in rows if row["drawn as"] == "cell"]
    assert cells == [("0.5", "15", "5"), ("1.5", "15", "")]


def test_numbers_are_kept_only_while_asked_for() -> None:
    with data_kept() as kept:
        text = to_svg(drawn())
    assert kept[text].startswith("panel,drawn as,series,x,y,value")
    to_svg(drawn())
    assert len(kept) == 1


def test_short_logarithmic_axes_are_written_plainly() -> None:
    axes = drawn().axes[0]
    axes.figure.canvas.draw()
    words = [label.get_text() for label in axes.get_xticklabels()]
    assert {"2", "5", "10", "20"} <= set(words)
