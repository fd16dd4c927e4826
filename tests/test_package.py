"""The package polices itself: sizes, names, docstrings, addresses, imports. Limits are our own (see each test)."""

from __future__ import annotations

import ast
import importlib
import inspect
import re
import subprocess
import sys
import tomllib
from pathlib import Path

import pytest

ROOT = Path(__file__).resolve().parent.parent
PACKAGE = ROOT / "src" / "washboard"
SOURCES = sorted(file for file in PACKAGE.rglob("*.py") if "vendor" not in file.parts)
ROOMS = (
    "recording", "loads", "duty", "shorten", "rig", "identify", "replicate", "endure", "correlate", "plot", "report",
    "simulate", "programme", "cli", "web", "testing",
)  # fmt: skip


def relative(file: Path) -> str:
    return file.relative_to(ROOT).as_posix()


@pytest.mark.parametrize("file", SOURCES, ids=relative)
def test_no_file_is_longer_than_600_lines(file):
    assert len(file.read_text(encoding="utf-8").splitlines()) <= 600


def test_nearly_all_functions_fit_a_screen():
    lengths = {
        f"{relative(file)}:{node.lineno} {node.name}": (node.end_lineno or 0) - node.lineno + 1 - _doc_lines(node)
        for file in SOURCES
        for node in ast.walk(ast.parse(file.read_text(encoding="utf-8")))
        if isinstance(node, (ast.FunctionDef, ast.AsyncFunctionDef))
    }
    long = {name: length for name, length in lengths.items() if length > 50}
    assert len(long) <= 0.05 * len(lengths), sorted(long.items(), key=lambda item: -item[1])[:20]


def _doc_lines(node: ast.FunctionDef | ast.AsyncFunctionDef) -> int:
    first = node.body[0]
    if isinstance(first, ast.Expr) and isinstance(first.value, ast.Constant) and isinstance(first.value.value, str):
        return (first.end_lineno or 0) - first.lineno + 1
    return 0


@pytest.mark.parametrize("file", SOURCES, ids=relative)
def test_files_are_named_after_ideas(file):
    assert file.stem.strip("_") not in {"utils", "util", "helpers", "helper", "base", "common", "misc", "core", "tools"}


@pytest.mark.parametrize("room", ROOMS)
def test_each_room_says_what_comes_in_and_what_goes_out(room):
    module = importlib.import_module(f"washboard.{room}")
    words = module.__doc__ or ""
    assert len(words.split()) >= 15, f"washboard.{room} has no docstring that says what comes in and goes out"
    assert len(words.splitlines()) <= 12


@pytest.mark.parametrize("room", ROOMS)
def test_exported_names_exist_sorted_and_once(room):
    module = importlib.import_module(f"washboard.{room}")
    names = list(getattr(module, "__all__", ()))
    if room not in {"cli", "web"}:
        assert names, f"washboard.{room} exports nothing"
    for name in names:
        assert hasattr(module, name), f"washboard.{room}.__all__ names {name}, which is not there"
    assert len(names) == len(set(names))


def _public() -> list[tuple[str, object]]:
    found = []
    for room in ROOMS:
        module = importlib.import_module(f"washboard.{room}")
        for name in getattr(module, "__all__", ()):
            thing = getattr(module, name)
            if inspect.isfunction(thing) or inspect.isclass(thing):
                found.append((f"{room}.{name}", thing))
    return found


def test_everything_public_has_a_docstring():
    bare = [name for name, thing in _public() if not (inspect.getdoc(thing) or "").strip()]
    assert bare == []


#: A unit in a name; where a number's name has none, the docstring must say what it is.
_SUFFIX = re.compile(r"_(m|s|hz|n|pa|kg|rad|m_s|m_s2|m2|m3|m3_s|n_m|n_s_m|mm|db|per_inch|h|share|ratio)$")
#: Numbers without a unit whose name says what they are.
_PLAIN = {
    "confidence", "cycles", "draws", "exponent", "first_level", "gap", "gate", "goal", "n_averages", "n_levels", "order",
    "overlap", "points", "position", "prior_lines", "seconds", "seed", "share", "slope", "tolerance", "uncertainty",
    "discharge", "true_fracture", "ultimate", "yield_strength",
}  # fmt: skip


