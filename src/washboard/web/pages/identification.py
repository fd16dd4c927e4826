"""Identification: every response to every drive as small pictures, one opened to full size with its uncertainty."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

import numpy as np
from nicegui import run, ui
from numpy.typing import NDArray

from washboard.errors import StorageError, WashboardError
from washboard.identify import Frf
from washboard.plot import pretty_unit
from washboard.programme import FRF_FILE, load_frf
from washboard.units import si_unit
from washboard.web._chart import Chart, ChartData, Line, with_props
from washboard.web._desk import sentence
from washboard.web._exhibits import show_exhibits, show_findings
from washboard.web._frame import Page, lead, words


async def build(page: Page, query: Mapping[str, str]) -> None:
    """Draw the page."""
    lead(page)
    try:
        frf = await run.io_bound(load_frf, page.desk.folder / "stages" / "identify" / FRF_FILE)
    except StorageError:
        frf = None
    if frf is not None:
        try:
            _Matrix(page, frf, query).draw()
        except WashboardError as error:
            page.notice(sentence(error), "bad")
    await show_exhibits(page)
    show_findings(page)


def _spark(size: NDArray[np.float64], coherence: NDArray[np.float64], freq_hz: NDArray[np.float64]) -> str:
    """Amplitude over frequency, both logarithmic, as a picture of 100 by 44; pale where coherence is low."""
    step = max(1, len(freq_hz) // 90)
    use = slice(None, None, step)
    x = np.interp(np.log(freq_hz[use]), (np.log(freq_hz[0]), np.log(freq_hz[-1])), (2, 98))
    log = np.log10(np.maximum(size[use], 1e-30))
    low, high = float(log.min()), float(log.max())
    y = 41 - 38 * (log - low) / max(high - low, 1e-9)
    points = " ".join(f"{a:.1f},{b:.1f}" for a, b in zip(x, y, strict=True))
    good = float((coherence > 0.8).mean())
    return (
        '<svg viewBox="0 0 100 44" width="100%" height="44" preserveAspectRatio="none" aria-hidden="true">'
        f'<polyline points="{points}" fill="none" stroke="var(--l0)" stroke-width="1.4" '
        f'vector-effect="non-scaling-stroke" opacity="{0.35 + 0.65 * good:.2f}"/></svg>'
    )


class _Matrix:
    """The FRF matrix, and the entry that is opened."""

    def __init__(self, page: Page, frf: Frf, query: Mapping[str, str]) -> None:
        self.page, self.frf = page, frf
        plan = page.desk.draft.plan()
        self.units = {channel.name: si_unit(channel.unit, channel.quantity) for channel in plan.channel}
        self.drive_units = {actuator.name: actuator.unit for actuator in plan.rig.actuators}
        self.band = (plan.band.low_hz, plan.band.high_hz)
        response, drive = query.get("response", ""), query.get("drive", "")
        self.response = response if response in frf.responses else frf.responses[0]
        self.drive = drive if drive in frf.drives else frf.drives[0]
        self.size: Chart | None = None
        self.phase: Chart | None = None
        self.coherence: Chart | None = None

    def draw(self) -> None:
        """Draw the matrix, then the opened entry."""
        frf = self.frf
        with ui.element("section").classes("wb-sheet").props('id="matrix"'):
            words("h2", f"{len(frf.responses)} responses to {len(frf.drives)} drives; pick one to open it")
            ui.label(
                "Amplitude over frequency, each on its own scale; a pale line has low coherence over much of the band."
            ).classes("wb-quiet wb-small")
            with ui.element("div").classes("wb-scroll wb-whole"), ui.element("table").classes("wb-table wb-matrix"):
                with ui.element("thead"), ui.element("tr"):
                    words("th", "response").props('scope="col"')
                    for name in frf.drives:
                        words("th", name).props('scope="col"')
                with ui.element("tbody"):
                    for row, response in enumerate(frf.responses):
                        self._row(row, response)
        with ui.element("section").classes("wb-sheet").props('id="opened"') as self.section:
            self.heading = words("h2", "").props('tabindex="-1"')
            with ui.element("div").classes("wb-row"):
                self.picks = (
                    ui.select(list(frf.responses), value=self.response, label="Response", on_change=self._picked),
                    ui.select(list(frf.drives), value=self.drive, label="Drive", on_change=self._picked),
                )
                for pick in self.picks:
                    pick.props("outlined dense").style("min-width:220px")
                ui.link("Back to the matrix", "#matrix").classes("wb-a")
            self.places = [ui.element("div")]
            with ui.element("div").classes("wb-halves"):
                self.places += [ui.element("div") for _number in range(2)]
        self._open(self.response, self.drive)

    def _picked(self, _event: Any) -> None:
        response, drive = str(self.picks[0].value), str(self.picks[1].value)
        if (response, drive) != (self.response, self.drive):
            self._open(response, drive)

    def _open_from_matrix(self, response: str, drive: str) -> None:
        self._open(response, drive)
        ui.run_javascript(
            "document.getElementById('opened').scrollIntoView(); document.querySelector('#opened h2').focus()"
        )

    def _row(self, row: int, response: str) -> None:
        with ui.element("tr"):
            words("th", response).props('scope="row"')
            for column, drive in enumerate(self.frf.drives):
                with ui.element("td").style("width:130px; padding:2px 8px 2px 0"):
                    size = np.abs(self.frf.values[:, row, column])
                    picture = _spark(size, self.frf.coherence[:, row], self.frf.freq_hz)
                    cell = ui.element("button").classes("wb-cell")
                    with_props(cell, type="button", aria_label=f"{response} to {drive}")
                    with cell:
                        ui.html(picture, sanitize=False)
                    cell.on("click", lambda response=response, drive=drive: self._open_from_matrix(response, drive))

    def _open(self, response: str, drive: str) -> None:
        self.response, self.drive = response, drive
        self.picks[0].set_value(response)
        self.picks[1].set_value(drive)
        frf = self.frf
        row, column = frf.responses.index(response), frf.drives.index(drive)
        value, spread = frf.values[:, row, column], np.sqrt(np.maximum(frf.variance[:, row, column], 0.0))
        size = np.abs(value)
        unit = pretty_unit(f"{self.units.get(response, '1')}")
        per = pretty_unit(self.drive_units.get(drive, "m"))
        self.heading.set_text(f"{response} to {drive}")
        charts = (
            ChartData(
                title="Amplitude, with two standard deviations either way", x=frf.freq_hz,
                lines=[
                    Line(name="amplitude", y=size, colour=0),
                    Line(name="upper", y=size + 2 * spread, colour=5, dash="dot"),
                    Line(name="lower", y=np.where(size > 2 * spread, size - 2 * spread, np.nan), colour=5, dash="dot"),
                ],
                x_label="frequency [Hz]", y_label=f"amplitude [({unit})/{per}]", x_log=True, y_log=True,
                bands=[self.band],
            ),
            ChartData(
                title="Phase", x=frf.freq_hz, lines=[Line(name="phase", y=np.degrees(np.angle(value)), colour=0)],
                x_label="frequency [Hz]", y_label="phase [deg]", x_log=True, bands=[self.band],
            ),
            ChartData(
                title=f"Coherence of {response} with all drives, and what spoils it", x=frf.freq_hz,
                lines=[
                    Line(name="multiple coherence", y=frf.coherence[:, row], colour=0),
                    Line(name="noise in the rest", y=_share(frf.noise[:, row], frf.residual[:, row]), colour=1),
                ],
                x_label="frequency [Hz]", y_label="share [-]", x_log=True, bands=[self.band],
            ),
        )  # fmt: skip
        held = [self.size, self.phase, self.coherence]
        for number, (chart, place) in enumerate(zip(charts, self.places, strict=True)):
            known = held[number]
            if known is None:
                with place:
                    held[number] = Chart(self.page.shelf, chart, height_px=380 if number == 0 else 240, sync="frf")
            else:
                known.show(chart)
        self.size, self.phase, self.coherence = held
        self.page.place({"response": response, "drive": drive})


def _share(noise: NDArray[np.float64], residual: NDArray[np.float64]) -> NDArray[np.float64]:
    return np.clip(noise / np.where(residual > 0, residual, np.inf), 0.0, 1.0)
