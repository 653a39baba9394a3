"""What a conformance suite says: which declaration broke which rule, what was found, how to mend it."""

from __future__ import annotations

import contextlib
import operator
from collections.abc import Container, Iterator, Mapping
from dataclasses import dataclass
from typing import Any

from pydantic import ValidationError

from holdzero.errors import HoldzeroError
from holdzero.hooks import HOOKS, Settings
from holdzero.testing.blame import found_of, mend_of

__all__ = ["Subject", "hidden", "subject_of"]

hidden = operator.methodcaller("errisinstance", AssertionError)
"""Whether pytest leaves the suite's own lines out of a traceback: where it complains, and not where it breaks."""

__tracebackhide__ = hidden


@dataclass(frozen=True, slots=True)
class Subject:
    """A declaration that is looked at: `check thermal`, for example."""

    name: str

    def broken(self, rule: str, found: str, mend: str) -> AssertionError:
        """The failure that tells the plugin's author what to do."""
        return AssertionError(f"{self.name}: {rule}\n    found: {found}\n    mend: {mend}")

    def require(self, *, good: bool, rule: str, found: str, mend: str) -> None:
        """Hold a rule.

        Raises:
            AssertionError: it is broken.
        """
        if not good:
            raise self.broken(rule, found, mend)

    @contextlib.contextmanager
    def never_raising(
        self, rule: str, mend: str | None, *allowed: type[BaseException], files: Container[str] = ()
    ) -> Iterator[None]:
        """Hold the rule that what is called here raises nothing, or only what is allowed.

        Args:
            rule: that is held.
            mend: what to do; None where the exception itself tells.
            allowed: exceptions that may be raised.
            files: of the plugin's own code, so that the line in it can be named.
        """
        try:
            yield
        except allowed:
            raise
        except (Exception, SystemExit) as error:
            raise self.broken(rule, found_of(error, files), mend or mend_of(error)) from error

    def titled(self, title: object) -> None:
        """It says what it is."""
        self.require(
            good=isinstance(title, str) and bool(title.strip()),
            rule="it must have a title",
            found=f"title = {title!r}",
            mend="say in a few words what it is or does",
        )

    def settled(self, model: type[Settings], settings: Mapping[str, Any] | None) -> Settings:
        """Its settings, with a description for every key; valid as given, or empty."""
        bare = [name for name, field in model.model_fields.items() if not (field.description or "").strip()]
        self.require(
            good=not bare,
            rule="every key of the settings must have a description",
            found=f"none for {', '.join(bare)}",
            mend='write Field(…, description="…"): the author of a routine reads it',
        )
        try:
            return model.model_validate(dict(settings or {}))
        except ValidationError as error:
            given = "as given" if settings else "when empty"
            rule, mend = f"the settings must be valid {given}", "give the keys that it needs: settings={…}"
            raise self.broken(rule, str(error), mend) from None

    def answers_for(self, made: object, again: object, what: str) -> None:
        """The same twice."""
        self.require(
            good=bool(made == again),
            rule=f"{what} must be the same whenever it is called with the same",
            found=f"first {made!r:.300}, then {again!r:.300}",
            mend="let it follow from what it is given alone: no clock, no chance, nothing kept from call to call",
        )


def subject_of(declaration: Any) -> Subject:
    """The subject that a declaration is.

    Raises:
        HoldzeroError: it is no declaration.
    """
    word = next((word for word, kind in HOOKS.values() if type(declaration) is kind), None)
    if word is None:
        known = ", ".join(kind.__name__ for _, kind in HOOKS.values())
        raise HoldzeroError(f"{declaration!r:.100} is no declaration; give a plugin's module, or one of: {known}")
    return Subject(f"{word} {declaration.name}")
