"""Pages of the later steps on a programme whose stages were really run, or whose files were written as contracted."""

import os
from collections.abc import AsyncIterator
from contextlib import asynccontextmanager
from pathlib import Path

import numpy as np
import pytest
from nicegui import ui
from nicegui.testing import User
from nicegui.testing.user_simulation import user_simulation

from washboard.endure import Journal
from washboard.errors import InputError
from washboard.identify import Frf
from washboard.programme import load_table, read_plan, save_arrays, stage_named
from washboard.programme._frf_file import save_frf
from washboard.web._chart import ChartData, Line
from washboard.web._draft import Draft
from washboard.web._drawing import draw_exhibits, kept_exhibits
from washboard.web._heat import HeatData
from washboard.web._log import add_entry, picture_ending, read_log
from washboard.web._mix import preview
from washboard.web._plays_view import plays_seen
from washboard.web._stack import Stack


@asynccontextmanager
async def visit(folder: Path) -> AsyncIterator[User]:
    """A user of the app on `folder`."""
    os.environ["WASHBOARD_TEST_FOLDER"] = str(folder)
    try:
        async with user_simulation(main_file=Path(__file__).with_name("served_app.py")) as user:
            yield user
    finally:
        del os.environ["WASHBOARD_TEST_FOLDER"]


def test_an_unedited_mix_gives_what_the_stage_found(shortened: Path) -> None:
    table = load_table(shortened / "stages" / "target" / "target.json")
    found = preview(read_plan(shortened), table)
    np.testing.assert_allclose(found.damage_ratio, 1.0, rtol=1e-9)
    assert dict(zip(found.events, found.schedule.repeats, strict=True)) == {
        name: event["repeats"] for name, event in table["events"].items()
    }


def test_twice_the_laps_of_every_event_is_twice_the_damage(shortened: Path) -> None:
    # Palmgren-Miner: damage adds up, so it is proportional to how often everything occurs.
    table = load_table(shortened / "stages" / "target" / "target.json")
    draft = Draft(shortened, shortened / ".washboard" / "draft.json")
    draft.set(("event", "haul ramp", "repeats"), 240)
    draft.set(("event", "kerb strikes", "repeats"), 80)
    np.testing.assert_allclose(preview(draft.plan(), table).damage_ratio, 2.0, rtol=1e-9)


def test_an_event_that_was_never_counted_is_named(shortened: Path) -> None:
    table = load_table(shortened / "stages" / "target" / "target.json")
    del table["events"]["kerb strikes"]
    with pytest.raises(InputError, match="event 'kerb strikes' was not counted yet"):
        preview(read_plan(shortened), table)


async def test_laps_are_edited_in_the_table(shortened: Path) -> None:
    async with visit(shortened) as user:
        await user.open("/target")
        await user.should_see("Usage mix", retries=30)
        fields = [field for field in user.find(ui.input).elements if "laps of haul ramp" in str(field.props)]
        (field,) = fields
        field.value = "60"
        # Leaving a field that was not changed is no edit: only the one is.
        user.find(kind=ui.input).trigger("blur")
        await user.should_see("1 edit not saved in programme.toml:", retries=30)
        assert Draft(shortened, shortened / ".washboard" / "draft.json").plan().event[0].repeats == 60
        assert read_plan(shortened).event[0].repeats == 120


async def test_a_share_takes_the_place_of_laps_as_one_edit(shortened: Path) -> None:
    draft = Draft(shortened, shortened / ".washboard" / "draft.json")
    at = ("event", "haul ramp")
    draft.set_all({(*at, "repeats"): None, (*at, "share"): 0.02})
    event = draft.plan().event[0]
    assert (event.repeats, event.share) == (None, 0.02)
    draft.undo()
    assert draft.edits == []


async def test_the_slope_is_in_the_address_and_moves_the_damage(shortened: Path) -> None:
    async with visit(shortened) as user:
        await user.open("/loads?slope=3")
        await user.should_see("Where along the lap the damage is done, slope 3", retries=100)
        (slider,) = user.find(ui.slider).elements
        slider.value = 8
        await user.should_see("Where along the lap the damage is done, slope 8", retries=100)
        await user.should_see("Rainflow cycles of front left axle")


async def test_kept_stretches_say_why(shortened: Path) -> None:
    table = load_table(shortened / "stages" / "shorten" / "shorten.json")
    event, entry = next(iter(table["events"].items()))
    async with visit(shortened) as user:
        await user.open(f"/shortening?event={event}")
        await user.should_see(entry["windows"][0]["reason"], retries=50)
        stacks = user.find(Stack).elements
        assert any(len(stack._marks) == len(entry["windows"]) for stack in stacks)


