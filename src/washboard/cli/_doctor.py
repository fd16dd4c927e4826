"""`washboard doctor`: what is installed, what is missing, and what to do about it."""

from __future__ import annotations

import os
import shutil
import sqlite3
import sys
import tempfile
from dataclasses import dataclass
from importlib import metadata
from pathlib import Path
from typing import Annotated

import typer

from washboard import __version__
from washboard.cli._console import Json, answer, say


def register(app: typer.Typer) -> None:
    """Add `doctor` to `app`."""
    app.command("doctor", help="What is installed, what is missing.")(_doctor)


@dataclass(frozen=True, kw_only=True, slots=True)
class Check:
    """One thing looked at: whether it is there, what was found, what to do when it is not; `needed` to run at all."""

    name: str
    ok: bool
    found: str
    needed: bool = True
    advice: str = ""


def checks() -> tuple[Check, ...]:
    """Everything the doctor looks at."""
    python = ".".join(str(part) for part in sys.version_info[:3])
    found = [
        Check(name="Washboard", ok=True, found=__version__),
        Check(name="Python", ok=sys.version_info >= (3, 11), found=python, advice="install Python 3.11 or newer"),
        *_packages(),
        _sqlite(),
        _space(),
        _writable("temporary folder", Path(tempfile.gettempdir())),
        _writable("numba's cache", Path(os.environ.get("NUMBA_CACHE_DIR", Path(__file__).parent.parent / "loads"))),
        Check(name="processors", ok=True, found=str(os.cpu_count() or 1)),
        _program("chromium", ("chromium", "chromium-browser", "google-chrome"), "only the web app's browser tests"),
    ]
    return tuple(found)


def _packages() -> list[Check]:
    """Every distribution that the package's own metadata asks for."""
    try:
        wanted = metadata.requires("washboard") or []
    except metadata.PackageNotFoundError:
        return [Check(name="installation", ok=False, found="not installed", advice="run python3 start.py doctor")]
    found = []
    for requirement in wanted:
        if "extra ==" in requirement:
            continue
        name = requirement.split(";")[0].strip()
        for mark in "><=!~[ ":
            name = name.split(mark)[0]
        try:
            found.append(Check(name=name, ok=True, found=metadata.version(name)))
        except metadata.PackageNotFoundError:
            advice = "run python3 start.py doctor, which installs it"
            found.append(Check(name=name, ok=False, found="missing", advice=advice))
    return found


def _sqlite() -> Check:
    # WAL is safe against concurrent checkpoints from 3.7.0 on (sqlite.org/wal.html).
    version = sqlite3.sqlite_version
    return Check(
        name="SQLite", ok=sqlite3.sqlite_version_info >= (3, 7, 0), found=version, advice="install a newer Python"
    )


def _space() -> Check:
    free = shutil.disk_usage(Path.cwd()).free
    advice = "recordings and plays of a programme may need more; free some space"
    return Check(name="free space here", ok=free > 2e9, found=f"{free / 1e9:.1f} GB", needed=False, advice=advice)


def _writable(name: str, folder: Path) -> Check:
    ok = os.access(folder, os.W_OK)
    return Check(name=name, ok=ok, found=str(folder), needed=False, advice=f"make {folder} writable")


def _program(name: str, commands: tuple[str, ...], use: str) -> Check:
    path = next((found for command in commands if (found := shutil.which(command))), None)
    return Check(name=name, ok=path is not None, found=path or "not found", needed=False, advice=f"{use} need it")


def _warm_up() -> None:
    """Compile what is compiled on first use; where that fails, first use will, so it is only told."""
    from washboard.programme import warm_up

    try:
        warm_up()
    except Exception as error:  # noqa: BLE001 - whatever it is, it only costs time later
        say(f"compiling ahead did not work ({type(error).__name__}: {error}); the first run will take longer")


def _doctor(
    as_json: Json = False,
    warm: Annotated[bool, typer.Option("--warm", help="Compile ahead and look at nothing.", hidden=True)] = False,
) -> None:
    if warm:
        _warm_up()
        return
    found = checks()
    missing = [entry for entry in found if entry.needed and not entry.ok]
    if as_json:
        answer({"checks": found, "ok": not missing})
    else:
        for entry in found:
            mark = "ok" if entry.ok else "MISSING" if entry.needed else "not there"
            advice = "" if entry.ok else f"  → {entry.advice}"
            say(f"{mark:<10}{entry.name:<18}{entry.found}{advice}")
        say("everything needed is here" if not missing else f"{len(missing)} needed thing(s) missing")
    if missing:
        raise typer.Exit(3)
