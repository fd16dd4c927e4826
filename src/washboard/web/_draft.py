"""Edits of programme.toml: kept as a draft until saved, written with comments kept, never over somebody else's change.

An edit names a key and what it was and becomes; it is applied to the text that stands in the file at that moment. So
what was changed in an editor meanwhile stays, and only an edit of the very key that changed outside is put to the
user. The draft is a file of its own and survives the server.
"""

from __future__ import annotations

import hashlib
import json
from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import tomlkit
from tomlkit.items import AoT, Array, Table

from washboard.errors import InputError, ProgrammeError
from washboard.programme import FILE_NAME, Plan, parse_plan, replace_value
from washboard.recording import write_whole

Key = tuple[str, ...]


@dataclass(frozen=True, kw_only=True, slots=True)
class Edit:
    """One key changed: `was` and `now` are plain TOML values, None for "not there".

    `key` walks the file; in an array of tables an entry is named by its ``name``, as in
    ``("event", "haul ramp", "repeats")``.
    """

    key: Key
    was: Any
    now: Any

    @property
    def words(self) -> str:
        """The edit in words."""
        return f"{' · '.join(self.key)}: {_said(self.was)} → {_said(self.now)}"


def _said(value: Any) -> str:
    if isinstance(value, dict):
        return ", ".join(f"{key} {entry}" for key, entry in value.items())
    if isinstance(value, list):
        return "; ".join(_said(entry) for entry in value) or "none"
    return "not given" if value is None else str(value)


def _digest(text: str) -> str:
    return hashlib.sha256(text.encode()).hexdigest()


def _entry(node: Any, name: str) -> Any:
    """The entry `name` of a table, or of an array of tables by its name."""
    if isinstance(node, (AoT, Array, list)):
        return next((item for item in node if isinstance(item, dict) and item.get("name") == name), None)
    return node.get(name) if isinstance(node, dict) else None


def value_at(document: Any, key: Key) -> Any:
    """The plain value of `key`, or None where there is none."""
    node = document
    for part in key:
        node = _entry(node, part)
        if node is None:
            return None
    return node.unwrap() if hasattr(node, "unwrap") else node


def apply_edit(document: Any, edit: Edit) -> None:
    """Change `document` (of tomlkit) in place. Raises InputError when the key has no table to stand in."""
    node = document
    for part in edit.key[:-1]:
        below = _entry(node, part)
        if below is None and isinstance(node, (Table, tomlkit.TOMLDocument)):
            if edit.now is None:
                return
            node[part] = tomlkit.table()
            below = node[part]
        if below is None:
            raise InputError(f"{FILE_NAME}: there is no {' · '.join(edit.key[:-1])} any more; discard this edit")
        node = below
    last = edit.key[-1]
    if edit.now is None or (edit.was is None and edit.now == []):
        if last in node:
            del node[last]
    elif isinstance(edit.now, list) and last in node and _resized(node[last], edit.now):
        return
    elif isinstance(edit.now, list) and edit.now and isinstance(edit.now[0], dict):
        node[last] = _tables(edit.now)
    else:
        replace_value(node, last, edit.now)


def _tables(entries: list[dict[str, Any]]) -> AoT:
    made = tomlkit.aot()
    for entry in entries:
        made.append(tomlkit.item(entry))
    return made


def _resized(held: Any, now: list[Any]) -> bool:
    """Bring an array to `now` by adding or taking away at its end, so that comments in it stay; False if not so."""
    was = held.unwrap()
    if not isinstance(was, list) or was[: len(now)] != now[: len(was)]:
        return False
    while len(held) > len(now):
        held.pop()
    for entry in now[len(was) :]:
        held.append(tomlkit.item(entry) if isinstance(entry, dict) else entry)
    return True


