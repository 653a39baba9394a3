"""Answers that are valid and may not be meant: each gives the reason, for a person to answer again."""

from __future__ import annotations

import re

from holdzero.starting.checked import Known, meant_material

__all__ = ["number_of_places", "strange_material"]


def strange_material(name: str, known: Known) -> str | None:
    """A material that is not in the tables may be a slip."""
    if name in known.materials:
        return None
    meant = meant_material(name, known)
    told = f"did you mean {meant}? If not, " if meant else ""
    return f"{name} is not in the tables; {told}type it again, and state its expansion yourself"


_MOST_LETTERS = 26


def number_of_places(text: str, known: Known) -> str | None:
    """A number of places, or a place with a number for its name?"""
    del known
    if not re.fullmatch(r"[0-9]{1,2}", text) or not 1 < int(text) <= _MOST_LETTERS:
        return None
    names = ",".join(chr(ord("a") + index) for index in range(int(text)))
    return (
        f"is that one place named {text}, or {text} places? For {text} places type {names}; for the one type it again"
    )
