"""The app in a real Chromium: what only a browser can show."""

import shutil
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any
from urllib.parse import parse_qs, urlsplit

import pytest

from washboard.web._steps import STEPS

pytestmark = [
    pytest.mark.browser,
    pytest.mark.skipif(shutil.which("chromium") is None, reason="needs the system's chromium"),
    pytest.mark.filterwarnings("default::ResourceWarning", "default::pytest.PytestUnraisableExceptionWarning"),
]


class Watch:
    """What a page loads and complains of."""

    def __init__(self, page: Any, address: str) -> None:
        self.elsewhere: list[str] = []
        self.complaints: list[str] = []
        page.on("request", lambda request: self._request(request.url, address))
        page.on("pageerror", lambda error: self.complaints.append(str(error)))
        page.on("console", lambda message: self.complaints.append(message.text) if message.type == "error" else None)

    def _request(self, url: str, address: str) -> None:
        if not url.startswith((address, "data:", "blob:")):
            self.elsewhere.append(url)


@contextmanager
def opened(browser: Any, address: str, path: str, **options: Any) -> Iterator[tuple[Any, Watch]]:
    """A page of the app in a window of its own; fails on any complaint or any request to another host."""
    context = browser.new_context(viewport={"width": 1280, "height": 900}, **options)
    page = context.new_page()
    watch = Watch(page, address)
    page.goto(f"{address}{path}")
    page.wait_for_selector(".wb-main")
    yield page, watch
    context.close()
    assert watch.elsewhere == []
    assert watch.complaints == []


def settled(page: Any) -> None:
    page.wait_for_selector(".wb-stack[data-settled]")
    page.wait_for_timeout(700)


def shown_range(page: Any) -> tuple[float, float]:
    query = parse_qs(urlsplit(page.url).query)
    return float(query["from"][0]), float(query["to"][0])


def test_zoom_by_mouse_and_keys_stands_in_the_address(
    browser: Any, checked: Path, serve_folder: Callable[..., Any]
) -> None:
    server = serve_folder(checked)
    with opened(browser, server.address, "/recordings?event=haul%20ramp&lap=2") as (page, _watch):
        settled(page)
        box = page.locator(".wb-stack").bounding_box()
        width = box["width"] - 186 - 2
        y = box["y"] + 120
        page.mouse.move(box["x"] + 187 + 0.25 * width, y)
        page.mouse.down()
        page.mouse.move(box["x"] + 187 + 0.4 * width, y)
        page.mouse.move(box["x"] + 187 + 0.5 * width, y)
        page.mouse.up()
        settled(page)
        start, end = shown_range(page)
        assert start == pytest.approx(7.0, abs=0.3)
        assert end == pytest.approx(14.0, abs=0.3)
        page.locator(".wb-stack").press("ArrowRight")
        settled(page)
        assert shown_range(page)[0] == pytest.approx(start + (end - start) / 4, abs=0.05)
        page.locator(".wb-stack").press("Home")
        settled(page)
        assert "from" not in page.url
        page.locator(".wb-stack").press("+")
        settled(page)
        link = page.url
    with opened(browser, server.address, link.removeprefix(server.address)) as (page, _watch):
        settled(page)
        assert page.locator(".wb-stack .corner").inner_text().startswith("7")


def test_the_pointer_reads_the_sample_under_it(browser: Any, checked: Path, serve_folder: Callable[..., Any]) -> None:
    from washboard.recording import read_recording

    server = serve_folder(checked)
    with opened(browser, server.address, "/recordings?event=haul%20ramp&lap=2&from=2.4&to=2.6") as (page, _watch):
        settled(page)
        box = page.locator(".wb-stack").bounding_box()
        width = box["width"] - 186 - 2
        page.mouse.move(box["x"] + 187 + width * 0.5, box["y"] + 90)
        page.wait_for_timeout(200)
        said = page.locator(".wb-stack .row span").first.inner_text()
    copy = read_recording(checked / "stages" / "check" / "haul-ramp-lap2.nc")
    assert float(said.split()[0]) == pytest.approx(float(copy.samples[0, int(2.5 * 256)]), rel=1e-3)


def test_a_finding_is_shown_where_it_is(browser: Any, checked: Path, serve_folder: Callable[..., Any]) -> None:
    server = serve_folder(checked)
    with opened(browser, server.address, "/recordings?event=haul%20ramp&lap=2") as (page, _watch):
        settled(page)
        page.locator(".wb-findings li", has_text="spike").get_by_role("button", name="Show").click()
        settled(page)
        start, end = shown_range(page)
        assert start < 2.5 < end
        assert end - start < 5


def test_a_stage_run_from_its_page_ends_on_the_page(
    browser: Any, folder: Path, serve_folder: Callable[..., Any]
) -> None:
    server = serve_folder(folder)
    with opened(browser, server.address, "/recordings") as (page, _watch):
        page.get_by_role("button", name="Run this step").click()
        page.get_by_role("heading", name="3 of 3 laps of 2 events are ready").wait_for(timeout=30000)
        page.locator(".wb-lane a[aria-current=page]", has_text="needs a look").wait_for()


