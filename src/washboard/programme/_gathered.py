"""The same finding in many laps, said once."""

from __future__ import annotations

import dataclasses
import re
from collections.abc import Sequence

from washboard.recording import Finding

_LAP = re.compile(r"^(?P<event>.+?), lap (?P<lap>\d+): (?P<text>.*)$", re.DOTALL)


def gathered(findings: Sequence[Finding]) -> tuple[Finding, ...]:
    """One finding for each kind, channel and severity that two laps or more have; the others as they are.

    What is gathered says in how many laps of how many events it was found, and the worst of them; its evidence is the
    worst's. The place in the list is that of the first.
    """
    groups: dict[tuple[str, str, str], list[tuple[Finding, re.Match[str] | None]]] = {}
    for number, finding in enumerate(findings):
        match = _LAP.match(finding.text)
        # What concerns a whole lap, or no lap, stays by itself.
        key = (finding.kind, finding.channel, finding.severity) if match and finding.channel else ("", str(number), "")
        groups.setdefault(key, []).append((finding, match))
    made: list[Finding] = []
    for entries in groups.values():
        laps = {(match["event"], match["lap"]) for _finding, match in entries if match}
        if len(laps) < 2:
            made.extend(finding for finding, _match in entries)
            continue
        worst, match = max(entries, key=lambda entry: abs(entry[0].measured or 0.0))
        assert match is not None
        events = {event for event, _lap in laps}
        where = f"{len(laps)} laps of {len(events)} event{'s' if len(events) > 1 else ''}"
        text = f"in {where}, the worst {match['event']}, lap {match['lap']}: {match['text']}"
        made.append(dataclasses.replace(worst, text=text))
    return tuple(made)
