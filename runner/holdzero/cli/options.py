"""Options that several commands share."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

__all__ = ["ShopOption"]

ShopOption = Annotated[
    Path | None,
    typer.Option(
        "--shop",
        envvar="HOLDZERO_SHOP",
        help="Register and settings of the shop; shop.toml here if left out, its house folder not loaded.",
        show_default=False,
    ),
]