def test_unsaved_edits_survive_a_restart_of_the_server(
    browser: Any, checked: Path, serve_folder: Callable[..., Any]
) -> None:
    server = serve_folder(checked)
    with opened(browser, server.address, "/recordings?event=haul%20ramp&lap=2") as (page, _watch):
        page.get_by_role("button", name="Mend: despike").click()
        page.get_by_text("1 edit not saved in programme.toml:").wait_for()
    server.process.kill()
    server.process.wait()
    again = serve_folder(checked)
    with opened(browser, again.address, "/") as (page, _watch):
        page.get_by_text("1 edit not saved in programme.toml:").wait_for()
        assert "/recordings?event=haul" in page.url
        page.get_by_role("button", name="Save").click()
        page.get_by_text("Saved in programme.toml, comments kept").wait_for()
    assert 'do = "despike"' in (checked / "programme.toml").read_text()


def test_with_a_token_nothing_is_seen_without_it(browser: Any, folder: Path, serve_folder: Callable[..., Any]) -> None:
    server = serve_folder(folder, token="long enough a token")
    context = browser.new_context()
    page = context.new_page()
    assert page.goto(f"{server.address}/programme").status == 403
    page.goto(f"{server.address}/programme?token=long%20enough%20a%20token")
    page.get_by_role("heading", name="Next: Recordings").wait_for()
    assert "token" not in page.url
    context.close()


# Relative luminance and contrast ratio as WCAG 2.2 defines them (success criteria 1.4.3, 4.5:1 and 3:1 for large text).
CONTRAST = """() => {
  const parse = (c) => { const m = c.match(/[\\d.]+/g).map(Number); return { rgb: m.slice(0, 3), a: m[3] ?? 1 }; };
  const linear = (v) => { v /= 255; return v <= 0.04045 ? v / 12.92 : ((v + 0.055) / 1.055) ** 2.4; };
  const light = (rgb) => 0.2126 * linear(rgb[0]) + 0.7152 * linear(rgb[1]) + 0.0722 * linear(rgb[2]);
  const behind = (el) => { for (; el; el = el.parentElement) { const c = parse(getComputedStyle(el).backgroundColor); if (c.a > 0.99) return c.rgb; } return [255, 255, 255]; };
  const weak = [];
  for (const el of document.querySelectorAll('body *')) {
    const own = [...el.childNodes].some((n) => n.nodeType === 3 && n.textContent.trim());
    const box = el.getBoundingClientRect();
    if (!own || box.width < 2 || box.height < 2 || el.closest('[disabled], .disabled, [aria-hidden=true], .nicegui-error-popup, .wb-hidden, a[href="#content"], .nicegui-skip-link')) continue;
    const style = getComputedStyle(el);
    if (style.visibility === 'hidden' || style.display === 'none') continue;
    const a = light(parse(style.color).rgb), b = light(behind(el));
    const ratio = (Math.max(a, b) + 0.05) / (Math.min(a, b) + 0.05), size = parseFloat(style.fontSize);
    const large = size >= 24 || (size >= 18.66 && Number(style.fontWeight) >= 700);
    if (ratio < (large ? 3 : 4.5)) weak.push([el.textContent.trim().slice(0, 40), style.color, +ratio.toFixed(2)]);
  }
  return weak;
}"""


#: Roles that a screen reader stops at; each needs a name (WCAG 2.2, success criteria 1.1.1 and 4.1.2).
NAMED = {
    "button", "link", "textbox", "searchbox", "combobox", "listbox", "option", "checkbox", "radio", "slider",
    "spinbutton", "switch", "image", "img", "application", "Iframe", "dialog", "tab",
}  # fmt: skip


def unnamed(page: Any) -> list[str]:
    """What the browser's own accessibility tree holds without a name."""
    session = page.context.new_cdp_session(page)
    nodes = session.send("Accessibility.getFullAXTree")["nodes"]
    found = []
    for node in nodes:
        role = node.get("role", {}).get("value", "")
        if node.get("ignored") or role not in NAMED or node.get("name", {}).get("value", "").strip():
            continue
        html = session.send("DOM.getOuterHTML", {"backendNodeId": node["backendDOMNodeId"]})["outerHTML"]
        found.append(f"{role}: {html[:160]}")
    session.detach()
    return found


#: What the keyboard must reach, and what it is on now.
REACHABLE = """() => [...document.querySelectorAll('a[href], button, input, select, textarea, [tabindex="0"], [role=slider]')]
  .filter((e) => e.offsetParent && !e.disabled && e.tabIndex >= 0 && e.type !== 'file' && !e.closest('[aria-hidden=true], .nicegui-error-popup')
    && getComputedStyle(e).visibility !== 'hidden').map((e, n) => { e.dataset.stop = n; return n; }).length"""
ON_NOW = """() => { const e = document.activeElement; if (!e || e === document.body) return null;
  const style = getComputedStyle(e), field = e.closest('.q-field, .q-slider, .q-checkbox');
  return { stop: e.dataset.stop ?? null, seen: style.outlineStyle !== 'none' && parseFloat(style.outlineWidth) >= 2
    || !!field || e.tagName === 'IFRAME' }; }"""


