"""Parameters and fragments: a routine as written becomes the routine as run.

Works on plain data; remembers where each step was written, so that an error can name the file and
the line of the author's own text.
"""

from __future__ import annotations

import re
from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from typing import Any, Protocol, TypeAlias

from holdzero.errors import Fault, FileFaultsError
from holdzero.quantity import shown
from holdzero.routine.locate import KeyPath, dotted

__all__ = ["Expand", "Kinds", "Origins", "Text", "members_of", "resolve"]

Expand: TypeAlias = Callable[[dict[str, Any], "Origins", KeyPath], list[dict[str, Any]]]
"""Turns a step of a plugin's kind into the core's; gets the step, the text's origins, and where it stands there."""


class Kinds(Protocol):
    """Knows the kinds of step that plugins declare."""

    def __call__(self, name: str) -> Expand | None:
        """What a kind of this name does; None where no plugin declares it."""

    def names(self) -> tuple[str, ...]:
        """All of them, for somebody who wrote another one."""


_PLACEHOLDER = re.compile(r"\{\{|\}\}|\{([A-Za-z_][A-Za-z0-9_]*)\}")
_DEEPEST = 8
_LARGEST = 1_000_000  # signs: as large as a file may be
_MOST_STEPS = 10_000  # more than a day's work: fragments that include fragments more often than was meant


@dataclass(frozen=True, slots=True, kw_only=True)
class Text:
    """A TOML text that was read: its name, its data, the lines of its keys."""

    file: str
    data: dict[str, Any]
    lines: Mapping[KeyPath, int]


@dataclass(slots=True)
class Origins:
    """Where the parts of a resolved routine were written."""

    main: Text
    steps: dict[KeyPath, tuple[Text, KeyPath]] = field(default_factory=dict)

    @property
    def texts(self) -> tuple[Text, ...]:
        """Of the fragments that steps came from."""
        return tuple(text for text, _ in self.steps.values())

    def place(self, path: KeyPath) -> tuple[str, int | None]:
        """File and line of a path in the resolved routine; the nearest table where the key is missing."""
        text, own = self.main, path
        for length in range(len(path), 0, -1):
            if path[:length] in self.steps:
                text, start = self.steps[path[:length]]
                own = start + path[length:]
                break
        for length in range(len(own), 0, -1):
            if own[:length] in text.lines:
                return text.file, text.lines[own[:length]]
        return text.file, None


def members_of(text: Text) -> tuple[str, ...]:
    """Names of the part family's members; empty for a routine of a single part."""
    family = text.data.get("family", {})
    return tuple(family) if isinstance(family, dict) else ()


def resolve(
    text: Text, member: str | None, read: Callable[[str, str], Text], kinds: Kinds
) -> tuple[dict[str, Any], Origins, tuple[Fault, ...]]:
    """The routine's data without parameters, family, included fragments and plugins' kinds of step.

    Args:
        text: the routine as written.
        member: which member of the part family; None for none.
        read: gives the text of a fragment, from its name and the file that names it.
        kinds: of step that plugins declare.

    Returns:
        The data, where each key was written, and what is wrong with steps of plugins' kinds; another
        step stands in the place of each of these, so that all else can be looked at as well.

    Raises:
        FileFaultsError: an unknown member or parameter, a fragment that can't be read or includes
            itself.
    """
    values = _parameters(text, member)
    _refuse_endless(text, _own(text), values or {}, ())
    data = _filled(text, _own(text), values, ())
    _refuse_unused(text, _defaults(text), _own(text), _tables(text), ", or drop it")
    unfolding = _Unfolding(read, kinds, Origins(text))
    if isinstance(data.get("steps"), list):
        data["steps"] = unfolding.steps(text, data["steps"], ("steps",), ("steps",), ())
    return data, unfolding.origins, tuple(unfolding.faults)


def _fault(text: Text, path: KeyPath, found: str, expected: str, mend: str) -> FileFaultsError:
    file, line = Origins(text).place(path)
    fault = Fault(file=file, line=line, key=dotted(path), found=found, expected=expected, mend=mend)
    return FileFaultsError((fault,))


def _parameters(text: Text, member: str | None) -> dict[str, Any] | None:
    """The values of all parameters, or None where the text has none and braces mean nothing."""
    for key in ("parameters", "family"):
        if key in text.data and not isinstance(text.data[key], dict):
            raise _fault(text, (key,), shown(text.data[key]), "a table", f"write [{key}]")
    members = members_of(text)
    if member is None and members:
        raise _fault(text, ("family",), "no member chosen", "one of " + ", ".join(members), "name it with --member")
    written = _Written(text, _defaults(text))
    if member is not None:
        if member not in members:
            known = "one of " + ", ".join(members) if members else "no member: this routine has no family"
            raise _fault(text, ("family",), repr(member), known, "check the spelling of --member")
        row = text.data["family"][member]
        if not isinstance(row, dict):
            raise _fault(text, ("family", member), shown(row), "a table of parameters", f"write [family.{member}]")
        own: dict[str, KeyPath] = {name: ("family", member, name) for name in row}
        _refuse_unused(text, own, _own(text), _tables(text), "")
        written.places.update(own)
    return written.values({}) if "parameters" in text.data or members else None


