"""Options that several commands share."""

from __future__ import annotations

from collections.abc import Mapping
from pathlib import Path
from typing import Annotated

import typer

from holdzero.errors import HoldzeroError, QuantityError

__all__ = [
    "BOOK_HELP",
    "BookOption",
    "ComparatorOption",
    "MemberOption",
    "ReferenceOption",
    "ShopOption",
    "ThermometerOption",
    "choices_of",
    "standard_um",
]

_IDENTIFIER = "Identifier in the register."

MemberOption = Annotated[str | None, typer.Option("--member", help="Member of the routine's part family.")]
ReferenceOption = Annotated[str | None, typer.Option("--reference", help=_IDENTIFIER)]
ComparatorOption = Annotated[str | None, typer.Option("--comparator", help=_IDENTIFIER)]
ThermometerOption = Annotated[str | None, typer.Option("--thermometer", help=_IDENTIFIER)]

ShopOption = Annotated[
    Path | None,
    typer.Option(
        "--shop",
        envvar="HOLDZERO_SHOP",
        help="Register and settings of the shop; shop.toml here if left out, its house folder not loaded.",
        show_default=False,
    ),
]
BOOK_HELP = "Every record kept, found, trusted and watched over time."
BookOption = Annotated[
    str | None,
    typer.Option(
        "--book",
        envvar="HOLDZERO_BOOK",
        help="File or database address of the book; that of the shop's settings, or book.sqlite here, if left out.",
        show_default=False,
    ),
]


def choices_of(reference: str | None, comparator: str | None, thermometer: str | None) -> Mapping[str, str]:
    """The devices that were named, by role."""
    named = {"reference": reference, "comparator": comparator, "thermometer": thermometer}
    return {role: name for role, name in named.items() if name is not None}


def standard_um(option: str, text: str) -> float:
    """A standard deviation that an option states [um].

    Raises:
        HoldzeroError: it is none.
    """
    from holdzero.quantity import Dimension, parse_quantity

    try:
        value = parse_quantity(text, Dimension.LENGTH).value
    except QuantityError as error:
        raise HoldzeroError(f"{option}: {error}") from None
    if value < 0.0:
        raise HoldzeroError(f"{option} {text}: a standard deviation is not below zero")
    return value
