"""`holdzero book`: every record kept, found, trusted and watched over. Thin commands; each imports its own."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

from holdzero.cli.book_criteria import Asked, with_criteria
from holdzero.cli.options import ShopOption

__all__ = ["BookOption", "book_app"]

book_app = typer.Typer(help="Every record kept, found, trusted and watched over time.", no_args_is_help=True)

BookOption = Annotated[
    str | None,
    typer.Option(
        "--book",
        envvar="HOLDZERO_BOOK",
        help="File or database address of the book; that of the shop's settings, or book.sqlite here, if left out.",
        show_default=False,
    ),
]

OutOption = Annotated[Path, typer.Option("--out", help="File to write.", show_default=False)]
ReplaceOption = Annotated[bool, typer.Option("--replace", help="Write over a file that is there.")]


@book_app.command()
def add(
    paths: Annotated[list[Path], typer.Argument(help="Records, or folders of records.")],
    *,
    book: BookOption = None,
    shop: ShopOption = None,
) -> None:
    """Put records into the book; one that it has already is left as it is. 0: all are in; 2: not."""
    from holdzero.cli.book_find import add_records

    raise typer.Exit(add_records(paths, book=book, shop=shop))


@book_app.command()
def send(
    folder: Annotated[Path, typer.Argument(help="Folder of runs.")] = Path("records"),
    *,
    book: BookOption = None,
    shop: ShopOption = None,
) -> None:
    """Put in what waits in a folder because the book could not be reached. 0: nothing waits any more; 2: it does."""
    from holdzero.cli.book_find import send_waiting

    raise typer.Exit(send_waiting(folder, book=book, shop=shop))


@book_app.command("list")
@with_criteria
def list_(
    *,
    asked: Asked,
    limit: Annotated[int, typer.Option("--limit", min=1, help="At most so many.")] = 50,
    book: BookOption = None,
    shop: ShopOption = None,
) -> None:
    """Find records: by the block or comparator that they used, part, serial, verdict, dates, words."""
    from holdzero.cli.book_find import list_records

    raise typer.Exit(list_records(asked.criteria(), book=book, shop=shop, limit=limit))


@book_app.command()
def show(
    record: Annotated[str, typer.Argument(help="How its digest begins.")],
    *,
    json: Annotated[bool, typer.Option("--json", help="As it is, in place of the explanation.")] = False,
    book: BookOption = None,
    shop: ShopOption = None,
) -> None:
    """Show a record of the book."""
    from holdzero.cli.book_find import show_record

    raise typer.Exit(show_record(record, book=book, shop=shop, json=json))


@book_app.command()
def upgrade(*, book: BookOption = None, shop: ShopOption = None) -> None:
    """Bring a book that an older holdzero wrote to the version of this one; copy it first."""
    from holdzero.cli.book_upgrade import upgrade_tables

    raise typer.Exit(upgrade_tables(book=book, shop=shop))


@book_app.command()
@with_criteria
def export(
    *,
    asked: Asked,
    to: Annotated[str, typer.Option("--to", help="csv, jsonl or parquet.")],
    out: OutOption,
    what: Annotated[
        str | None,
        typer.Option("--what", help="results, readings or records; if left out: whole records in jsonl, else results."),
    ] = None,
    decimal: Annotated[str | None, typer.Option("--decimal", help="point or comma, in csv.")] = None,
    separator: Annotated[
        str | None, typer.Option("--separator", help="Between cells of csv: ; , | or tab; ; with a decimal comma.")
    ] = None,
    replace: ReplaceOption = False,
    book: BookOption = None,
    shop: ShopOption = None,
) -> None:
    """Hand records on as CSV, JSON lines or Parquet, oldest first; chosen as by list. 0: written; 2: not."""
    from holdzero.cli.book_export import export_records

    raise typer.Exit(
        export_records(
            asked,
            to=to,
            out=out,
            what=what,
            decimal=decimal,
            separator=separator,
            replace=replace,
            book=book,
            shop=shop,
        )
    )
