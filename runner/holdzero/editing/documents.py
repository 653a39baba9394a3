"""The schemas of the files that a person writes: a routine, a fragment of one, the shop's register."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from typing import Any, TypeAlias

from holdzero.catalogue import Catalogue
from holdzero.editing.models import REFER, closed_over, schema_of
from holdzero.editing.placeholders import with_placeholders
from holdzero.editing.rules import DEVICES, RULES, device, of_characteristic, of_decision, ruled
from holdzero.editing.steps import done_by, step
from holdzero.hooks import Check, GuardRule, StepKind
from holdzero.register import Register
from holdzero.routine.forms import JsonSchema, slug
from holdzero.routine.keys import TABLES
from holdzero.routine.schema import Repeat, Routine

__all__ = ["fragment_schema", "routine_schema", "shop_schema"]

Defs: TypeAlias = dict[str, JsonSchema]

_DRAFT = "https://json-schema.org/draft/2020-12/schema"
_FORMAT: JsonSchema = {"const": 1, "description": "Format of this file."}
_PARAMETERS: JsonSchema = {
    "type": "object",
    "description": "Values by name: `{name}` in a text is replaced by them, a text that is nothing but `{name}` "
    "becomes the value itself.",
}
_FAMILY: JsonSchema = {
    "type": "object",
    "description": "A part family: for each member, under its name, the parameters that are its own.",
    "additionalProperties": {
        "type": "object",
        "description": "Parameters of this member; each must stand in some text as `{name}`.",
        "propertyNames": {"pattern": "^[A-Za-z_][A-Za-z0-9_]*$"},
    },
}


def routine_schema(catalogue: Catalogue) -> JsonSchema:
    """The schema of a routine file as written, with what the plugins of a catalogue add to it."""
    root, defs = _routine(catalogue)
    own = {"format": _FORMAT, "parameters": _PARAMETERS, "family": _FAMILY}
    properties = {**own, **{key: item for key, item in root["properties"].items() if key not in own}}
    return _document("routine", "What is measured and how it is decided.", properties, root["required"], defs)


def fragment_schema(catalogue: Catalogue) -> JsonSchema:
    """The schema of a file that routines include, with the steps that the plugins of a catalogue add."""
    root, defs = _routine(catalogue)
    steps = {key: item for key, item in root["properties"]["steps"].items() if key != "minItems"}
    properties = {"format": _FORMAT, "parameters": _PARAMETERS, "steps": steps}
    return _document("fragment", "Steps that several routines share.", properties, ["steps"], defs)


def shop_schema(catalogue: Catalogue) -> JsonSchema:
    """The schema of the shop's register and settings, with the materials that the plugins of a catalogue know."""
    catalogue.want_all()
    root, defs = schema_of(Register)
    defs = _core(defs, catalogue)
    properties = {**root["properties"], "format": _FORMAT}
    return _document("shop", "What the shop has, and how it works with it.", properties, [], defs)


def _document(what: str, words: str, properties: Mapping[str, Any], required: list[str], defs: Defs) -> JsonSchema:
    return {
        "$schema": _DRAFT,
        "title": f"holdzero {what}, format 1",
        "description": words,
        **closed_over(
            {"type": "object", "properties": properties, "required": required, "additionalProperties": False}, defs
        ),
    }