class Draft:
    """The edits of one programme that are not saved yet, and those that were, for undo.

    Parameters
    ----------
    folder : Path
        The programme folder.
    memory : Path
        The file the draft is kept in.
    """

    def __init__(self, folder: Path, memory: Path) -> None:
        self._file, self._memory = folder / FILE_NAME, memory
        self.edits: list[Edit] = []
        self._saved: list[list[Edit]] = []
        self._count = 0
        self._recall()

    def _recall(self) -> None:
        try:
            kept = json.loads(self._memory.read_text(encoding="utf-8"))
            self.edits = [Edit(key=tuple(e["key"]), was=e["was"], now=e["now"]) for e in kept["edits"]]
            self._saved = [
                [Edit(key=tuple(e["key"]), was=e["was"], now=e["now"]) for e in group] for group in kept["saved"]
            ]
        except (OSError, ValueError, KeyError, TypeError):
            self.edits, self._saved = [], []

    def _remember(self) -> None:
        self._count += 1

        def plain(edits: list[Edit]) -> list[dict[str, Any]]:
            return [{"key": list(edit.key), "was": edit.was, "now": edit.now} for edit in edits]

        kept = {"edits": plain(self.edits), "saved": [plain(group) for group in self._saved[-50:]]}
        write_whole(self._memory, json.dumps(kept, indent=1))

    def text(self) -> str:
        """The file as it stands. Raises ProgrammeError."""
        try:
            return self._file.read_text(encoding="utf-8")
        except (OSError, UnicodeDecodeError) as error:
            raise ProgrammeError(f"cannot be read ({error})", file=self._file) from None

    def _document(self) -> tomlkit.TOMLDocument:
        try:
            return tomlkit.parse(self.text())
        except tomlkit.exceptions.ParseError as error:
            raise ProgrammeError(f"is not valid TOML: {error}", file=self._file) from None

    def file_mark(self) -> str:
        """Changes whenever the file does, by whomever; every page that is open compares it with its own last one."""
        try:
            return _digest(self.text())
        except ProgrammeError:
            return "unreadable"

    @property
    def edits_mark(self) -> int:
        """Changes whenever an edit is made, taken back or saved, on whichever page."""
        return self._count

    def conflicts(self) -> list[Edit]:
        """Edits whose key meanwhile has another value in the file than when the edit was made."""
        document = self._document()
        return [edit for edit in self.edits if value_at(document, edit.key) not in (edit.was, edit.now)]

    def drafted(self) -> str:
        """The text with every edit applied. Raises ProgrammeError, InputError."""
        document = self._document()
        for edit in self.edits:
            apply_edit(document, edit)
        return tomlkit.dumps(document)

    def plan(self) -> Plan:
        """The plan as it would be with the edits. Raises ProgrammeError naming every problem."""
        return parse_plan(self.drafted(), self._file)

    def value(self, key: Key) -> Any:
        """The value of a key with the edits applied, None where there is none. Raises ProgrammeError, InputError."""
        return value_at(tomlkit.parse(self.drafted()), key)

    def set(self, key: Key, now: Any) -> None:
        """Edit one key; setting it back to what it was takes the edit away. Raises ProgrammeError when it can't be.

        The edit is kept only if the programme is valid with it.
        """
        self.set_all({key: now})

    def set_all(self, changes: Mapping[Key, Any]) -> None:
        """Edit several keys that are valid only together. Raises ProgrammeError, InputError; then nothing is kept."""
        before = list(self.edits)
        document = self._document()
        for key, now in changes.items():
            earlier = next((edit for edit in self.edits if edit.key == key), None)
            was = earlier.was if earlier else value_at(document, key)
            rest = [edit for edit in self.edits if edit.key != key]
            self.edits = rest if now == was else [*rest, Edit(key=key, was=was, now=now)]
        try:
            self.plan()
        except (ProgrammeError, InputError):
            self.edits = before
            raise
        self._remember()

    def undo(self) -> str:
        """Take the last edit away, or, with none pending, draft the opposite of what was saved last; returns words."""
        if self.edits:
            last = self.edits.pop()
            while self.edits and not self._valid():
                # Edits made together are valid only together.
                self.edits.pop()
            self._remember()
            return f"Taken back: {last.words}"
        if not self._saved:
            return "Nothing to undo."
        group = self._saved.pop()
        self.edits = [Edit(key=edit.key, was=edit.now, now=edit.was) for edit in reversed(group)]
        self._remember()
        return "What was saved last is taken back here; save to write that too."

    def _valid(self) -> bool:
        try:
            self.plan()
        except (ProgrammeError, InputError):
            return False
        return True

    @property
    def can_undo(self) -> bool:
        """Whether there is anything to undo."""
        return bool(self.edits or self._saved)

    def discard(self) -> None:
        """Forget every edit that is not saved."""
        self.edits = []
        self._remember()

    def save(self) -> None:
        """Write the edits into programme.toml.

        Raises
        ------
        InputError
            A key was changed outside too; nothing is written.
        ProgrammeError
            The programme would be invalid; nothing is written.
        """
        clash = self.conflicts()
        if clash:
            raise InputError(
                f"{FILE_NAME} was changed outside at the same place: {clash[0].key[-1]} of "
                f"{' · '.join(clash[0].key[:-1])} was {_said(clash[0].was)} when you edited it. Nothing was written; "
                "undo the edit or set it anew"
            )
        text = self.drafted()
        parse_plan(text, self._file)
        write_whole(self._file, text)
        if self.edits:
            self._saved.append(self.edits)
        self.edits = []
        self._remember()
