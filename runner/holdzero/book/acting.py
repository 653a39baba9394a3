"""What people do to a book besides adding records, as it stands in the chain. Pure."""

from __future__ import annotations

import hashlib
import json
from collections import Counter
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from typing import Any

from holdzero.json_text import read_json

__all__ = ["Act", "act_of", "not_as_said"]

Row = Mapping[str, Any]


@dataclass(frozen=True, slots=True, kw_only=True)
class Act:
    """What was done.

    Attributes:
        kind: review, baseline or register.
        text: all that was said, as JSON with sorted keys.
        digest: SHA-256 of the text.
    """

    kind: str
    text: str
    digest: str


def act_of(kind: str, said: Row) -> Act:
    """What was done, as it goes into the chain.

    Args:
        kind: review, baseline or register.
        said: plain data; the number that a database gives a row is no part of it.
    """
    data = {"kind": kind, **{key: item for key, item in said.items() if key != "id"}}
    text = json.dumps(data, ensure_ascii=True, sort_keys=True)
    return Act(kind=kind, text=text, digest="sha256:" + hashlib.sha256(text.encode()).hexdigest())


def not_as_said(acts: Sequence[Row], rows: Mapping[str, Sequence[Row]]) -> Iterator[str]:
    """Where the rows of a book are not what was done by its chain, in words.

    Args:
        acts: rows of `acts`.
        rows: of the tables, by the kind of act that puts them in.
    """
    for act in acts:
        if act["digest"] != "sha256:" + hashlib.sha256(act["text"].encode()).hexdigest():
            yield f"acts.text of entry {act['id']}, a {act['kind']}: it was changed"
    for kind, own in rows.items():
        chained = Counter(act["text"] for act in acts if act["kind"] == kind)
        there = Counter(act_of(kind, row).text for row in own)
        yield from (f"{kind}: {_told(text)} is missing: it was deleted or changed" for text in chained - there)
        yield from (f"{kind}: {_told(text)} is not in the chain: it was put in or changed" for text in there - chained)


def _told(text: str) -> str:
    """What was said, for a person."""
    try:
        said = read_json(text)
    except ValueError:
        return "one that can't be read"
    if said.get("kind") == "review":
        return f"{said.get('meaning')} by {said.get('name')} of {str(said.get('digest'))[:19]}: {said.get('note')}"
    return f"that of {said.get('name')} for {said.get('comparator')}: {said.get('reason')}"