def test_exhibits_are_drawn_once_for_each_run(shortened: Path) -> None:
    assert kept_exhibits(shortened, "target") is None
    assert draw_exhibits(shortened, "target") == ""
    kept = kept_exhibits(shortened, "target")
    assert kept is not None
    expected = stage_named("target").show
    assert expected is not None
    assert [exhibit.title for exhibit in kept] == [e.title for e in expected(shortened, read_plan(shortened))]
    os.utime(shortened / "stages" / "target" / "stage.json", ns=(1, 1))
    assert kept_exhibits(shortened, "target") is None


async def test_exhibits_are_on_the_page_with_their_exports(shortened: Path) -> None:
    draw_exhibits(shortened, "target")
    async with visit(shortened) as user:
        await user.open("/target")
        await user.should_see("Schedule", retries=50)
        table = await user.http_client.get("/exhibit/target/0.csv")
        assert table.text.splitlines()[0].startswith("event,laps in service,plays")
        picture = await user.http_client.get("/exhibit/target/1.svg")
        assert picture.headers["content-type"].startswith("image/svg+xml")
        assert picture.text.startswith("<svg")
        assert (await user.http_client.get("/exhibit/target/99.svg")).status_code == 404
        assert (await user.http_client.get("/exhibit/nobody/0.svg")).status_code == 404


async def test_the_frf_page_opens_an_entry(shortened: Path) -> None:
    freq_hz = np.arange(0.5, 20.0, 0.25)
    responses = ("front left axle", "front right axle", "frame strain")
    drives = ("front left", "front right", "rear left", "rear right")
    shape = (len(freq_hz), len(responses), len(drives))
    rng = np.random.default_rng(3)
    frf = Frf(
        values=rng.standard_normal(shape) + 1j * rng.standard_normal(shape),
        freq_hz=freq_hz,
        responses=responses,
        drives=drives,
        residual=np.full(shape[:2], 0.01),
        noise=np.full(shape[:2], 0.005),
        information=np.tile(np.eye(4, dtype=complex), (len(freq_hz), 1, 1)),
        coherence=np.full(shape[:2], 0.9),
        n_experiments=4.0,
        averaged=np.ones(len(freq_hz)),
    )
    (shortened / "stages" / "identify").mkdir()
    save_frf(shortened / "stages" / "identify" / "frf.nc", frf)
    async with visit(shortened) as user:
        await user.open("/identification?response=frame%20strain&drive=rear%20left")
        await user.should_see("3 responses to 4 drives", retries=50)
        await user.should_see("frame strain to rear left")
        await user.should_see("Amplitude, with two standard deviations either way")


def test_plays_are_measured_against_their_target(shortened: Path) -> None:
    # A response that is the target itself is off by nothing; half of it is off by half (relative RMS error, its
    # definition: RMS of the difference over RMS of the target).
    from washboard.recording import read_recording
    from washboard.replicate import prepare_target

    plan = read_plan(shortened)
    table = load_table(shortened / "stages" / "shorten" / "shorten.json")["events"]
    event, entry = next(iter(table.items()))
    target = read_recording(shortened / "stages" / "shorten" / entry["file"]).in_si()
    names = tuple(channel.name for channel in plan.control)
    samples = np.asarray(target.select(names).samples, dtype=float)
    prepared = prepare_target(
        samples,
        target.rate_hz,
        names=names,
        band_hz=(plan.band.low_hz, plan.band.high_hz),
        taper_s=plan.replicate.taper_s,
    )
    (shortened / "plays").mkdir()
    for number, gain in enumerate((0.5, 1.0), start=1):
        save_arrays(
            shortened
            / "plays"
            / f"replicate-20260101-120000-ab12-{Path(entry['file']).stem}-play-{number}-0a0a0a0a.nc",
            {
                "rate_hz": (("one",), np.array([target.rate_hz])),
                "drive": (("drive", "time"), np.zeros((4, prepared.n_samples))),
                "drives": (("drive",), np.array([post.name for post in plan.rig.post])),
                "response": (("response", "time"), gain * prepared.samples),
                "responses": (("response",), np.array(names)),
            },
        )
    found = plays_seen(shortened, plan, {name: e["file"] for name, e in table.items()})
    assert [play.number for play in found] == [1, 2]
    assert found[0].event == event
    # The band filter, which the target went through once, goes over the response a second time: a few percent.
    np.testing.assert_allclose(found[0].error, 0.5, atol=0.05)
    np.testing.assert_allclose(found[1].error, 0.0, atol=0.05)


