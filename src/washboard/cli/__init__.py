"""The command line: one command per step of the job, thin over the stages.

In come a programme folder and options; out come a few sentences or, with `--json`, one JSON value on standard output,
with progress and messages on standard error. Exit codes: 0 fine, 1 a verdict to look at (or stopped by the user), 2 bad
input, 3 the rig or a file failed. No arithmetic happens here.
"""

from __future__ import annotations

import sys
from collections.abc import Sequence

__all__ = ["main"]


def main(arguments: Sequence[str] | None = None) -> None:
    """Run the command line and exit with its code."""
    from washboard.cli._app import run

    sys.exit(run(list(sys.argv[1:] if arguments is None else arguments)))
