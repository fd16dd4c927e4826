"""The journal: the permanent record of what the rig did to the specimen. Rows are added, never changed or removed."""

from __future__ import annotations

import json
from collections.abc import Mapping
from dataclasses import dataclass
from datetime import UTC, datetime
from pathlib import Path
from typing import TYPE_CHECKING, Any

from washboard import __version__
from washboard.endure._states import COUNTED, OPEN, EndReason, PassState, check_change
from washboard.errors import InputError, StorageError

if TYPE_CHECKING:
    from sqlalchemy import Connection, Engine


@dataclass(frozen=True, kw_only=True, slots=True)
class PassRecord:
    """One pass as the journal has it.

    Parameters
    ----------
    number : int
        Unique and rising in the journal, whatever the run.
    drive : str
        Digest of the drive's content.
    result : mapping
        Features and comparison of a pass that was measured, as plain values; empty otherwise.
    """

    number: int
    run: str
    specimen: str
    event: str
    block: int
    drive: str
    label: str
    begun_at: str
    state: PassState
    state_at: str
    note: str
    result: Mapping[str, Any]

    @property
    def counted(self) -> bool:
        """Whether it counts towards the test."""
        return self.state in COUNTED


@dataclass(frozen=True, kw_only=True, slots=True)
class RunRecord:
    """One run: one call that played passes, with how it ended."""

    run: str
    specimen: str
    begun_at: str
    version: str
    about: Mapping[str, Any]
    ended_at: str
    reason: EndReason | None
    text: str


