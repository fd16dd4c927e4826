"""Builds the app for one programme and serves it."""

from __future__ import annotations

import contextlib
import importlib
import logging
import socket
import threading
import time
from pathlib import Path

from fastapi import Request
from fastapi.responses import RedirectResponse, Response
from nicegui import app, run, ui

from washboard.errors import InputError, WashboardError
from washboard.programme import FILE_NAME
from washboard.web._chart import Shelf
from washboard.web._desk import Desk, sentence
from washboard.web._frame import Page, step_foot
from washboard.web._guard import Guard, is_loopback
from washboard.web._routes import add_routes, keep_place
from washboard.web._steps import STEPS, StepPage

log = logging.getLogger(__name__)

HERE = Path(__file__).parent

#: How long after the start compiled code is made ready. [s]
WARM_UP_AFTER_S = 6.0


def build(desk: Desk, *, token: str | None = None, names: tuple[str, ...] = ()) -> None:
    """Register pages and routes for one programme."""
    shelf = Shelf()
    app.add_static_files("/assets", HERE / "static")
    app.add_static_files("/vendor", HERE / "vendor")
    app.add_middleware(Guard, token=token, names=names)
    ui.add_head_html(
        '<link rel="stylesheet" href="/vendor/uplot/uPlot.min.css"><link rel="stylesheet" href="/assets/washboard.css">'
        '<script defer src="/assets/washboard.js"></script>',
        shared=True,
    )
    add_routes(desk, shelf)

    @app.get("/")
    def start() -> Response:
        return RedirectResponse(str(desk.recall("last", STEPS[0].path)), status_code=303)

    for step in STEPS:
        _add_page(desk, shelf, step)


def _add_page(desk: Desk, shelf: Shelf, step: StepPage) -> None:
    async def show(request: Request) -> None:
        keep_place(desk, step.path + (f"?{request.url.query}" if request.url.query else ""))
        page = Page(desk, shelf, step)
        await page.load(patience_s=0.3)
        with page.frame():
            try:
                module = importlib.import_module(f"washboard.web.pages.{step.title.lower()}")
                await module.build(page, request.query_params)
            except Exception as error:
                log.warning("page %s", step.path, exc_info=True)
                page.notice(sentence(error), "bad")
            step_foot(step)

    ui.page(step.path, title=step.title, response_timeout=120.0)(show)


def _warm_up(desk: Desk) -> None:
    for step in STEPS:
        importlib.import_module(f"washboard.web.pages.{step.title.lower()}")
    with contextlib.suppress(WashboardError, OSError):
        desk.status()
    # The first page comes first: what is compiled waits until it has most likely been drawn.
    time.sleep(WARM_UP_AFTER_S)
    importlib.import_module("washboard.web.pages.loads").warm_up()


def _port_free(host: str, port: int) -> bool:
    family = socket.AF_INET6 if ":" in host else socket.AF_INET
    with socket.socket(family, socket.SOCK_STREAM) as probe:
        probe.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
        try:
            probe.bind((host, port))
        except OSError:
            return False
    return True


def serve(folder: Path, *, host: str, port: int, show: bool, token: str | None) -> None:
    """See `washboard.web.serve`."""
    if not (folder / FILE_NAME).is_file():
        raise InputError(f"{folder}: there is no {FILE_NAME} here; 'washboard new {folder}' writes one to start from")
    if not is_loopback(host) and not token:
        raise InputError(
            f"listening on {host} lets others on the network reach this rig; give --token WORDS, or leave --host out"
        )
    if token is not None and len(token) < 12:
        raise InputError("a token needs at least 12 characters")
    if not (1 <= port <= 65535):
        raise InputError(f"--port {port} is not a port; take one from 1 to 65535")
    from nicegui import helpers

    if not helpers.is_user_simulation() and not _port_free(host, port):
        raise InputError(f"port {port} is taken, perhaps by another 'washboard serve'; give another with --port")
    desk, simulated = Desk(folder), helpers.is_user_simulation()
    build(desk, token=token, names=("test",) if simulated else ())
    if not simulated:
        # What the first page needs is imported, and large files looked at, before somebody asks.
        app.on_startup(lambda: threading.Thread(target=_warm_up, args=(desk,), daemon=True).start())
    # A fresh process, not a copy of this one, draws the plots.
    run.process_pool_start_method = "spawn"
    ui.run(
        host=host,
        port=port,
        show=show,
        reload=False,
        title="Washboard",
        favicon=HERE / "static" / "washboard.svg",
        tailwind=False,
        gzip_middleware_factory=None,
        show_welcome_message=False,
        reconnect_timeout=30.0,
        dark=None,
    )
