"""A report as one HTML file with everything in it: nothing is loaded from anywhere."""

from __future__ import annotations

from collections.abc import Iterator
from html import escape
from typing import Any

from washboard.report._document import Document, to_table
from washboard.report._figures import sheet

_STYLE = """
:root { color-scheme: light; }
body { font: 15px/1.55 system-ui, "Segoe UI", "DejaVu Sans", sans-serif; color: #222; background: #fff; margin: 0; }
main { max-width: 62rem; margin: 0 auto; padding: 1.5rem 1.2rem 4rem; }
h1 { font-size: 2rem; margin: .2rem 0 1rem; }
h2 { font-size: 1.35rem; margin: 2.6rem 0 .6rem; border-top: 1px solid #d8d8d8; padding-top: 1.4rem; }
h3 { font-size: 1.05rem; margin: 1.6rem 0 .4rem; }
.pale, figcaption, caption { color: #6a6a6a; font-size: .88rem; text-align: left; }
dl { display: grid; grid-template-columns: max-content 1fr; gap: .25rem 1.2rem; margin: 0 0 1.4rem; }
dt { color: #6a6a6a; } dd { margin: 0; }
.statement { background: #f2f5f8; border-radius: 6px; padding: 1rem 1.2rem; }
.fine { color: #00795a; font-weight: 700; } .look { color: #a25c00; font-weight: 700; }
figure { margin: 1.2rem 0; } figure svg { width: 100%; height: auto; }
figure svg * { stroke-linejoin: round; stroke-linecap: butt; }
.scroll { overflow-x: auto; }
table { border-collapse: collapse; font-size: .86rem; } caption { padding-bottom: .3rem; }
th { text-align: left; border-bottom: 1px solid #6a6a6a; } th, td { padding: .2rem .6rem .2rem 0; vertical-align: top; }
td.n, th.n { text-align: right; font-variant-numeric: tabular-nums; }
tr:nth-child(even) td { background: #fafafa; }
nav a { margin-right: .9rem; white-space: nowrap; } a { color: #0060a0; }
code { font-size: .82rem; overflow-wrap: anywhere; }
@media print { nav { display: none; } h2 { break-after: avoid; } figure { break-inside: avoid; } }
"""

# Nothing may be fetched or run, whatever the words in the report are.
#: What a page that holds everything itself may load.
POLICY = "default-src 'none'; img-src data:; style-src 'unsafe-inline'"


def html(document: Document) -> str:
    """The report as the text of one HTML file, self-contained; the same document, the same text."""
    data = to_table(document)
    drawn = sheet([exhibit["svg"] for exhibit in _drawn(data)], [exhibit["title"] for exhibit in _drawn(data)])
    for exhibit, figure in zip(_drawn(data), drawn.figures, strict=True):
        exhibit["figure"] = figure
    body = [
        drawn.shared,
        '<p class="pale">Durability test report</p>',
        f"<h1>{escape(data['title'])}</h1>",
        _facts(data["facts"]),
        '<div class="statement"><strong>What the laboratory running equals</strong>'
        f"<p>{escape(data['statement'])}</p></div>",
        _exhibit(data["picture"]) if data["picture"] else "",
        _verdicts(data["chapters"]),
        '<h2 id="before">Before you rely on this</h2>',
        *(f"<p><strong>{escape(head)}.</strong> {escape(text)}</p>" for head, text in data["cautions"]),
        *(_chapter(chapter) for chapter in data["chapters"]),
        _provenance(data),
    ]
    return (
        '<!DOCTYPE html>\n<html lang="en">\n<head>\n<meta charset="utf-8">\n'
        f'<meta http-equiv="Content-Security-Policy" content="{POLICY}">\n'
        '<meta name="viewport" content="width=device-width, initial-scale=1">\n'
        f"<title>{escape(data['title'])}</title>\n<style>{_STYLE}</style>\n</head>\n<body>\n<main>\n"
        + "\n".join(body)
        + "\n</main>\n</body>\n</html>\n"
    )


def _facts(facts: list[list[str]]) -> str:
    return "<dl>" + "".join(f"<dt>{escape(name)}</dt><dd>{escape(text)}</dd>" for name, text in facts) + "</dl>"


