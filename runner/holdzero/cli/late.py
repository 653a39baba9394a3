"""Groups of commands that are only made when somebody asks for one of them."""

from __future__ import annotations

from functools import cached_property
from importlib import import_module
from typing import Any

import typer
from typer.core import TyperGroup
from typer.main import get_group

__all__ = ["late_group"]


def late_group(module: str, name: str, words: str) -> typer.Typer:
    """A group whose commands stand in a module of their own, which is imported when one of them is wanted.

    Args:
        module: where it is.
        name: of the application there.
        words: its help, which is shown before.
    """

    class Late(TyperGroup):
        @cached_property
        def real(self) -> Any:
            """The group itself."""
            return get_group(getattr(import_module(module), name))

        def list_commands(self, ctx: Any) -> list[str]:
            """All names, as the group itself gives them."""
            return list(self.real.list_commands(ctx))

        def get_command(self, ctx: Any, cmd_name: str) -> Any:
            """One of its commands."""
            return self.real.get_command(ctx, cmd_name)

    return typer.Typer(cls=Late, help=words, no_args_is_help=True)
