"""What a plugin imports, and all of it: the hook specifications and the types that they speak in.

Hooks declare, they do not decide. Each is called once, at start-up, and returns frozen
declarations; a routine names what it uses, and the runner calls that declaration's functions
directly. A check's ways are terms, weights, findings and stops: it is handed copies, and nothing that it does to
them reaches a result. A term may move a value, and so a verdict: one that moves it by more than its U is named beside
the verdict. All runs in one process, which is no wall: `verify --built-in` computes without strangers' plugins.

What a plugin declares is named once and for all: two plugins that declare the same are refused.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass, field
from enum import Enum
from typing import Any, Protocol

import pluggy

from holdzero.cooling import Way, evening_time_s, longest_in_air_s, soak_time_s, time_constant_s
from holdzero.decay import Decay, fit_decay
from holdzero.decide import Rule, Standing
from holdzero.display import decimals_for, in_micro, length_text, micro_text, span_text, value_and_uncertainty
from holdzero.errors import AnswerRefusedError, SourceError, SourceExhaustedError
from holdzero.estimate import Estimate, Shape
from holdzero.length import MOST_GROWTH, REFERENCE_TEMPERATURE_DEGC, shown_difference_um, thermal_correction_um
from holdzero.limit import exceeds
from holdzero.material import Material
from holdzero.mistyped import mistyped
from holdzero.model import Input, Number, Term, student_quantile
from holdzero.outlier import LEAST_DOF, LEAST_FOR_NOTE, distance_from_repeats, looked_at, outlier_limits
from holdzero.plain_text import of_line, plain
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
from holdzero.run.commands import Command, Unused
from holdzero.run.kept import Given, History, Prepared, Reading, SoakTaken, TemperatureTaken
from holdzero.run.plan import Slot, SlotKind
from holdzero.run.prompt import Asks, Prompt
from holdzero.run.sizes import part_size_um
from holdzero.signs import signs_template
from holdzero.statistics import (
    f_quantile,
    mean,
    pooled_standard_deviation,
    slope_statistic,
    stack,
)
from holdzero.temperatures import (
    CORRECTION_TO_20,
    TemperatureLine,
    soaked_lines,
    temperature_effects,
    temperature_lines,
)
from holdzero.views import (
    Act,
    CharacteristicView,
    Finding,
    Level,
    Offer,
    RunView,
    reference_deviation,
    shown,
)
from holdzero.whole_file import read_whole
from holdzero.wording import limits_text, percent_text, risk_text, stops_of

__all__ = [
    "CORRECTION_TO_20",
    "HOOKS",
    "LEAST_DOF",
    "LEAST_FOR_NOTE",
    "MOST_GROWTH",
    "PLUGIN_API",
    "REFERENCE_TEMPERATURE_DEGC",
    "Act",
    "AngleError",
    "Answer",
    "AnswerRefusedError",
    "Apart",
    "Asks",
    "Characteristic",
    "CharacteristicView",
    "Check",
    "CheckStandard",
    "Command",
    "Comparator",
    "ComplianceEstimate",
    "Contrast",
    "Decay",
    "Estimate",
    "ExpansionEstimate",
    "Feed",
    "Filed",
    "Finding",
    "Force",
    "ForceEstimate",
    "Given",
    "GuardRule",
    "Habits",
    "History",
    "Input",
    "Inquiry",
    "Instrument",
    "Length",
    "LengthError",
    "LengthEstimate",
    "Level",
    "Log",
    "Material",
    "Measure",
    "Number",
    "Offer",
    "Prepared",
    "Prompt",
    "Reading",
    "Reference",
    "Remark",
    "Routine",
    "Rule",
    "RunView",
    "Said",
    "Sends",
    "Settings",
    "Shape",
    "Size",
    "Slot",
    "SlotKind",
    "SoakTaken",
    "Source",
    "SourceError",
    "SourceExhaustedError",
    "Standing",
    "StepKind",
    "Temperature",
    "TemperatureDifference",
    "TemperatureDifferenceEstimate",
    "TemperatureError",
    "TemperatureEstimate",
    "TemperatureLine",
    "TemperatureTaken",
    "Term",
    "Thermometer",
    "Time",
    "UnitAlias",
    "Unused",
    "Way",
    "Weigh",
    "Weighting",
    "Writer",
    "decimals_for",
    "distance_from_repeats",
    "evening_time_s",
    "exceeds",
    "f_quantile",
    "fit_decay",
    "holdzero_checks",
    "holdzero_materials",
    "holdzero_measures",
    "holdzero_rules",
    "holdzero_sources",
    "holdzero_steps",
    "holdzero_units",
    "holdzero_writers",
    "hookimpl",
    "in_micro",
    "length_text",
    "limits_text",
    "longest_in_air_s",
    "looked_at",
    "mean",
    "micro_text",
    "mistyped",
    "of_line",
    "outlier_limits",
    "part_size_um",
    "percent_text",
    "plain",
    "pooled_standard_deviation",
    "read_whole",
    "reference_deviation",
    "refuse",
    "risk_text",
    "shown",
    "shown_difference_um",
    "signs_template",
    "slope_statistic",
    "soak_time_s",
    "soaked_lines",
    "span_text",
    "stack",
    "stops_of",
    "student_quantile",
    "temperature_effects",
    "temperature_lines",
    "thermal_correction_um",
    "time_constant_s",
    "value_and_uncertainty",
]

PLUGIN_API = 3
"""Version of this surface; it grows when something is added, and nothing changes its meaning."""

hookspec = pluggy.HookspecMarker("holdzero")
hookimpl = pluggy.HookimplMarker("holdzero")
"""Marks the functions of a plugin module that are hooks."""


# --- declarations -----------------------------------------------------------------------------


@dataclass(frozen=True, slots=True, kw_only=True)
class StepKind:
    """A kind of step, made of the core's own steps when a routine is loaded. Since API 1.

    The record holds the steps that it was made into: folding and verifying need no plugin.

    Attributes:
        name: as in `do = "NAME"`.
        title: what is done, in a few words.
        settings: model of the step's other keys in the routine.
        steps: called once for each such step when a routine is loaded, with its settings; gives
            steps as they would stand in the file, quantities as text with their unit.
    """

    name: str
    title: str
    settings: type[Settings]
    steps: Callable[[Any], Sequence[Mapping[str, Any]]]


@dataclass(frozen=True, slots=True, kw_only=True)
class Contrast:
    """A measure that is a difference within the part: weights that sum to zero. Since API 1.

    What is common to all places (reference, temperature, the comparator's error) cancels.

    Attributes:
        name: as in `measure = "NAME"`.
        title: what it is, in a few words.
        weights: called at the end for each characteristic that names it, with the number of its
            places; gives the weight of each place's mean [1], in the order of `at`.
        fewest: how many places it needs.
        most: how many places it can have; None for any number.
    """

    name: str
    title: str
    weights: Callable[[int], Sequence[float]]
    fewest: int = 2
    most: int | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class Weighting:
    """How a design of readings makes a value of them, in place of the plain means.

    Attributes:
        weights: one for each reading of the characteristic [1].
        scatter: standard deviation of a single reading [um] and its degrees of freedom [1].
    """

    weights: tuple[Number, ...]
    scatter: tuple[Number, Number]


@dataclass(frozen=True, slots=True, kw_only=True)
class Apart:
    """By how much a place lies higher than others, as far as a routine states it. Since API 3.

    Attributes:
        place: that is read.
        above: places of whose mean it is counted.
        term: what the comparator shows of it there, less what it shows of those [um].
    """

    place: str
    above: tuple[str, ...]
    term: Term


@dataclass(frozen=True, slots=True, kw_only=True)
class Remark:
    """What a check says of its table before any run: a key without effect, or a value that is strange. Since API 3.

    Attributes:
        key: of the table, deeper ones after a point; empty for the whole table.
        found: what is there.
        expected: what it should be; empty where that goes without saying.
        mend: what to do.
        warning: whether the routine may be run all the same; where not, it is refused.
    """

    key: str = ""
    found: str
    expected: str = ""
    mend: str
    warning: bool = False


Watch = Callable[[Any, RunView], Iterable[Finding]]
Weigh = Callable[[Any, RunView, CharacteristicView], Weighting | None]
AllApart = Callable[[Any, RunView], Iterable[Apart]]
Terms = Callable[[Any, RunView, CharacteristicView], Iterable[Term]]
Judge = Callable[[Any, RunView, Sequence[CharacteristicView]], Iterable[Finding]]
Expected = Callable[[Any, RunView], Iterable[Term]]
Shows = Callable[[Any, Number], Number]
Validate = Callable[[Any, Routine, Sequence[Slot]], Iterable[Remark]]


@dataclass(frozen=True, slots=True, kw_only=True)
class Check:
    """A check: settings, and up to eight functions. Since API 1.

    Attributes:
        name: as in `[checks.NAME]`.
        title: what it looks after, in a few words.
        settings: model of its table in the routine; must be valid when empty if the check is to
            run without a table.
        watch: called before each prompt, with settings and view; gives findings for the inspector
            now, phrased as questions.
        terms: called at the end for each characteristic; gives summands [um].
        judge: called at the end with all characteristics that have a number; gives findings.
        weigh: called at the end for each characteristic, before terms; gives other weights for its
            readings, or None. Two checks that both do so for one characteristic stop it.
        expected: called with settings and view, where the routine is run at a bench that is made up; gives summands
            of what the comparator should show on the check standard [um]. Since API 3.
        apart: called like `expected`; gives by how much places lie apart at that bench, blocks of a comparison for
            example, as `Apart`s. Since API 3.
        shows: called with settings and what the comparator would show of a bench that is made up, one number or an
            array [um]; gives what it shows in its place, with errors of its own that the check takes out. Since API 3.
        validate: called when a routine is read from its file, with settings, routine and plan (the slots of
            a run, in order); gives remarks on the table. What could have no effect in that routine is
            refused, so that nobody counts on it. Since API 3.
        arrays: whether its functions take readings that are arrays with a leading axis of runs;
            where not, a rehearsal calls it run by run, slower.
    """

    name: str
    title: str
    settings: type[Settings]
    watch: Watch | None = None
    terms: Terms | None = None
    judge: Judge | None = None
    weigh: Weigh | None = None
    expected: Expected | None = None
    apart: AllApart | None = None
    shows: Shows | None = None
    validate: Validate | None = None
    arrays: bool = False


@dataclass(frozen=True, slots=True)
class Answer:
    """What a source says.

    Attributes:
        raw: the text, as typed or as an instrument's line was understood.
        time_s: the run's counter [s] where the source knows it; None for the clock's.
        line: what the instrument sent, as received; empty where a person typed. Since API 2.
        recorded: of the end of a soak, whether its time was recorded; where not, it counts as confirmed. Since API 3.
        error: of a temperature, what is known of its error, as a routine writes an estimate
            (`{"halfwidth": "0.1 K"}`); empty where it is that of the routine's thermometer. Since API 3.
    """

    raw: str
    time_s: float | None = None
    line: str = ""
    recorded: bool = True
    error: Mapping[str, str] = field(default_factory=dict)


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
class Said:
    """One whole line that an instrument sent. Since API 2.

    Attributes:
        at_s: when its end arrived [s], on the counter that `listen` was given.
        line: as received; bytes that are no text are shown as such.
        answer: what it says, as a person would type it (`+1.25 um`, `20.31 degC`); None where it can't be taken.
        why: why it can't be taken, in words; empty where it can.
        of: what a thermometer's channel hangs on (`part`, `reference`, `plate`, `air`); empty for the comparator.
    """

    at_s: float
    line: str
    answer: str | None
    why: str = ""
    of: str = ""


class Sends(Enum):
    """When an instrument sends a line. Since API 2."""

    PRESS = "press"
    """Somebody pressed its key or pedal: each line is meant as an answer."""
    STREAM = "stream"
    """By itself, all the time: a line is taken when the inspector accepts, and the value stands still."""
    ASKED = "asked"
    """When it is asked; otherwise as a stream."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Habits:
    """How an instrument behaves, so that the right one of its lines is taken. Since API 2.

    Attributes:
        sends: when it sends a line.
        still_number: how many lines in a row must agree before a value of a stream stands still [1].
        still_within_um: how near they must be [um], largest less smallest.
        double_s: another line within this time is of the same press [s].
        silent_s: without any line for so long, a stream is silent [s]; 0 where silence is usual.
    """

    sends: Sends = Sends.PRESS
    still_number: int = 5
    still_within_um: float = 0.5
    double_s: float = 0.4
    silent_s: float = 0.0


class Instrument(Protocol):
    """An open line to an instrument. Since API 2."""

    habits: Habits

    def lines(self) -> Sequence[Said]:
        """All whole lines since the last call, in order; never waits."""
        ...

    def request(self) -> None:
        """Ask for a line, where the instrument sends when it is asked; else nothing."""
        ...

    def fault(self) -> str:
        """Why the instrument can't be heard now, such as a cable that is out; empty while it can."""
        ...

    def close(self) -> None:
        """Let go of what is held."""
        ...


class Log(Protocol):
    """Temperatures that were written down beside the run, each with its wall time. Since API 3.

    Attributes:
        starts: wall time at which the run began, ISO 8601 with its offset, where the argument says it: of
            readings that were written down before; else empty.
    """

    starts: str

    def temperature(self, of: str, wall: str) -> Answer:
        """The temperature of a thing (`part`, `reference`, `plate`, `air`) at a wall time, ISO 8601 with its offset.

        `line` of the answer says what it was made of, so that another person can check it.

        Raises:
            AnswerRefusedError: the log says nothing of that; in words, with what to do.
            SourceError: the log can't be read.
        """
        ...

    def close(self) -> None:
        """Let go of what is held."""
        ...


@dataclass(frozen=True, slots=True, kw_only=True)
class Source:
    """Where readings or temperatures come from. Since API 1.

    Attributes:
        name: as in `--source NAME` or `--source NAME:ARGUMENT`.
        title: what it is, in a few words.
        open: called once when a run begins or goes on, with the argument and a function that asks
            a person; gives an open feed. None for an instrument.
        interactive: whether a person sits there, who can be asked again.
        keeps_time: whether its answers bring their own time, so that no wait is real.
        simulated: whether its readings are made up.
        listen: called once when a run begins or goes on, with the argument and the counter [s]; gives an
            open line to an instrument, which the runner listens to while a person sits at the bench. None for
            any other source. Since API 2.
        log: called once when a run begins or goes on, with the argument of `--thermometers NAME:ARGUMENT`; gives an
            open log, which answers what is asked of temperatures. None for any other source. Since API 3.
    """

    name: str
    title: str
    open: Callable[[str, Callable[[Prompt], Answer | Command]], Feed] | None = None
    interactive: bool
    keeps_time: bool
    simulated: bool
    listen: Callable[[str, Callable[[], float]], Instrument] | None = None
    log: Callable[[str], Log] | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class Filed:
    """A record as the book hands it to a report. Since API 1.

    Attributes:
        record: as plain data; of the report's own, so that it may be changed.
        replaced_by: digest of a later record that amends it, or of a later writing of its run; None where it stands.
        reviews: who looked at it, in order: name, meaning, note, at (a wall time), signed ("" where
            it is not, else the fingerprint of the key; the signature was not checked).
        signatures: fingerprints of the keys that signed it; the signatures were not checked.
    """

    record: Mapping[str, Any]
    replaced_by: str | None
    reviews: Sequence[Mapping[str, str]]
    signatures: Sequence[str]


@dataclass(frozen=True, slots=True, kw_only=True)
class Inquiry:
    """What a report answers. Since API 1.

    Attributes:
        asked: what was asked of the book, by the names of the options; empty for everything.
        book: what the book goes by.
        at: wall time of the answer.
    """

    asked: Mapping[str, str]
    book: str
    at: str


@dataclass(frozen=True, slots=True, kw_only=True)
class Writer:
    """Makes files of a record, and a report of many if it can. Since API 1.

    Attributes:
        name: of the writer.
        title: what it makes, in a few words.
        write: called once for each record, after the record itself is on disk, with the record as
            plain data (a copy); gives the contents of files by what their names end in, for
            example `{".html": b"…"}`.
        report: called by `holdzero book report` with the records (`Filed`, oldest first, one at a
            time: they may be many, so keep only what is needed) and the `Inquiry`; gives the
            contents of one file. None if it makes no reports.
    """

    name: str
    title: str
    write: Callable[[Mapping[str, Any]], Mapping[str, bytes]]
    report: Callable[[Iterable[Filed], Inquiry], bytes] | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class GuardRule:
    """A decision rule, which says by how much limits are drawn in for a pass and out for a fail. Since API 1.

    The core decides: pass within the limits drawn in, fail beyond the limits drawn out, undecided
    between. A rule never sees the value, and a guard band below zero is refused, so that no rule
    can pass what simple acceptance would not.

    Attributes:
        name: as in `[decision] rule = "NAME"`.
        title: what it is, in a few words.
        settings: model of the table `[decision.settings]`.
        guard: called at the end for each characteristic with limits; gives the guard band [um],
            0 or more; infinite where nothing may be decided.
        words: called with the settings; gives the rule in a sentence for the record.
    """

    name: str
    title: str
    settings: type[Settings]
    guard: Callable[[Any, Standing], Number]
    words: Callable[[Any], str]


@dataclass(frozen=True, slots=True, kw_only=True)
class UnitAlias:
    """A further name for a unit in readings. Since API 1.

    Attributes:
        name: as typed or received behind the number.
        worth: what one of it is, a length in a unit that holdzero knows, for example "0.0001 in".
        title: what it is, in a few words.
    """

    name: str
    worth: str
    title: str


# --- hooks ------------------------------------------------------------------------------------


@hookspec
def holdzero_steps() -> Sequence[StepKind]:  # type: ignore[empty-body]
    """The kinds of step that the plugin adds. Called once at start-up, with nothing. Since API 1.

    Returns:
        A list of `StepKind`. What each makes is plain data as in a routine: quantities with unit.

        @hookimpl
        def holdzero_steps():
            def steps(settings):
                return [{"do": "ask", "name": "humidity", "answer": "number", "unit": "%"}]
            return [StepKind(name="humidity", title="read the hygrometer", settings=Settings, steps=steps)]
    """


@hookspec
def holdzero_measures() -> Sequence[Contrast]:  # type: ignore[empty-body]
    """The measures that the plugin adds. Called once at start-up, with nothing. Since API 1.

    Returns:
        A list of `Contrast`. Its weights have no unit and sum to zero.

        @hookimpl
        def holdzero_measures():
            def weights(places):
                return [1.0, *[0.0] * (places - 2), -1.0]
            return [Contrast(name="taper", title="first place less the last", weights=weights)]
    """


@hookspec
def holdzero_checks() -> Sequence[Check]:  # type: ignore[empty-body]
    """The checks that the plugin adds. Called once at start-up, with nothing. Since API 1.

    Returns:
        A list of `Check`. Its functions see and give lengths in um, temperatures in degC,
        differences in K, forces in N, times in s.

        @hookimpl
        def holdzero_checks():
            def judge(settings, run, characteristics):
                if not run.soaks:
                    yield Finding(level=Level.DOUBT, code="soaked/none", text="Nothing was soaked.")
            return [Check(name="soaked", title="was there a soak", settings=Settings, judge=judge)]
    """


@hookspec
def holdzero_sources() -> Sequence[Source]:  # type: ignore[empty-body]
    """The sources that the plugin adds. Called once at start-up, with nothing. Since API 1.

    Returns:
        A list of `Source`. Answers are text as a person would type it; times are in s.

        class Still:  # an open source: a dial that always shows the same
            def answer(self, prompt, now_s):
                return Answer("+0.1 um" if prompt.asks is Asks.READING else "")
            def blame(self, reason):
                return SourceError(reason)
            def close(self): ...

        @hookimpl
        def holdzero_sources():
            return [Source(name="still", title="a dial that stands still", open=lambda argument, ask: Still(),
                           interactive=False, keeps_time=False, simulated=True)]
    """


@hookspec
def holdzero_writers() -> Sequence[Writer]:  # type: ignore[empty-body]
    """The writers that the plugin adds. Called once at start-up, with nothing. Since API 1.

    Returns:
        A list of `Writer`. The names in a record end in their unit.

        @hookimpl
        def holdzero_writers():
            def write(record):
                return {".verdict.txt": record["verdict"].encode()}
            return [Writer(name="verdict", title="the verdict alone", write=write)]
    """


@hookspec
def holdzero_materials() -> Sequence[Material]:  # type: ignore[empty-body]
    """The materials that the plugin adds. Called once at start-up, with nothing. Since API 1.

    Returns:
        A list of `Material`. Expansion in 1/K, modulus in GPa; the others say their unit.

        @hookimpl
        def holdzero_materials():
            why = "certificate of the melt, 2026-03"
            grows = Estimate.within(10.8e-6, 0.3e-6, why=why)
            return [Material(name="our steel", expansion=grows)]
    """


@hookspec
def holdzero_rules() -> Sequence[GuardRule]:  # type: ignore[empty-body]
    """The decision rules that the plugin adds. Called once at start-up, with nothing. Since API 1.

    Returns:
        A list of `GuardRule`. Guard bands are in um, 0 or more.

        @hookimpl
        def holdzero_rules():
            def guard(settings, standing):
                return 0.5 * standing.expanded_uncertainty_um
            return [GuardRule(name="half", title="half U", settings=Settings, guard=guard,
                              words=lambda settings: "A guard band of half U at each limit.")]
    """


@hookspec
def holdzero_units() -> Sequence[UnitAlias]:  # type: ignore[empty-body]
    """The unit names that the plugin adds for readings. Called once at start-up, with nothing. Since API 1.

    Returns:
        A list of `UnitAlias`. They hold for readings alone: a routine is written in units that
        everybody knows.

        @hookimpl
        def holdzero_units():
            return [UnitAlias(name="tenth", worth="0.0001 in", title="a tenth of a thou")]
    """


HOOKS: Mapping[str, tuple[str, type[Any]]] = {
    "holdzero_steps": ("step", StepKind),
    "holdzero_measures": ("measure", Contrast),
    "holdzero_checks": ("check", Check),
    "holdzero_sources": ("source", Source),
    "holdzero_writers": ("writer", Writer),
    "holdzero_materials": ("material", Material),
    "holdzero_rules": ("rule", GuardRule),
    "holdzero_units": ("unit", UnitAlias),
}
"""The hooks: what each declares, in a word and as a class."""
