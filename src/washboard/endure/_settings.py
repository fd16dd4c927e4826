"""Settings of the endurance run."""

from __future__ import annotations

from typing import Annotated, Literal

from washboard.settings import settings
from washboard.units import Unit


@settings
class EndureSettings:
    """How the sequence is run and watched: `[endure]`.

    `passes` limits how many passes one call runs, 0 for the rest of the test. The plays of each event are spread evenly
    over `blocks` blocks, so that a test stopped early has seen its share of everything. The first `reference_passes`
    passes of each drive are its reference; a later pass has changed where the amplitude of a channel differs from it by
    more than `tolerance` and by more than its own scatter explains. A change counts once it was seen in `confirm`
    passes in a row; `on_change` says whether the run then stops. `specimen` names the vehicle on the rig: a new name
    starts a new count.
    """

    passes: int = 0
    blocks: int = 10
    reference_passes: int = 3
    tolerance: Annotated[float, Unit("1", gt=0)] = 0.1
    confirm: int = 2
    on_change: Literal["stop", "go on"] = "stop"
    specimen: str = "1"
