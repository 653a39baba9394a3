"""The command line: thin commands. Only the option parser is imported here; the rest when it is needed."""

from __future__ import annotations

import contextlib
import os
import signal
import sys
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Annotated, Any, NoReturn

import typer
from typer.core import TyperGroup

from holdzero import __version__
from holdzero.cli.bench import bench_command
from holdzero.cli.late import late_group
from holdzero.cli.new import new_app
from holdzero.cli.options import (
    BOOK_HELP,
    BookOption,
    ComparatorOption,
    MemberOption,
    ReferenceOption,
    ShopOption,
    ThermometerOption,
    choices_of,
)
from holdzero.json_text import MOST

__all__ = ["app", "ended", "main"]

EXIT_INVALID = 2
EXIT_INTERRUPTED = 4
_LIBRARY_INTERRUPTED = 130  # what the option parser makes of a Ctrl-C that comes between all that hears it


@contextlib.contextmanager
def _interruption_said() -> Iterator[None]:
    try:
        yield
    except KeyboardInterrupt as error:
        signal.signal(signal.SIGINT, signal.SIG_IGN)  # one more must not break into this
        from holdzero.cli.output import tell

        tell(f"\nholdzero: {str(error) or 'interrupted'}")
        raise typer.Exit(EXIT_INTERRUPTED) from None


class _Tool(TyperGroup):
    """Says it where Ctrl-C comes while a command loads what it needs; the library would end silently, with 130."""

    def make_context(self, *args: Any, **kwargs: Any) -> Any:
        """Called by the base class."""
        with _interruption_said():
            return super().make_context(*args, **kwargs)

    def invoke(self, ctx: Any) -> Any:
        """Called by the base class."""
        with _interruption_said():
            return super().invoke(ctx)


app = typer.Typer(
    cls=_Tool,
    name="holdzero",
    help="Measure a part at a bench comparator and defend the number.",
    no_args_is_help=True,
    add_completion=False,
    rich_markup_mode=None,
    pretty_exceptions_enable=False,
)
register_app = typer.Typer(
    help="The shop's references, comparators, thermometers and inspectors.", no_args_is_help=True
)
app.add_typer(register_app, name="register")
app.add_typer(new_app, name="new")
app.add_typer(late_group("holdzero.cli.book", "book_app", BOOK_HELP), name="book")

DEFAULT_SHOP = Path("shop.toml")

SourceOption = Annotated[
    str,
    typer.Option(
        "--source",
        help="keyboard, readings:FILE, serial:PORT,PROFILE.toml, practice[:SCENARIO], virtual[:SCENARIO], or what a "
        "plugin adds.",
    ),
]
ThermometersOption = Annotated[
    list[str] | None,
    typer.Option(
        "--thermometers",
        help="Line of thermometers to listen to, serial:PORT,PROFILE.toml, or the CSV file of a logger, logger:FILE. "
        "Repeatable.",
    ),
]
OutOption = Annotated[Path | None, typer.Option("--out", help="Folder for journal, records and reports.")]
JsonOption = Annotated[bool, typer.Option("--json", help="Print the record, and nothing else, on standard output.")]
OverruleOption = Annotated[
    str | None, typer.Option("--overrule", help="Reason to use a device that is overdue or unfit; goes on record.")
]


def _version(wanted: bool) -> None:
    if wanted:
        typer.echo(f"holdzero {__version__}")
        raise typer.Exit


@app.callback()
def _root(
    *,
    version: Annotated[
        bool, typer.Option("--version", callback=_version, is_eager=True, help="Show the version and end.")
    ] = False,
) -> None:
    del version


@app.command()
def run(
    routine: Annotated[Path, typer.Argument(help="The routine, a TOML file.")],
    *,
    source: SourceOption = "keyboard",
    operator: Annotated[str | None, typer.Option("--operator", help="Who measures.")] = None,
    serial: Annotated[list[str] | None, typer.Option("--serial", help="Of the part; repeat it for a batch.")] = None,
    member: MemberOption = None,
    reference: ReferenceOption = None,
    comparator: ComparatorOption = None,
    thermometer: ThermometerOption = None,
    trials: Annotated[
        str | None, typer.Option("--trials", help="Monte Carlo trials: a number, or adaptive for as many as it takes.")
    ] = None,
    seed: Annotated[int, typer.Option("--seed", min=0, max=MOST, help="Of the Monte Carlo draws.")] = 0,
    trial: Annotated[
        bool, typer.Option("--trial", help="Try the routine out: no approval is needed, nothing may be accepted.")
    ] = False,
    thermometers: ThermometersOption = None,
    overrule: OverruleOption = None,
    shop: ShopOption = None,
    book: BookOption = None,
    out: OutOption = None,
    json: JsonOption = False,
) -> None:
    """Follow a routine at the comparator, to a record with a verdict.

    Exit code: 0 pass, 1 fail, 3 undecided, 2 invalid input, 4 interrupted (can be resumed).
    """
    from holdzero.cli.conduct import Options, run_routine

    options = Options(
        source=source,
        out=out if out is not None else Path("records"),
        json=json,
        shop=shop,
        overrule=overrule,
        choices=choices_of(reference, comparator, thermometer),
        trials=trials,
        seed=seed,
        trial=trial,
        book=book,
        thermometers=tuple(thermometers or ()),
    )
    raise typer.Exit(run_routine(routine, options, operator=operator, serials=tuple(serial or ()), member=member))


