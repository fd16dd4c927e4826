"""Pages as a user sees them, without a browser."""

import json
import os
from collections.abc import AsyncIterator, Callable
from contextlib import AbstractAsyncContextManager, asynccontextmanager
from pathlib import Path

import pytest
from nicegui import ui
from nicegui.testing import User
from nicegui.testing.user_simulation import user_simulation

from washboard.programme import read_plan
from washboard.web._stack import Stack
from washboard.web._steps import STEPS

Visit = Callable[[Path], AbstractAsyncContextManager[User]]


@asynccontextmanager
async def visit(folder: Path) -> AsyncIterator[User]:
    """A user of the app on `folder`."""
    os.environ["WASHBOARD_TEST_FOLDER"] = str(folder)
    try:
        async with user_simulation(main_file=Path(__file__).with_name("served_app.py")) as user:
            yield user
    finally:
        del os.environ["WASHBOARD_TEST_FOLDER"]


async def test_the_overview_says_what_is_next(folder: Path) -> None:
    async with visit(folder) as user:
        await user.open("/programme")
        await user.should_see("Next: Recordings")
        await user.should_see("Tipper, first try")
        await user.should_see("Run everything up to the report")


async def test_the_overview_shows_what_a_stage_found(checked: Path) -> None:
    async with visit(checked) as user:
        await user.open("/programme")
        await user.should_see("3 of 3 laps of 2 events are ready")
        await user.should_see("1 spike")


@pytest.mark.parametrize("step", STEPS, ids=lambda step: step.title)
async def test_every_page_stands_before_anything_was_run(folder: Path, step: object) -> None:
    async with visit(folder) as user:
        await user.open(step.path)  # type: ignore[attr-defined]
        await user.should_see(step.title)  # type: ignore[attr-defined]
        await user.should_not_see("fault of Washboard")


async def test_a_broken_programme_file_is_a_sentence_with_its_line(folder: Path) -> None:
    (folder / "programme.toml").write_text('[programme]\nname = "x"\nnmae = 3\n')
    async with visit(folder) as user:
        await user.open("/programme")
        await user.should_see("programme.toml:3: programme.nmae: no such key; did you mean name?")


async def test_recordings_show_the_lap_the_address_names(checked: Path) -> None:
    async with visit(checked) as user:
        await user.open("/recordings?event=haul%20ramp&lap=2&draw=both&from=2&to=3")
        await user.should_see("Found in haul ramp, lap 2:")
        await user.should_see("haul ramp, lap 2, as recorded")
        await user.should_see(Stack, retries=30)
        (stack,) = user.find(Stack).elements
        assert [layer.file for layer in stack.layers] == ["recordings/ramp-2.nc", "stages/check/haul-ramp-lap2.nc"]
        assert stack.range_s == (2.0, 3.0)
        assert [pane.unit for pane in stack.panes] == ["m/s2", "m/s2", "um/m"]


async def test_laps_over_one_another_and_another_file_beside(checked: Path) -> None:
    async with visit(checked) as user:
        await user.open("/recordings?event=haul%20ramp&laps=all")
        await user.should_see(Stack, retries=30)
        (stack,) = user.find(Stack).elements
        assert [layer.label for layer in stack.layers] == ["lap 1", "lap 2"]
        await user.open("/recordings?event=haul%20ramp&with=recordings/kerb.nc")
        await user.should_see(Stack, retries=30)
        (stack,) = user.find(Stack).elements
        assert [layer.file for layer in stack.layers] == ["stages/check/haul-ramp-lap1.nc", "recordings/kerb.nc"]


