"""From a routine file to a `Routine`, or to all that is wrong with it, located.

The only module that knows how the models' complaints become faults with file, line and key.
"""

from __future__ import annotations

import datetime as dt
import difflib
import errno
import hashlib
import math
import tomllib
from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any, get_args, get_origin

from pydantic import BaseModel, ValidationError

from holdzero.errors import Fault, FileFaultsError
from holdzero.plain_text import unplain
from holdzero.quantity import shown
from holdzero.routine import schema
from holdzero.routine.ignored import without_effect
from holdzero.routine.locate import KeyPath, dotted, lines_of_keys
from holdzero.routine.no_toml import line_in, mend_of
from holdzero.routine.resolve import Kinds, Origins, Text, members_of, resolve
from holdzero.whole_file import read_whole

__all__ = [
    "LoadedRoutine",
    "digest_of",
    "dump_routine",
    "faults_of",
    "load_routine",
    "members",
    "plain_data",
    "read_toml",
    "routine_from_document",
    "sound_text",
]

_LARGEST = 1_000_000  # bytes: a routine is a page or two
_DEEPEST = 20  # tables within tables; the deepest that a routine needs is about eight
_WHOLE = 2**53 - 1  # the largest whole number that JSON keeps exactly (RFC 8259, clause 6)


@dataclass(frozen=True, slots=True, kw_only=True)
class LoadedRoutine:
    """A routine that was read from a file.

    Attributes:
        routine: the typed models.
        document: the resolved routine as plain data, as records keep it.
        digest: SHA-256 of the canonical document.
        text_digest: SHA-256 of all that was written, fragments among it, but for the approval:
            comments and the order of keys do not count.
        origins: where each key was written.
    """

    routine: schema.Routine
    document: dict[str, Any]
    digest: str
    text_digest: str
    origins: Origins


def read_toml(path: Path) -> Text:
    """Read a TOML file and remember the lines of its keys.

    Raises:
        FileFaultsError: the file can't be read, is no TOML, or holds numbers or nests that no
            record could keep.
    """
    try:
        raw = read_whole(path, _LARGEST)
    except OSError as error:
        if error.errno == errno.EFBIG:
            raise _whole(path, None, f"more than {_LARGEST} bytes", "is this the right file?") from None
        raise _whole(path, None, error.strerror or "an unreadable file", "check the name and its permissions") from None
    try:
        text = raw.decode("utf-8-sig")
        data = tomllib.loads(text)
    except UnicodeDecodeError as error:
        line = raw.count(b"\n", 0, error.start) + 1
        raise _whole(path, line, "a character that is not UTF-8", "save the file as UTF-8") from None
    except tomllib.TOMLDecodeError as error:
        message = str(error)
        raise _whole(path, line_in(message), f"no valid TOML: {message}", mend_of(message, text)) from None
    except ValueError:  # Python's limit on the digits of a whole number
        raise _whole(path, None, "a whole number of thousands of digits", "shorten it") from None
    except RecursionError:
        raise _whole(path, None, "brackets nested too deeply", "unfold them") from None
    if _deeper_than(_DEEPEST, data):
        raise _whole(path, None, f"tables nested deeper than {_DEEPEST}", "unfold them")
    return sound_text(Text(file=str(path), data=data, lines=lines_of_keys(text)))


def sound_text(read: Text) -> Text:
    """A text, if a record can hold its numbers and a screen shows what stands there.

    Raises:
        FileFaultsError: with every fault found.
    """
    if faults := (*_no_numbers(read, read.data, ()), *_unplain(read, read.data, ())):
        raise FileFaultsError(faults)
    return read


def _deeper_than(depth: int, data: Any) -> bool:
    """Whether tables and lists are nested deeper; without recursion, since nothing bounds them yet."""
    level = [data]
    for _ in range(depth):
        level = [
            inner
            for outer in level
            for inner in (outer.values() if isinstance(outer, dict) else outer)
            if isinstance(inner, dict | list)
        ]
    return bool(level)


