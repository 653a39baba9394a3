"""A step of a routine as written: one of the core's kinds, one of a plugin's, or the inclusion of a fragment."""

from __future__ import annotations

from collections.abc import Mapping

from holdzero.editing.models import REFER
from holdzero.routine.forms import JsonSchema

__all__ = ["done_by", "step"]

_INCLUDE: JsonSchema = {
    "type": "string",
    "minLength": 1,
    "description": "In place of do: a file whose steps are put here; its name counts from the folder of this file.",
    "examples": ["fragments/clean-and-soak.toml"],
}
_WITH: JsonSchema = {"type": "object", "description": "Beside include: values for the parameters of that file."}


def done_by(settings: JsonSchema, name: str) -> JsonSchema:
    """The schema of a step of a plugin's kind, from that of its other keys."""
    return {
        **settings,
        "properties": {"do": {"const": name}, **settings.get("properties", {})},
        "required": ["do", *settings.get("required", ())],
    }


def step(kinds: Mapping[str, str], defs: Mapping[str, JsonSchema]) -> JsonSchema:
    """Any step. Its kind chooses the one table that it is held to, so that a refusal speaks of that kind alone.

    Args:
        kinds: names of definitions by the word in `do`.
        defs: definitions by their names.
    """
    tables = {word: defs[name] for word, name in kinds.items()}
    lines = [f"`{word}`: {_words(word, table)}" for word, table in tables.items()]
    chosen = [
        {"if": {"properties": {"do": {"const": word}}, "required": ["do"]}, "then": {"$ref": REFER + name}}
        for word, name in kinds.items()
    ]
    return {
        "title": "step",
        "type": "object",
        "properties": {
            "do": {"description": "\n".join(["The kind of step.", *lines]), "enum": list(kinds)},
            "include": _INCLUDE,
            "with": _WITH,
            **_keys(tables),
        },
        "if": {"required": ["include"]},
        "then": {"properties": {"include": True, "with": True}, "additionalProperties": False},
        "else": {"required": ["do"], "properties": {"with": False}, "allOf": chosen},
    }


def _words(word: str, table: JsonSchema) -> str:
    """What a kind of step is: in the core's words, or in the title that a plugin gives it."""
    title = str(table["title"])
    return title.removeprefix(f"{word}: ") if title.startswith(f"{word}: ") else str(table["description"])


def _keys(tables: Mapping[str, JsonSchema]) -> dict[str, JsonSchema]:
    """All keys of all kinds in words, for editors that complete without looking at conditions."""
    meanings: dict[str, dict[str, list[str]]] = {}
    for word, table in tables.items():
        for key, schema in table["properties"].items():
            if key != "do":
                meanings.setdefault(key, {}).setdefault(schema.get("description", ""), []).append(word)
    return {
        key: {"description": "\n".join(f"{', '.join(words)}: {meaning}" for meaning, words in of.items())}
        for key, of in meanings.items()
    }
