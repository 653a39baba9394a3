"""From a model to the JSON Schema of its table as TOML can hold it, with what it refers to in definitions.

What stands in the models for the inside alone (hidden keys, defaults in inside units, null) does not show.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from enum import Enum
from typing import Any

from pydantic import BaseModel
from pydantic.json_schema import GenerateJsonSchema, JsonSchemaValue
from pydantic_core import core_schema

from holdzero.routine.forms import FORMS, JsonSchema, slug

__all__ = ["MANY", "ONE", "REFER", "closed_over", "mapped", "schema_of"]

REFER = "#/$defs/"

# Keywords that hold schemas by name, in a list, or alone.
MANY = ("properties", "$defs", "dependentSchemas", "patternProperties")
LISTS = ("anyOf", "oneOf", "allOf", "prefixItems")
ONE = ("items", "additionalProperties", "then", "else")
_JSON_TYPES: dict[str, type | tuple[type, ...]] = {
    "string": str,
    "integer": int,
    "number": (int, float),
    "boolean": bool,
}


class _AsWritten(GenerateJsonSchema):
    """What an author writes, where pydantic's own says what a model holds."""

    def field_is_present(self, field: Any) -> bool:
        return not field.get("serialization_exclude")

    def field_title_should_be_set(self, schema: Any) -> bool:
        del schema
        return False

    def nullable_schema(self, schema: core_schema.NullableSchema) -> JsonSchemaValue:
        """TOML has no null: a key that may be None is left out."""
        return self.generate_inner(schema["schema"])

    def default_schema(self, schema: core_schema.WithDefaultSchema) -> JsonSchemaValue:
        """A default shows where it can be written as it is; one in an inside unit can't."""
        inner = self.generate_inner(schema["schema"])
        default = schema.get("default")
        if isinstance(default, Enum):
            return {**inner, "default": default.value}
        kind = _JSON_TYPES.get(str(inner.get("type")))
        if kind is None or not isinstance(default, kind) or isinstance(default, bool) != (kind is bool):
            return inner
        return {**inner, "default": default} if default != "" else inner

    def function_before_schema(self, schema: core_schema.BeforeValidatorFunctionSchema) -> JsonSchemaValue:
        return self._behind(schema)

    def function_wrap_schema(self, schema: core_schema.WrapValidatorFunctionSchema) -> JsonSchemaValue:
        return self._behind(schema)

    def function_plain_schema(self, schema: core_schema.PlainValidatorFunctionSchema) -> JsonSchemaValue:
        return self._behind(schema)

    def _behind(self, schema: Any) -> JsonSchemaValue:
        """What a function of a plugin takes is not known, unless it says so; that of a whole table keeps its keys."""
        written = schema.get("json_schema_input_schema")
        if written is None and schema.get("schema", {}).get("type") in ("model-fields", "function-before"):
            written = schema["schema"]
        return {} if written is None else self.generate_inner(written)

    def dict_schema(self, schema: core_schema.DictSchema) -> JsonSchemaValue:
        """A table under names: a name that can't be is refused, and not let pass as any other key."""
        made = super().dict_schema(schema)
        for pattern, values in made.pop("patternProperties", {}).items():
            names = {**made.get("propertyNames", {}), "pattern": pattern}
            made |= {"propertyNames": names, "additionalProperties": values}
        return made

    def tagged_union_schema(self, schema: core_schema.TaggedUnionSchema) -> JsonSchemaValue:
        """Any of the forms: a placeholder may stand for each."""
        made = super().tagged_union_schema(schema)
        return {"anyOf": made["oneOf"]}


def schema_of(model: type[BaseModel], prefix: str = "") -> tuple[JsonSchema, dict[str, JsonSchema]]:
    """The schema of a model, and its definitions by name.

    Args:
        model: of a table.
        prefix: of the names of its own definitions, so that two plugins' do not meet.
    """
    made = model.model_json_schema(ref_template=f"{REFER}{prefix}{{model}}", schema_generator=_AsWritten)
    own = {prefix + name: schema for name, schema in made.pop("$defs", {}).items()}
    forms: dict[str, JsonSchema] = {}
    whole = _hoisted(_untitled(made), forms)
    return whole, {**{name: _hoisted(_untitled(schema), forms) for name, schema in own.items()}, **forms}


def _untitled(schema: JsonSchema) -> JsonSchema:
    """Without the class's name, which means nothing to an author."""
    return {key: item for key, item in schema.items() if key != "title"}


def _hoisted(schema: Any, forms: dict[str, JsonSchema]) -> Any:
    """With references to quantities and estimates, which go into `forms`."""
    if not isinstance(schema, dict):
        return schema
    form = FORMS.get(str(schema.get("title")))
    if form is None or schema.get("pattern", form["pattern"]) != form["pattern"]:
        return mapped(schema, lambda inner: _hoisted(inner, forms))
    name = slug(form["title"])
    if name not in forms:
        forms[name] = form  # before its own parts, which may refer to it
        forms[name] = mapped(form, lambda inner: _hoisted(inner, forms))
    own = schema.get("description")
    return {"$ref": REFER + name, **({"description": own} if own and own != form.get("description") else {})}


def mapped(schema: JsonSchema, change: Any) -> JsonSchema:
    """The schema with each schema right under it changed; conditions and rules for keys stay as they are."""
    out = dict(schema)
    for word in MANY:
        if isinstance(out.get(word), dict):
            out[word] = {name: change(inner) for name, inner in out[word].items()}
    for word in LISTS:
        if isinstance(out.get(word), list):
            out[word] = [change(inner) for inner in out[word]]
    for word in ONE:
        if isinstance(out.get(word), dict):
            out[word] = change(out[word])
    return out


def closed_over(schema: JsonSchema, defs: Mapping[str, JsonSchema]) -> JsonSchema:
    """The schema with those definitions that it needs, directly or not, in the order of their names."""
    needed: set[str] = set()
    waiting = list(_references(schema))
    while waiting:
        if (name := waiting.pop()) not in needed:
            needed.add(name)
            waiting.extend(_references(defs[name]))
    return {**schema, "$defs": {name: defs[name] for name in sorted(needed)}}


def _references(node: Any) -> Iterator[str]:
    if isinstance(node, dict):
        if isinstance(node.get("$ref"), str):
            yield node["$ref"].removeprefix(REFER)
        for item in node.values():
            yield from _references(item)
    elif isinstance(node, list):
        for item in node:
            yield from _references(item)
