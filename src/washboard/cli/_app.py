"""The `washboard` command with all its sub-commands, and how errors leave it."""

from __future__ import annotations

import json
import os
import sys
from typing import Annotated, Any

import typer

from washboard import __version__
from washboard.cli import _demo, _doctor, _files, _new, _serve, _stages, _status
from washboard.errors import Cancelled, WashboardError

app = typer.Typer(
    name="washboard",
    help="Durability tests of heavy vehicles on a tyre-coupled road simulator: from field recordings to a statement of "
    "how much service the laboratory test equals.",
    epilog="Each takes a programme folder, the one with programme.toml; by default the current one. "
    "Exit codes: 0 fine, 1 a verdict to look at, 2 bad input, 3 the rig or a file failed.",
    no_args_is_help=True,
    add_completion=False,
    pretty_exceptions_enable=False,
    rich_markup_mode=None,
    context_settings={"help_option_names": ["-h", "--help"]},
)


#: What typer raises for words it cannot make sense of; it may bring a copy of click of its own.
_Misuse: type[Exception] = next(kind for kind in typer.BadParameter.__mro__ if kind.__name__ == "ClickException")


def _version(wanted: bool) -> None:
    if wanted:
        typer.echo(f"washboard {__version__}")
        raise typer.Exit


@app.callback()
def _options(
    version: Annotated[
        bool, typer.Option("--version", help="Show the version.", callback=_version, is_eager=True)
    ] = False,
) -> None:
    pass


for room in (_new, _demo, _status, _stages, _files, _serve, _doctor):
    room.register(app)


def run(arguments: list[str]) -> int:
    """Run one command; returns its exit code, after showing any error as one message."""
    try:
        left = app(args=arguments, prog_name="washboard", standalone_mode=False)
        return left if isinstance(left, int) else 0
    except _Misuse as error:
        return _misused(error, arguments)
    except SystemExit as leaving:
        return leaving.code if isinstance(leaving.code, int) else 0 if leaving.code is None else 2
    except WashboardError as error:
        return _failed(str(error), error.exit_code, arguments, stopped=isinstance(error, Cancelled))
    except (KeyboardInterrupt, typer.Abort):
        return _failed("stopped at once; run the same command to go on", Cancelled.exit_code, arguments, stopped=True)
    except BrokenPipeError:
        # The reader of our output has gone, as in `washboard status | head`.
        os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())
        return 0
    except OSError as error:
        where = f"{error.filename}: " if error.filename else ""
        return _failed(f"{where}{error.strerror or error}", 3, arguments)
    except MemoryError:
        return _failed("there is not enough memory for this; use fewer channels or shorter recordings", 3, arguments)
    except Exception as error:
        if os.environ.get("WASHBOARD_TRACEBACK"):
            raise
        text = (
            f"Washboard itself failed ({type(error).__name__}: {error}). What earlier stages made is as it was. "
            "To report it, set WASHBOARD_TRACEBACK=1, run the command again and send what it prints."
        )
        return _failed(text, 3, arguments)
    return 0


def _misused(error: Any, arguments: list[str]) -> int:
    """A word that no command knows, or one that lacks something: usage and message, as JSON too where that is asked."""
    if "--json" in arguments:
        print(json.dumps({"error": error.format_message(), "stopped": False, "exit": 2}))  # noqa: T201 - the output
    error.show(sys.stderr)
    return 2


def _failed(text: str, code: int, arguments: list[str], *, stopped: bool = False) -> int:
    if "--json" in arguments:
        print(json.dumps({"error": text, "stopped": stopped, "exit": code}))  # noqa: T201 - this is the output
    sys.stderr.write(f"washboard: {text}\n")
    return code
