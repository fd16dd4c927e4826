"""What is printed before the vehicle arrives: the test plan, and the set-up procedure with boxes to tick and sign.

Each is one HTML file with everything in it; a browser prints it on A4.
"""

from __future__ import annotations

import csv
import io
from collections.abc import Sequence
from html import escape

from washboard.plot import safe_cell
from washboard.report import POLICY, Exhibit, shown

_STYLE = """
@page { size: A4; margin: 16mm 14mm; }
body { font: 10.5pt/1.4 system-ui, "DejaVu Sans", sans-serif; color: #111; max-width: 190mm; margin: 0 auto; }
h1 { font-size: 17pt; } h2 { font-size: 13pt; margin-top: 1.6em; break-after: avoid; }
p.pale { color: #555; } svg { width: 100%; height: auto; }
table { border-collapse: collapse; width: 100%; } tr { break-inside: avoid; }
th { text-align: left; border-bottom: 1px solid #111; } td { vertical-align: top; border-bottom: 1px solid #ccc; }
th, td { padding: 2pt 6pt 2pt 0; }
td.box { white-space: nowrap; } tr.hold td { background: #fff3dc; border-top: 2px solid; border-bottom: 2px solid; }
td.sign { min-width: 42mm; } td.n { text-align: right; }
"""


def printed(title: str, note: str, exhibits: Sequence[Exhibit]) -> str:
    """One HTML file of exhibits to print; a table with a column ``"Hold"`` gets a box per step and a line to sign."""
    body = [f"<h1>{escape(title)}</h1>", f'<p class="pale">{escape(note)}</p>']
    for exhibit in exhibits:
        body.append(f'<h2>{escape(exhibit.title)}</h2><p class="pale">{escape(exhibit.caption)}</p>')
        body.append(exhibit.svg or (_steps(exhibit) if "Hold" in exhibit.columns else _table(exhibit)))
    return (
        '<!doctype html><html lang="en"><head><meta charset="utf-8">'
        f'<meta http-equiv="Content-Security-Policy" content="{POLICY}"><title>{escape(title)}</title>'
        f"<style>{_STYLE}</style></head><body>{''.join(body)}</body></html>"
    )


def _steps(exhibit: Exhibit) -> str:
    rows = [
        f'<tr class="{"hold" if hold else "step"}"><td class="n">{number}</td><td class="box">&#9744;</td>'
        f"<td>{'<strong>HOLD. </strong>' if hold else ''}{escape(str(text))}</td>"
        f'<td class="sign">{"name, time, signature:" if hold else ""}</td></tr>'
        for number, text, hold, *_ in exhibit.rows
    ]
    return f"<table><tr><th>No</th><th></th><th>Step</th><th></th></tr>{''.join(rows)}</table>"


def _table(exhibit: Exhibit) -> str:
    head = "".join(f"<th>{escape(column)}</th>" for column in exhibit.columns)
    rows = "".join(
        "<tr>" + "".join(f"<td>{escape(shown(cell))}</td>" for cell in row) + "</tr>" for row in exhibit.rows
    )
    return f"<table><tr>{head}</tr>{rows}</table>"


def channel_list(exhibit: Exhibit) -> str:
    """A table as CSV, for the technician's own spreadsheet."""
    out = io.StringIO()
    writer = csv.writer(out)
    writer.writerow([safe_cell(column) for column in exhibit.columns])
    writer.writerows([safe_cell(shown(cell)) for cell in row] for row in exhibit.rows)
    return out.getvalue()
