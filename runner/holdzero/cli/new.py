"""The commands under `holdzero new`. Only the option parser and names are imported here; the rest when needed."""

from __future__ import annotations

import inspect
from collections.abc import Callable
from pathlib import Path
from typing import Annotated

import typer

from holdzero.cli.options import ShopOption
from holdzero.starting.options import ROUTINE_OPTIONS, option_of

__all__ = ["new_app"]

new_app = typer.Typer(help="Start a routine or a check.", no_args_is_help=True)


def _with_routine_options(command: Callable[..., None]) -> Callable[..., None]:
    """Give a command the options of a routine, each None where it is left out."""
    own = inspect.signature(command, eval_str=True).parameters.values()
    more = [
        inspect.Parameter(
            name,
            inspect.Parameter.KEYWORD_ONLY,
            default=None,
            annotation=Annotated[str | None, typer.Option(option_of(name), help=words, show_default=False)],
        )
        for name, words in ROUTINE_OPTIONS.items()
    ]
    kept = [parameter for parameter in own if parameter.kind is not inspect.Parameter.VAR_KEYWORD]
    signature = inspect.Signature([*kept, *more])
    # What the option parser reads of a command.
    vars(command)["__signature__"] = signature
    command.__annotations__ = {name: item.annotation for name, item in signature.parameters.items()}
    return command


@new_app.command("routine")
@_with_routine_options
def new_routine(
    file: Annotated[
        Path | None,
        typer.Argument(help="The routine to write, a TOML file that is not there yet; left out: a name is offered."),
    ] = None,
    *,
    shop: ShopOption = None,
    **said: str | None,
) -> None:
    """Write a routine that is ready to be tried; asks for what no option says. 0: valid; 2: not written."""
    from holdzero.cli import new_routine as work

    given = {name: text for name, text in said.items() if text is not None}
    raise typer.Exit(work.new_routine(file, given, shop))


@new_app.command("check")
def new_check(
    name: Annotated[str, typer.Argument(help="Of the check: small letters, digits and _.")],
    *,
    folder: Annotated[Path, typer.Option("--in", help="Folder in which a folder NAME is made.")] = Path(),
    shop: ShopOption = None,
) -> None:
    """Write a check of the house that works, with its tests and tools. 0: written; 2: not."""
    from holdzero.cli import new_check as work

    raise typer.Exit(work.new_check(name, folder, shop))