def _refuse_unused(
    text: Text, places: Mapping[str, KeyPath], raw: Any, tables: Sequence[Mapping[str, Any]], more: str
) -> None:
    """A misspelled parameter of a member would leave the default in its place, unseen; any other would do nothing."""
    used = _used(raw, tables)
    for name, place in places.items():
        if name not in used:
            known = "one of " + ", ".join(sorted(used)) if used else "no parameter: none is used"
            raise _fault(text, place, name, known, f"no text holds {{{name}}}: check the spelling{more}")


def _own(text: Text) -> dict[str, Any]:
    """The routine itself: what a record keeps."""
    return {key: item for key, item in text.data.items() if key not in ("parameters", "family")}


def _defaults(text: Text) -> dict[str, KeyPath]:
    """Where the parameters of a text stand, by name."""
    return {name: ("parameters", name) for name in text.data.get("parameters", {})}


def _tables(text: Text) -> list[Mapping[str, Any]]:
    """Where parameters are given values."""
    rows = text.data.get("family", {}).values()
    return [text.data.get("parameters", {}), *(row for row in rows if isinstance(row, dict))]


def _used(raw: Any, tables: Sequence[Mapping[str, Any]]) -> set[str]:
    """The parameters that a text needs, those among them that others are made of."""
    used: set[str] = set()
    waiting = list(_placeholders(raw))
    while waiting:
        if (name := waiting.pop()) not in used:
            used.add(name)
            waiting.extend(inner for table in tables for inner in _placeholders(table.get(name)))
    return used


def _placeholders(raw: Any) -> Iterator[str]:
    if isinstance(raw, str):
        yield from (match.group(1) for match in _PLACEHOLDER.finditer(raw) if match.group(1))
    elif isinstance(raw, dict | list):
        for item in raw.values() if isinstance(raw, dict) else raw:
            yield from _placeholders(item)


@dataclass(slots=True)
class _Written:
    """Parameters as a text has them, each of which may be made of others, and where each stands."""

    text: Text
    places: dict[str, KeyPath]

    def values(self, given: Mapping[str, Any]) -> dict[str, Any]:
        """The values of all, those that were given from elsewhere as they are.

        Raises:
            FileFaultsError: a parameter is made of itself, or of one that is not set.
        """
        found = dict(given)
        for name in self.places:
            self._find(name, found, ())
        return found

    def _find(self, name: str, found: dict[str, Any], chain: tuple[str, ...]) -> None:
        if name in found or name not in self.places:
            return
        place = self.places[name]
        if name in chain or len(chain) > _DEEPEST:
            circle = " → ".join((*chain, name))
            expected = f"parameters that are not made of themselves, and at most {_DEEPEST} within one another"
            raise _fault(self.text, place, circle, expected, "write the value out")
        raw: Any = self.text.data
        for key in place:
            raw = raw[key]
        for inner in dict.fromkeys(_placeholders(raw)):
            self._find(inner, found, (*chain, name))
        _refuse_endless(self.text, raw, found, place)
        found[name] = _filled(self.text, raw, found, place)


def _refuse_endless(text: Text, raw: Any, values: Mapping[str, Any], path: KeyPath) -> None:
    """Parameters that hold one another many times over would make a text without end."""
    sizes = {name: _size(values[name]) for name in set(_placeholders(raw)) if name in values}
    if _size(raw) + sum(sizes.get(name, 0) for name in _placeholders(raw)) > _LARGEST:
        raise _fault(text, path, "parameters that make a text without end", f"at most {_LARGEST} signs", "shorten them")


def _size(raw: Any) -> int:
    """About how many signs a text needs for this."""
    if isinstance(raw, dict | list):
        return 1 + sum(_size(item) for item in (raw.values() if isinstance(raw, dict) else raw))
    return len(raw) if isinstance(raw, str) else 1


def _filled(text: Text, raw: Any, values: Mapping[str, Any] | None, path: KeyPath) -> Any:
    if values is None:
        return raw
    if isinstance(raw, dict):
        return {key: _filled(text, item, values, (*path, key)) for key, item in raw.items()}
    if isinstance(raw, list):
        return [_filled(text, item, values, (*path, index)) for index, item in enumerate(raw)]
    return _filled_text(text, raw, values, path) if isinstance(raw, str) else raw


def _filled_text(text: Text, raw: str, values: Mapping[str, Any], path: KeyPath) -> Any:
    def put(match: re.Match[str]) -> str:
        name = match.group(1)
        if name is None:
            return match.group()[0]
        if name not in values:
            known = "one of " + ", ".join(values) if values else "no parameter: none is set"
            raise _fault(text, path, f"{{{name}}}", known, "set it in [parameters], or write {{ for a brace")
        return str(values[name])

    whole = _PLACEHOLDER.fullmatch(raw)
    if whole is not None and whole.group(1) in values:
        return values[whole.group(1)]
    return _PLACEHOLDER.sub(put, raw)


