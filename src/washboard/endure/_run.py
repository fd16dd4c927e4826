"""Run the sequence: begin in the journal, play, measure, compare, done in the journal; stop when it should."""

from __future__ import annotations

from collections import Counter
from collections.abc import Callable, Mapping
from dataclasses import dataclass

from washboard.endure._change import Change, Reference, change_statement, compare_pass, reference_of
from washboard.endure._features import PassFeatures, pass_features
from washboard.endure._journal import Journal, PassRecord
from washboard.endure._sequence import Sequence, SequenceStep
from washboard.endure._settings import EndureSettings
from washboard.endure._states import EndReason
from washboard.errors import Cancelled, DataError, InputError, RigError, RigTripped, WashboardError
from washboard.recording import Recording
from washboard.rig import RigLink
from washboard.settings import Progress, no_progress

Keep = Callable[[PassRecord, Recording], None]


@dataclass(frozen=True, kw_only=True, slots=True)
class RunResult:
    """How a run ended.

    Parameters
    ----------
    reason : str
        A key of `ENDINGS`.
    text : str
        In words, with what to do when there is something to do.
    played : int
        Passes played by this call.
    done, planned : int
        Passes of this sequence done so far by all runs, and in the whole test.
    changes : tuple of Change
        What is confirmed to have changed, empty when nothing is.
    statement : str
        The same in words.
    """

    reason: EndReason
    text: str
    played: int
    done: int
    planned: int
    changes: tuple[Change, ...]
    statement: str


class OpenPassError(InputError):
    """A pass was begun and nobody knows what became of it: a person must say before the rig moves again."""


def open_pass_text(entry: PassRecord, command: str) -> str:
    """What to ask a person about a pass that was begun and not reported done."""
    return (
        f"pass {entry.number} (event '{entry.event}', begun {entry.begun_at}) was begun, and nothing says how far it "
        f"came. Look at the rig's own log, then say so: '{command} --begun done' when it was played to the end (it "
        "counts), '--begun not-done' when the rig did not move (it will be played again), '--begun abandoned' when it "
        "was played in part or nobody knows (it does not count, and stays on record)"
    )


def settle(journal: Journal, answer: str, *, by: str = "", note: str = "") -> PassRecord:
    """Settle the one open pass as a person says: ``"done"``, ``"not-done"`` or ``"abandoned"``. Raises InputError."""
    words = {"done": "confirmed", "not-done": "not done", "abandoned": "abandoned"}
    if answer not in words:
        raise InputError(f"'{answer}' is not one of: {', '.join(words)}")
    waiting = journal.open_passes()
    if not waiting:
        raise InputError("no pass is open: every pass in the journal is settled; run endure without --begun")
    entry = waiting[0]
    if entry.state == "begun":
        journal.change_state(entry.number, "unclear", note="found open at the next start")
    journal.change_state(entry.number, words[answer], by=by, note=note)  # type: ignore[arg-type]
    return next(found for found in journal.passes() if found.number == entry.number)


def done_plays(journal: Journal, specimen: str, drives: Mapping[str, str]) -> dict[str, int]:
    """Passes of each event that count for the present drives (digest per event) on one specimen."""
    counted = Counter(
        entry.event for entry in journal.passes(specimen) if entry.counted and entry.drive == drives.get(entry.event)
    )
    return dict(counted)


def run_sequence(
    link: RigLink,
    journal: Journal,
    sequence: Sequence,
    drives: Mapping[str, Recording],
    settings: EndureSettings,
    *,
    slopes: tuple[float, ...],
    bands_hz: tuple[tuple[float, float], ...],
    about: Mapping[str, object] | None = None,
    command: str = "washboard endure DIR",
    prepare: Callable[[Recording], Recording] = lambda response: response,
    keep: Keep = lambda _entry, _response: None,
    progress: Progress = no_progress,
) -> RunResult:
    """Play what is left of the sequence, at most `settings.passes` passes of it.

    Before the rig is told to play, the pass stands as begun in the journal; after it, as done with its measures. Passes
    done earlier with the same drive on the same specimen count, whichever run they belong to. However this ends, the
    rig is told to stop, and the journal says why.

    Parameters
    ----------
    drives : mapping of str to Recording
        The drive of each event of the sequence.
    slopes, bands_hz
        What is measured; see `pass_features`.
    about : mapping, optional
        What the journal should say about the run: rig, vehicle.
    prepare : function
        Applied to each response before it is measured, for example a filter to the reproduced band.
    keep : function
        Called with each measured pass and its response, for example to store it.

    Raises
    ------
    OpenPassError
        An earlier pass is open: it is never silently repeated or dropped.
    InputError
        An event of the sequence has no drive.
    Cancelled, RigError, RigTripped
        After the journal has been told.
    """
    missing = [event for event in sequence.plays if event not in drives]
    if missing:
        raise InputError(f"event '{missing[0]}' has no drive; run 'replicate' for it")
    waiting = journal.open_passes()
    if waiting:
        raise OpenPassError(open_pass_text(waiting[0], command))
    digests = {event: drive.digest() for event, drive in drives.items() if event in sequence.plays}
    left = sequence.remaining(done_plays(journal, settings.specimen, digests))
    batch = left[: settings.passes] if settings.passes else left
    watch = _Watch(journal, digests, settings)
    run = journal.begin_run(
        specimen=settings.specimen,
        about={**(about or {}), "drives": digests, "planned": len(sequence.steps), "mixing": sequence.mixing},
    )
    played = 0
    reason: EndReason = "interrupted"
    text = ""
    try:
        for step in batch:
            progress(played / len(batch), f"pass {played + 1} of {len(batch)} now: {step.event}")
            entry = journal.begin_pass(
                run, specimen=settings.specimen, event=step.event, block=step.block, drive=digests[step.event]
            )
            response = _play(link, journal, entry, drives[step.event], _inner(progress, played, len(batch), step))
            try:
                features = pass_features(prepare(response), slopes=slopes, bands_hz=bands_hz)
            except DataError as error:
                # The rig did play it: it counts, though it could not be measured.
                journal.change_state(entry.number, "done", note=f"not measured: {error}")
                raise
            journal.change_state(entry.number, "done", result=watch.judge(step.event, features))
            played += 1
            keep(entry, response)
            if watch.confirmed and settings.on_change == "stop":
                break
        if watch.confirmed and settings.on_change == "stop":
            reason = "change"
            text = f"{watch.statement} When the cause is known and the test shall go on: '{command} --accept-change'."
        else:
            reason = "finished" if len(batch) == len(left) else "limit"
    except WashboardError as error:
        reason, text = _ending(error), str(error)
        raise
    except BaseException as error:
        text = f"{type(error).__name__}: {error}"
        raise
    finally:
        # Whatever happened, the rig comes to rest before anything else, and only then the journal closes the run.
        try:
            link.stop()
        finally:
            journal.end_run(run, reason, text)
    done = sum(done_plays(journal, settings.specimen, digests).values())
    return RunResult(
        reason=reason, text=text, played=played, done=done, planned=len(sequence.steps), changes=watch.confirmed,
        statement=watch.statement,
    )  # fmt: skip


