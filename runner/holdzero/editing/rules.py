"""Which keys of a table need each other, or can't stand together: what the models' validators say, as JSON Schema.

Only what can be told from the text alone; sums, orders and names across tables are left to `holdzero validate`.
"""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from holdzero.decide import Rule
from holdzero.editing.models import REFER
from holdzero.hooks import Contrast
from holdzero.quantity import Dimension
from holdzero.routine.forms import JsonSchema
from holdzero.routine.schema import Measure, RequiredComparator, RequiredReference, RequiredThermometer

__all__ = ["DEVICES", "RULES", "device", "of_characteristic", "of_decision", "ruled"]


def _is(key: str, *words: str, there: bool = True) -> JsonSchema:
    """The condition that a key has one of these words; without `there` also where it is left out."""
    return {"properties": {key: {"enum": list(words)}}, **({"required": [key]} if there else {})}


def _has(**keys: Any) -> JsonSchema:
    """The rule for keys where a condition holds; False for one that must not be there."""
    return {"properties": {key.removesuffix("_"): item for key, item in keys.items()}}


def _one_of(*words: str) -> JsonSchema:
    return {"enum": list(words), "examples": list(words)}


def _spelled(*units: str) -> JsonSchema:
    """A unit out of several; an empty text is as good as none."""
    return {"type": "string", "pattern": f"^(?:{'|'.join(units)})?$", "examples": list(units)}


_SEVERAL: JsonSchema = {"pattern": "^$", "minItems": 2}  # a bare text is one place
_QUANTITIES = tuple(
    dimension for dimension in Dimension if dimension not in (Dimension.EXPANSION, Dimension.COMPLIANCE)
)

_SPREAD = ("shape", "value", "standard", "lowest")

RULES: dict[str, JsonSchema] = {
    "Process": {
        "if": {"required": ["values"]},
        "then": _has(**dict.fromkeys(_SPREAD, False)),
        "else": {
            "required": ["value", "standard"],
            **_has(counts=False),
            "allOf": [{"if": _is("shape", "normal", there=False), "then": _has(lowest=False)}],
        },
    },
    "Comparator": {
        **_has(unit=_spelled(*Dimension.LENGTH.spellings, "div")),
        "allOf": [{"if": _is("unit", "div"), "then": {"required": ["division"]}}],
    },
    "Repeat": {
        **_has(say={"maxLength": 0}),
        "oneOf": [{"required": ["times"]}, {"required": ["over"]}],
    },
    "Ask": {
        "allOf": [
            {"if": _is("answer", "text", there=False), "then": _has(unit={"maxLength": 0})},
            {
                "if": _is("answer", "number", *(dimension.title for dimension in _QUANTITIES)),
                "then": _has(choices={"maxItems": 0}),
            },
            *(
                {"if": _is("answer", dimension.title), "then": _has(unit=_spelled(*dimension.spellings))}
                for dimension in _QUANTITIES
            ),
        ]
    },
}
"""For the tables of these models."""


def of_characteristic(contrasts: Mapping[str, Contrast]) -> JsonSchema:
    """Which keys go with which measure, those of plugins among them."""
    return {
        **_has(measure=_one_of(*Measure, *contrasts)),
        "dependentRequired": {"with": ["from"]},
        "allOf": [
            {"if": _is("measure", Measure.STEP), "then": {"required": ["from"], **_has(nominal=False)}},
            {
                "if": _is("measure", Measure.VARIATION),
                "then": _has(at=_SEVERAL, from_=False, nominal=False, of=False),
            },
            *(
                {"if": _is("measure", name), "then": _has(at=_places(one), from_=False, nominal=False, of=False)}
                for name, one in contrasts.items()
            ),
        ],
    }


def _places(contrast: Contrast) -> JsonSchema:
    """How many places a measure of a plugin needs and can have."""
    several = _SEVERAL if contrast.fewest > 1 else {}
    most = {} if contrast.most is None else {"maxItems": contrast.most}
    return {**several, "minItems": contrast.fewest, **most}


def of_decision(rules: Mapping[str, JsonSchema]) -> JsonSchema:
    """Which settings go with which rule.

    Args:
        rules: of plugins, by name, with the schemas of their settings.
    """
    named = {
        name: {
            **_has(settings={"$ref": f"{REFER}rules.{name}"}, guard=False, conformance=False),
            **({"required": ["settings"]} if needs else {}),
        }
        for name, needs in ((name, schema.get("required")) for name, schema in rules.items())
    }
    return {
        **_has(rule=_one_of(*Rule, *rules)),
        "allOf": [
            {"if": _is("rule", *Rule, there=False), "then": _has(settings={"maxProperties": 0})},
            {"if": _is("rule", Rule.SIMPLE), "then": _has(guard=False, conformance=False)},
            {"if": _is("rule", Rule.PROBABILITY), "then": _has(guard=False)},
            {"if": {"required": ["guard"]}, "then": _has(conformance=False)},
            *({"if": _is("rule", name), "then": then} for name, then in named.items()),
        ],
    }


# A table is what is required of one of the register where it has such keys alone, or any of them; else the whole.
DEVICES: dict[str, JsonSchema] = {
    "reference": {"propertyNames": {"enum": list(RequiredReference.model_fields)}},
    "comparator": {"anyOf": [{"required": [key]} for key in RequiredComparator.model_fields]},
    "thermometer": {"anyOf": [{"required": [key]} for key in RequiredThermometer.model_fields]},
}
"""When the table of a device says what is required."""


def device(key: str, defs: Mapping[str, JsonSchema]) -> JsonSchema:
    """A device, whole or required, by its key in the routine."""
    whole, required, place = key.capitalize(), f"Required{key.capitalize()}", f"{key.capitalize()}Place"
    otherwise: JsonSchema = {"$ref": REFER + whole}
    keys = {**defs[required]["properties"], **defs[whole]["properties"]}
    if place in defs:
        keys |= defs[place]["properties"]
        otherwise = {"if": {"required": ["place"]}, "then": {"$ref": REFER + place}, "else": otherwise}
    words = {name: {"description": schema["description"]} for name, schema in keys.items()}
    return {
        "type": "object",
        "description": f"{defs[whole]['description']} Or what one of the register must be.",
        "properties": words,  # for editors that complete without looking at conditions
        "if": DEVICES[key],
        "then": {"$ref": REFER + required},
        "else": otherwise,
    }


def ruled(schema: JsonSchema, rule: JsonSchema) -> JsonSchema:
    """A table's schema with a rule, whose keys add to what the table says of them."""
    own, more = schema["properties"], rule.get("properties", {})
    properties = {key: {**item, **more.get(key, {})} for key, item in own.items()}
    return {**schema, **rule, "properties": properties}