@pytest.mark.slow
@pytest.mark.timeout(600)
@pytest.mark.parametrize("theme", ["light", "dark"])
def test_every_page_can_be_read_by_everybody(
    browser: Any, whole: Path, serve_folder: Callable[..., Any], theme: str
) -> None:
    server = serve_folder(whole)
    for step in STEPS:
        with opened(browser, server.address, step.path, color_scheme=theme) as (page, _watch):
            page.wait_for_function(
                "!document.body.innerText.match(/Drawing the plots|Counting …|Reading the plays|[Ww]orking out/)",
                timeout=90000,
            )
            page.wait_for_timeout(700)
            assert page.evaluate(CONTRAST) == [], step.title
            assert unnamed(page) == [], step.title
            assert page.locator("h1").count() == 1, step.title
            for width in (1280, 1920):
                page.set_viewport_size({"width": width, "height": 900})
                assert page.evaluate("document.documentElement.scrollWidth") <= width, step.title


@pytest.mark.slow
@pytest.mark.timeout(600)
def test_the_keyboard_alone_reaches_everything_and_shows_where_it_is(
    browser: Any, whole: Path, serve_folder: Callable[..., Any]
) -> None:
    server = serve_folder(whole)
    for step in STEPS:
        with opened(browser, server.address, step.path) as (page, _watch):
            page.wait_for_function(
                "!document.body.innerText.match(/Drawing the plots|Counting …|Reading the plays|[Ww]orking out/)",
                timeout=90000,
            )
            page.wait_for_timeout(700)
            count = page.evaluate(REACHABLE)
            reached, unseen = set(), []
            # the report, in its frame, takes turns of its own, some of which look like none from outside
            for _press in range(3 * count + 100):
                page.keyboard.press("Tab")
                now = page.evaluate(ON_NOW)
                if now is not None and now["stop"] is not None:
                    reached.add(int(now["stop"]))
                    if not now["seen"]:
                        unseen.append(page.evaluate("document.activeElement.outerHTML.slice(0, 120)"))
                if len(reached) == count:
                    break
            missed = [
                page.evaluate(f"document.querySelector('[data-stop=\"{n}\"]')?.outerHTML.slice(0, 160)")
                for n in sorted(set(range(count)) - reached)
            ]
            assert missed == [], step.title
            assert unseen == [], step.title


@pytest.mark.slow
def test_the_slope_moves_the_damage_at_once(browser: Any, shortened: Path, serve_folder: Callable[..., Any]) -> None:
    server = serve_folder(shortened)
    with opened(browser, server.address, "/loads?slope=3") as (page, _watch):
        page.get_by_text("Where along the lap the damage is done, slope 3").wait_for(timeout=90000)
        page.locator(".q-slider__track-container").press("ArrowRight")
        page.get_by_text("Where along the lap the damage is done, slope 3.5").wait_for(timeout=20000)
        page.wait_for_function("new URL(location).searchParams.get('slope') === '3.5'")
        assert page.locator(".wb-chart[data-drawn=yes] canvas").count() == 4


@pytest.mark.slow
def test_the_mix_is_edited_and_undone_from_the_keyboard(
    browser: Any, shortened: Path, serve_folder: Callable[..., Any]
) -> None:
    server = serve_folder(shortened)
    with opened(browser, server.address, "/target") as (page, _watch):
        field = page.get_by_label("laps of haul ramp")
        field.fill("240")
        field.press("Enter")
        page.get_by_text("event · haul ramp · repeats: 120 → 240").wait_for()
        page.get_by_label("laps of kerb strikes").fill("80")
        page.keyboard.press("Tab")
        page.get_by_text("2 edits not saved").wait_for()
        page.locator("h1").click()
        page.keyboard.press("Control+z")
        page.get_by_text("1 edit not saved").wait_for()
        page.wait_for_function("document.querySelector('[aria-label=\"laps of kerb strikes\"]').value === '40'")


@pytest.mark.slow
def test_the_list_of_the_set_up_keeps_its_ticks(
    browser: Any, described: Path, serve_folder: Callable[..., Any]
) -> None:
    server = serve_folder(described)
    with opened(browser, server.address, "/rig") as (page, _watch):
        page.locator(".wb-check .q-checkbox").first.click()
        page.get_by_text("1 of ").wait_for()
    with opened(browser, server.address, "/rig") as (page, _watch):
        page.get_by_text("1 of ").wait_for()
        assert page.locator(".wb-moving").count() == 0


def test_the_lane_is_walked_by_keys(browser: Any, folder: Path, serve_folder: Callable[..., Any]) -> None:
    server = serve_folder(folder)
    with opened(browser, server.address, "/programme") as (page, _watch):
        page.keyboard.press("]")
        page.wait_for_url("**/recordings*")
        page.wait_for_selector(".wb-main h1")
        page.keyboard.press("[")
        page.wait_for_url("**/programme*")
        page.wait_for_selector(".wb-main h1")
        page.keyboard.press("Tab")
        assert "Skip to the content" in page.evaluate("document.activeElement.innerText")
