"""What the documentation says is so: its examples run, its links lead somewhere, its lists are whole."""

from __future__ import annotations

import importlib.util
import re
import subprocess
import sys
import tomllib
from pathlib import Path

import pytest

ROOT = Path(__file__).resolve().parent.parent
PAGES = [ROOT / "README.md", *sorted((ROOT / "docs").glob("*.md"))]


def blocks(language: str) -> list[tuple[str, str]]:
    found = []
    for page in PAGES:
        for number, text in enumerate(
            re.findall(rf"^```{language}\n(.*?)^```", page.read_text(encoding="utf-8"), flags=re.DOTALL | re.MULTILINE)
        ):
            found.append((f"{page.name}-{number}", text))
    return found


@pytest.mark.parametrize(("name", "text"), blocks("python"), ids=[name for name, _ in blocks("python")])
def test_python_examples_run(name, text, tmp_path):
    if not name.startswith("README"):
        # Fragments within a page, about objects its words speak of: what they import must be there, and they must parse.
        compile(text, name, "exec")
        text = "\n".join(re.findall(r"^(?:from|import) .*$", text, flags=re.MULTILINE))
    file = tmp_path / "example.py"
    file.write_text(text)
    done = subprocess.run([sys.executable, file], capture_output=True, text=True, cwd=tmp_path, check=False)
    assert done.returncode == 0, done.stderr


@pytest.mark.parametrize(("name", "text"), blocks("toml"), ids=[name for name, _ in blocks("toml")])
def test_toml_examples_are_toml(name, text):
    assert tomllib.loads(text)


@pytest.mark.parametrize("page", PAGES, ids=lambda page: page.name)
def test_links_lead_somewhere(page):
    for target in re.findall(r"\]\(([^)#\s]+)(?:#[^)]*)?\)", page.read_text(encoding="utf-8")):
        assert "://" not in target or target.startswith("http"), target
        if "://" not in target:
            assert (page.parent / target).exists(), f"{page.name} links to {target}"


def test_every_page_is_in_the_index():
    index = (ROOT / "docs" / "index.md").read_text(encoding="utf-8")
    for page in (ROOT / "docs").glob("*.md"):
        assert page.name == "index.md" or f"({page.name})" in index, page.name


def test_the_programme_file_reference_is_up_to_date():
    spec = importlib.util.spec_from_file_location("reference", ROOT / "tools" / "reference.py")
    assert spec is not None
    assert spec.loader is not None
    module = importlib.util.module_from_spec(spec)
    spec.loader.exec_module(module)
    written = (ROOT / "docs" / "programme-file.md").read_text(encoding="utf-8")
    assert written == module.reference(), "run tools/reference.py"


def test_every_command_and_option_is_in_the_command_line_page():
    import typer.main

    from washboard.cli._app import app

    words = (ROOT / "docs" / "command-line.md").read_text(encoding="utf-8")
    group = typer.main.get_command(app)
    for name, command in group.commands.items():  # type: ignore[attr-defined]
        assert f"`{name}" in words, name
        for parameter in command.params:
            if getattr(parameter, "hidden", False):
                continue
            for option in getattr(parameter, "opts", []):
                if option.startswith("--") and option != "--help":
                    assert option in words, f"{name} {option}"


def test_the_readme_begins_with_the_job_and_the_two_commands():
    lines = (ROOT / "README.md").read_text(encoding="utf-8").splitlines()
    first = next(line for line in lines[1:] if line)
    assert first.startswith("Washboard is for the engineer who runs durability tests of heavy vehicles")
    text = "\n".join(lines[:20])
    assert text.index("python3 start.py demo") < text.index("python3 start.py test") < text.index("py start.py demo")


def test_the_readme_picture_is_ours():
    text = (ROOT / "docs" / "equivalence.svg").read_text(encoding="utf-8")
    assert text.startswith("<svg")
    assert "<script" not in text


def test_start_says_what_it_does():
    done = subprocess.run(
        [sys.executable, ROOT / "start.py", "--help"], capture_output=True, text=True, check=True, cwd=ROOT
    )
    assert "start.py demo" in done.stdout
    assert "start.py test" in done.stdout
