#!/usr/bin/env python3
"""Set Washboard up and run it; needs nothing but Python 3.11 or newer.

    python3 start.py demo        the whole job on an example, then where to look
    python3 start.py test        install the test tools too and run the checks and tests
    python3 start.py ANYTHING    run `washboard ANYTHING`

The first call makes a virtual environment beside this file and installs exactly the versions and hashes
listed in locks/; later calls reuse it until pyproject.toml or a lock changes.
"""

import hashlib
import os
import subprocess
import sys
from pathlib import Path

ROOT = Path(__file__).resolve().parent
VENV = Path(os.environ.get("WASHBOARD_VENV", ROOT / ".venv"))
BIN = VENV / ("Scripts" if os.name == "nt" else "bin")
PYTHON = BIN / ("python.exe" if os.name == "nt" else "python")


def say(text: str) -> None:
    print(f"start.py: {text}", file=sys.stderr, flush=True)


def call(*command: object) -> int:
    return subprocess.call([str(part) for part in command], cwd=ROOT)


def wanted(lock: Path) -> str:
    parts = (ROOT / "pyproject.toml", lock)
    return hashlib.sha256(b"".join(part.read_bytes() for part in parts) + sys.version.encode()).hexdigest()


def install(kind: str) -> None:
    """Make the environment hold what `locks/<kind>.txt` lists, and the package itself, editable."""
    lock = ROOT / "locks" / f"{kind}.txt"
    # An environment installed for tests holds everything that running needs.
    for done in {kind, "test"}:
        stamp = VENV / f"washboard-{done}.stamp"
        if stamp.exists() and stamp.read_text() == wanted(ROOT / "locks" / f"{done}.txt"):
            return
    if not PYTHON.exists():
        say(f"making a virtual environment in {VENV}")
        if call(sys.executable, "-m", "venv", VENV):
            sys.exit(
                "start.py: Python could not make a virtual environment. On Debian or Ubuntu, run\n"
                "    apt-get install python3-venv\n"
                f"then remove {VENV} and start again."
            )
    say(f"installing what {lock.relative_to(ROOT)} lists; this takes a minute or two the first time")
    quiet = ("-m", "pip", "install", "--quiet", "--disable-pip-version-check", "--no-deps")
    if call(PYTHON, *quiet, "--require-hashes", "-r", lock):
        sys.exit("start.py: installing the dependencies failed; pip's message above says which one and why.")
    if call(PYTHON, *quiet, "--no-build-isolation", "-e", ROOT):
        sys.exit("start.py: installing Washboard itself failed; pip's message above says why.")
    say("compiling the counting loops once, so that the first run is quick; this takes up to a minute")
    if call(PYTHON, "-m", "washboard", "doctor", "--warm"):
        say("compiling ahead did not work; the first run will take longer")
    (VENV / f"washboard-{kind}.stamp").write_text(wanted(lock))


def main(arguments: list[str]) -> int:
    if sys.version_info < (3, 11):
        sys.exit(f"start.py: Washboard needs Python 3.11 or newer; this is {sys.version.split()[0]}.")
    if not arguments or arguments[0] in {"-h", "--help"}:
        print(__doc__)
        return 0
    if arguments[0] == "test":
        install("test")
        return call(PYTHON, ROOT / "tools" / "test.py", *arguments[1:])
    install("run")
    # Commands run where the user stands, so that relative folders mean what they say.
    return subprocess.call([str(PYTHON), "-m", "washboard", *arguments])


if __name__ == "__main__":
    try:
        sys.exit(main(sys.argv[1:]))
    except KeyboardInterrupt:
        sys.exit(130)
