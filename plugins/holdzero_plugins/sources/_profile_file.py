"""From a file to a profile, or to all that is wrong with it: file, line, key, found, expected, mend."""

from __future__ import annotations

import difflib
import re
import tomllib
from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any, TypeAlias

from pydantic import ValidationError

from holdzero.hooks import SourceError, read_whole
from holdzero_plugins.sources._profile import COMPARATOR, Profile, Still, brief, known_unit, usual

__all__ = ["load_profile", "read_profile"]

_LARGEST = 100_000  # bytes; a profile is a page

KeyPath: TypeAlias = "tuple[str | int, ...]"


@dataclass(frozen=True, slots=True)
class _Fault:
    """What is wrong with a key."""

    path: KeyPath
    found: str
    expected: str
    mend: str

    def text(self, file: str, text: str) -> str:
        """Two lines: where and what; then how to mend it."""
        line = _line_of(self.path, text)
        place = file if line is None else f"{file}:{line}"
        found = f"found {self.found}" if self.found else "nothing found"
        key = ".".join(str(part) for part in self.path) or "file"
        return f"{place}: error: {key}: {found}; expected {self.expected}\n    {self.mend}"


def load_profile(argument: str) -> Profile:
    """The profile in a file; the usual one where no file is named.

    Raises:
        SourceError: the file can't be read or is no profile; names every fault with its line.
    """
    if not argument:
        return usual()
    try:
        raw = read_whole(Path(argument), _LARGEST)
    except OSError as error:
        raise SourceError(f"{argument}: {error.strerror or 'it cannot be read'}; check the profile's name") from None
    try:
        return read_profile(raw.decode("utf-8-sig"), argument)
    except UnicodeDecodeError as error:
        raise SourceError(f"{argument}:{raw.count(bytes([10]), 0, error.start) + 1}: save the file as UTF-8") from None


def read_profile(text: str, name: str) -> Profile:
    """The profile that a text in TOML says; `name` is the file's, for messages.

    Raises:
        SourceError: it is no profile; names every fault with its line.
    """
    try:
        data = tomllib.loads(text)
    except (ValueError, RecursionError) as error:  # its own error is a ValueError
        line = re.search(r"at line (\d+)", str(error))
        place = f"{name}:{line.group(1)}" if line else name
        mend = "a text stands in quotation marks, a pattern in single ones"
        raise SourceError(f"{place}: error: file: found no valid TOML: {error}\n    {mend}") from None
    try:
        profile = Profile.model_validate(data)
    except ValidationError as error:
        faults = _faults_of(error)
    else:
        faults = list(_contradictions(profile))
    if not faults:
        return profile
    faults.sort(key=lambda fault: _line_of(fault.path, text) or 0)
    raise SourceError("\n".join(fault.text(name, text) for fault in faults))


def _faults_of(error: ValidationError) -> list[_Fault]:
    """One fault for each key; what holds an entry with a fault has none of its own."""
    faults = {fault.path: fault for fault in reversed([_fault_of(item) for item in error.errors(include_url=False)])}
    inner = {path[:length] for path in faults for length in range(1, len(path))}
    return [fault for path, fault in faults.items() if path not in inner]


def _fault_of(item: Any) -> _Fault:
    """A fault of pydantic's, in our words."""
    kind, context = item["type"], item.get("ctx", {})
    path: KeyPath = tuple(part for part in item["loc"] if part not in _UNION)
    if kind == "holdzero":
        return _Fault(path, context["found"], context["expected"], context["mend"])
    if kind == "missing":
        return _Fault(path, "", f"the key {path[-1]}", f"add {path[-1]} here")
    if kind == "extra_forbidden":
        known = list((Still if path[0] == "still" else Profile).model_fields)
        close = difflib.get_close_matches(str(path[-1]), known, 1)
        mend = f"did you mean {close[0]}?" if close else "drop it, or check its spelling"
        return _Fault(path, f"the unknown key {path[-1]}", f"one of {', '.join(known)}", mend)
    expected = str(context.get("expected") or _PLAINLY.get(kind) or item["msg"].removeprefix("Input should be "))
    return _Fault(path, brief(item["input"]), expected, "check the value and its kind")


_UNION = frozenset({"dict[str,constrained-int]", "constrained-int", "[key]"})  # what pydantic puts between
_PLAINLY = {
    "bool_type": "true or false",
    "dict_type": 'a table such as { MM = "mm" }',
    "int_type": "a whole number",
    "model_type": "a table",
    "string_too_short": "a text that is not empty",
    "string_type": "a text in quotation marks",
}