@app.command()
def resume(
    journal: Annotated[Path, typer.Argument(help="The journal of the run.")],
    *,
    source: SourceOption = "keyboard",
    routine: Annotated[
        Path | None, typer.Option("--routine", help="Go on only if the journal is of this routine.")
    ] = None,
    thermometers: ThermometersOption = None,
    overrule: OverruleOption = None,
    shop: ShopOption = None,
    book: BookOption = None,
    out: OutOption = None,
    json: JsonOption = False,
) -> None:
    """Go on with a run that was interrupted. Exit codes as for run.

    Of a run that is finished the record is made again; where it comes out the same, nothing is written anew.
    """
    from holdzero.cli.conduct import Options, resume_run

    options = Options(
        source=source,
        out=out if out is not None else journal.parent,
        json=json,
        shop=shop,
        overrule=overrule,
        choices={},
        book=book,
        thermometers=tuple(thermometers or ()),
    )
    raise typer.Exit(resume_run(journal, options, routine=routine))


app.command("bench")(bench_command)


@app.command()
def verify(
    records: Annotated[list[Path], typer.Argument(help="Records, or folders of records.")],
    *,
    workers: Annotated[
        int | None, typer.Option("--workers", min=1, help="Processes; as many as are worth it if left out.")
    ] = None,
    built_in: Annotated[
        bool,
        typer.Option(
            "--built-in", help="Load no plugin but the built-in ones, and say what could not be recomputed so."
        ),
    ] = False,
    shop: ShopOption = None,
) -> None:
    """Recompute records from their events and compare every number. 0: identical; 1: differs or tampered."""
    from holdzero.cli.inspect import verify_records

    raise typer.Exit(verify_records(records, shop, workers, built_in=built_in))


@app.command()
def validate(
    routines: Annotated[list[Path], typer.Argument(help="Routines, or folders of routines.")],
    *,
    shop: ShopOption = None,
) -> None:
    """Check routines before anybody measures with them. 0: valid; 2: not."""
    from holdzero.cli.routines import validate_routines

    raise typer.Exit(validate_routines(routines, shop))


@app.command()
def approve(
    routine: Annotated[Path, typer.Argument(help="The routine, a TOML file.")],
    *,
    by: Annotated[str, typer.Option("--by", help="Who answers for it.")],
    note: Annotated[str, typer.Option("--note", help="What was looked at, or why it changed.")] = "",
    shop: ShopOption = None,
) -> None:
    """Write into a valid routine who answers for its text as it stands now."""
    from holdzero.cli.routines import approve_routine

    raise typer.Exit(approve_routine(routine, shop, by=by, note=note))


@app.command()
def explain(
    record: Annotated[Path, typer.Argument(help="The record.")],
    characteristic: Annotated[str | None, typer.Argument(help="Which one; all if left out.")] = None,
) -> None:
    """Tell how a number came about, line by line, each step with its source."""
    from holdzero.cli.inspect import explain_record

    raise typer.Exit(explain_record(record, characteristic))


@app.command()
def budget(
    routine: Annotated[Path, typer.Argument(help="The routine, a TOML file.")],
    *,
    scatter: Annotated[
        str | None, typer.Option("--scatter", help='Standard deviation that repeats will show, e.g. "0.2 um".')
    ] = None,
    member: MemberOption = None,
    reference: ReferenceOption = None,
    comparator: ComparatorOption = None,
    thermometer: ThermometerOption = None,
    shop: ShopOption = None,
) -> None:
    """Uncertainty and capability of a routine, before any reading."""
    from holdzero.cli.budget import show_budget

    choices = choices_of(reference, comparator, thermometer)
    raise typer.Exit(show_budget(routine, member=member, scatter=scatter, choices=choices, named=shop))


