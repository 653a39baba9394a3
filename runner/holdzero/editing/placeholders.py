"""Placeholders: wherever a value may stand in a routine as written, `{parameter}` may stand in its place.

Where the file sets no parameters braces are just braces, which no schema can see: `holdzero validate` does.
"""

from __future__ import annotations

from typing import Any

from holdzero.editing.models import mapped
from holdzero.routine.forms import JsonSchema

__all__ = ["INSIDE", "WHOLE", "with_placeholders"]

_ONE = r"\{[A-Za-z_][A-Za-z0-9_]*\}"
WHOLE = f"^{_ONE}$"
"""A text that is nothing but a placeholder: it becomes the parameter itself, whatever that is."""
INSIDE = rf"(?:^|[^{{])(?:\{{\{{)*{_ONE}"
"""A text with a placeholder in it; two braces are a brace that means nothing."""


def with_placeholders(schema: Any) -> Any:
    """The schema, which allows a placeholder for itself and for every value within it."""
    if not isinstance(schema, dict):
        return schema
    out = mapped(schema, with_placeholders)
    if "enum" in out:
        own = {key: item for key, item in out.items() if key not in ("enum", "type")}
        return {**own, "anyOf": [{"enum": out["enum"]}, {"type": "string", "pattern": INSIDE}]}
    if "pattern" in out:
        return {**out, "pattern": f"{out['pattern']}|{INSIDE}"}
    if "type" in out and out["type"] != "string":
        return _or_text(out)
    return out


def _or_text(schema: JsonSchema) -> JsonSchema:
    """Numbers, tables and lists: a text that is nothing but a placeholder may stand for them."""
    types = [schema["type"]] if isinstance(schema["type"], str) else schema["type"]
    return {**schema, "type": [*types, "string"], "pattern": WHOLE}
