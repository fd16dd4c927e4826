"""Routes beside the pages: time histories, exhibits, exports, files to download."""

from __future__ import annotations

import json
from typing import Any
from urllib.parse import urlsplit

import numpy as np
from fastapi import Request, Response
from nicegui import app

from washboard.errors import InputError, WashboardError
from washboard.web._chart import ChartData, Exported, Shelf
from washboard.web._desk import Desk, sentence
from washboard.web._drawing import by_night, exhibit_data
from washboard.web._exhibits import file_name, table_csv
from washboard.web._heat import HeatData
from washboard.web._series import series
from washboard.web._sources import inside, scale_between
from washboard.web._steps import STEPS

SVG, CSV = "image/svg+xml", "text/csv; charset=utf-8"

#: Rows a CSV export writes before it says that the range should be shorter.
MOST_ROWS = 2_000_000

#: What may be looked at in the browser; everything else is only saved.
SHOWN = {
    ".pdf": "application/pdf",
    ".png": "image/png",
    ".jpg": "image/jpeg",
    ".jpeg": "image/jpeg",
    ".html": "text/html; charset=utf-8",
}

#: A report is looked at without running anything that may stand in it.
STILL = "sandbox; default-src 'none'; style-src 'unsafe-inline'; img-src data: 'self'; font-src data:"


def _saved(body: str | bytes, kind: str, name: str) -> Response:
    return Response(body, media_type=kind, headers={"content-disposition": f'attachment; filename="{name}"'})


def _wrong(error: BaseException, code: int = 400) -> Response:
    return Response(sentence(error), status_code=code, media_type="text/plain; charset=utf-8")


def _question(text: str) -> dict[str, Any]:
    """What a page asks of time histories, checked. Raises InputError."""
    try:
        asked = json.loads(text)
        return {
            "files": [str(file) for file in asked["files"]],
            "offsets_s": [float(offset) for offset in asked["offsets"]],
            "names": [(int(number), str(name), str(unit)) for number, name, unit in asked["channels"]],
            "start_s": float(asked["from"]),
            "end_s": float(asked["to"]),
            "labels": [str(label) for label in asked.get("labels", asked["files"])],
            "bins": int(asked.get("bins", 1600)),
        }
    except (ValueError, KeyError, TypeError):
        raise InputError("the request is not understood") from None


def add_routes(desk: Desk, shelf: Shelf) -> None:
    """Register every route that is not a page."""

    @app.get("/series")
    def get_series(q: str) -> Response:
        try:
            asked = _question(q)
            asked.pop("labels")
            return Response(series(desk.sources, **asked), media_type="application/octet-stream")
        except (WashboardError, ValueError) as error:
            return _wrong(error)

    @app.get("/stack.{kind}")
    def get_stack(kind: str, q: str) -> Response:
        try:
            return _stack_export(desk, kind, _question(q))
        except (WashboardError, ValueError) as error:
            return _wrong(error)

    @app.get("/chart/{key}.{kind}")
    def get_chart(key: str, kind: str) -> Response:
        chart = shelf.get(key)
        if chart is None:
            return _wrong(InputError("this chart is gone; reload its page and export again"), 404)
        name = file_name(chart.title)
        if kind == "csv":
            return _saved(chart.to_csv(), CSV, f"{name}.csv")
        from washboard.plot import to_png, to_svg

        figure = _figure_of(chart)
        if kind == "png":
            return _saved(to_png(figure), "image/png", f"{name}.png")
        return _saved(to_svg(figure), SVG, f"{name}.svg")

    @app.get("/exhibit/{stage}/{number}.{kind}")
    def get_exhibit(stage: str, number: int, kind: str, save: str = "", night: bool = False) -> Response:
        if stage not in {step.stage for step in STEPS if step.stage}:
            return _wrong(InputError(f"there is no step '{stage}'"), 404)
        try:
            exhibits = desk.exhibits(stage)
        except WashboardError as error:
            return _wrong(error)
        if not 0 <= number < len(exhibits):
            return _wrong(InputError("there is no such exhibit; reload its page"), 404)
        name = file_name(save or exhibits[number].title)
        if kind == "csv":
            if exhibits[number].columns:
                return _saved(table_csv(exhibits[number]), CSV, f"{name}.csv")
            try:
                return _saved(exhibit_data(desk.folder, stage, number), CSV, f"{name}.csv")
            except WashboardError as error:
                return _wrong(error, 404)
        if save:
            return _saved(exhibits[number].svg, SVG, f"{name}.svg")
        shown = by_night(exhibits[number].svg) if night else exhibits[number].svg
        headers = {"cache-control": "private, max-age=3600", "content-security-policy": STILL}
        return Response(shown, media_type=SVG, headers=headers)

    @app.get("/file/{path:path}")
    def get_file(path: str, save: bool = False) -> Response:
        try:
            file = inside(desk.folder, path)
        except WashboardError as error:
            return _wrong(error, 404)
        if not path.startswith(("report/", "stages/report/", "photos/", "stages/endure/")):
            return _wrong(InputError("only reports and photos are handed out here"), 404)
        kind = SHOWN.get(file.suffix.lower())
        if kind is None or save:
            return _saved(file.read_bytes(), "application/octet-stream", file.name.replace('"', ""))
        headers = {"content-security-policy": STILL} if file.suffix == ".html" else {}
        return Response(file.read_bytes(), media_type=kind, headers=headers)

    @app.post("/where")
    async def post_where(request: Request) -> Response:
        body = (await request.body())[:4000].decode("utf-8", "replace")
        keep_place(desk, body)
        return Response(status_code=204)


