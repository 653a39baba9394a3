"""What a plugin imports, and all of it: the hook specifications and the types that they speak in.

Hooks declare, they do not decide. Each is called once, at start-up, and returns frozen
declarations; a routine names what it uses, and the runner calls that declaration's functions
directly. A plugin adds terms, findings, sources and writers. It can't change a reading, and it
can't make a pass of anything.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass
from typing import Any, Protocol

import pluggy

from holdzero.display import decimals_for, in_micro, length_text, micro_text, value_and_uncertainty
from holdzero.errors import AnswerRefusedError, SourceError, SourceExhaustedError
from holdzero.estimate import Estimate, Shape
from holdzero.model import Input, Number, Term, student_quantile
from holdzero.routine.schema import (
    AngleError,
    Characteristic,
    CheckStandard,
    Comparator,
    ComplianceEstimate,
    ExpansionEstimate,
    Force,
    ForceEstimate,
    Length,
    LengthError,
    LengthEstimate,
    Measure,
    Reference,
    Routine,
    Size,
    Temperature,
    TemperatureDifference,
    TemperatureDifferenceEstimate,
    TemperatureError,
    TemperatureEstimate,
    Thermometer,
    Time,
    refuse,
)
from holdzero.routine.schema import Model as Settings
from holdzero.run.commands import Command
from holdzero.run.plan import SlotKind
from holdzero.run.prompt import Asks, Prompt
from holdzero.run.state import Prepared, Reading, SoakTaken, TemperatureTaken
from holdzero.statistics import (
    grubbs_critical,
    grubbs_statistic,
    mean,
    pooled_standard_deviation,
    slope_statistic,
    stack,
)
from holdzero.views import CharacteristicView, Finding, Level, RunView, reference_deviation, shown

__all__ = [
    "PLUGIN_API",
    "AngleError",
    "Answer",
    "AnswerRefusedError",
    "Asks",
    "Characteristic",
    "CharacteristicView",
    "Check",
    "CheckStandard",
    "Command",
    "Comparator",
    "ComplianceEstimate",
    "Estimate",
    "ExpansionEstimate",
    "Feed",
    "Finding",
    "Force",
    "ForceEstimate",
    "Input",
    "Length",
    "LengthError",
    "LengthEstimate",
    "Level",
    "Measure",
    "Number",
    "Prepared",
    "Prompt",
    "Reading",
    "Reference",
    "Routine",
    "RunView",
    "Settings",
    "Shape",
    "Size",
    "SlotKind",
    "SoakTaken",
    "Source",
    "SourceError",
    "SourceExhaustedError",
    "Temperature",
    "TemperatureDifference",
    "TemperatureDifferenceEstimate",
    "TemperatureError",
    "TemperatureEstimate",
    "TemperatureTaken",
    "Term",
    "Thermometer",
    "Time",
    "Weigh",
    "Weighting",
    "Writer",
    "decimals_for",
    "grubbs_critical",
    "grubbs_statistic",
    "holdzero_checks",
    "holdzero_sources",
    "holdzero_writers",
    "hookimpl",
    "in_micro",
    "length_text",
    "mean",
    "micro_text",
    "pooled_standard_deviation",
    "reference_deviation",
    "refuse",
    "shown",
    "slope_statistic",
    "stack",
    "student_quantile",
    "value_and_uncertainty",
]

PLUGIN_API = 1
"""Version of this surface; it grows when something is added, and nothing changes its meaning."""

hookspec = pluggy.HookspecMarker("holdzero")
hookimpl = pluggy.HookimplMarker("holdzero")
"""Marks the functions of a plugin module that are hooks."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Weighting:
    """How a design of readings makes a value of them, in place of the plain means.

    Attributes:
        weights: one for each reading of the characteristic [1].
        scatter: standard deviation of a single reading [um] and its degrees of freedom [1].
    """

    weights: tuple[Number, ...]
    scatter: tuple[Number, float]


Watch = Callable[[Any, RunView], Iterable[Finding]]
Weigh = Callable[[Any, RunView, CharacteristicView], Weighting | None]
Terms = Callable[[Any, RunView, CharacteristicView], Iterable[Term]]
Judge = Callable[[Any, RunView, Sequence[CharacteristicView]], Iterable[Finding]]


@dataclass(frozen=True, slots=True, kw_only=True)
class Check:
    """A check: settings, and up to three functions. Since API 1.

    Attributes:
        name: as in `[checks.NAME]`.
        title: what it looks after, in a few words.
        settings: model of its table in the routine; must be valid when empty if the check is to
            run without a table.
        watch: called after each reading, with settings and view; gives findings for the
            inspector now.
        terms: called at the end for each characteristic; gives summands in micrometres.
        judge: called at the end with all characteristics; gives findings.
        weigh: called at the end for each characteristic, before terms; gives other weights for its
            readings, or None. Two checks that both do so for one characteristic stop it.
    """

    name: str
    title: str
    settings: type[Settings]
    watch: Watch | None = None
    terms: Terms | None = None
    judge: Judge | None = None
    weigh: Weigh | None = None


@dataclass(frozen=True, slots=True)
class Answer:
    """What a source says.

    Attributes:
        raw: the text, as typed or received.
        time_s: the run's counter [s] where the source knows it; None for the clock's.
    """

    raw: str
    time_s: float | None = None


class Feed(Protocol):
    """An open source."""

    def answer(self, prompt: Prompt, now_s: float) -> Answer | Command:
        """The next answer to `prompt`; `now_s` is the run's counter [s].

        Raises:
            SourceExhaustedError: there are no more answers; the run can be resumed.
            SourceError: what is there can't be an answer.
        """
        ...

    def blame(self, reason: str) -> SourceError:
        """The error to stop with when the last answer was refused for `reason`."""
        ...

    def close(self) -> None:
        """Let go of what is held."""
        ...


@dataclass(frozen=True, slots=True, kw_only=True)
class Source:
    """Where readings come from. Since API 1.

    Attributes:
        name: as in `--source NAME` or `--source NAME:ARGUMENT`.
        title: what it is, in a few words.
        open: takes the argument and a function that asks a person, and gives an open feed.
        interactive: whether a person sits there, who can be asked again.
        keeps_time: whether its answers bring their own time, so that no wait is real.
        simulated: whether its readings are made up.
    """

    name: str
    title: str
    open: Callable[[str, Callable[[Prompt], Answer | Command]], Feed]
    interactive: bool
    keeps_time: bool
    simulated: bool


@dataclass(frozen=True, slots=True, kw_only=True)
class Writer:
    """Makes files of a record. Since API 1.

    Attributes:
        name: of the writer.
        title: what it makes, in a few words.
        write: takes a record as plain data; gives the contents of files by what their names end
            in, for example `{".html": b"…"}`.
    """

    name: str
    title: str
    write: Callable[[Mapping[str, Any]], Mapping[str, bytes]]


@hookspec
def holdzero_checks() -> Sequence[Check]:  # type: ignore[empty-body]
    """Called once at start-up; returns the checks of the plugin. Since API 1."""


@hookspec
def holdzero_sources() -> Sequence[Source]:  # type: ignore[empty-body]
    """Called once at start-up; returns the sources of the plugin. Since API 1."""


@hookspec
def holdzero_writers() -> Sequence[Writer]:  # type: ignore[empty-body]
    """Called once at start-up; returns the writers of the plugin. Since API 1."""
