"""Thinned figures: what a curve looks like stays, its bulk goes."""

import re

import numpy as np

from washboard.report._thin import COLUMN_PT, thin_svg


def points(svg):
    return np.array(re.findall(r"[ML] (-?[\d.]+) (-?[\d.]+)", svg), dtype=float)


def test_a_dense_curve_keeps_its_extremes_everywhere():
    random = np.random.default_rng(1)
    x, y = np.linspace(0, 400, 20000), random.standard_normal(20000).cumsum()
    body = "\nL ".join(f"{a:.6f} {b:.6f}" for a, b in zip(x, y, strict=True))
    thin = thin_svg(f'<path d="M {body}" style="x"/>')
    kept = points(thin)
    assert len(kept) < 5 * 400 / COLUMN_PT < len(x)
    for start in range(1, 392, 7):
        was, wide = y[(x >= start) & (x < start + 7)], (kept[:, 0] >= start - 0.4) & (kept[:, 0] < start + 7.4)
        assert kept[wide, 1].max() >= was.max() - 0.006
        assert kept[wide, 1].min() <= was.min() + 0.006
    assert np.abs(np.interp(kept[:, 0], x, y) - kept[:, 1]).max() < 2 * np.abs(np.diff(y)).max()


def test_curves_that_turn_back_and_short_paths_keep_every_point():
    angle = np.linspace(0, 20, 600)
    loop = "\nL ".join(f"{np.cos(a):.6f} {np.sin(a):.6f}" for a in angle)
    assert len(points(thin_svg(f'<path d="M {loop}"/>'))) == 600
    assert thin_svg('<path d="M 1.123456 2\nL 3 4.000001" id="a"/>') == '<path d="M 1.12 2\nL 3 4" id="a"/>'