def _no_numbers(text: Text, raw: Any, path: KeyPath) -> Iterator[Fault]:
    """Faults of numbers that JSON, and so a record, can't hold."""
    if isinstance(raw, dict | list):
        for key, item in raw.items() if isinstance(raw, dict) else enumerate(raw):
            yield from _no_numbers(text, item, (*path, key))
    elif isinstance(raw, int | float) and not (math.isfinite(raw) if isinstance(raw, float) else abs(raw) <= _WHOLE):
        file, line = Origins(text).place(path)
        yield Fault(
            file=file, line=line, key=dotted(path), found=shown(raw), expected="a finite number", mend="check it"
        )


# What is marked on something, or stands in a head line: of one line, and with nothing that hides.
_NAMES = frozenset(
    [
        "title",
        "part",
        "revision",
        "author",
        "by",
        "id",
        "name",
        "certificate",
        "material",
        "serial",
        "place",
        "at",
        "from",
        "with",
        "of",
        "beside",
        "unit",
        "member",
    ]
)


def _unplain(text: Text, raw: Any, path: KeyPath) -> Iterator[Fault]:
    """Faults of texts and keys that hold characters which act on a screen, or hide on it."""
    if isinstance(raw, dict | list):
        for key, item in raw.items() if isinstance(raw, dict) else enumerate(raw):
            if isinstance(key, str) and (found := unplain(key)):
                yield _hidden(text, (*path, key), f"{key!a:.80} with {found}")
            yield from _unplain(text, item, (*path, key))
    elif isinstance(raw, str):
        name = next((part for part in reversed(path) if isinstance(part, str)), "")
        if found := unplain(raw, free=name not in _NAMES):
            yield _hidden(text, path, f"{raw!a:.80} with {found}")


def _hidden(text: Text, path: KeyPath, found: str) -> Fault:
    file, line = Origins(text).place(path)
    mend = "type it again, by hand: a screen shows something else than stands there"
    return Fault(file=file, line=line, key=dotted(path), found=found, expected="a text without such", mend=mend)


def _whole(path: Path, line: int | None, found: str, mend: str) -> FileFaultsError:
    fault = Fault(file=str(path), line=line, key="file", found=found, expected="a text in TOML", mend=mend)
    return FileFaultsError((fault,))


def members(path: Path) -> tuple[str, ...]:
    """Names of the part family in a routine file; empty for a routine of a single part."""
    return members_of(read_toml(path))


class _NoKinds:
    """A routine of the core's own steps alone."""

    def __call__(self, name: str) -> None:
        del name

    def names(self) -> tuple[str, ...]:
        return ()


_NO_KINDS = _NoKinds()


def load_routine(path: Path, member: str | None = None, kinds: Kinds = _NO_KINDS) -> LoadedRoutine:
    """Read, resolve and check a routine file.

    Args:
        path: of the file.
        member: which member of its part family, if it has one.
        kinds: of step that plugins declare.

    Raises:
        FileFaultsError: with every fault found.
    """
    fragments: dict[str, Any] = {}

    def read(name: str, by: str) -> Text:
        fragment = read_toml(Path(by).parent / name)
        fragments[name] = plain_data(fragment.data)
        return fragment

    text = read_toml(path)
    data, origins, wrong = resolve(text, member, read, kinds)
    document = plain_data(data)
    try:
        routine = schema.Routine.model_validate(document)
    except ValidationError as error:
        faults = (*wrong, *faults_of(error, document, origins, schema.Routine, kinds=kinds))
        raise FileFaultsError(tuple(sorted(faults, key=lambda fault: (fault.file, fault.line or 0)))) from None
    if idle := (*wrong, *without_effect(routine, origins)):
        raise FileFaultsError(idle)
    written = {key: item for key, item in plain_data(text.data).items() if key != "approval"}
    return LoadedRoutine(
        routine=routine,
        document=document,
        digest=digest_of(document),
        text_digest=digest_of({"routine": written, "fragments": fragments}),
        origins=origins,
    )