def _figure_of(chart: Exported) -> Any:
    """A chart of a page, drawn for paper."""
    from washboard.plot import heat_figure, lines_figure

    if isinstance(chart, HeatData):
        return heat_figure(
            heading=chart.title,
            values=chart.values,
            x_edges=chart.x_edges,
            y_edges=chart.y_edges,
            x_label=chart.x_label,
            y_label=chart.y_label,
        )
    assert isinstance(chart, ChartData)
    return lines_figure(
        heading=chart.title,
        x=chart.x,
        lines=[(line.name, line.y, line.colour, line.dash, line.points) for line in chart.lines],
        x_label=chart.x_label,
        y_label=chart.y_label,
        x_log=chart.x_log,
        y_log=chart.y_log,
        bands=chart.bands,
    )


def keep_place(desk: Desk, address: str) -> None:
    """Remember the address as where its page was left; anything but an address of a page is ignored."""
    parts = urlsplit(address)
    if parts.netloc or parts.scheme or parts.path not in {step.path for step in STEPS}:
        return
    place = parts.path + (f"?{parts.query}" if parts.query else "")
    desk.remember("at", {**desk.recall("at", {}), parts.path: place})
    desk.remember("last", place)


def _stack_export(desk: Desk, kind: str, asked: dict[str, Any]) -> Response:
    """What the stack shows, as a figure or as its samples."""
    sources = [desk.sources.open(file) for file in asked["files"]]
    span = f"{asked['start_s']:g} s to {asked['end_s']:g} s"
    name = file_name(f"{asked['labels'][0]} {span}")
    if kind == "csv":
        return _saved(_samples_csv(sources, asked), CSV, f"{name}.csv")
    from washboard.plot import stack_figure, to_png, to_svg

    names = asked["names"][:24]
    outlines = []
    for layer, source in enumerate(sources):
        rows = {channel: row for row, channel in enumerate(source.recording.names)}
        offset = asked["offsets_s"][layer]
        for panel, (_number, channel, unit) in enumerate(names):
            if channel not in rows:
                continue
            row = rows[channel]
            found = source.pyramid.outline(row, asked["start_s"] - offset, asked["end_s"] - offset, 1600)
            scale, zero = scale_between(source.recording.channels[row], unit)
            time_s = found.first_s + offset + found.step_s * (np.arange(len(found.low)) + (0.0 if found.whole else 0.5))
            low = found.low * np.float32(scale) + np.float32(zero)
            high = low if found.whole else found.high * np.float32(scale) + np.float32(zero)
            outlines.append((layer, panel, time_s, low, high))
    figure = stack_figure(
        heading=f"{', '.join(asked['labels'])}: {span}",
        channels=[(channel, unit) for _number, channel, unit in names],
        layers=asked["labels"],
        outlines=outlines,
        start_s=asked["start_s"],
        end_s=asked["end_s"],
    )
    if kind == "png":
        return _saved(to_png(figure), "image/png", f"{name}.png")
    return _saved(to_svg(figure), SVG, f"{name}.svg")


def _samples_csv(sources: list[Any], asked: dict[str, Any]) -> str:
    """Samples of the first recording of the stack within the range, one column per channel."""
    recording = sources[0].recording
    offset = asked["offsets_s"][0]
    first = max(0, round((asked["start_s"] - offset) * recording.rate_hz))
    last = min(recording.n_samples, round((asked["end_s"] - offset) * recording.rate_hz) + 1)
    if last - first > MOST_ROWS:
        raise InputError(f"that is {last - first} rows; show a shorter range, or use 'washboard convert' for all of it")
    rows = {channel: row for row, channel in enumerate(recording.names)}
    columns, heads = [np.arange(first, last) / recording.rate_hz + offset], ["time [s]"]
    for _number, channel, unit in asked["names"]:
        if channel in rows:
            scale, zero = scale_between(recording.channels[rows[channel]], unit)
            columns.append(np.asarray(recording.samples[rows[channel], first:last], dtype=np.float64) * scale + zero)
            heads.append(f"{channel} [{unit}]".replace(",", " "))
    table = np.stack(columns, axis=1)
    import io

    stream = io.StringIO()
    np.savetxt(stream, table, delimiter=",", fmt="%.9g", header=",".join(heads), comments="")
    return stream.getvalue()