def _drawn(data: dict[str, Any]) -> Iterator[dict[str, Any]]:
    """Every exhibit of the document that is a figure."""
    exhibits = [data["picture"], *(exhibit for chapter in data["chapters"] for exhibit in chapter["exhibits"])]
    return (exhibit for exhibit in exhibits if exhibit and exhibit["svg"])


def _mark(verdict: str) -> str:
    return f'<span class="{"fine" if verdict == "fine" else "look"}">{escape(verdict)}</span>'


def _verdicts(chapters: list[dict[str, Any]]) -> str:
    rows = "".join(
        f'<tr><td><a href="#{escape(c["name"])}">{escape(c["name"])}</a></td><td>{_mark(c["verdict"])}</td>'
        f"<td>{escape(c['short'])}</td></tr>"
        for c in chapters
    )
    return (
        f"<h3>The steps and their verdicts</h3><table><tbody>{rows}</tbody></table>"
        '<p class="pale">A verdict of <span class="look">look</span> asks for a person\'s judgement; the chapter says '
        "why.</p>"
    )


def _chapter(chapter: dict[str, Any]) -> str:
    name = chapter["name"]
    parts = [
        f'<h2 id="{escape(name)}">{escape(name.capitalize())}: {escape(chapter["title"])}</h2>',
        f"<p>{_mark(chapter['verdict'])} {escape(chapter['summary'])}</p>",
        _findings(chapter["findings"]),
        *(_exhibit(exhibit) for exhibit in chapter["exhibits"]),
    ]
    return "\n".join(part for part in parts if part)


def _findings(findings: list[dict[str, str]]) -> str:
    if not findings:
        return ""
    items = []
    for finding in findings:
        grave = finding["severity"] != "note"
        mark = f'<span class="look">{escape(finding["severity"])}:</span> ' if grave else ""
        advice = f' <span class="pale">→ {escape(finding["advice"])}</span>' if finding["advice"] else ""
        items.append(f"<li>{mark}{escape(finding['text'])}{advice}</li>")
    return f"<ul>{''.join(items)}</ul>"


def _exhibit(exhibit: dict[str, Any]) -> str:
    words = f"<strong>{escape(exhibit['title'])}.</strong> {escape(exhibit['caption'])}".strip()
    parts = []
    if exhibit["svg"]:
        parts.append(f"<figure>{exhibit['figure']}<figcaption>{words}</figcaption></figure>")
    if exhibit["columns"]:
        caption = "" if exhibit["svg"] else words
        parts.append(_table(exhibit["columns"], exhibit["numeric"], exhibit["rows"], caption))
    return "\n".join(parts)


def _table(columns: list[str], numeric: list[bool], rows: list[list[str]], caption: str = "") -> str:
    classes = [' class="n"' if column else "" for column in numeric]
    head = "".join(f"<th{c}>{escape(text)}</th>" for c, text in zip(classes, columns, strict=True))
    lines = "".join(
        "<tr>" + "".join(f"<td{c}>{escape(cell)}</td>" for c, cell in zip(classes, row, strict=True)) + "</tr>"
        for row in rows
    )
    named = f"<caption>{caption}</caption>" if caption else ""
    return f'<div class="scroll"><table>{named}<thead><tr>{head}</tr></thead><tbody>{lines}</tbody></table></div>'


def _provenance(data: dict[str, Any]) -> str:
    columns = ["step", "version", "started", "time [s]", "settings", "inputs", "files"]
    numeric = [False, False, False, True, False, False, False]
    parts = [
        '<h2 id="provenance">What this report was made from</h2>',
        "<p>Each step with the version that made it, when, how long it took, and the beginnings of the digests "
        "(SHA-256) of what it read of the programme file, of all its inputs and of all its files. Equal digests mean "
        "equal content.</p>",
        _table(columns, numeric, data["provenance"]),
    ]
    if data["recordings"]:
        parts += [
            "<h3>Original recordings</h3>",
            "<p>Digest of each file's content; the files were read and never written to.</p>",
            _table(["recording", "SHA-256"], [False, False], data["recordings"]),
        ]
    return "\n".join(parts)
