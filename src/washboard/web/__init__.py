"""The web app: look, decide, watch; one page per step of the job, for the browser on the same machine.

In comes a programme folder; pages show what its stages made and edit programme.toml. It computes nothing itself: it
calls the rooms and runs stages in a process of their own. It listens on 127.0.0.1 unless told otherwise, and loads
nothing from any other address.
"""

from __future__ import annotations

from pathlib import Path


def serve(
    folder: Path, *, host: str = "127.0.0.1", port: int = 8321, show: bool = False, token: str | None = None
) -> None:
    """Serve the programme in `folder` until interrupted.

    Parameters
    ----------
    folder : Path
        The programme folder.
    host, port : str, int
        Where to listen. Anything but this machine's own address needs a `token`.
    show : bool
        Open the default browser.
    token : str, optional
        What a visitor must give once, as ``?token=...``.

    Raises
    ------
    InputError
        No programme in `folder`, the port is taken, or a wider address without a token.
    """
    from washboard.web._serve import serve as serve_now

    serve_now(folder, host=host, port=port, show=show, token=token)


__all__ = ["serve"]
