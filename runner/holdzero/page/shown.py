"""What the bench page shows, as plain texts: the view model that the templates draw.

No number is left to be put into words here, and nothing of the engine's types is known.
"""

from __future__ import annotations

from dataclasses import dataclass, field

from markupsafe import Markup

__all__ = [
    "Box",
    "Break",
    "Choosing",
    "Echo",
    "EntryField",
    "Option",
    "Part",
    "Rest",
    "Result",
    "Row",
    "Sheet",
    "Soak",
    "Told",
]


@dataclass(frozen=True, slots=True)
class Box:
    """A labelled box of the form's head."""

    label: str
    text: str


@dataclass(frozen=True, slots=True)
class Option:
    """One of several: what is sent, and what is shown for it."""

    value: str
    text: str
    more: str = ""
    fault: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class Told:
    """A finding.

    Attributes:
        level: `note`, `doubt` or `stop`: gives sign and edge.
        word: of the level.
        text: for the inspector.
        code: what a post names it by.
        offer: what can be done about it, in words.
        mends: whether time can mend it.
    """

    level: str
    word: str
    text: str
    code: str
    offer: str = ""
    mends: bool = False


@dataclass(frozen=True, slots=True, kw_only=True)
class Row:
    """An entry of the list, or what was prepared between them.

    Attributes:
        number: of the entry, as in the record; None for what was prepared, which can't be struck out.
        what: it is of.
        rounds: which round it is of, where there are several.
        value: empty while it must not sway anybody.
        out: why it counts no more, in words; empty while it counts.
    """

    number: int | None
    what: str
    value: str
    rounds: str = ""
    out: str = ""


@dataclass(frozen=True, slots=True)
class Echo:
    """What was taken last: its value large, and what it was in words."""

    value: str
    words: str


@dataclass(frozen=True, slots=True, kw_only=True)
class EntryField:
    """Where an answer is typed.

    Attributes:
        label: of the field.
        unit: of a bare number.
        hint: what can be typed.
        numeric: whether the number pad goes with it.
        options: answers of which one is pressed, in place of typing.
        button: on the key that sends it.
    """

    label: str
    unit: str = ""
    hint: str = ""
    numeric: bool = False
    options: tuple[Option, ...] = ()
    button: str = "Enter"


@dataclass(frozen=True, slots=True, kw_only=True)
class Rest:
    """How near one thing is to rest, in words; `state` is `settled`, `moving` or `watched`."""

    of: str
    drift: str
    to_come: str
    allowed: str
    left: str
    word: str
    state: str
    picture: Markup


@dataclass(frozen=True, slots=True, kw_only=True)
class Soak:
    """A soak.

    Attributes:
        until_s: its end on the run's counter [s].
        now_s: the run's counter when this was made [s].
        length_s: how long it is in all [s].
        left: time to go.
        ends: clock time of its end, or that it is over, in words.
        pace: how much faster time goes by than on the wall; 0 where it does not by itself.
        may_end: whether it may end without a reason.
        rests: how all that is watched stands.
    """

    until_s: float
    now_s: float
    length_s: float
    left: str
    ends: str
    pace: float
    may_end: bool
    rests: tuple[Rest, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class Break:
    """A pause.

    Attributes:
        lasts: how long it lasts already, as a clock.
        lasts_s: the same [s].
        pace: how much faster time goes by than on the wall; 0 where it does not by itself.
    """

    lasts: str
    lasts_s: float
    pace: float


@dataclass(frozen=True, slots=True, kw_only=True)
class Choosing:
    """What can be begun, or gone on with."""

    routines: tuple[Option, ...]
    members: tuple[tuple[str, tuple[str, ...]], ...]
    batches: tuple[str, ...]
    chosen: str
    operator: str
    open_runs: tuple[Option, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class Result:
    """One characteristic at the end, in words; where a finding stops it, its value decides nothing."""

    name: str
    measured: str
    limits: str
    conforms: str
    verdict: str
    word: str
    stopped: bool = False


@dataclass(frozen=True, slots=True, kw_only=True)
class Part:
    """What came of one part."""

    verdict: str
    word: str
    what: str
    marks: tuple[str, ...]
    results: tuple[Result, ...]
    rules: tuple[str, ...]
    findings: tuple[Told, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class Sheet:
    """All texts of the page at one moment.

    Attributes:
        state: what the page is about, one word; looks and keys hang on it.
        seq: of the snapshot.
        key: the same as long as what is being typed may stay.
        tab: title of the browser's tab.
        title: the action, or what happened, in a few words.
        template: of `<main>`.
        pedal: what a pedal or a bare key does: `accept`, `hold` (to finish, for two seconds) or `none`.
        what: what the large key posts: `accept`, `answer` or `go_on`.
        accept: words on the large key; empty for none.
        tone: which sound goes with it: `accepted`, `question`, `stop` or none.
        last: the newest entry that counts, which a stop offers to strike out first.
        thermometer: what the temperature that is asked for is of.
        more: whether notes, pause and the like are offered.
        blind: whether earlier values are kept back until the run is over.
    """

    state: str
    seq: int
    key: str
    tab: str
    title: str
    template: str = "sheet.html"
    say: str = ""
    caution: str = ""
    pedal: str = "none"
    what: str = "answer"
    accept: str = ""
    tone: str = ""
    marks: tuple[str, ...] = ()
    head: tuple[Box, ...] = ()
    step: str = ""
    number: int = 0
    count: int = 0
    rounds: str = ""
    following: str = ""
    taken: Echo | None = None
    refused: str = ""
    live: bool = False
    thermometer: str = ""
    entry: EntryField | None = None
    soak: Soak | None = None
    pause: Break | None = None
    stop: Told | None = None
    findings: tuple[Told, ...] = ()
    limits: tuple[str, ...] = ()
    rows: tuple[Row, ...] = ()
    earlier: tuple[Row, ...] = ()
    last: Row | None = None
    picture: Markup | None = None
    blind: bool = False
    more: bool = False
    can_zero: bool = False
    again: tuple[Option, ...] = ()
    reasons: tuple[str, ...] = ()
    choosing: Choosing | None = None
    parts: tuple[Part, ...] = ()
    files: tuple[str, ...] = ()
    pages: tuple[str, ...] = ()
    problems: tuple[str, ...] = field(default=())
    debrief: tuple[str, ...] = ()
    greeting: tuple[str, ...] = ()