def _contradictions(profile: Profile) -> Iterator[_Fault]:
    """What is wrong with keys that are each well formed."""
    groups = re.compile(profile.pattern).groupindex
    yield from _of_units(profile, groups)
    yield from _of_groups(profile, groups)
    yield from _of_channels(profile, groups)
    try:
        profile.request.encode(profile.encoding)
    except UnicodeEncodeError:
        yield _Fault(("request",), brief(profile.request), f"signs of {profile.encoding}", "change it, or the encoding")
    if profile.sends == "asked" and not profile.request:
        yield _Fault(("sends",), "'asked'", "the key request too", 'add what asks for a line: request = "?\\r"')
    if profile.sends != "asked":
        for key in ("request", "every"):
            if key in profile.model_fields_set:
                yield _Fault((key,), key, f'no such key with sends = "{profile.sends}"', 'drop it, or sends = "asked"')


def _of_units(profile: Profile, groups: Mapping[str, int]) -> Iterator[_Fault]:
    for text, unit in profile.units.items():
        if not known_unit(unit, profile.dimension):
            yield _Fault(("units", text), brief(unit), f"a unit of {profile.dimension}", _SUCH[profile.dimension])
    own = profile.dimension == "length" and profile.unit == COMPARATOR
    if profile.unit is not None and not own and not known_unit(profile.unit, profile.dimension):
        yield _Fault(("unit",), brief(profile.unit), f"a unit of {profile.dimension}", _SUCH[profile.dimension])
    if own and profile.sends != "press":
        mend = f'say the unit: with sends = "{profile.sends}" a value is judged before it is an answer'
        yield _Fault(("unit",), brief(profile.unit), "a unit of length", mend)
    if profile.unit is None and "unit" not in groups:
        mend = "add unit, which is then the unit of every line: mind the instrument's unit key"
        yield _Fault(("pattern",), "no group unit", "the group (?P<unit>…), or the key unit", mend)
    if isinstance(profile.decimals, dict):
        meant = {*profile.units.values(), profile.unit}
        for unit in profile.decimals:
            if unit not in meant and not known_unit(unit, profile.dimension):
                yield _Fault(("decimals", unit), brief(unit), "a unit that lines have", _SUCH[profile.dimension])


def _of_groups(profile: Profile, groups: Mapping[str, int]) -> Iterator[_Fault]:
    for key, group in (("units", "unit"), ("signs", "sign"), ("channels", "channel")):
        if key in profile.model_fields_set and group not in groups:
            mend = f"add the group to the pattern, or drop {key}"
            yield _Fault((key,), f"{key} without a group {group}", f"(?P<{group}>…) in the pattern", mend)


def _of_channels(profile: Profile, groups: Mapping[str, int]) -> Iterator[_Fault]:
    if "channel" in groups and not profile.channels:
        mend = 'say what hangs on each: channels = { 1 = "part" }'
        yield _Fault(("pattern",), "the group channel", "the key channels too", mend)
    for text, of in profile.channels.items():
        if (of == COMPARATOR) is not (profile.dimension == "length"):
            expected = COMPARATOR if profile.dimension == "length" else "part, reference, plate or air"
            mend = f'dimension is "{profile.dimension}": one of the two is wrong'
            yield _Fault(("channels", text), brief(of), expected, mend)
    if profile.dimension == "length" and "of" in profile.model_fields_set:
        yield _Fault(("of",), brief(profile.of), 'dimension = "temperature"', "drop it: it says where a thermometer is")
    if profile.dimension == "temperature" and "still" in profile.model_fields_set:
        yield _Fault(("still",), "still", 'dimension = "length"', "drop it: a temperature is taken as it is")
    if "of" in profile.model_fields_set and profile.channels:
        yield _Fault(("of",), brief(profile.of), "of or channels, not both", "drop one of them")


_SUCH = {"length": "such as um, mm, in", "temperature": "such as degC, degF"}


def _line_of(path: KeyPath, text: str) -> int | None:
    """The line in which a key stands, or its table where the key is not found; from 1."""
    names = [str(part) for part in path]
    lines = text.splitlines()
    at = next((number for number, line in enumerate(lines, 1) if names and _opens(line, names[0])), None)
    if at is None or len(names) == 1:
        return at
    inner = (number for number, line in enumerate(lines[at - 1 :], at) if _names(line, names[1]))
    return next(inner, at)


def _opens(line: str, name: str) -> bool:
    return re.match(rf"""\s*\[?\s*["']?{re.escape(name)}["']?\s*[\].=]""", line) is not None


def _names(line: str, name: str) -> bool:
    return re.search(rf"""(?:^|[\s{{,.])["']?{re.escape(name)}["']?\s*=""", line) is not None
