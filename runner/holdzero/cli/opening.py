"""What is open while a run goes on: the source, its instruments, the face, the book."""

from __future__ import annotations

import contextlib
import datetime as dt
import time
from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from pathlib import Path
from typing import TYPE_CHECKING, Any, TextIO, TypeAlias

from rich.console import Console

from holdzero.catalogue import Catalogue
from holdzero.checks import told
from holdzero.cli.faces import KEYBOARD, Asking, FaceFor, Onlooker, face_for
from holdzero.cli.house import Shop
from holdzero.cli.keeping import Keeper
from holdzero.cli.output import plain_console
from holdzero.errors import HoldzeroError, SourceError
from holdzero.hooks import Feed, Instrument, Log, Source
from holdzero.live.listening import Listening
from holdzero.live.logged import LoggedFeed, Logs
from holdzero.session import Clock, Face, Session

if TYPE_CHECKING:
    from holdzero.rehearse.practice import Practice

__all__ = ["Bench", "Options", "bench_of", "opened", "sat_at"]


Bind: TypeAlias = Callable[[Session], None]
"""Lets what is open know the run."""
VIRTUAL_NAME, PRACTICE_NAME = "virtual", "practice"


@dataclass(frozen=True, slots=True, kw_only=True)
class Options:
    """What `run` and `resume` share.

    Attributes:
        json: whether records are printed, and nothing else where they are.
        catalogue: plugins to use in place of those that are installed or the shop's.
        records: where they are printed; standard output if None.
        onlooker: is told what the checks say, where nobody sits at the source.
        thermometers: sources of temperatures that are listened to beside the readings.
        face: gives the face, in place of the terminal.
        seen: is told each record and the files that were made of it.
        debriefed: is told at the end what was true and hidden, at a virtual bench; it is printed as well.
        decided: is told the exit code once all verdicts are there; the book may still be waited for.
    """

    source: str
    out: Path
    json: bool
    shop: Path | None
    overrule: str | None
    choices: Mapping[str, str]
    trials: str | None = None
    seed: int = 0
    trial: bool = False
    book: str | None = None
    catalogue: Catalogue | None = None
    records: TextIO | None = None
    onlooker: Onlooker | None = None
    thermometers: tuple[str, ...] = ()
    face: FaceFor | None = None
    seen: Callable[[Mapping[str, Any], Sequence[Path]], None] | None = None
    debriefed: Callable[[Sequence[str]], None] | None = None
    decided: Callable[[int], None] | None = None


@dataclass(slots=True)
class Bench:
    """What is open while a run goes on.

    Attributes:
        practice: a virtual bench that a person sits at; None at any other.
        debrief: gives what is told at the end of a run at a virtual bench; None at any other.
    """

    console: Console
    shop: Shop
    source: Source
    keeper: Keeper | None
    argument: str
    thermometers: tuple[tuple[Source, str], ...] = ()
    clock: Clock = field(default_factory=lambda: Clock(_wall, time.monotonic))
    practice: Practice | None = None
    debrief: Callable[[], Sequence[str]] | None = None

    def pace(self) -> float:
        """How much faster the run's counter goes now than the machine's."""
        return self.practice.pace() if self.practice is not None else 1.0

    @property
    def catalogue(self) -> Catalogue:
        """What plugins declare."""
        return self.shop.catalogue

    @property
    def source_text(self) -> str:
        """The source for the record, without folders."""
        each = ((self.source, self.argument), *self.thermometers)
        return " + ".join(f"{source.name}{f':{Path(said).name}' if said else ''}" for source, said in each)


def _wall() -> str:
    return dt.datetime.now().astimezone().isoformat(timespec="milliseconds")


def bench_of(options: Options, shop: Shop) -> Bench:
    """What the run needs open."""
    console = plain_console(stderr=options.json)
    book = shop.book(options.book)
    source, argument = _source(options.source, shop)
    if source.log is not None:
        raise SourceError(f"--source {source.name}: it has temperatures alone; write --thermometers {source.name}:FILE")
    bench = Bench(
        console=console,
        shop=shop,
        source=source,
        keeper=Keeper(book, shop.key) if book is not None else None,
        argument=argument,
        thermometers=tuple(_source(said, shop) for said in options.thermometers),
    )
    if source.name == PRACTICE_NAME:
        from holdzero.rehearse.practice import Hurried, Practice

        if bench.thermometers:
            raise SourceError("--thermometers: a practice bench has its own; leave it out")
        counter_s = Hurried(time.monotonic)
        bench.clock, bench.practice = Clock(_wall, counter_s), Practice(argument, counter_s)
    return bench


def _source(said: str, shop: Shop) -> tuple[Source, str]:
    """A source and its argument, as an option names them."""
    name, _, argument = said.partition(":")
    if name == KEYBOARD.name:
        if argument:
            raise SourceError(f"--source keyboard takes no argument, found {argument!r}")
        return KEYBOARD, argument
    if name == VIRTUAL_NAME:
        from holdzero.rehearse.source import VIRTUAL

        return VIRTUAL, argument
    if name == PRACTICE_NAME:
        from holdzero.rehearse.practice import PRACTICE

        return PRACTICE, argument
    shop.catalogue.want(name)
    if name not in shop.catalogue.sources:
        shop.catalogue.want_all()
        known = ", ".join((KEYBOARD.name, VIRTUAL_NAME, PRACTICE_NAME, *shop.catalogue.sources))
        lost = "" if shop.catalogue.has_built_ins else "; no built-in plugins are installed: reinstall holdzero"
        raise SourceError(f"--source {name}: no such source is loaded; there are: {known}{lost}")
    return shop.catalogue.sources[name][1], argument