def _routine(catalogue: Catalogue) -> tuple[JsonSchema, Defs]:
    """A routine's schema and its definitions, placeholders allowed."""
    catalogue.want_all()
    Repeat.model_rebuild()
    Routine.model_rebuild()
    root, defs = schema_of(Routine)
    kinds = _kinds(root, defs)
    defs = _titled(_core(defs, catalogue))
    checks, of_checks = _of_plugins("checks", (check for _, check in catalogue.checks.values()))
    rules, of_rules = _of_plugins("rules", (rule for _, rule in catalogue.rules.values()))
    steps, of_steps = _of_plugins("steps", (kind for _, kind in catalogue.steps.values()))
    defs |= of_checks | of_rules | of_steps
    defs |= {f"steps.{name}": done_by(schema, name) for name, schema in steps.items()}
    defs["Characteristic"] = ruled(defs["Characteristic"], of_characteristic(_declared(catalogue.contrasts)))
    defs["Decision"] = ruled(defs["Decision"], of_decision(rules))
    defs["Repeat"] = _with_steps(defs["Repeat"])
    defs["step"] = step(kinds | {name: f"steps.{name}" for name in steps}, defs)
    properties = {
        **_with_steps(root)["properties"],
        **{key: device(key, defs) for key in DEVICES},
        "checks": _checks(checks),
    }
    allowed = with_placeholders({"properties": properties})
    return {**root, **allowed}, {name: with_placeholders(schema) for name, schema in defs.items()}


def _declared(table: Mapping[str, tuple[Any, Any]]) -> dict[str, Any]:
    return {name: table[name][1] for name in sorted(table)}


def _kinds(root: JsonSchema, defs: Defs) -> dict[str, str]:
    """Names of the definitions of the core's steps, by the word in `do`."""
    names = [form["$ref"].removeprefix(REFER) for form in root["properties"]["steps"]["items"]["anyOf"]]
    return {defs[name]["properties"]["do"]["const"]: name for name in names}


def _with_steps(table: JsonSchema) -> JsonSchema:
    """A table whose list of steps takes any step."""
    steps = {**table["properties"]["steps"], "items": {"$ref": f"{REFER}step"}}
    return {**table, "properties": {**table["properties"], "steps": steps}}


def _core(defs: Defs, catalogue: Catalogue) -> Defs:
    """The core's definitions with what holds between keys, and with the materials that are known."""
    material = {"type": "string", "examples": sorted(catalogue.materials)}
    out = {name: ruled(schema, RULES[name]) if name in RULES else schema for name, schema in defs.items()}
    for name, schema in out.items():
        own = schema.get("properties", {})
        if name[0].isupper() and "material" in own:
            known = {"description": own["material"]["description"], "$ref": f"{REFER}material"}
            out[name] = {**schema, "properties": {**own, "material": known}}
        if name == "Term":
            out[name] = _as_estimate(schema, out[slug("estimate of a length")])
    return {**out, "material": material}


def _as_estimate(term: JsonSchema, estimate: JsonSchema) -> JsonSchema:
    """A table that is an estimate with a few keys more."""
    kept = ("dependentRequired", "dependentSchemas", "if", "then")
    keys = {key: {**estimate["properties"].get(key, {}), **item} for key, item in term["properties"].items()}
    return {**term, **{word: estimate[word] for word in kept}, "properties": keys}


def _titled(defs: Defs) -> Defs:
    """With the titles that the key tables have."""
    titles = {model.__name__: title for title, model in TABLES}
    return {name: {"title": titles[name], **schema} if name in titles else schema for name, schema in defs.items()}


def _of_plugins(word: str, declared: Iterable[Check | GuardRule | StepKind]) -> tuple[Defs, Defs]:
    """Schemas of the settings of plugins by their names, and all definitions that come with them."""
    tables: Defs = {}
    defs: Defs = {}
    for item in sorted(declared, key=lambda item: item.name):
        try:
            schema, own = schema_of(item.settings, f"{word}.{item.name}.")
        except Exception:  # noqa: BLE001  a plugin's model may hold what no schema can say: any key will do
            schema, own = {}, {}
        tables[item.name] = {"title": f"{item.name}: {item.title}", "type": "object", **schema}
        defs |= own | {f"{word}.{item.name}": tables[item.name]}
    return tables, defs


def _checks(known: Iterable[str]) -> JsonSchema:
    """The tables of checks; one that is not loaded here may be installed where the routine is run."""
    return {
        "type": "object",
        "description": "What is looked after: a table for each check, under its name; it may be empty.",
        "properties": {name: {"$ref": f"{REFER}checks.{name}"} for name in known},
        "additionalProperties": {"type": "object", "description": "Settings of a check that is not loaded here."},
    }
