"""`washboard serve`: the web app for one programme folder."""

from __future__ import annotations

from typing import Annotated

import typer

from washboard.cli._console import HERE, Folder, programme_folder


def register(app: typer.Typer) -> None:
    """Add `serve` to `app`."""
    app.command("serve", help="The web app, on this computer only (127.0.0.1).")(_serve)


def _serve(
    folder: Folder = HERE,
    port: Annotated[int, typer.Option(metavar="N", min=1, max=65535, help="Port to listen on.")] = 8321,
) -> None:
    folder = programme_folder(folder)
    from washboard.web import serve

    serve(folder, port=port)
