"""Reports: users' words are data, both forms hold the same, and the same document makes the same bytes."""

from __future__ import annotations

import re
import shutil
import subprocess

import pytest

from washboard.errors import StorageError
from washboard.recording import Finding
from washboard.report import CAUTIONS, Chapter, Document, Exhibit, Provenance, first_sentence, html, pdf, shown

NASTY = "#eval(\"1+1\") *bold* <script>alert('x')</script> $x^2$ @ref `raw` [x] = & \\ #pagebreak()"


def figure(seed: int = 0) -> str:
    from washboard.plot import new_figure, panels, styled, to_svg

    @styled
    def drawn():
        made = new_figure()
        panels(made)[0, 0].plot([0, 1, 2], [seed, 3, 1])
        return made

    return to_svg(drawn())


def document(words: str = "plain", **changes) -> Document:
    exhibits = (
        Exhibit(title=f"Figure {words}", caption=f"Caption {words}", svg=figure()),
        Exhibit(
            title="Table",
            caption="Numbers",
            columns=("name", "level [m/s²]", words),
            rows=tuple((f"row {k} {words}", 1.5 * k, None) for k in range(60)),
        ),
    )
    chapters = (
        Chapter(
            name="check",
            title=f"Find faults {words}",
            verdict="look",
            summary=f"Two of three laps are ready {words}. More words.",
            findings=(Finding(kind="spike", severity="warning", text=f"4 spikes {words}", channel="az", advice=words),),
            exhibits=exhibits,
        ),
        Chapter(name="correlate", title="Laboratory against field", verdict="fine", summary="All is well."),
    )
    values = {
        "title": f"Yard test {words}",
        "facts": {"Vehicle": words, "Service": "60,000 km"},
        "statement": f"24 passes equal 290 km {words}",
        "chapters": chapters,
        "provenance": (
            Provenance(
                stage="check", version="0.1.0", started="2026-01-02T03:04:05+00:00", seconds=1.5, settings="a" * 64,
                inputs="b" * 64, outputs="c" * 64,
            ),
        ),
        "recordings": (("recordings/yard-1.csv", "d" * 64),),
        **changes,
    }  # fmt: skip
    return Document(**values)


def text_of(content: bytes, tmp_path) -> str:
    if shutil.which("pdftotext") is None:
        pytest.skip("pdftotext is not installed (package poppler-utils)")
    file = tmp_path / "report.pdf"
    file.write_bytes(content)
    done = subprocess.run(["pdftotext", "-raw", file, "-"], capture_output=True, text=True, check=True)
    return " ".join(done.stdout.split())


def test_the_same_document_makes_the_same_bytes():
    assert pdf(document()) == pdf(document())
    assert html(document()) == html(document())
    assert pdf(document()) != pdf(document("other"))


def test_users_words_are_printed_as_they_are_in_the_pdf(tmp_path):
    words = text_of(pdf(document(NASTY)), tmp_path)
    for part in ('#eval("1+1")', "*bold*", "<script>", "$x^2$", "@ref", "#pagebreak()"):
        assert part in words
    assert "check" in words


def test_users_words_are_no_markup_in_the_html():
    text = html(document(NASTY))
    assert "<script" not in text
    assert text.count("&lt;script&gt;") >= 6
    assert not re.search(r'(?:src|href)="(?!data:|#)', text)
    assert not re.search(r"\bon\w+=", text)


def test_both_forms_hold_the_same(tmp_path):
    page = re.sub(r"<[^>]+>", " ", html(document()))
    page = " ".join(page.replace("&#x27;", "'").replace("&quot;", '"').split())
    words = text_of(pdf(document()), tmp_path)
    for part in (
        "Yard test plain", "24 passes equal 290 km plain", "4 spikes plain", "row 5 plain", "recordings/yard-1.csv",
        "d" * 64, "a" * 12, CAUTIONS[0][0], "Two of three laps are ready plain", "2026-01-02 03:04:05 UTC",
    ):  # fmt: skip
        assert part in page
        assert part.replace(" ", "") in words.replace(" ", "")
    assert "44 more rows in the HTML report" in words
    assert "row 59 plain" in page


def test_pages_are_numbered_and_a4(tmp_path):
    if shutil.which("pdfinfo") is None:
        pytest.skip("pdfinfo is not installed (package poppler-utils)")
    file = tmp_path / "report.pdf"
    file.write_bytes(pdf(document()))
    told = subprocess.run(["pdfinfo", file], capture_output=True, text=True, check=True).stdout
    pages = int(re.search(r"Pages:\s+(\d+)", told).group(1))
    assert re.search(r"Page size:\s+595\.\d+ x 841\.\d+ pts \(A4\)", told)
    assert f"Page {pages} of {pages}" in text_of(file.read_bytes(), tmp_path)


def test_a_figure_that_is_no_svg_is_one_clear_error():
    bad = Chapter(
        name="check", title="x", verdict="fine", summary="x", exhibits=(Exhibit(title="Broken", svg="<svg broken"),)
    )
    with pytest.raises(StorageError, match="the PDF report could not be set"):
        pdf(document(chapters=(bad,)))


@pytest.mark.parametrize(
    ("cell", "text"),
    [
        (None, "–"), (3, "3"), (12345, "12,345"), (0.123456, "0.1235"), (-2.5, "−2.5"), (123456.7, "123,457"),
        (float("nan"), "–"), (True, "yes"), ("word", "word"), (1.5e-9, "1.5e−09"),
    ],
)  # fmt: skip
def test_cells_are_printed_for_people(cell, text):
    assert shown(cell) == text


def test_the_first_sentence():
    assert first_sentence("One thing; another. Third.") == "One thing"
    assert first_sentence("0.5 of it is done.") == "0.5 of it is done"


def test_svg_is_the_same_each_time_and_holds_no_date():
    one, other = figure(), figure()
    assert one == other
    assert one.startswith("<svg")
    assert not re.search(r"20\d\d-\d\d-\d\d", one)
    assert "<metadata" not in one
    assert figure(5) != one
