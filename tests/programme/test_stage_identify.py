"""What the identify stage takes from the plan by itself."""

from __future__ import annotations

from pathlib import Path

import pytest

from washboard.programme import FILE_NAME, read_plan
from washboard.programme.stages.identify import _right_above_posts

EXAMPLES = Path(__file__).parents[2] / "src/washboard/programme/examples"


@pytest.mark.parametrize(("example", "axles"), [("quarry-tipper", 2), ("vineyard-sprayer", 2), ("timber-trailer", 3)])
def test_accelerometers_on_axles_are_known_whatever_the_axles_are_called(tmp_path: Path, example: str, axles: int):
    text = (EXAMPLES / f"{example}.toml").read_text(encoding="utf-8")
    (tmp_path / FILE_NAME).write_text(text, encoding="utf-8")
    plan = read_plan(tmp_path)
    known = set(_right_above_posts(plan))
    assert plan.specimen is not None
    assert len(plan.specimen.axle) == axles
    there = {one.name for one in plan.channel if one.on in {axle.name for axle in plan.specimen.axle}}
    assert len(there) >= 2 * axles
    assert there <= known
    assert not known & {one.name for one in plan.channel if one.on.startswith("frame") or one.on == "cab"}


def test_without_a_description_the_name_of_the_place_says_what_is_an_axle(job):
    job.edit('unit = "m/s2"', 'unit = "m/s2"\non = "Rear axle"')
    assert _right_above_posts(job.plan) == ("axle left",)
    job.edit('on = "Rear axle"', 'on = "frame front"')
    assert _right_above_posts(job.plan) == ()
