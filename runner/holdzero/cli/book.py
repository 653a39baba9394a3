"""`holdzero book`: every record kept, found, trusted and watched over. Thin commands; each imports its own."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

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
def list_(
    *,
    device: Annotated[str | None, typer.Option("--device", help="Block or instrument in use, in any role.")] = None,
    reference: Annotated[str | None, typer.Option("--reference", help="The reference that was used.")] = None,
    comparator: Annotated[str | None, typer.Option("--comparator", help="The comparator that was used.")] = None,
    part: Annotated[str | None, typer.Option("--part", help="Part number.")] = None,
    revision: Annotated[str | None, typer.Option("--revision", help="Revision.")] = None,
    serial: Annotated[str | None, typer.Option("--serial", help="Of the part.")] = None,
    operator: Annotated[str | None, typer.Option("--operator", help="Who measured.")] = None,
    verdict: Annotated[str | None, typer.Option("--verdict", help="pass, fail, undecided or reported.")] = None,
    characteristic: Annotated[str | None, typer.Option("--characteristic", help="One that the record has.")] = None,
    since: Annotated[str | None, typer.Option("--since", help="Day or time, this one included.")] = None,
    until: Annotated[str | None, typer.Option("--until", help="Day, this one included; or time.")] = None,
    text: Annotated[str | None, typer.Option("--text", help="Words that stand anywhere in it.")] = None,
    latest: Annotated[bool, typer.Option("--latest", help="Leave out what a later record replaces.")] = False,
    limit: Annotated[int, typer.Option("--limit", min=1, help="At most so many.")] = 50,
    book: BookOption = None,
    shop: ShopOption = None,
) -> None:
    """Find records: by the block or comparator that they used, part, serial, verdict, dates, words."""
    from holdzero.book import Criteria
    from holdzero.cli.book_find import list_records, moment_ms

    criteria = Criteria(
        device=device,
        reference=reference,
        comparator=comparator,
        part=part,
        revision=revision,
        serial=serial,
        operator=operator,
        verdict=verdict,
        characteristic=characteristic,
        since_ms=moment_ms(since),
        until_ms=moment_ms(until, end=True),
        text=text,
        latest=latest,
    )
    raise typer.Exit(list_records(criteria, book=book, shop=shop, limit=limit))


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
