"""`schema`: what an editor needs to help the author of a routine, as JSON."""

from __future__ import annotations

import json
from pathlib import Path

import typer

from holdzero.cli.house import open_shop
from holdzero.cli.writable import free_to_write
from holdzero.editing import fragment_schema, routine_schema, shop_schema
from holdzero.errors import HoldzeroError
from holdzero.whole_file import write_whole

__all__ = ["print_schema"]

_WAYS = {"routine": routine_schema, "fragment": fragment_schema, "shop": shop_schema}


def print_schema(of: str, out: Path | None, named: Path | None) -> int:
    """Print the schema of a kind of file, or write it; gives the exit code.

    Raises:
        HoldzeroError: there is no such kind, or the file can't be written.
    """
    if of not in _WAYS:
        raise HoldzeroError(f"--for: found {of!r}; expected one of {', '.join(_WAYS)}")
    shop = open_shop(named)
    if out is not None:
        free_to_write(out, replace=True, reads=(shop.path,), option="--out")
    catalogue = shop.catalogue
    # Plain ASCII: what a shell saves under another encoding is still the same JSON.
    text = json.dumps(_WAYS[of](catalogue), indent=2) + "\n"
    if out is None:
        typer.echo(text, nl=False)
    else:
        try:
            write_whole(out, text.encode("ascii"))
        except OSError as error:
            raise HoldzeroError(f"{out}: can't be written: {error.strerror or error}") from None
    for refusal in catalogue.refusals:
        typer.echo(f"note: {refusal.name} was refused and is not in the schema; see: holdzero plugins", err=True)
    return 0
