"""Thinned figures: what a curve looks like stays, its bulk goes."""

import re
from xml.etree import ElementTree as ET

import numpy as np
import pytest

from washboard.plot import new_figure, panels, styled, to_svg
from washboard.report import Chapter, Document, Exhibit, html
from washboard.report._figures import sheet
from washboard.report._thin import COLUMN_PT, TOLERANCE_PT, thin_path, thin_svg

NUMBER = re.compile(r"-?\d*\.?\d+")


def points(path):
    """Points of a path of lines after SVG's own rule (W3C SVG 1.1, 8.3): 'l' steps from where the pen stands."""
    found = []
    for begin, steps in re.findall(r"M([^lMz]*)l([^Mz]*)", path):
        start = np.array(NUMBER.findall(begin), float)
        moves = np.array(NUMBER.findall(steps), float).reshape(-1, 2)
        found.append(np.concatenate([start[None], start + moves.cumsum(axis=0)]))
    return np.concatenate(found)


def path_of(x, y):
    return "M " + "\nL ".join(f"{a:.6f} {b:.6f}" for a, b in zip(x, y, strict=True))


def distance(points, line):
    """Of each point from the nearest stretch of a line."""
    a, b = line[:-1], line[1:]
    along = np.clip(
        np.einsum("psk,sk->ps", points[:, None] - a, b - a) / np.maximum(((b - a) ** 2).sum(axis=1), 1e-12), 0, 1
    )
    return np.sqrt((((a + along[..., None] * (b - a)) - points[:, None]) ** 2).sum(axis=2)).min(axis=1)


def test_a_dense_curve_keeps_its_extremes_everywhere():
    random = np.random.default_rng(1)
    x, y = np.linspace(0, 400, 20000), random.standard_normal(20000).cumsum()
    kept = points(thin_path(path_of(x, y)))
    assert len(kept) < 3 * 400 / COLUMN_PT < len(x)
    for start in range(1, 392, 7):
        was, wide = y[(x >= start) & (x < start + 7)], (kept[:, 0] >= start - 0.6) & (kept[:, 0] < start + 7.6)
        assert kept[wide, 1].max() >= was.max() - 0.06 - TOLERANCE_PT
        assert kept[wide, 1].min() <= was.min() + 0.06 + TOLERANCE_PT


def test_a_smooth_curve_moves_by_less_than_paper_shows():
    x = np.linspace(0, 300, 900)
    y = 60 * np.sin(x / 30) + 5 * np.sin(x / 4)
    kept = points(thin_path(path_of(x, y)))
    assert len(kept) < 400
    # Columns keep two points each, lines between them stand for the rest: half a column and the tolerance.
    assert distance(np.stack([x, y], axis=1), kept).max() < TOLERANCE_PT + 0.1


def test_curves_that_turn_back_stay_where_they_are():
    angle = np.linspace(0, 20, 600)
    was = np.stack([200 + 90 * np.cos(angle), 100 + 40 * np.sin(1.3 * angle)], axis=1)
    kept = points(thin_path(path_of(*was.T)))
    assert len(kept) < 600
    assert distance(was, kept).max() < TOLERANCE_PT + 0.1
    assert distance(kept, was).max() < 0.1


def test_short_paths_only_lose_digits():
    assert thin_path("M 1.123456 2\nL 3 4.000001") == "M 1.12 2 L 3 4"
    assert thin_path("M 0 0 \nQ 1.2345 2 3 4 \nz") == "M 0 0 Q 1.23 2 3 4 z"


@styled
def drawn(seed=0):
    made = new_figure()
    x = np.linspace(1, 100, 3000)
    axes = panels(made)[0, 0]
    axes.loglog(x, np.abs(np.random.default_rng(seed).standard_normal(3000)) + 0.1, label="a & b < c")
    axes.fill_between(x, 0.1, 1 + 0.5 * np.sin(x))
    axes.legend()
    return made


def test_a_figure_is_several_times_lighter_and_means_the_same():
    svg = to_svg(drawn())
    thin = thin_svg(svg)
    assert len(thin) < 0.45 * len(svg)
    tree = ET.fromstring(thin)
    known = {element.get("id") for element in tree.iter()}
    links = re.findall(r"(?:url\(|href=\")#([^)\"]+)", thin)
    assert links
    assert set(links) <= known
    assert thin.count("<use") == svg.count("<use")
    assert thin_svg(thin).count("<use") == thin.count("<use")
    assert thin_svg("<svg broken") == "<svg broken"


def test_figures_of_one_page_share_letters_and_refer_to_nothing_else():
    svgs = [thin_svg(to_svg(drawn(seed))) for seed in range(3)]
    made = sheet([*svgs, "", "<svg broken"], ["one", 'two "2"', "three", "", ""])
    assert made.figures[3:] == ("", "")
    assert sum(map(len, made.figures)) + len(made.shared) < 0.8 * sum(map(len, svgs))
    known = re.findall(r'id="([^"]+)"', made.shared)
    assert len(known) == len(set(known))
    for figure in made.figures[:3]:
        assert set(re.findall(r"(?:url\(|href=\")#([^)\"]+)", figure)) <= set(known)
        assert 'id="' not in figure
    ET.fromstring(made.shared)
    ET.fromstring(made.figures[1])
    assert 'aria-label="two &quot;2&quot;"' in made.figures[1]


@pytest.mark.slow
def test_a_browser_draws_the_page_as_it_draws_the_figure(tmp_path):
    playwright = pytest.importorskip("playwright.sync_api")
    from io import BytesIO

    from matplotlib.image import imread

    svg = to_svg(drawn())
    page = html(
        Document(
            title="x",
            facts={},
            statement="x",
            chapters=(
                Chapter(name="a", title="a", verdict="fine", summary="a", exhibits=(Exhibit(title="b", svg=svg),)),
            ),
        )
    )
    (tmp_path / "page.html").write_text(page)
    (tmp_path / "plain.html").write_text(f'<body style="margin:0"><div style="width:900px">{svg}</div>')
    with playwright.sync_playwright() as engine:
        browser = engine.chromium.launch(executable_path="/usr/bin/chromium")
        view = browser.new_page(viewport={"width": 1000, "height": 900})
        shots = []
        for name, place in (("page.html", "figure svg"), ("plain.html", "svg")):
            view.goto((tmp_path / name).as_uri())
            view.add_style_tag(content="svg { width: 900px !important; height: auto !important; }")
            shots.append(imread(BytesIO(view.locator(place).first.screenshot()))[..., :3])
        browser.close()
    rows, columns = min(shot.shape[0] for shot in shots), min(shot.shape[1] for shot in shots)
    # Pixels at the rims of lines may differ; whole letters, curves or areas may not.
    differs = np.abs(shots[0][:rows, :columns] - shots[1][:rows, :columns]).max(axis=2) > 0.5
    assert differs.mean() < 0.01
