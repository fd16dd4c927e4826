#!/usr/bin/env python3
"""Make locks/run.txt and locks/test.txt from pyproject.toml: exact versions and hashes, no registry address.

Needs uv on the path (`pip install uv`); run it after changing dependencies.
"""

import subprocess
import sys
from pathlib import Path

ROOT = Path(__file__).resolve().parent.parent
HEAD = "# What {what} Washboard installs; made by tools/lock.py, do not edit\n"


def lock(extra: str, file: Path, what: str) -> None:
    command = [
        "uv", "pip", "compile", "-q", "--universal", "--python-version", "3.11", "--generate-hashes",
        "--no-emit-index-url", "--no-header", "--no-annotate", "--extra", extra,
        "--override", str(ROOT / "tools" / "overrides.txt"), str(ROOT / "pyproject.toml"),
    ]  # fmt: skip
    text = subprocess.run(command, check=True, capture_output=True, text=True).stdout
    if "://" in text:
        sys.exit(f"the lock for {what} holds an address; it must not be committed")
    file.write_text(HEAD.format(what=what) + text, encoding="utf-8")


if __name__ == "__main__":
    lock("install", ROOT / "locks" / "run.txt", "running")
    lock("test", ROOT / "locks" / "test.txt", "running and testing")