@app.command()
def rehearse(
    routine: Annotated[Path, typer.Argument(help="The routine, a TOML file.")],
    *,
    runs: Annotated[int, typer.Option("--runs", help="How many runs of each true size.")] = 1000,
    seed: Annotated[int, typer.Option("--seed", min=0, max=MOST, help="Of all draws.")] = 0,
    of: Annotated[
        str | None, typer.Option("--of", help="The characteristic whose truth is set; the first with limits.")
    ] = None,
    scatter: Annotated[
        str | None,
        typer.Option("--scatter", help="Standard deviation of a single reading; half the resolution if left out."),
    ] = None,
    member: MemberOption = None,
    family: Annotated[
        bool, typer.Option("--family", help="Every member of the routine's part family, one after another.")
    ] = False,
    reference: ReferenceOption = None,
    comparator: ComparatorOption = None,
    thermometer: ThermometerOption = None,
    scenario: Annotated[
        Path | None, typer.Option("--scenario", help="What else goes on at the bench, a TOML file.")
    ] = None,
    against: Annotated[
        Path | None, typer.Option("--against", help="Another revision of the routine, to be shown beside it.")
    ] = None,
    risk: Annotated[
        float | None,
        typer.Option("--risk", help="Say instead which rounds and soak meet it: a share of all parts, such as 0.02."),
    ] = None,
    spread: Annotated[
        str | None,
        typer.Option("--spread", help="Standard deviation of the parts about the middle; as the routine states it."),
    ] = None,
    workers: Annotated[
        int | None, typer.Option("--workers", min=1, help="Processes; as many as are worth it if left out.")
    ] = None,
    scheduler: Annotated[
        str | None, typer.Option("--scheduler", help="Address of a Dask scheduler that does the work instead.")
    ] = None,
    html: Annotated[Path | None, typer.Option("--html", help="Write a page with the picture too.")] = None,
    replace: Annotated[bool, typer.Option("--replace", help="Write the page over one that is there.")] = False,
    json: Annotated[bool, typer.Option("--json", help="Print the counts as JSON, and nothing else.")] = False,
    shop: ShopOption = None,
) -> None:
    """Try a routine many times with the errors that it states: how often parts of each true size pass and fail."""
    from holdzero.cli.rehearse import Wanted, rehearse_routine

    wanted = Wanted(
        runs=runs,
        seed=seed,
        of=of,
        scatter=scatter,
        member=member,
        family=family,
        choices=choices_of(reference, comparator, thermometer),
        scenario=scenario,
        against=against,
        risk=risk,
        spread=spread,
        workers=workers,
        scheduler=scheduler,
        json=json,
        html=html,
        replace=replace,
    )
    raise typer.Exit(rehearse_routine(routine, wanted, named=shop))


@app.command()
def plugins(
    *,
    trace: Annotated[bool, typer.Option("--trace", help="Show tracebacks of refused plugins.")] = False,
    shop: ShopOption = None,
) -> None:
    """List what is loaded, from where and which version; and what was refused, and why."""
    from holdzero.cli.inspect import list_plugins

    raise typer.Exit(list_plugins(shop, trace=trace))


@app.command()
def schema(
    *,
    of: Annotated[str, typer.Option("--for", help="routine, fragment or shop.")] = "routine",
    out: Annotated[Path | None, typer.Option("--out", help="File to write; standard output if left out.")] = None,
    shop: ShopOption = None,
) -> None:
    """Print a JSON Schema, with which an editor helps to write a routine, a fragment or shop.toml."""
    from holdzero.cli.schema import print_schema

    raise typer.Exit(print_schema(of, out, shop))


@register_app.command("add")
def register_add(
    kind: Annotated[str, typer.Argument(help="reference, comparator, thermometer or inspector.")],
    identifier: Annotated[str, typer.Argument(help="Its identifier, as marked on it.")],
    keys: Annotated[list[str], typer.Argument(help='KEY=VALUE, the value as in TOML, e.g. size="12 mm".')],
    *,
    by: Annotated[str, typer.Option("--by", help="Who does it; the name of the account if left out.")] = "",
    why: Annotated[str, typer.Option("--why", help="Why; must be said where an entry is replaced.")] = "",
    replace: Annotated[bool, typer.Option("--replace", help="Replace what is there without being asked.")] = False,
    insist: Annotated[
        bool, typer.Option("--insist", help="Enter what is odd all the same; --why must say why it is so.")
    ] = False,
    shop: ShopOption = None,
) -> None:
    """Add an entry, or replace it: what changes is shown, and asked about."""
    from holdzero.cli.shop import Adding, add

    said = Adding(by=by, why=why, replace=replace, insist=insist)
    raise typer.Exit(add(shop, kind, identifier, keys, said))


