"""`washboard plan DIR --fit` and `--use-fit`: what the measured FRF says about the description, and using it."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING

import typer

from washboard.cli._console import answer, note, say, say_findings

if TYPE_CHECKING:
    from washboard.programme import KeptFit


def fit_description(folder: Path, *, as_json: bool) -> None:
    """Fit, keep the result in the folder, say it; exits with 1 where something is worth a look."""
    from washboard.programme import fit_identified, keep_fit, read_plan

    plan = read_plan(folder)
    note("fitting the description to the identified FRF; up to a minute")
    fit = keep_fit(folder, plan, fit_identified(folder, plan))
    if as_json:
        answer(fit)
    else:
        _show(fit, folder)
    if any(finding.severity != "note" for finding in fit.findings):
        raise typer.Exit(1)


def _show(fit: KeptFit, folder: Path) -> None:
    from washboard.units import format_quantity

    say(
        f"The model misses the measured FRF by {fit.misfit_before:.1f} times its uncertainty with the description, by "
        f"{fit.misfit_after:.1f} times with the numbers below; {fit.known} of {len(fit.parameters)} are told."
    )
    width = max(len(one.name) for one in fit.parameters)
    for one in fit.parameters:
        before, after = (format_quantity(value, one.unit, digits=4) for value in (one.start, one.value))
        words = "" if one.identifiable else "  not told" + (
            f", like {', '.join(one.confused_with)}" if one.confused_with else "")  # fmt: skip
        change = f"{one.value / one.start - 1:+7.1%} ±{one.spread:4.0%}"
        say(f"  {one.name:{width}}  {before:>16} -> {after:>16}  {change}{words}")
    say(
        f"  posts from command to pan: {fit.bandwidth_hz:.1f} Hz, {fit.delay_s * 1e3:.1f} ms (not written by --use-fit)"
    )
    if not fit.weighed:
        say("  No wheel was weighed, so masses stay as described: motions tell no mass. Give specimen.axle.weighed.")
    say_findings(tuple(finding for finding in fit.findings if finding.severity != "note"))
    if fit.near:
        say("The description meets the measurement well enough: leave it. Nothing was changed.")
    else:
        say(f"Nothing was changed. To plan with these numbers: washboard plan {folder} --use-fit")


def use_fitted(folder: Path) -> None:
    """Write the kept fit into programme.toml."""
    from washboard.programme import read_plan, use_fit

    copy = use_fit(folder, read_plan(folder))
    note(
        f"programme.toml has the fitted numbers; as it was it is kept in {copy.name}. Other steps that read the "
        "description are stale now"
    )
