"""What a person asks of the book: one set of options, shared by all commands that choose records."""

from __future__ import annotations

import functools
import inspect
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

import typer

from holdzero.errors import HoldzeroError

if TYPE_CHECKING:
    from holdzero.book import Book, Criteria

__all__ = ["Asked", "with_criteria"]

_TEXTS = {
    "device": "Block or instrument in use, in any role.",
    "reference": "The reference that was used.",
    "comparator": "The comparator that was used.",
    "part": "Part number.",
    "revision": "Revision.",
    "serial": "Of the part.",
    "operator": "Who measured.",
    "verdict": "pass, fail, undecided or reported.",
    "characteristic": "One that the record has.",
    "since": "Day or time, this one included.",
    "until": "Day, this one included; or time.",
    "text": "Words that stand anywhere in it.",
}
_FLAGS = {
    "latest": "Leave out what a later record replaces, and earlier writings.",
    "real": "Leave out simulated readings and trials.",
}
_ROLES = {"device": "", "reference": "reference", "comparator": "comparator"}
_VERDICTS = ("pass", "fail", "undecided", "reported")


@dataclass(frozen=True, slots=True)
class Asked:
    """What was asked, as it was typed; what was left out is None or False."""

    given: Mapping[str, Any]

    def criteria(self, book: Book, shop: Path | None) -> Criteria:
        """The same as the book takes it.

        Args:
            book: that is asked.
            shop: file of the register; the one here if None.

        Raises:
            HoldzeroError: a day or a verdict is none, the end lies before the begin, or nobody knows the device.
        """
        from holdzero.book import Criteria
        from holdzero.book.find import spelled
        from holdzero.cli.book_devices import known_device
        from holdzero.cli.book_find import range_ms

        verdict = self.given["verdict"]
        if verdict is not None and verdict not in _VERDICTS:
            raise HoldzeroError(f"{verdict!r} is no verdict; write one of {', '.join(_VERDICTS)}")
        real = self.given["real"]
        since_ms, until_ms = range_ms(self.given["since"], self.given["until"])
        devices = [(role, name) for role in _ROLES if (name := self.given[role]) is not None]
        return Criteria(
            **{name: self.given[name] for name in (*_TEXTS, "latest") if name not in ("since", "until", "serial")},
            serials=spelled(book, self.given["serial"]) if self.given["serial"] is not None else (),
            since_ms=since_ms,
            until_ms=until_ms,
            simulated=False if real else None,
            purpose="production" if real else None,
            known_as={name: known_device(book, shop, name, _ROLES[role]) for role, name in devices},
        )

    def words(self) -> dict[str, str]:
        """The same for a person to read, by the names of the options."""
        said = {name: str(self.given[name]) for name in _TEXTS if self.given[name] is not None}
        return said | {name: "yes" for name in _FLAGS if self.given[name]}


def with_criteria(command: Callable[..., None]) -> Callable[..., None]:
    """Give a command the options that choose records; it gets them as its parameter `asked`."""
    own = inspect.signature(command, eval_str=True).parameters
    kept = [parameter for name, parameter in own.items() if name != "asked"]
    signature = inspect.Signature(
        sorted([*_options(), *kept], key=lambda parameter: parameter.kind)  # the kinds in their order
    )

    @functools.wraps(command)
    def asking(**given: Any) -> None:
        asked = Asked({name: given.pop(name) for name in (*_TEXTS, *_FLAGS)})
        command(**given, asked=asked)

    # What the option parser reads of a command.
    vars(asking)["__signature__"] = signature
    asking.__annotations__ = {name: item.annotation for name, item in signature.parameters.items()}
    return asking


def _options() -> list[inspect.Parameter]:
    texts = [
        _option(name, Annotated[str | None, typer.Option(f"--{name}", help=words, show_default=False)], None)
        for name, words in _TEXTS.items()
    ]
    flags = [
        _option(name, Annotated[bool, typer.Option(f"--{name}", help=words)], default=False)
        for name, words in _FLAGS.items()
    ]
    return [*texts, *flags]


def _option(name: str, annotation: Any, default: object) -> inspect.Parameter:
    return inspect.Parameter(name, inspect.Parameter.KEYWORD_ONLY, default=default, annotation=annotation)