async def test_the_run_page_shows_the_journal_and_settles_an_open_pass(shortened: Path) -> None:
    with Journal(shortened / "journal.db") as journal:
        run = journal.begin_run(specimen="1", about={})
        first = journal.begin_pass(run, specimen="1", event="haul ramp", block=0, drive="d")
        journal.change_state(first.number, "done")
        journal.begin_pass(run, specimen="1", event="haul ramp", block=0, drive="d")
    async with visit(shortened) as user:
        await user.open("/run")
        await user.should_see("Stop the run")
        await user.should_see("Pass 2 (haul ramp) was begun", retries=50)
        user.find("The rig did not move").click()
        await user.should_not_see("Pass 2 (haul ramp) was begun", retries=50)
    with Journal(shortened / "journal.db") as journal:
        assert [entry.state for entry in journal.passes()] == ["done", "not done"]


async def test_a_log_entry_is_added_and_its_photo_shown(shortened: Path) -> None:
    png = b"\x89PNG\r\n\x1a\n" + bytes(64)
    add_entry(shortened, by="A", after_pass=3, text="crack at the left bracket, 4 mm", photo=png)
    (entry,) = read_log(shortened)
    assert entry.photo.startswith("photos/")
    async with visit(shortened) as user:
        await user.open("/run")
        await user.should_see("crack at the left bracket, 4 mm", retries=30)
        answer = await user.http_client.get(f"/file/{entry.photo}")
        assert (answer.headers["content-type"], answer.content) == ("image/png", png)


@pytest.mark.parametrize("content", [b"<svg onload=alert(1)>", b"MZ\x90", b"", b"GIF89a"])
def test_only_real_pictures_are_taken(content: bytes) -> None:
    with pytest.raises(InputError, match="neither PNG nor JPEG"):
        picture_ending(content)


def test_a_picture_that_is_too_large_is_refused() -> None:
    with pytest.raises(InputError, match="12 MB are the most"):
        picture_ending(b"\xff\xd8\xff" + bytes(12_000_001))


def test_a_log_entry_needs_words_and_a_damaged_line_is_passed_over(folder: Path) -> None:
    with pytest.raises(InputError, match="write a few words"):
        add_entry(folder, by="", after_pass=0, text="  ")
    add_entry(folder, by="", after_pass=0, text="one")
    with (folder / "log.jsonl").open("a") as stream:
        stream.write("half a li")
    assert [entry.text for entry in read_log(folder)] == ["one"]


async def test_the_report_is_previewed_without_running_anything_in_it(folder: Path) -> None:
    (folder / "report").mkdir()
    (folder / "report" / "report.html").write_text("<html><script>alert(1)</script>Report</html>")
    (folder / "report" / "report.pdf").write_bytes(b"%PDF-1.7")
    async with visit(folder) as user:
        await user.open("/report")
        await user.should_see("Download report.pdf")
        answer = await user.http_client.get("/file/report/report.html")
        assert answer.headers["content-security-policy"].startswith("sandbox; default-src 'none'")
        saved = await user.http_client.get("/file/report/report.pdf?save=true")
        assert saved.headers["content-disposition"] == 'attachment; filename="report.pdf"'


def test_a_chart_exports_every_number() -> None:
    chart = ChartData(
        title="t", x=[1.0, 2.0], lines=[Line(name="a", y=[3.25, np.nan]), Line(name="=b", y=[5.0, 6.0])],
        x_label="time [s]", y_label="m",
    )  # fmt: skip
    assert chart.to_csv().splitlines() == ["time [s],a (m),'=b (m)", "1,3.25,5", "2,nan,6"]


def test_a_matrix_exports_what_is_not_empty() -> None:
    heat = HeatData(
        title="t", values=np.array([[0.0, 2.5], [0.0, 0.0]]), x_edges=np.array([0.0, 1.0, 2.0]),
        y_edges=np.array([-1.0, 0.0, 1.0]), x_label="range", y_label="mean",
    )  # fmt: skip
    assert heat.to_csv().splitlines()[1:] == ["0,1,0,1,2.5"]


async def test_charts_are_exported_as_svg_png_and_csv(shortened: Path) -> None:
    async with visit(shortened) as user:
        await user.open("/loads")
        await user.should_see("Power spectral density", retries=100)
        targets = {
            link.props["href"] for link in user.find(ui.link).elements if str(link.props["href"]).startswith("/chart/")
        }
        assert len(targets) == 15
        for target in sorted(targets)[:6]:
            answer = await user.http_client.get(target)
            assert answer.status_code == 200, target
            start = {"svg": b"<svg", "png": b"\x89PNG", "csv": b""}[target.rpartition(".")[2]]
            assert answer.content.startswith(start)
            assert len(answer.content) > 200
        assert (await user.http_client.get("/chart/nobody.svg")).status_code == 404