def sat_at(bench: Bench, options: Options) -> tuple[Face, Asking]:
    """The face, and what asks the person who sits at it."""
    if options.face is not None and bench.source.interactive:
        return options.face(bench.source, bench.console)
    return face_for(bench.source, bench.console, options.onlooker)


@contextlib.contextmanager
def opened(bench: Bench, ask: Asking) -> Iterator[tuple[Feed, Bind]]:
    """The feed of the source, and what has to know the run before the first prompt; let go whatever happens."""
    if bench.practice is not None:
        yield _practised(bench, bench.practice, ask)
        return
    with contextlib.ExitStack() as held:

        def heard(source: Source, argument: str) -> Instrument:
            instrument = _heard(source, argument, bench.clock.counter_s)
            held.callback(_let_go, instrument)
            return instrument

        comparator = heard(bench.source, bench.argument) if bench.source.listen is not None else None
        thermometers = [heard(source, argument) for source, argument in bench.thermometers if source.log is None]
        opened_logs = [_logged(source, argument, held) for source, argument in bench.thermometers if source.log]
        starts = _starts(bench, opened_logs)
        logs = Logs(opened_logs) if opened_logs else None
        listening = Listening(ask, bench.clock.counter_s, comparator, thermometers, logs, bench.clock.wall)
        if bench.source.open is None:
            yield listening, listening.bind
            return
        with _opening(bench.source):
            feed = bench.source.open(bench.argument, listening.asked)
        held.callback(_let_go, feed)
        if logs is not None and not bench.source.interactive:
            yield _beside(feed, logs, bench, starts, listening)
            return
        own: Bind | None = None
        if bench.source.name == VIRTUAL_NAME:
            own, bench.debrief = getattr(feed, "bind", None), getattr(feed, "debrief", None)

        def bind(session: Session) -> None:
            listening.bind(session)
            if own is not None:
                own(session)

        yield feed, bind


def _practised(bench: Bench, practice: Practice, ask: Asking) -> tuple[Feed, Bind]:
    """The feed of a virtual bench that a person sits at."""
    listening = Listening(ask, bench.clock.counter_s, practice.indicator, [practice.thermometers])
    bench.debrief = practice.debrief
    for sentence in practice.greeting:
        bench.console.print(sentence)

    def bind_both(session: Session) -> None:
        practice.bind(session)
        for sentence in practice.warnings:
            bench.console.print(sentence)
        listening.bind(session)

    return listening, bind_both


def _logged(source: Source, argument: str, held: contextlib.ExitStack) -> Log:
    """An open log, let go with the rest."""
    if source.log is None:
        raise SourceError(f"{source.name} is no log of temperatures")
    with _opening(source):
        log = source.log(argument)
        if not isinstance(log.starts, str):
            raise TypeError(f"starts is {log.starts!r:.200}, no text")
    held.callback(_let_go, log)
    return log


def _starts(bench: Bench, logs: Sequence[Log]) -> str:
    """When the run began by the logs' clock, where an argument says it; at a bench that is the clock's business."""
    said = list(dict.fromkeys(log.starts for log in logs if log.starts))
    if bench.source.simulated and logs:
        raise SourceError("--thermometers: nothing was measured at a bench that is made up; leave the logger out")
    if said and not bench.source.keeps_time:
        raise SourceError(
            f"--thermometers: found the start {said[0]} of a run; expected it only with readings that were written "
            "down before, which count seconds from it; leave it out"
        )
    if len(said) > 1:
        raise SourceError(f"--thermometers: found two starts of one run, {' and '.join(said)}; write the same")
    return said[0] if said else ""


def _beside(feed: Feed, logs: Logs, bench: Bench, starts: str, listening: Listening) -> tuple[Feed, Bind]:
    """A feed that nobody sits at, with loggers for its temperatures."""
    logged = LoggedFeed(feed, logs, keeps_time=bench.source.keeps_time, starts=starts, wall=bench.clock.wall)

    def bind(session: Session) -> None:
        listening.bind(session)
        logged.begin(session.run.events[0].wall)

    return logged, bind


def _let_go(what: Feed | Instrument | Log) -> None:
    with contextlib.suppress(Exception):  # a plugin may raise anything, and must harm nobody
        what.close()


def _heard(source: Source, argument: str, counter_s: Callable[[], float]) -> Instrument:
    if source.listen is None:
        raise SourceError(
            f"{source.name} is no line to an instrument; for example: serial:PORT,PROFILE.toml, or logger:FILE"
        )
    with _opening(source):
        return source.listen(argument, counter_s)


@contextlib.contextmanager
def _opening(source: Source) -> Iterator[None]:
    try:
        yield
    except HoldzeroError:
        raise
    except (Exception, SystemExit) as error:
        raise SourceError(f"the source {source.name} could not be opened: {told(error)}") from error