def test_public_functions_say_the_units_of_their_numbers():
    silent = []
    for name, thing in _public():
        if not inspect.isfunction(thing) or name.startswith(("plot.", "testing.")):
            continue
        words = inspect.getdoc(thing) or ""
        for parameter in inspect.signature(thing).parameters.values():
            kind = str(parameter.annotation)
            if not re.fullmatch(r"(float|tuple\[float, float\])( \| None)?", kind):
                continue
            stated = re.search(rf"\b{parameter.name}\b", words)
            if not (_SUFFIX.search(parameter.name) or parameter.name in _PLAIN or stated):
                silent.append(f"{name}({parameter.name})")
    assert silent == []


_ADDRESS = re.compile(r"\b(?:https?|ftp|wss?)://(?!127\.0\.0\.1|localhost|\{|www\.w3\.org/)[\w.-]+")


def test_the_package_holds_no_network_address():
    found = [
        f"{relative(file)}: {match.group()}"
        for file in sorted(PACKAGE.rglob("*"))
        if file.suffix in {".py", ".toml", ".typ", ".html", ".css", ".json", ".js", ".vue"}
        and "vendor" not in file.parts
        for match in _ADDRESS.finditer(file.read_text(encoding="utf-8"))
    ]
    assert found == []


def test_locks_hold_hashes_and_no_address():
    for file in (ROOT / "locks").glob("*.txt"):
        text = file.read_text(encoding="utf-8")
        assert "://" not in text
        pinned = re.findall(r"^[A-Za-z0-9][\w.-]*==", text, flags=re.MULTILINE)
        assert len(pinned) > 20
        assert text.count("--hash=sha256:") >= len(pinned)


#: Words of other tongues for what has one word here (recording, event, target, drive, response, pass, specimen).
_STRANGERS = re.compile(r"(?i)(timeseries|time_series|dataset|dataframe(?!s?_)|waveform|trace(?!back)|schedule_file)")


def test_public_names_use_one_word_per_idea():
    strange = [name for name, _ in _public() if _STRANGERS.search(name.split(".", 1)[1])]
    assert strange == []


HEAVY = ("scipy.signal", "numba", "pandas", "pyarrow", "matplotlib", "asammdf", "nicegui", "typst", "sqlalchemy")


@pytest.mark.parametrize("module", ["washboard.programme", "washboard.cli", "washboard.web"])
def test_opening_a_programme_imports_nothing_heavy(module):
    code = f"import sys, {module}; print(*[name for name in {HEAVY!r} if name in sys.modules])"
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    assert done.stdout.split() == []


def test_the_library_prints_nothing_and_stays_off_pyplot():
    for file in SOURCES:
        text = file.read_text(encoding="utf-8")
        assert "pyplot" not in re.sub(r"without pyplot|off pyplot", "", text), relative(file)


def test_dependencies_of_tests_are_not_imported_by_the_package():
    project = tomllib.loads((ROOT / "pyproject.toml").read_text(encoding="utf-8"))["project"]
    names = {re.split(r"[<>=\[]", entry)[0].replace("-", "_") for entry in project["optional-dependencies"]["test"]}
    reference = names & {
        "control", "fatigueds", "fatpack", "flife", "mujoco", "py_fatigue", "py3wafo", "pyfrf", "pylife", "rainflow",
        "hypothesis", "pytest", "playwright",
    }  # fmt: skip
    assert reference
    for file in SOURCES:
        for node in ast.walk(ast.parse(file.read_text(encoding="utf-8"))):
            modules = (
                [alias.name for alias in node.names] if isinstance(node, ast.Import)
                else [node.module or ""] if isinstance(node, ast.ImportFrom) else []
            )  # fmt: skip
            for module in modules:
                assert module.split(".")[0].lower() not in reference, f"{relative(file)} imports {module}"


def test_no_trace_of_where_it_was_made():
    words = re.compile(r"/work/|/tmp/|/home/|/root/")
    for file in [*SOURCES, *PACKAGE.rglob("*.toml"), *(ROOT / "docs").rglob("*.md"), ROOT / "README.md"]:
        assert not words.search(file.read_text(encoding="utf-8")), relative(file)
