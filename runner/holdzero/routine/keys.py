"""Tables of the routine's keys, made from the models: `python -m holdzero.routine.keys` prints them.

The documentation holds a copy; a test keeps it current.
"""

from __future__ import annotations

import sys
import types
import typing
from collections.abc import Iterator
from enum import Enum
from typing import Any

from pydantic import BaseModel, WithJsonSchema
from pydantic.fields import FieldInfo

from holdzero.routine import schema

__all__ = ["TABLES", "key_table", "key_tables", "tables_within"]

TABLES: tuple[tuple[str, type[BaseModel]], ...] = (
    ("[routine]", schema.Header),
    ("[approval]", schema.Approval),
    ("[reference], whole", schema.Reference),
    ("[reference], what is required of one of the register", schema.RequiredReference),
    ("[reference], a place of the part in place of a block", schema.ReferencePlace),
    ("[check_standard]", schema.CheckStandard),
    ("[part]", schema.PartMaterial),
    ("[comparator], whole", schema.Comparator),
    ("comparator.tip", schema.Tip),
    ("[comparator], what is required of one of the register", schema.RequiredComparator),
    ("[thermometer], whole", schema.Thermometer),
    ("[thermometer], what is required of one of the register", schema.RequiredThermometer),
    ("[decision]", schema.Decision),
    ("decision.process", schema.Process),
    ("[bracket]", schema.Bracket),
    ("[characteristics.NAME]", schema.Characteristic),
    ("[[terms]]", schema.Term),
    ('do = "prepare"', schema.Prepare),
    ('do = "ask"', schema.Ask),
    ('do = "soak"', schema.Soak),
    ('do = "temperature"', schema.TemperatureStep),
    ('do = "zero"', schema.Zero),
    ('do = "check"', schema.Check),
    ('do = "read"', schema.Read),
    ('do = "repeat"', schema.Repeat),
    ('do = "return"', schema.Return),
    ('do = "compare"', schema.Compare),
)


def key_tables() -> str:
    """All tables as Markdown."""
    schema.Repeat.model_rebuild()
    schema.Routine.model_rebuild()
    return "\n".join(key_table(title, model) for title, model in TABLES)


def key_table(title: str, model: type[BaseModel], words: str = "") -> str:
    """One table of keys as Markdown, under its title and what is said of it in words."""
    lines = [f"### `{title}`" if "," not in title else "### `{}`,{}".format(*title.split(",", 1)), ""]
    lines += [words, ""] if words else []
    if rows := [f"| {key} | {kind} | {meaning} |" for key, kind, meaning in _rows(model)]:
        lines += ["| key | what it is | meaning |", "|---|---|---|", *rows]
    else:
        lines.append("It has no keys.")
    return "\n".join([*lines, ""])


def tables_within(model: type[BaseModel]) -> Iterator[tuple[str, type[BaseModel]]]:
    """The tables under keys of a table, and those under theirs: where each stands, and its model."""
    for name, field in model.model_fields.items():
        for inner in _models_in(field.annotation):
            key = field.alias or name
            yield key, inner
            yield from ((f"{key}.{further}", deeper) for further, deeper in tables_within(inner))


def _models_in(annotation: Any) -> Iterator[type[BaseModel]]:
    if isinstance(annotation, type) and issubclass(annotation, BaseModel):
        yield annotation
    for argument in typing.get_args(annotation):
        yield from _models_in(argument)


def _rows(model: type[BaseModel]) -> Iterator[tuple[str, str, str]]:
    for name, field in model.model_fields.items():
        if field.exclude or name == "do":
            continue
        needed = "**required**, " if field.is_required() else ""
        yield f"`{field.alias or name}`", f"{needed}{_kind(field.annotation, field)}", field.description or ""


def _kind(annotation: Any, field: FieldInfo | None = None) -> str:  # noqa: PLR0911  one answer a form
    """What a value is, in words for the author of a routine."""
    marks = (*(field.metadata if field else ()), *getattr(annotation, "__metadata__", ()))
    for mark in reversed(marks):  # the last one stands
        if isinstance(mark, WithJsonSchema) and "title" in (mark.json_schema or {}):
            return str(dict(mark.json_schema or {})["title"])
    origin, arguments = typing.get_origin(annotation), typing.get_args(annotation)
    if origin is typing.Annotated:
        return _kind(arguments[0])
    if origin in (typing.Union, types.UnionType):
        return _kind(next(argument for argument in arguments if argument is not type(None)))
    if origin is typing.Literal:
        return "one of " + ", ".join(f"`{argument}`" for argument in arguments)
    if origin in (tuple, list):
        return _list_of(arguments)
    if origin is dict:
        return "table"
    if isinstance(annotation, type) and issubclass(annotation, Enum):
        return "one of " + ", ".join(f"`{member.value}`" for member in annotation)
    if isinstance(annotation, type) and issubclass(annotation, BaseModel):
        return "table"
    words = {str: "text", int: "whole number", float: "number", bool: "true or false"}
    return words.get(annotation, "date" if "date" in str(annotation) else "as in an estimate")


def _list_of(arguments: tuple[Any, ...]) -> str:
    if len(arguments) > 1 and Ellipsis not in arguments:
        return f"list of {len(arguments)}, each a {_kind(arguments[0])}"
    is_step = "Step" in str(arguments[0]) or "Prepare" in str(arguments[0])
    return "list of steps" if is_step else f"list of {_kind(arguments[0])}s"


if __name__ == "__main__":
    sys.stdout.write(key_tables())
