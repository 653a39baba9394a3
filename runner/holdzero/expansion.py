"""Steps of a plugin's kind become the core's own, when a routine is loaded.

So the record holds steps that every version can fold, whether or not the plugin is there.
"""

from __future__ import annotations

import json
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

from pydantic import ValidationError

from holdzero.catalogue import Catalogue
from holdzero.checks import told
from holdzero.errors import Fault, FileFaultsError
from holdzero.hooks import StepKind
from holdzero.routine.load import faults_of
from holdzero.routine.locate import KeyPath, dotted
from holdzero.routine.resolve import Expand, Kinds, Origins, Text
from holdzero.routine.steps import Steps
from holdzero.worded import worded

__all__ = ["expand", "kinds_of"]


@dataclass(frozen=True, slots=True)
class _KindsOf:
    """The kinds of step of a catalogue."""

    catalogue: Catalogue

    def __call__(self, name: str) -> Expand | None:
        self.catalogue.want(name)
        if name not in self.catalogue.steps:
            return None
        plugin, declared = self.catalogue.steps[name]
        return lambda step, origins, here: expand(declared, plugin.name, step, origins, here)

    def names(self) -> tuple[str, ...]:
        self.catalogue.want_all()
        return tuple(sorted(self.catalogue.steps))


def kinds_of(catalogue: Catalogue) -> Kinds:
    """The kinds of step that the plugins of a catalogue declare, loaded when they are asked for."""
    return _KindsOf(catalogue)


def expand(kind: StepKind, plugin: str, step: dict[str, Any], origins: Origins, here: KeyPath) -> list[dict[str, Any]]:
    """The core's steps that a step of a plugin's kind stands for.

    Args:
        kind: as declared.
        plugin: its name, for messages.
        step: as written.
        origins: of the text that it stands in.
        here: where it stands there.

    Raises:
        FileFaultsError: a key of the step is wrong, or the plugin made no valid steps of it.
    """
    own = {key: item for key, item in step.items() if key != "do"}
    try:
        settings = kind.settings.model_validate(own)
    except ValidationError as error:
        raise FileFaultsError(faults_of(error, own, origins, kind.settings, here)) from None
    try:
        made = _plain_steps(kind.steps(settings))
    except (Exception, SystemExit) as error:  # noqa: BLE001  a plugin may raise anything; the author is told
        raise _blamed(plugin, kind.name, told(error), origins, here) from None
    document = {"steps": made}
    try:
        Steps.model_validate(document)
    except ValidationError as error:
        first = faults_of(error, document, Origins(Text(file="", data=document, lines={})), Steps)[0]
        found = f"it made steps of which {first.key} is wrong: found {first.found or 'nothing'}"
        raise _blamed(plugin, kind.name, found, origins, here, expected=first.expected) from None
    return made


def _plain_steps(made: object) -> list[dict[str, Any]]:
    """What a plugin made, as plain data of its own.

    Raises:
        TypeError, ValueError: it is no list of tables that a record could keep.
    """
    if not isinstance(made, Sequence) or isinstance(made, str) or not made:
        raise TypeError(f"it made {made!r:.100}, not a list of steps")
    if not all(isinstance(table, Mapping) for table in made):
        raise TypeError("it made a step that is no table of keys")
    text = json.dumps([dict(table) for table in made], allow_nan=False, ensure_ascii=False)
    plain: list[dict[str, Any]] = json.loads(worded(text, "what it made"))
    if any("kind" in table for table in plain):
        raise ValueError("kind is the tool's own key, and no plugin's")
    return plain


def _blamed(
    plugin: str, kind: str, found: str, origins: Origins, here: KeyPath, expected: str = "steps of the core"
) -> FileFaultsError:
    file, line = origins.place(here)
    mend = f"the author of the plugin {plugin} must mend this"
    fault = Fault(file=file, line=line, key=f"{dotted(here)} ({kind})", found=found, expected=expected, mend=mend)
    return FileFaultsError((fault,))
