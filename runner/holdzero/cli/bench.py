"""`holdzero bench`: its options. The server is only imported when it is wanted."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

from holdzero.cli.options import BookOption, ShopOption

__all__ = ["bench_command"]


def bench_command(
    routine: Annotated[
        Path | None, typer.Argument(help="A routine, or a folder of routines; the current folder if left out.")
    ] = None,
    *,
    source: Annotated[
        str, typer.Option("--source", help="keyboard (the page itself), or a line to an instrument.")
    ] = "keyboard",
    thermometers: Annotated[
        list[str] | None, typer.Option("--thermometers", help="Line of thermometers, or logger:FILE. Repeatable.")
    ] = None,
    member: Annotated[str | None, typer.Option("--member", help="Member of the routines' part family.")] = None,
    trial: Annotated[
        bool, typer.Option("--trial", help="Try routines out: no approval is needed, nothing may be accepted.")
    ] = False,
    listen: Annotated[
        str, typer.Option("--listen", help="Address to be reached at; this machine alone if left out.")
    ] = "127.0.0.1",
    port: Annotated[
        int | None,
        typer.Option("--port", min=0, max=65535, help="8020 or the next free one if left out.", show_default=False),
    ] = None,
    shop: ShopOption = None,
    book: BookOption = None,
    out: Annotated[Path, typer.Option("--out", help="Folder for journals, records and reports.")] = Path("records"),
) -> None:
    """Serve the bench as a page for a browser, run after run, until Ctrl-C.

    Exit code: 0 where no run was open at the end, 2 invalid input, 4 a run can be gone on with.
    """
    from holdzero.cli.benching import serve_bench
    from holdzero.cli.conduct import Options

    options = Options(
        source=source,
        out=out,
        json=False,
        shop=shop,
        overrule=None,
        choices={},
        trial=trial,
        book=book,
        thermometers=tuple(thermometers or ()),
    )
    raise typer.Exit(serve_bench(routine or Path(), options, member=member, listen=listen, port=port))
