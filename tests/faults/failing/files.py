"""What keeps files: the journal, a signing key, the shop's register with its history."""

from __future__ import annotations

import re
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from holdzero import events as e
from holdzero.cli.files import fresh_journal
from holdzero.errors import JournalError
from holdzero.journal import End, Journal, end_of, read_journal
from holdzero.register import load_register
from holdzero.register_history import changes_of, tampered
from holdzero.registering import add_entry
from holdzero.signing import make_key, read_key
from tests.faults.failing.trying import Said

__all__ = ["JournalGoneOn", "JournalSubject", "KeySubject", "RegisterSubject", "TornJournal"]

_ENTRIES = 4


def _note(seq: int) -> e.NoteAdded:
    return e.NoteAdded(seq=seq, wall="2026-03-02T08:00:00+00:00", time_s=float(seq), text=f"entry {seq}")


@dataclass
class JournalSubject:
    """A journal that is begun, or gone on with, until it has its entries."""

    name: str = "journal"
    wanted: tuple[str, ...] = tuple(f"entry {seq}" for seq in range(1, _ENTRIES + 1))

    def prepared(self, folder: Path) -> None: ...

    def fresh(self, folder: Path) -> None: ...

    def does(self, folder: Path, said: Said) -> None:
        begun = [path for path in folder.glob("*.journal.jsonl") if _read(path)]
        if begun:
            journal, text = Journal.reopen(begun[0])
            said.done.extend(_texts(text.events))
            if end_of(journal.path, text)[0] in (End.CUT, End.OTHER):
                said.told += "a journal that nobody cut is called cut"
        else:
            journal = fresh_journal(folder, "x")
        with journal:
            for seq in range(len(said.done) + 1, _ENTRIES + 1):
                self.appends(journal, _note(seq), said)

    def appends(self, journal: Journal, event: e.NoteAdded, said: Said) -> None:
        """Put one entry in."""
        journal.append(event)
        said.done.append(event.text)

    def found(self, folder: Path) -> list[str]:
        return [text for path in folder.glob("*.journal.jsonl") for text in _read(path)]

    def wrong(self, folder: Path, said: Said) -> Iterator[str]:
        del said
        for path in folder.glob("*.journal.jsonl"):
            if _read(path) and end_of(path, read_journal(path))[0] in (End.CUT, End.OTHER):
                yield "it is called cut, and nobody cut it"


def _read(path: Path) -> list[str]:
    try:
        return _texts(read_journal(path).events)
    except JournalError as error:
        if "holds no event" in str(error):
            return []
        raise


def _texts(events: tuple[e.AnyEvent, ...]) -> list[str]:
    return [event.text for event in events if isinstance(event, e.NoteAdded)]


@dataclass
class JournalGoneOn(JournalSubject):
    """A journal whose holder tries once more what could not be saved, as the page beside the comparator may."""

    name: str = "journal, gone on with"

    def appends(self, journal: Journal, event: e.NoteAdded, said: Said) -> None:
        try:
            journal.append(event)
        except JournalError as error:
            said.told += str(error)
            journal.append(event)
        said.done.append(event.text)


@dataclass
class TornJournal(JournalSubject):
    """A journal that was torn by a power cut, and is gone on with."""

    name: str = "torn journal"

    def prepared(self, folder: Path) -> None:
        with Journal.create(folder / "x.journal.jsonl") as journal:
            for seq in (1, 2):
                journal.append(_note(seq))
        with journal.path.open("ab") as file:
            file.write(b'{"chain":"')


@dataclass
class KeySubject:
    """A private key that is made, or is there."""

    name: str = "signing key"
    wanted: tuple[str, ...] = ()

    def prepared(self, folder: Path) -> None: ...

    def fresh(self, folder: Path) -> None: ...

    def does(self, folder: Path, said: Said) -> None:
        path = folder / "key.pem"
        key = read_key(path) if path.exists() else make_key(path)
        said.done.append(key.fingerprint)

    def found(self, folder: Path) -> list[str]:
        path = folder / "key.pem"
        return [read_key(path).fingerprint] if path.exists() else []

    def wrong(self, folder: Path, said: Said) -> Iterator[str]:
        del said
        for path in folder.iterdir():
            if path.stat().st_mode & 0o077:
                yield f"{path.name} can be read by others"


_BLOCK = {"size": "12 mm", "deviation": {"value": "0.05 um", "standard": "0.03 um"}, "material": "steel"}
_STEPS: tuple[tuple[str, str, dict[str, Any]], ...] = (
    ("reference", "B-1", _BLOCK),
    ("reference", "B-1", {**_BLOCK, "deviation": {"value": "0.08 um", "standard": "0.03 um"}}),
)
_TEXT = "format = 1\n\n# what the shop has\n"


@dataclass
class RegisterSubject:
    """A register to which a block is added, and in which it is amended."""

    name: str = "register"
    wanted: tuple[str, ...] = ("added", "amended")

    def prepared(self, folder: Path) -> None:
        (folder / "shop.toml").write_text(_TEXT, "utf-8")

    def fresh(self, folder: Path) -> None: ...

    def does(self, folder: Path, said: Said) -> None:
        path = folder / "shop.toml"
        for what, (kind, identifier, table) in zip(self.wanted, _STEPS, strict=True):
            if what not in _stand(path):
                add_entry(path, kind, identifier, table, by="T. Ester", why=what)
            said.done.append(what)

    def found(self, folder: Path) -> list[str]:
        path = folder / "shop.toml"
        there = _stand(path)
        return [change.why for change in changes_of(path) if change.why in there]

    def wrong(self, folder: Path, said: Said) -> Iterator[str]:
        path = folder / "shop.toml"
        if not path.read_text("utf-8").startswith(_TEXT):
            yield "what stood in the register is gone"
        faults = tampered(path, load_register(path))
        if said.done == list(self.wanted):
            yield from faults
        yield from (fault for fault in faults if re.search("does not follow|by hand since", fault))


def _stand(path: Path) -> tuple[str, ...]:
    """What of the steps is in the register."""
    block = load_register(path).entry("reference", "B-1")
    if block is None:
        return ()
    return ("added", "amended") if block["deviation"]["value"] == "0.08 um" else ("added",)
