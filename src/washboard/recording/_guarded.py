"""Reading HDF5 and MAT files that may be damaged in a process of its own, with a limit on time and memory.

A damaged link can send the HDF5 library round in circles, inside C code that nothing in this process could interrupt,
and the compiled part of scipy crashes on some damaged MAT files. So such files are read by a worker process; when it
does not answer in time, or dies, it is ended and the file refused. One worker serves all files in turn and ends with
this process.
"""

from __future__ import annotations

import atexit
import contextlib
import os
import pickle
import subprocess
import sys
import threading
from collections.abc import Callable
from pathlib import Path
from typing import Any, BinaryIO

#: Time allowed: a start, and what even a slow disk needs for the file. [s], [bytes/s]
START_S = 60.0
LEAST_S = 8.0
SLOWEST_DISK = 5e6
#: Memory allowed beyond what the worker has anyway: a base, and so many times the file's size (compression). [bytes]
LEAST_BYTES = 1 << 30
TIMES_SIZE = 64

_READY = b"ready\n"


class _Worker:
    """The worker process and the line to it; one question at a time."""

    def __init__(self) -> None:
        self._lock = threading.Lock()
        self._process: subprocess.Popen[bytes] | None = None
        self._owner = 0

    def ask(self, kind: str, path: Path, limit_s: float) -> Any:
        with self._lock:
            process = self._running()
            stdin, stdout = process.stdin, process.stdout
            assert stdin is not None
            assert stdout is not None
            try:
                stdin.write(pickle.dumps((kind, str(path.absolute()))))
                stdin.flush()
                known, answer = _within(lambda: pickle.load(stdout), limit_s)  # noqa: S301 - from our own worker
            except (OSError, EOFError, pickle.UnpicklingError):
                self.end()
                raise ValueError("its structure makes the library that reads it fail") from None
            if not known:
                self.end()
                raise ValueError(f"the library that reads it comes to no end with it in {limit_s:.0f} s")
            return answer

    def _running(self) -> subprocess.Popen[bytes]:
        # After a fork the worker is the parent's, not ours.
        if self._process is not None and self._owner == os.getpid() and self._process.poll() is None:
            return self._process
        words = [sys.executable, "-c", "from washboard.recording._guarded import serve; serve()"]
        environment = {**os.environ, "OPENBLAS_NUM_THREADS": "1", "OMP_NUM_THREADS": "1"}
        source = str(Path(__file__).parents[2])
        environment["PYTHONPATH"] = os.pathsep.join(filter(None, (source, os.environ.get("PYTHONPATH", ""))))
        process = subprocess.Popen(
            words, stdin=subprocess.PIPE, stdout=subprocess.PIPE, stderr=subprocess.DEVNULL, env=environment
        )
        self._process, self._owner = process, os.getpid()
        stdout = process.stdout
        assert stdout is not None
        known, word = _within(stdout.readline, START_S)
        if not known or word != _READY:
            self.end()
            raise ValueError("the process that reads HDF5 files does not start")
        return process

    def end(self) -> None:
        process, self._process = self._process, None
        if process is None or self._owner != os.getpid():
            return
        process.kill()
        process.wait()
        for stream in (process.stdin, process.stdout):
            if stream is not None:
                with contextlib.suppress(OSError):
                    stream.close()


def _within(call: Callable[[], Any], limit_s: float) -> tuple[bool, Any]:
    """Whether `call` came back in time, and with what; its exception is raised here."""
    box: list[tuple[bool, Any]] = []

    def run() -> None:
        try:
            box.append((True, call()))
        except BaseException as error:  # noqa: BLE001 - handed on below
            box.append((False, error))

    thread = threading.Thread(target=run, daemon=True)
    thread.start()
    thread.join(limit_s)
    if not box:
        return False, None
    good, value = box[0]
    if not good:
        raise value
    return True, value


_WORKER = _Worker()
atexit.register(_WORKER.end)


def read_guarded(kind: str, path: Path) -> Any:
    """What the reader named `kind` makes of the file, read in the worker: ``"netcdf"``, ``"mat73"`` or ``"mat5"``.

    Raises
    ------
    FormatError
        As the reader itself.
    ValueError
        The reader failed, came to no end, or wanted more memory than the file can be worth.
    """
    from washboard.errors import FormatError

    size = path.stat().st_size
    verdict, value = _WORKER.ask(kind, path, LEAST_S + size / SLOWEST_DISK)
    if verdict == "good":
        return value
    raise FormatError(value) if verdict == "format" else ValueError(value)


def serve() -> None:
    """The worker: questions from standard input, answers to standard output, till the input ends."""
    import signal

    from washboard.errors import FormatError
    from washboard.recording._mat import tree_v5, tree_v73
    from washboard.recording._netcdf import read_hdf5

    signal.signal(signal.SIGINT, signal.SIG_IGN)
    # What a library prints must not get in between the answers.
    answers = os.fdopen(os.dup(1), "wb")
    os.dup2(2, 1)
    readers: dict[str, Callable[[Path], Any]] = {"netcdf": read_hdf5, "mat73": tree_v73, "mat5": tree_v5}
    answers.write(_READY)
    answers.flush()
    questions: BinaryIO = sys.stdin.buffer
    while True:
        try:
            kind, name = pickle.load(questions)  # noqa: S301 - from the process that started this one
        except EOFError:
            return
        path = Path(name)
        try:
            _limit_memory(path.stat().st_size)
            answer = ("good", readers[kind](path))
        except FormatError as error:
            answer = ("format", str(error))
        except Exception as error:  # noqa: BLE001 - whatever it is, the file cannot be read
            answer = ("bad", (str(error).splitlines() or [type(error).__name__])[0][:160])
        pickle.dump(answer, answers, protocol=5)
        answers.flush()


def _limit_memory(size: int) -> None:
    """Where the system can: no more address space than the file can be worth. Elsewhere only the time is limited."""
    try:
        import resource
    except ImportError:
        return
    pages = Path("/proc/self/statm")
    own = int(pages.read_text().split()[0]) * resource.getpagesize() if pages.exists() else 1 << 31
    hard = resource.getrlimit(resource.RLIMIT_AS)[1]
    wanted = own + LEAST_BYTES + TIMES_SIZE * size
    if hard != resource.RLIM_INFINITY:
        wanted = min(wanted, hard)
    with contextlib.suppress(OSError, ValueError):
        resource.setrlimit(resource.RLIMIT_AS, (wanted, hard))