def _ending(error: WashboardError) -> EndReason:
    if isinstance(error, Cancelled):
        return "stopped"
    return "tripped" if isinstance(error, RigTripped) else "failed"


def _inner(progress: Progress, played: int, total: int, step: SequenceStep) -> Progress:
    def report(share: float, _words: str) -> None:
        progress((played + share) / total, f"pass {played + 1} of {total} now: {step.event}")

    return report


def _play(link: RigLink, journal: Journal, entry: PassRecord, drive: Recording, progress: Progress) -> Recording:
    """Play one begun pass; whatever goes wrong, the journal learns what is known about it."""
    try:
        return link.play(drive, label=entry.label, progress=progress)
    except Cancelled as error:
        journal.change_state(entry.number, "stopped", note=str(error))
        raise
    except RigTripped as error:
        journal.change_state(entry.number, "tripped", note=str(error))
        raise
    except RigError as error:
        # A time-out or an unreadable response says nothing about whether the rig has moved.
        journal.change_state(entry.number, "unclear", note=str(error))
        raise


class _Watch:
    """Holds each pass against the reference of its drive and remembers what has changed."""

    def __init__(self, journal: Journal, digests: Mapping[str, str], settings: EndureSettings) -> None:
        self._settings = settings
        self._first: dict[str, list[PassFeatures]] = {event: [] for event in digests}
        self._references: dict[str, Reference] = {}
        self._row: list[tuple[Change, ...]] = []
        self._channels: tuple[str, ...] = ()
        start = journal.reference_from(settings.specimen)
        for entry in journal.passes(settings.specimen):
            if entry.number < start or entry.drive != digests.get(entry.event) or "features" not in entry.result:
                continue
            if entry.state == "done":
                self._take(entry.event, PassFeatures.from_table(entry.result["features"]))
                self._note(tuple(Change(**change) for change in entry.result["changes"]))

    def _take(self, event: str, features: PassFeatures) -> None:
        self._channels = features.channels
        first = self._first[event]
        if first and (features.channels, features.slopes, features.bands_hz) != (
            first[0].channels,
            first[0].slopes,
            first[0].bands_hz,
        ):
            # Measured differently from now on: what came before cannot be compared.
            first.clear()
            self._references.pop(event, None)
        if len(first) < self._settings.reference_passes:
            first.append(features)
            if len(first) == self._settings.reference_passes:
                self._references[event] = reference_of(first)

    def _note(self, changes: tuple[Change, ...]) -> None:
        self._row = [*self._row, changes] if changes else []

    def judge(self, event: str, features: PassFeatures) -> dict[str, object]:
        """What the journal says of a measured pass: its features, and what has changed against the reference."""
        reference = self._references.get(event)
        changes: tuple[Change, ...] = ()
        ratio: list[list[float]] = []
        if reference is not None and reference.channels == features.channels:
            comparison = compare_pass(features, reference, tolerance=self._settings.tolerance)
            changes, ratio = comparison.changes, comparison.ratio.round(6).tolist()
            self._note(changes)
        self._take(event, features)
        return {
            "features": features.to_table(),
            "part": "reference" if reference is None else "compared",
            "ratio": ratio,
            "changes": [
                {"channel": c.channel, "feature": c.feature, "ratio": c.ratio, "limit": c.limit} for c in changes
            ],
        }

    @property
    def confirmed(self) -> tuple[Change, ...]:
        """Changes of channels that were seen in each of the last `confirm` compared passes."""
        needed = max(1, self._settings.confirm)
        if len(self._row) < needed:
            return ()
        recent = self._row[-needed:]
        lasting = set.intersection(*({change.channel for change in changes} for changes in recent))
        return tuple(change for change in recent[-1] if change.channel in lasting)

    @property
    def statement(self) -> str:
        """In words, what is confirmed to have changed."""
        return change_statement(self.confirmed, self._channels, passes=len(self._row))
