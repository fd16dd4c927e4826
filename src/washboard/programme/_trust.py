"""Which programme folders may start a program: remembered in the user's own configuration folder, not in theirs.

A folder from somewhere else could name any program as its rig. So a command is run only in a folder that was made on
this machine by Washboard, or that its user has trusted once, with this very command.
"""

from __future__ import annotations

import hashlib
import json
import os
import sys
from pathlib import Path
from typing import Any

from washboard.errors import InputError
from washboard.programme._plan import Plan
from washboard.recording import write_whole


def config_folder() -> Path:
    """Where this user's configuration is: `WASHBOARD_CONFIG`, or the place the system has for it."""
    if named := os.environ.get("WASHBOARD_CONFIG"):
        return Path(named)
    if sys.platform == "win32":
        return Path(os.environ.get("APPDATA") or Path.home() / "AppData" / "Roaming") / "washboard"
    if sys.platform == "darwin":
        return Path.home() / "Library" / "Application Support" / "washboard"
    return Path(os.environ.get("XDG_CONFIG_HOME") or Path.home() / ".config") / "washboard"


def trust_folder(folder: Path, plan: Plan) -> None:
    """Allow the programme in `folder` to run the command its rig link names now. Raises StorageError."""
    _remember(_key(folder, plan.rig.link.command), {"folder": str(folder.resolve()), "command": plan.rig.link.command})


def made_here(folder: Path) -> None:
    """Remember that `folder` was made on this machine, so that its user's own commands need no asking."""
    _remember(_key(folder, None), {"folder": str(folder.resolve()), "made": True})


def is_trusted(folder: Path, plan: Plan) -> bool:
    """Whether the programme in `folder` may run its command."""
    known = _known()
    return _key(folder, None) in known or _key(folder, plan.rig.link.command) in known


def require_trust(folder: Path, plan: Plan) -> None:
    """Raises InputError, with the command in its text, unless the folder is trusted."""
    if not is_trusted(folder, plan):
        raise InputError(
            f"{folder / 'programme.toml'}: rig.link.command would run this program on your machine:\n"
            f"    {plan.rig.link.command}\n"
            "It has not been trusted on this machine yet, nor was the folder made here by 'washboard new'. Look at the "
            "command and at what it starts; if it is right, run this once more with --trust"
        )


def _key(folder: Path, command: str | None) -> str:
    text = json.dumps([str(folder.resolve()), command])
    return hashlib.sha256(text.encode()).hexdigest()


def _file() -> Path:
    return config_folder() / "trusted.json"


def _known() -> dict[str, Any]:
    try:
        known = json.loads(_file().read_text(encoding="utf-8"))
    except (OSError, ValueError):
        return {}
    return known if isinstance(known, dict) else {}


def _remember(key: str, what: dict[str, Any]) -> None:
    write_whole(_file(), json.dumps({**_known(), key: what}, indent=1))
