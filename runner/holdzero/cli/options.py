"""Options that several commands share."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

__all__ = ["BOOK_HELP", "BookOption", "ShopOption"]

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
