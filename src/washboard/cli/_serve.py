"""`washboard serve`: the web app for one programme folder."""

from __future__ import annotations

from typing import Annotated

import typer

from washboard.cli._console import HERE, Folder, note, programme_folder


def register(app: typer.Typer) -> None:
    """Add `serve` to `app`."""
    app.command("serve", help="The web app, on this computer only (127.0.0.1).")(_serve)


def _serve(
    folder: Folder = HERE,
    port: Annotated[int, typer.Option(metavar="N", min=1, max=65535, help="Port to listen on.")] = 8321,
    host: Annotated[
        str, typer.Option(metavar="ADDRESS", help="Listen more widely than on this computer; needs a token.")
    ] = "127.0.0.1",
    token: Annotated[
        str,
        typer.Option(metavar="WORDS", envvar="WASHBOARD_TOKEN", help="What visitors give once, as ?token=WORDS."),
    ] = "",
    show: Annotated[bool, typer.Option("--open", help="Open the browser too.")] = False,
) -> None:
    folder = programme_folder(folder)
    from washboard.web import serve

    note(f"serving {folder} at http://{host}:{port}; Ctrl+C ends it, runs go on")
    serve(folder, host=host, port=port, show=show, token=token or None)