async def test_a_finding_is_mended_as_an_edit_tried_and_saved(checked: Path) -> None:
    async with visit(checked) as user:
        await user.open("/recordings?event=haul%20ramp&lap=2")
        await user.should_see("Mend: despike", retries=30)
        user.find("Mend: despike").click()
        await user.should_see("1 edit not saved in programme.toml:")
        assert read_plan(checked).check.repair == ()
        user.find("Try the repairs on this lap").click()
        await user.should_see("as it would be with the edits", retries=50)
        await user.should_see(Stack, retries=30)
        (stack,) = user.find(Stack).elements
        assert stack.layers[1].file == ".washboard/tried/haul-ramp-lap2.nc"
        user.find(kind=ui.button, content="Save").click()
        await user.should_see("Saved in programme.toml, comments kept")
        assert read_plan(checked).check.repair[0].do == "despike"
        assert "# counted by the quarry" in (checked / "programme.toml").read_text()


async def test_unsaved_edits_are_there_after_a_restart(checked: Path) -> None:
    async with visit(checked) as user:
        await user.open("/recordings?event=haul%20ramp&lap=2")
        await user.should_see("Accept as it is", retries=30)
        user.find("Accept as it is").click()
        await user.should_see("1 edit not saved")
    async with visit(checked) as user:
        await user.open("/loads")
        await user.should_see("1 edit not saved")
        user.find("Undo the last").click()
        await user.should_not_see("1 edit not saved")


async def test_a_change_made_outside_is_noticed(folder: Path) -> None:
    async with visit(folder) as user:
        await user.open("/programme")
        file = folder / "programme.toml"
        file.write_text(file.read_text().replace("repeats = 40", "repeats = 44"))
        await user.should_see("programme.toml was changed outside", retries=40)


async def test_routes_hand_out_series_and_exports_and_nothing_outside(checked: Path) -> None:
    (checked.parent / "secret.nc").write_bytes(b"x")
    asked = {"files": ["recordings/kerb.nc"], "offsets": [0], "labels": ["kerb"], "from": 0, "to": 2, "bins": 100}
    asked["channels"] = [[0, "front left axle", "m/s2"], [1, "frame strain", "um/m"]]
    async with visit(checked) as user:
        get = user.http_client.get
        answer = await get("/series", params={"q": json.dumps(asked)})
        assert answer.headers["content-type"] == "application/octet-stream"
        table = await get("/stack.csv", params={"q": json.dumps(asked)})
        lines = table.text.splitlines()
        assert lines[0] == "time [s],front left axle [m/s2],frame strain [um/m]"
        assert len(lines) == 1 + 2 * 256 + 1
        figure = await get("/stack.svg", params={"q": json.dumps(asked)})
        assert figure.text.startswith("<svg")
        for path in ("../secret.nc", "/etc/passwd", ".washboard/draft.json"):
            bad = await get("/series", params={"q": json.dumps(asked | {"files": [path]})})
            assert bad.status_code == 400, path
        assert (await get("/series", params={"q": "{"})).status_code == 400
        assert (await get("/file/programme.toml")).status_code == 404
        assert (await get("/file/%2e%2e/secret.nc")).status_code == 404


async def test_it_opens_where_it_was_left(folder: Path) -> None:
    async with visit(folder) as user:
        await user.http_client.post("/where", content="/recordings?event=kerb%20strikes&lap=1&from=1&to=2")
        answer = await user.http_client.get("/", follow_redirects=False)
        assert answer.headers["location"] == "/recordings?event=kerb%20strikes&lap=1&from=1&to=2"
        for wrong in ("https://example.org/recordings", "//example.org/recordings", "/file/x", "javascript:alert(1)"):
            await user.http_client.post("/where", content=wrong)
        answer = await user.http_client.get("/", follow_redirects=False)
        assert answer.headers["location"].startswith("/recordings?event=kerb")


async def test_the_theme_is_remembered(folder: Path) -> None:
    async with visit(folder) as user:
        await user.open("/programme")
        user.find("Light or dark: as the system").click()
        await user.should_see("Light")
        await user.open("/loads")
        (mode,) = user.find(ui.dark_mode).elements
        assert mode.value is False