@register_app.command("list")
def register_list(*, shop: ShopOption = Path("shop.toml")) -> None:
    """List all entries with their due dates; what is overdue or due soon is marked."""
    from holdzero.cli.shop import list_entries

    raise typer.Exit(list_entries(shop or DEFAULT_SHOP))


@register_app.command("show")
def register_show(
    identifier: Annotated[str, typer.Argument(help="Identifier of the entry.")],
    *,
    shop: ShopOption = None,
) -> None:
    """Show all that is known of an entry."""
    from holdzero.cli.shop import show

    raise typer.Exit(show(shop or DEFAULT_SHOP, identifier))


@register_app.command("history")
def register_history(
    identifier: Annotated[str | None, typer.Argument(help="Identifier of an entry; all if left out.")] = None,
    *,
    shop: ShopOption = None,
) -> None:
    """Show who changed what, when and why, and what was there before. 1: it does not hold."""
    from holdzero.cli.shop import history

    raise typer.Exit(history(shop or DEFAULT_SHOP, identifier))


def main() -> NoReturn:
    """Start the tool, and end the process by its exit code."""
    code = ended()
    if code == EXIT_INTERRUPTED:
        # Python itself forgets the code and ends by the signal where Ctrl-C broke into text that is run as code, as
        # each data class does while it loads, however well that was seen to. Nothing is left to be done by now.
        for stream in (sys.stdout, sys.stderr):
            with contextlib.suppress(OSError, ValueError):
                stream.flush()
        os._exit(code)
    sys.exit(code)


def ended() -> int:
    """Do what was asked for; gives the exit code, which no Ctrl-C changes any more.

    No traceback reaches a person, unless HOLDZERO_TRACE is set.
    """
    from holdzero.cli.streams import ends_when_told, stand_in_for_closed, without_controls

    stand_in_for_closed()
    try:
        with ends_when_told(), without_controls():
            code = _in_a_sentence()
            signal.signal(signal.SIGINT, signal.SIG_IGN)
    except KeyboardInterrupt as error:  # while that was loaded which says it elsewhere
        signal.signal(signal.SIGINT, signal.SIG_IGN)
        code = EXIT_INTERRUPTED
        with contextlib.suppress(OSError):
            os.write(2, f"\nholdzero: {str(error) or 'interrupted'}\n".encode())
    return code


def _in_a_sentence() -> int:
    """The exit code of what was asked for, told in a sentence where it is not a verdict's."""
    from holdzero.cli.output import tell
    from holdzero.cli.streams import to_nowhere

    try:
        return _code_of(app)
    except KeyboardInterrupt as error:
        tell(f"\nholdzero: {str(error) or 'interrupted'}")
        return EXIT_INTERRUPTED
    except Exception as error:
        told = _told(error)
        if told is None and os.environ.get("HOLDZERO_TRACE"):
            raise
        if isinstance(error, OSError) and error.filename is None:  # what is written to has no name: the output itself
            to_nowhere(sys.stdout)
        if told != "":
            tell(f"holdzero: {told or _fault(error)}")
    return EXIT_INVALID


def _told(error: Exception) -> str | None:
    """What ended the tool, in a sentence; empty where there is nobody to tell, None where it is a fault of its own."""
    from holdzero.cli.output import why_not
    from holdzero.errors import HoldzeroError

    mend = "nothing that was accepted is lost; see to the file, its folder or the disk, and try again"
    match error:
        case HoldzeroError():
            return str(error)
        case BrokenPipeError():
            return ""
        case OSError():
            return f"{error.filename or 'the output'}: {why_not(error)}\n    {mend}"
        case ImportError():
            name = (error.name or "a module").partition(".")[0]
            return f"{name} is not installed, or not whole: {error}\n    mend it: pip install --force-reinstall {name}"
        case MemoryError():
            return f"the machine has no memory left for this\n    {mend}"
    return None


def _fault(error: Exception) -> str:
    return (
        f"a fault of the tool itself: {type(error).__name__}: {error}\n"
        "    nothing that was accepted is lost; set HOLDZERO_TRACE=1 to see where it happened"
    )


def _code_of(work: Callable[[], object]) -> int:
    """The exit code; whatever was printed has been handed on by then."""
    code: object = 0
    try:
        work()
    except SystemExit as error:
        code = EXIT_INTERRUPTED if error.code == _LIBRARY_INTERRUPTED else error.code
    sys.stdout.flush()
    return code if isinstance(code, int) else 0 if code is None else EXIT_INVALID
