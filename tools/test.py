#!/usr/bin/env python3
"""Check and test Washboard: lint, format, types, import rules, then the tests.

    python3 start.py test              everything but the slow tests
    python3 start.py test --slow       the slow tests too
    python3 start.py test --fast       only the quick tests, without the checks and without a browser
    python3 start.py test ... -k WORD  what is not known here goes to pytest

The last line is pytest's own; were a check before it to fail, the last lines say which, and the exit code is 1.
"""

import os
import subprocess
import sys
import time
from pathlib import Path

ROOT = Path(__file__).resolve().parent.parent
BIN = Path(sys.executable).parent

CHECKS = {
    "lint (ruff check)": [BIN / "ruff", "check", "."],
    "format (ruff format --check)": [BIN / "ruff", "format", "--check", "."],
    "types (mypy)": [sys.executable, "-m", "mypy"],
    "import rules (lint-imports)": [BIN / "lint-imports"],
}


def say(text: str) -> None:
    print(text, flush=True)


def checks() -> list[str]:
    """Run the checks; returns the names of those that failed, after showing what they said."""
    failed = []
    for name, command in CHECKS.items():
        clock = time.perf_counter()
        done = subprocess.run(
            [str(part) for part in command], cwd=ROOT, capture_output=True, text=True, encoding="utf-8", check=False
        )
        word = "passed" if done.returncode == 0 else "FAILED"
        say(f"{word}  {name}  {time.perf_counter() - clock:.1f} s")
        if done.returncode:
            failed.append(name)
            say(done.stdout + done.stderr)
    return failed


def main(arguments: list[str]) -> int:
    if {"-h", "--help"} & set(arguments):
        say(__doc__ or "")
        return 0
    fast = "--fast" in arguments
    rest = [argument for argument in arguments if argument != "--fast"]
    failed = [] if fast else checks()
    command = [sys.executable, "-m", "pytest", "-q", *rest]
    if fast:
        command += ["-m", "not browser and not slow"]
    if not any(argument.startswith("-n") for argument in rest):
        command += ["-n", str(min(os.cpu_count() or 1, 8)), "--dist", "worksteal"]
    code = subprocess.call(command, cwd=ROOT)
    if failed:
        say("FAILED before the tests: " + "; ".join(failed))
    return code or bool(failed)


if __name__ == "__main__":
    try:
        sys.exit(main(sys.argv[1:]))
    except KeyboardInterrupt:
        sys.exit(130)
