"""`holdzero book`: every record kept, found, trusted and watched over. Thin commands; each imports its own."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

from holdzero.cli.book_criteria import Asked, with_criteria
from holdzero.cli.options import BOOK_HELP, BookOption, ShopOption, choices_of

__all__ = ["KeyOption", "book_app"]

book_app = typer.Typer(help=BOOK_HELP, no_args_is_help=True)

OutOption = Annotated[Path, typer.Option("--out", help="File to write.", show_default=False)]
ReplaceOption = Annotated[bool, typer.Option("--replace", help="Write over a file that is there.")]


_LAY = "Identifier in the register of the {} that really was there; results are computed anew."
KeyOption = Annotated[
    Path | None,
    typer.Option(
        "--key", help="File of the key that signs; that of the shop's settings if left out.", show_default=False
    ),
]


@book_app.command()
def add(
    paths: Annotated[list[Path], typer.Argument(help="Records, or folders of records.")],
    *,
    key: KeyOption = None,
    book: BookOption = None,
    shop: ShopOption = None,
) -> None:
    """Put records into the book; one that it has already is left as it is. 0: all are in; 2: not."""
    from holdzero.cli.book_find import add_records

    raise typer.Exit(add_records(paths, book=book, shop=shop, key=key))


@book_app.command()
def send(
    folder: Annotated[Path, typer.Argument(help="Folder of runs.")] = Path("records"),
    *,
    key: KeyOption = None,
    book: BookOption = None,
    shop: ShopOption = None,
) -> None:
    """Put in what waits in a folder because the book could not be reached. 0: nothing waits any more; 2: it does."""
    from holdzero.cli.book_find import send_waiting

    raise typer.Exit(send_waiting(folder, book=book, shop=shop, key=key))


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

    raise typer.Exit(list_records(asked, book=book, shop=shop, limit=limit))


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


@book_app.command()
def key(
    *,
    name: Annotated[str | None, typer.Option("--name", help="Who or which bench the key belongs to.")] = None,
    file: Annotated[Path, typer.Option("--file", help="File of the private half; made if it is not there.")] = Path(
        "key.pem"
    ),
    list_keys: Annotated[bool, typer.Option("--list", help="List the keys that the book knows.")] = False,
    book: BookOption = None,
    shop: ShopOption = None,
) -> None:
    """Make a key, locked with HOLDZERO_PASSPHRASE where that is set, and put its public half into the book."""
    from holdzero.cli import book_sign

    if list_keys or name is None:
        raise typer.Exit(book_sign.list_keys(book=book, shop=shop))
    raise typer.Exit(book_sign.make_or_enter_key(name, file, book=book, shop=shop))


@book_app.command()
def verify(
    *,
    records: Annotated[str, typer.Option("--records", help="Numbers as 3,7-9; all for all.")] = "all",
    chain: Annotated[str | None, typer.Option("--chain", help="A chain value that was noted before.")] = None,
    signed: Annotated[bool, typer.Option("--signed", help="A record without a signature that holds differs.")] = False,
    workers: Annotated[int | None, typer.Option("--workers", min=1, help="Processes; one a core if left out.")] = None,
    scheduler: Annotated[
        str | None, typer.Option("--scheduler", help="Address of an engine that does the work, tcp://HOST:PORT.")
    ] = None,
    book: BookOption = None,
    shop: ShopOption = None,
) -> None:
    """Check the chain, recompute the records, compare every column. 0: all holds; 1: it does not; 4: interrupted."""
    from holdzero.cli.book_verify import Wanted, verify_book

    wanted = Wanted(records=records, chain=chain, signed=signed, workers=workers, scheduler=scheduler)
    raise typer.Exit(verify_book(wanted, book=book, shop=shop))


@book_app.command()
def amend(
    record: Annotated[str, typer.Argument(help="How its digest begins.")],
    *,
    reason: Annotated[str, typer.Option("--reason", help="Why; it stands at the head of the new record.")],
    by: Annotated[str, typer.Option("--by", help="Who answers for it.")],
    serial: Annotated[str | None, typer.Option("--serial", help="The right serial of the part.")] = None,
    operator: Annotated[str | None, typer.Option("--operator", help="Who really measured.")] = None,
    reference: Annotated[str | None, typer.Option("--reference", help=_LAY.format("block"))] = None,
    comparator: Annotated[str | None, typer.Option("--comparator", help=_LAY.format("comparator"))] = None,
    thermometer: Annotated[str | None, typer.Option("--thermometer", help=_LAY.format("thermometer"))] = None,
    out: Annotated[Path | None, typer.Option("--out", help="Folder to write the new record into as well.")] = None,
    key: KeyOption = None,
    book: BookOption = None,
    shop: ShopOption = None,
) -> None:
    """Replace a record by another of the same events, serial, operator or a device put right; the first one stays."""
    from holdzero.cli.book_amend import Amending
    from holdzero.cli.book_amend import amend as amend_record

    devices = choices_of(reference, comparator, thermometer)
    wanted = Amending(reason=reason, by=by, serial=serial, operator=operator, devices=devices, out=out, key=key)
    raise typer.Exit(amend_record(record, wanted, book=book, shop=shop))


@book_app.command()
def review(
    record: Annotated[str, typer.Argument(help="How its digest begins.")],
    *,
    name: Annotated[str, typer.Option("--name", help="Who reviews.")],
    meaning: Annotated[str, typer.Option("--meaning", help="reviewed, approved, rejected or witnessed.")],
    note: Annotated[str, typer.Option("--note", help="What was looked at, or why not.")] = "",
    key: Annotated[Path | None, typer.Option("--key", help="File of the reviewer's own key, to sign with.")] = None,
    book: BookOption = None,
    shop: ShopOption = None,
) -> None:
    """Say of a record that it was looked at, by whom, and what came of it."""
    from holdzero.cli.book_amend import Reviewing
    from holdzero.cli.book_amend import review as review_record

    wanted = Reviewing(name=name, meaning=meaning, note=note, key=key)
    raise typer.Exit(review_record(record, wanted, book=book, shop=shop))


@book_app.command()
@with_criteria
def report(
    *,
    asked: Asked,
    out: OutOption,
    writer: Annotated[str, typer.Option("--writer", help="The writer that makes it.")] = "html",
    limit: Annotated[int, typer.Option("--limit", min=1, help="Refuse if there are more records.")] = 1000,
    replace: ReplaceOption = False,
    book: BookOption = None,
    shop: ShopOption = None,
) -> None:
    """Make one page of the records of a batch, or of one part (--part and --serial). 0: written; 2: not."""
    from holdzero.cli.book_report import report_records

    raise typer.Exit(report_records(asked, out=out, writer=writer, limit=limit, replace=replace, book=book, shop=shop))


@book_app.command()
def copy(
    to: Annotated[str, typer.Argument(help="File or database address of the book to copy into; made if need be.")],
    *,
    book: BookOption = None,
    shop: ShopOption = None,
) -> None:
    """Copy the book into another, for example from a file to a server; what is there already stays. 0: copied."""
    from holdzero.cli.book_copy import copy_records

    raise typer.Exit(copy_records(to, book=book, shop=shop))


ComparatorOption = Annotated[str | None, typer.Option("--comparator", help="Its identifier or name.")]
StandardOption = Annotated[str | None, typer.Option("--standard", help="Identifier or name of the check standard.")]


@book_app.command()
def watch(
    *,
    comparator: ComparatorOption = None,
    standard: StandardOption = None,
    since: Annotated[str | None, typer.Option("--since", help="Day or time, this one included.")] = None,
    until: Annotated[str | None, typer.Option("--until", help="Day, this one included; or time.")] = None,
    html: Annotated[Path | None, typer.Option("--html", help="Write a page with pictures.")] = None,
    json: Annotated[bool, typer.Option("--json", help="Print numbers in place of words.")] = False,
    replace: ReplaceOption = False,
    book: BookOption = None,
    shop: ShopOption = None,
) -> None:
    """Show how the benches stand: check standards, zero returns, scatter, due days. 1: one is out of control."""
    from holdzero.cli.book_watch import Watching, watch_benches

    wanted = Watching(
        comparator=comparator, standard=standard, since=since, until=until, html=html, json=json, replace=replace
    )
    raise typer.Exit(watch_benches(wanted, book=book, shop=shop))


@book_app.command()
def baseline(
    *,
    comparator: Annotated[str, typer.Option("--comparator", help="Its identifier or name.")],
    begin: Annotated[str, typer.Option("--from", help="Day or time from which values count again.")],
    reason: Annotated[str, typer.Option("--reason", help="What was found and done; it stands in the book.")],
    by: Annotated[str, typer.Option("--by", help="Who answers for it.")],
    standard: Annotated[
        str | None, typer.Option("--standard", help="This check standard alone; all of the comparator if left out.")
    ] = None,
    book: BookOption = None,
    shop: ShopOption = None,
) -> None:
    """Judge a bench anew from a day on, after its cause was found: repaired, recalibrated. 0: it is in the book."""
    from holdzero.cli.book_watch import new_baseline

    raise typer.Exit(new_baseline(comparator, standard, begin=begin, reason=reason, name=by, book=book, shop=shop))


@book_app.command()
def study(
    records: Annotated[list[str] | None, typer.Argument(help="Files, folders, or how digests begin.")] = None,
    *,
    part: Annotated[str | None, typer.Option("--part", help="All real records of this part number.")] = None,
    title: Annotated[str | None, typer.Option("--title", help="All real records of the routine of this title.")] = None,
    since: Annotated[str | None, typer.Option("--since", help="Day or time, this one included.")] = None,
    until: Annotated[str | None, typer.Option("--until", help="Day, this one included; or time.")] = None,
    at: Annotated[str | None, typer.Option("--at", help="Place, where several were read.")] = None,
    method: Annotated[str, typer.Option("--method", help="anova, range or laboratories.")] = "anova",
    by: Annotated[str, typer.Option("--by", help="What a laboratory is: inspector or comparator.")] = "inspector",
    tolerance: Annotated[str | None, typer.Option("--tolerance", help='Width of the tolerance, "6 um".')] = None,
    html: Annotated[Path | None, typer.Option("--html", help="Write a page with pictures.")] = None,
    csv: Annotated[Path | None, typer.Option("--csv", help="Write the readings as they were put in order.")] = None,
    json: Annotated[bool, typer.Option("--json", help="Print numbers in place of tables.")] = False,
    replace: ReplaceOption = False,
    book: BookOption = None,
    shop: ShopOption = None,
) -> None:
    """Study the measuring process by readings of several parts and inspectors. 0: studied; 2: readings are missing."""
    from holdzero.cli.book_study import Studying, study_records

    wanted = Studying(
        records=tuple(records or ()),
        part=part,
        title=title,
        since=since,
        until=until,
        at=at,
        method=method,
        by=by,
        tolerance=tolerance,
        html=html,
        csv=csv,
        json=json,
        replace=replace,
    )
    raise typer.Exit(study_records(wanted, book=book, shop=shop))