@dataclass(slots=True)
class _Unfolding:
    """What the unfolding of steps carries along: how to read a fragment, and where steps came from."""

    read: Callable[[str, str], Text]
    kinds: Kinds
    origins: Origins
    faults: list[Fault] = field(default_factory=list)
    count: int = 0

    def steps(
        self, text: Text, steps: list[Any], written: KeyPath, resolved: KeyPath, chain: tuple[str, ...]
    ) -> list[Any]:
        """`steps` with fragments put in place; every step's origin is remembered."""
        out: list[Any] = []
        self.put(out, text, steps, written, resolved, chain)
        return out

    def put(
        self,
        out: list[Any],
        text: Text,
        steps: list[Any],
        written: KeyPath,
        resolved: KeyPath,
        chain: tuple[str, ...],
    ) -> None:
        for index, step in enumerate(steps):
            here: KeyPath = (*written, index)
            self.count += 1
            if self.count > _MOST_STEPS:
                raise _fault(text, here, "steps without end", f"at most {_MOST_STEPS}", "look at what is included")
            if isinstance(step, dict) and "include" in step:
                fragment, inner = _fragment(text, step, here, self.read, chain)
                self.put(out, fragment, inner, ("steps",), resolved, (*chain, fragment.file))
                continue
            place: KeyPath = (*resolved, len(out))
            if (expand := self.kind_of(text, step, here)) is not None:
                for own in self.expanded(expand, step, text, here):
                    self.origins.steps[*resolved, len(out)] = (text, here)
                    out.append({**own, "kind": step["do"]})
                continue
            self.origins.steps[place] = (text, here)
            if isinstance(step, dict) and isinstance(step.get("steps"), list):
                inner = self.steps(text, step["steps"], (*here, "steps"), (*place, "steps"), chain)
                out.append({**step, "steps": inner})
            else:
                out.append(step)

    def expanded(self, expand: Expand, step: dict[str, Any], text: Text, here: KeyPath) -> list[dict[str, Any]]:
        """The core's steps; a stand-in where the step is wrong."""
        try:
            return expand(step, Origins(text), here)
        except FileFaultsError as error:
            self.faults.extend(error.faults)
            return [{"do": "prepare", "say": str(step["do"])}]

    def kind_of(self, text: Text, step: Any, here: KeyPath) -> Expand | None:
        """What turns a step of a plugin's kind into the core's; None for a step of the core."""
        if not isinstance(step, dict) or not isinstance(step.get("do"), str):
            return None
        if "kind" in step:
            raise _fault(text, (*here, "kind"), "the key kind", "do, which says the kind of step", "drop it")
        return self.kinds(step["do"])


def _fragment(
    text: Text, step: dict[str, Any], here: KeyPath, read: Callable[[str, str], Text], chain: tuple[str, ...]
) -> tuple[Text, list[Any]]:
    strays = [key for key in step if key not in ("include", "with")]
    if strays:
        raise _fault(text, (*here, strays[0]), strays[0], "include and with alone", "put it into the fragment")
    name, values = step["include"], step.get("with", {})
    if not isinstance(name, str) or not name.isprintable() or not isinstance(values, dict):
        raise _fault(text, here, shown(step), 'include = "FILE", with = { … }', "check both")
    try:
        fragment = read(name, text.file)
    except FileFaultsError as error:
        (own,) = _fault(text, (*here, "include"), shown(name), "a fragment that can be read", "see there").faults
        raise FileFaultsError((own, *error.faults)) from None
    if fragment.file in (*chain, text.file) or len(chain) > _DEEPEST:
        raise _fault(text, (*here, "include"), name, "a fragment that does not include itself", "break the circle")
    strays = [key for key in fragment.data if key not in ("format", "parameters", "steps")]
    if strays:
        raise _fault(fragment, (strays[0],), strays[0], "format, parameters and steps", "a fragment holds steps only")
    defaults = fragment.data.get("parameters", {})
    if not isinstance(defaults, dict):
        raise _fault(fragment, ("parameters",), shown(defaults), "a table", "write [parameters]")
    unknown = [key for key in values if key not in defaults]
    if unknown:
        known = "one of " + ", ".join(defaults) if defaults else "no parameter"
        raise _fault(text, (*here, "with", unknown[0]), unknown[0], known, "the fragment has no such parameter")
    steps, places = fragment.data.get("steps"), _defaults(fragment)
    filled = _Written(fragment, places).values(values)
    _refuse_endless(fragment, steps, filled, ("steps",))
    inner = _filled(fragment, steps, filled, ("steps",))
    _refuse_unused(fragment, places, steps, [defaults], ", or drop it")
    if not isinstance(inner, list):
        raise _fault(fragment, ("steps",), shown(inner), "[[steps]]", "add the steps of the fragment")
    return fragment, inner