class Journal:
    """A journal in a database; use it as a context manager or `close` it.

    Every change is one transaction, on disk before the call returns (SQLite: write-ahead log, synchronous=FULL). The
    database itself refuses to change or remove rows and to use a pass number twice.

    Parameters
    ----------
    where : Path or str
        An SQLite file, or an SQLAlchemy address of another database.

    Raises
    ------
    StorageError
        The database cannot be opened, is damaged, or was written by a newer version.
    """

    def __init__(self, where: Path | str) -> None:
        from washboard.endure._tables import open_engine

        self._where = str(where)
        self._engine: Engine = open_engine(where)

    def __enter__(self) -> Journal:
        return self

    def __exit__(self, *_exception: object) -> None:
        self.close()

    def close(self) -> None:
        """Give the database's files back."""
        self._engine.dispose()

    def _write(self, work: Any) -> Any:
        from sqlalchemy.exc import IntegrityError, SQLAlchemyError

        from washboard.endure._tables import writing

        try:
            with writing(self._engine).begin() as connection:
                return work(connection)
        except IntegrityError as error:
            raise StorageError(
                f"{self._where}: the journal refused a row ({error.orig}); another process has written to it meanwhile"
            ) from None
        except SQLAlchemyError as error:
            raise StorageError(f"{self._where}: the journal cannot be written ({_reason(error)})") from None

    def _read(self, work: Any) -> Any:
        from sqlalchemy.exc import SQLAlchemyError

        try:
            with self._engine.connect() as connection:
                return work(connection)
        except SQLAlchemyError as error:
            raise StorageError(f"{self._where}: the journal cannot be read ({_reason(error)})") from None

    def begin_run(self, *, specimen: str, about: Mapping[str, Any]) -> str:
        """Open a run; returns its name. `about` says what is played on what: drives, rig, sequence."""
        from uuid import uuid4

        from washboard.endure._tables import runs

        name = uuid4().hex
        row = {
            "run": name,
            "specimen": specimen,
            "begun_at": _now(),
            "version": __version__,
            "about": json.dumps(dict(about), sort_keys=True),
        }
        self._write(lambda connection: connection.execute(runs.insert().values(row)))
        return name

    def end_run(self, run: str, reason: EndReason, text: str = "") -> None:
        """Close a run with the reason it ended for."""
        from washboard.endure._tables import run_ends

        row = {"run": run, "ended_at": _now(), "reason": reason, "text": text}
        self._write(lambda connection: connection.execute(run_ends.insert().values(row)))

    def begin_pass(self, run: str, *, specimen: str, event: str, block: int, drive: str) -> PassRecord:
        """Write down, before the rig is told, that a pass begins; its number is the next one."""
        from sqlalchemy import func, select

        from washboard.endure._tables import pass_states, passes

        at = _now()

        def work(connection: Connection) -> int:
            number = int(connection.execute(select(func.coalesce(func.max(passes.c.number), 0))).scalar_one()) + 1
            connection.execute(
                passes.insert().values(
                    number=number,
                    run=run,
                    specimen=specimen,
                    event=event,
                    block=block,
                    drive=drive,
                    label=_label(number, run),
                    begun_at=at,
                )
            )
            connection.execute(pass_states.insert().values(number=number, state="begun", at=at, by="", note=""))
            return number

        number = int(self._write(work))
        return PassRecord(
            number=number, run=run, specimen=specimen, event=event, block=block, drive=drive, label=_label(number, run),
            begun_at=at, state="begun", state_at=at, note="", result={},
        )  # fmt: skip

    def change_state(
        self, number: int, to: PassState, *, note: str = "", by: str = "", result: Mapping[str, Any] | None = None
    ) -> None:
        """Add a state to a pass, with its result when it was measured. Raises InputError if it may not follow."""
        from sqlalchemy import select

        from washboard.endure._tables import pass_results, pass_states

        def work(connection: Connection) -> None:
            query = select(pass_states.c.state).where(pass_states.c.number == number).order_by(pass_states.c.id.desc())
            now = connection.execute(query).scalars().first()
            if now is None:
                raise InputError(f"the journal has no pass {number}")
            check_change(number, now, to)
            if result is not None:
                text = json.dumps(dict(result), allow_nan=False)
                connection.execute(pass_results.insert().values(number=number, result=text))
            connection.execute(pass_states.insert().values(number=number, state=to, at=_now(), by=by, note=note))

        self._write(work)

    def accept_change(self, specimen: str, *, by: str, note: str = "") -> None:
        """A person accepts that the response has changed: passes from the next one on make a new reference."""
        from sqlalchemy import func, select

        from washboard.endure._tables import marks, passes

        def work(connection: Connection) -> None:
            last = connection.execute(select(func.coalesce(func.max(passes.c.number), 0))).scalar_one()
            connection.execute(marks.insert().values(specimen=specimen, after_number=last, at=_now(), by=by, note=note))

        self._write(work)

    def reference_from(self, specimen: str) -> int:
        """Number of the first pass that may belong to a reference: the one after the last accepted change."""
        from sqlalchemy import func, select

        from washboard.endure._tables import marks

        query = select(func.coalesce(func.max(marks.c.after_number), 0)).where(marks.c.specimen == specimen)
        return int(self._read(lambda connection: connection.execute(query).scalar_one())) + 1

    def passes(self, specimen: str | None = None) -> tuple[PassRecord, ...]:
        """Every pass, oldest first, each with its latest state; of one specimen, or of all."""
        from sqlalchemy import func, select

        from washboard.endure._tables import pass_results, pass_states, passes

        latest = select(func.max(pass_states.c.id).label("id")).group_by(pass_states.c.number).subquery()
        query = (
            select(passes, pass_states.c.state, pass_states.c.at, pass_states.c.note, pass_results.c.result)
            .join(pass_states, pass_states.c.number == passes.c.number)
            .join(latest, latest.c.id == pass_states.c.id)
            .outerjoin(pass_results, pass_results.c.number == passes.c.number)
            .order_by(passes.c.number)
        )
        if specimen is not None:
            query = query.where(passes.c.specimen == specimen)
        rows = self._read(lambda connection: connection.execute(query).mappings().all())
        return tuple(
            PassRecord(
                number=row["number"], run=row["run"], specimen=row["specimen"], event=row["event"], block=row["block"],
                drive=row["drive"], label=row["label"], begun_at=row["begun_at"], state=row["state"],
                state_at=row["at"], note=row["note"], result=json.loads(row["result"]) if row["result"] else {},
            )
            for row in rows
        )  # fmt: skip

    def open_passes(self) -> tuple[PassRecord, ...]:
        """Passes that were begun and of which nobody has said what became of them."""
        return tuple(entry for entry in self.passes() if entry.state in OPEN)

    def runs(self) -> tuple[RunRecord, ...]:
        """Every run, oldest first."""
        from sqlalchemy import select

        from washboard.endure._tables import run_ends, runs

        query = (
            select(runs, run_ends.c.ended_at, run_ends.c.reason, run_ends.c.text)
            .outerjoin(run_ends, run_ends.c.run == runs.c.run)
            .order_by(runs.c.begun_at, runs.c.run)
        )
        rows = self._read(lambda connection: connection.execute(query).mappings().all())
        return tuple(
            RunRecord(
                run=row["run"], specimen=row["specimen"], begun_at=row["begun_at"], version=row["version"],
                about=json.loads(row["about"]), ended_at=row["ended_at"] or "", reason=row["reason"],
                text=row["text"] or "",
            )
            for row in rows
        )  # fmt: skip

    def fingerprint(self) -> str:
        """Changes when, and only when, the journal says something else about any pass."""
        import hashlib

        text = json.dumps([[entry.number, entry.state, entry.drive, dict(entry.result)] for entry in self.passes()])
        return hashlib.sha256(text.encode()).hexdigest()


def _label(number: int, run: str) -> str:
    # The run's name keeps a rig that remembers labels from taking a pass of another journal for this one.
    return f"pass-{number:06d}-{run[:8]}"


def _now() -> str:
    return datetime.now(UTC).isoformat(timespec="milliseconds")


def _reason(error: Exception) -> str:
    return str(getattr(error, "orig", None) or error).splitlines()[0]