def routine_from_document(document: Mapping[str, Any]) -> schema.Routine:
    """The typed routine of a journal or record.

    Raises:
        FileFaultsError: the document is no routine of this version.
    """
    try:
        return schema.Routine.model_validate(dict(document))
    except ValidationError as error:
        text = Text(file="the routine in the record", data=dict(document), lines={})
        raise FileFaultsError(faults_of(error, document, Origins(text), schema.Routine)) from None


def dump_routine(document: Mapping[str, Any]) -> str:
    """A resolved routine as TOML text."""
    import tomli_w

    return tomli_w.dumps(dict(document))


def digest_of(document: Mapping[str, Any]) -> str:
    """SHA-256 of the canonical JSON of plain data (RFC 8785), as `sha256:…`."""
    import rfc8785

    return "sha256:" + hashlib.sha256(rfc8785.dumps(dict(document))).hexdigest()


def plain_data(raw: Any) -> Any:
    """The data as JSON can hold it: dates as text."""
    if isinstance(raw, dict):
        return {key: plain_data(item) for key, item in raw.items()}
    if isinstance(raw, list):
        return [plain_data(item) for item in raw]
    return raw.isoformat() if isinstance(raw, dt.date | dt.time) else raw


def faults_of(
    error: ValidationError,
    document: Any,
    origins: Origins,
    model: type[BaseModel],
    prefix: KeyPath = (),
    *,
    kinds: Kinds = _NO_KINDS,
) -> tuple[Fault, ...]:
    """What a model found wrong, as faults with file, line and key, in the order of the lines."""
    faults = []
    for item in error.errors(include_url=False):
        if item["type"] == "too_short" and item["input"]:
            continue  # its entries are faulty, and each has a fault of its own
        path = prefix + _real_path(item["loc"], document)
        file, line = origins.place(path)
        unknown = item["type"] == "union_tag_invalid"
        said = _unknown_kind(item, kinds) if unknown else _complaint(item, path, document, prefix, model)
        found, expected, mend = said
        faults.append(Fault(file=file, line=line, key=dotted(path), found=found, expected=expected, mend=mend))
    faults.sort(key=lambda fault: (fault.file, fault.line or 0))
    return tuple(dict.fromkeys(faults))


def _real_path(loc: tuple[str | int, ...], document: Any) -> KeyPath:
    """The path in the document, without the names of union members that a model puts between."""
    path: list[str | int] = []
    node = document
    tagged = False
    for index, part in enumerate(loc):
        if not tagged and _is_tag(part, node, path):
            tagged = True
            continue
        tagged = False
        if _holds(node, part):
            path.append(part)
            node = node[part]
        elif index == len(loc) - 1 and isinstance(node, dict) and isinstance(part, str) and part != "[key]":
            path.append(part)  # the key that is missing
    return tuple(path)


def _is_tag(part: str | int, node: Any, path: list[str | int]) -> bool:
    """Whether a model says which member of a union it took: the kind of a step, the form of a device."""
    if path and isinstance(path[-1], int):
        return isinstance(node, dict) and part == node.get("do")
    return len(path) == 1 and path[0] in _DEVICES and part in ("whole", "required", "of the part")


def _holds(node: Any, part: str | int) -> bool:
    if isinstance(node, dict):
        return part in node
    return isinstance(node, list) and isinstance(part, int) and part < len(node)


def _complaint(
    item: Any, path: KeyPath, document: Any, prefix: KeyPath, model: type[BaseModel]
) -> tuple[str, str, str]:
    kind, context = item["type"], item.get("ctx", {})
    if kind == "holdzero":
        return context["found"], context["expected"], context["mend"]
    if kind in ("missing", "union_tag_not_found"):
        name = path[-1] if kind == "missing" else "do"
        return "", f"the key {name}" if kind == "missing" else 'do = "…", the kind of step', f"add {name} here"
    if kind == "extra_forbidden":
        return f"the unknown key {shown(path[-1])}", *_suggestion(
            str(path[-1]), _known_keys(path, document, prefix, model)
        )
    if kind in ("literal_error", "enum"):
        return shown(item["input"]), str(context["expected"]), "choose one of these"
    return shown(item["input"]), _PLAINLY.get(kind) or _plainly(item["msg"]), "check the value and its kind"


