"""The templates of the pages, and what they share."""

from __future__ import annotations

from typing import Any

from jinja2 import ChoiceLoader, Environment, PackageLoader, StrictUndefined

from holdzero.plain_text import plain

__all__ = ["page"]


def page(template: str, **said: Any) -> str:
    """A page of a template; whatever a person typed is escaped, and control characters become a dot.

    Args:
        template: its name without ending.
        said: what it shows.
    """
    environment = Environment(
        loader=ChoiceLoader([PackageLoader("holdzero.pictures"), PackageLoader("holdzero.signs")]),
        autoescape=True,
        undefined=StrictUndefined,
        trim_blocks=True,
        lstrip_blocks=True,
        finalize=_printable,
    )
    return environment.get_template(f"{template}.html").render(said)


def _printable(item: object) -> object:
    return plain(item) if type(item) is str else item