def _unknown_kind(item: Any, kinds: Kinds) -> tuple[str, str, str]:
    """What is wrong with a step of a kind that neither the core nor a plugin has."""
    known = [*item["ctx"]["expected_tags"].replace("'", "").split(", "), *kinds.names()]
    close = difflib.get_close_matches(str(item["ctx"]["tag"]).lower(), known, 1)
    mend = f"did you mean {close[0]}?" if close else "check it; or the plugin that declares it is not loaded"
    return shown(item["input"]["do"]), f"a step kind: {', '.join(known)}", mend


def _plainly(message: str) -> str:
    return message.removeprefix("Input should be ").removeprefix("Value error, ")


# What the models' own words mean to somebody who writes TOML.
_PLAINLY = {
    "bool_type": "true or false",
    "dict_type": "a table",
    "float_type": "a number, without quotation marks",
    "int_type": "a whole number, without quotation marks",
    "model_attributes_type": "a table",
    "model_type": "a table",
    "string_too_short": "a text that is not empty",
    "string_type": "a text in quotation marks",
    "too_short": "at least one entry",
    "tuple_type": "a list in square brackets",
}


def _suggestion(key: str, known: list[str]) -> tuple[str, str]:
    close = difflib.get_close_matches(key, known, 1)
    expected = "one of " + ", ".join(known) if known else "a known key"
    return expected, f"did you mean {close[0]}?" if close else "drop it, or check its spelling"


def _known_keys(path: KeyPath, document: Any, prefix: KeyPath, model: type[BaseModel]) -> list[str]:
    """The keys that the table around `path` may have."""
    if prefix or len(path) == 1:
        return _keys(model)
    if path[0] == "steps":
        table: Any = document
        for part in path[:-1]:
            table = table[part]
        return _keys(_STEPS.get(table.get("do"), schema.Prepare))
    # Of a characteristic the second key is its name, whatever that may be.
    within = (path[0], *path[2:-1]) if path[0] == "characteristics" else path[:-1]
    if within in _WITHIN:
        return _keys(_WITHIN[within])
    tables = _entries_of(model, str(path[0])) or _TABLES.get(str(path[0]), ())
    return [key for table_model in tables for key in _keys(table_model)]


def _entries_of(model: type[BaseModel], name: str) -> tuple[type[BaseModel], ...]:
    """The model of the table `name`, or of its entries where they have names of their own."""
    field = model.model_fields.get(name)
    if field is None:
        return ()
    inner = get_args(field.annotation)[1:] if get_origin(field.annotation) is dict else (field.annotation,)
    return tuple(item for item in inner if isinstance(item, type) and issubclass(item, BaseModel))


def _keys(model: type[BaseModel]) -> list[str]:
    return [field.alias or name for name, field in model.model_fields.items() if not field.exclude]


_WITHIN: dict[KeyPath, type[BaseModel]] = {
    ("comparator", "tip"): schema.Tip,
    ("decision", "process"): schema.Process,
    ("characteristics", "process"): schema.Process,
}
_DEVICES = frozenset({"reference", "comparator", "thermometer"})
_TABLES: dict[str, tuple[type[BaseModel], ...]] = {
    "routine": (schema.Header,),
    "approval": (schema.Approval,),
    "reference": (schema.Reference, schema.RequiredReference, schema.ReferencePlace),
    "check_standard": (schema.CheckStandard,),
    "part": (schema.PartMaterial,),
    "comparator": (schema.Comparator, schema.RequiredComparator),
    "thermometer": (schema.Thermometer, schema.RequiredThermometer),
    "decision": (schema.Decision,),
    "bracket": (schema.Bracket,),
    "terms": (schema.Term,),
}
_STEPS: dict[str, type[BaseModel]] = {
    "prepare": schema.Prepare,
    "ask": schema.Ask,
    "soak": schema.Soak,
    "temperature": schema.TemperatureStep,
    "zero": schema.Zero,
    "check": schema.Check,
    "read": schema.Read,
    "repeat": schema.Repeat,
    "return": schema.Return,
    "compare": schema.Compare,
}
