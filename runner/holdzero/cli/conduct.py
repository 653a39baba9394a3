"""`run` and `resume`: from options to a conducted run, its records and its exit code."""

from __future__ import annotations

import datetime as dt
import shlex
from collections.abc import Callable, Iterator
from dataclasses import replace
from pathlib import Path
from typing import Literal

from rich.text import Text

from holdzero import __version__
from holdzero import events as e
from holdzero.catalogue import Catalogue
from holdzero.checks import Checks, bind
from holdzero.cli.cut import end_known
from holdzero.cli.faces import Asking
from holdzero.cli.files import fresh_journal, safe_name
from holdzero.cli.house import open_shop
from holdzero.cli.opening import Bench, Options, bench_of, opened, sat_at
from holdzero.cli.output import print_json, records_alone, tell
from holdzero.cli.released import released
from holdzero.cli.who import kept_serials, plain_options, told_apart, who
from holdzero.errors import (
    EventRefusedError,
    FileFaultsError,
    HoldzeroError,
    JournalError,
    SourceError,
    SourceExhaustedError,
)
from holdzero.expansion import kinds_of
from holdzero.hooks import Feed
from holdzero.journal import Journal, read_journal
from holdzero.quantity import Dimension, parse_quantity
from holdzero.register import unfit
from holdzero.routine.approval import NOT_APPROVED
from holdzero.routine.load import LoadedRoutine, load_routine, routine_from_document
from holdzero.run import Run
from holdzero.run.absence import apart, wall_span_s
from holdzero.run.begin import device_and_requirement
from holdzero.run.state import Phase
from holdzero.session import Face, Session

__all__ = ["Options", "resume_run", "run_routine"]

EXIT_CODES = {"pass": 0, "reported": 0, "fail": 1, "undecided": 3}
_WORST_FIRST = ("fail", "undecided", "pass", "reported")
_INVALID, _INTERRUPTED = 2, 4


def run_routine(
    path: Path, options: Options, *, operator: str | None, serials: tuple[str, ...], member: str | None
) -> int:
    """Conduct a new run; gives the exit code."""
    return _unbroken(lambda own: _run(path, own, operator=operator, serials=serials, member=member), options)


def resume_run(path: Path, options: Options, *, routine: Path | None) -> int:
    """Go on with a run; gives the exit code."""
    return _unbroken(lambda own: _resume(path, own, routine=routine), options)


def _unbroken(work: Callable[[Options], int], options: Options) -> int:
    """The exit code of `work`; whatever ends it from outside is no verdict, and not 0 or 1."""
    try:
        with records_alone(when=options.json) as records:
            return work(replace(options, records=records))
    except KeyboardInterrupt as error:
        reason = str(error) or "stopped by the keyboard"
    except SourceExhaustedError as error:
        reason = str(error)
    except SystemExit as error:
        raise HoldzeroError(f"something tried to end the tool with {error.code!r}; a plugin must not") from None
    tell(f"\nholdzero: {reason}\n    all that was accepted is in the journal, if there is one: holdzero resume JOURNAL")
    return _INTERRUPTED


def _run(path: Path, options: Options, *, operator: str | None, serials: tuple[str, ...], member: str | None) -> int:
    plain_options(operator=operator, overrule=options.overrule)
    serials = kept_serials(serials)
    shop = open_shop(options.shop, lazily=True, catalogue=options.catalogue)
    loaded = load_routine(path, member, kinds_of(shop.catalogue))
    checks, faults = bind(loaded.routine, shop.catalogue, loaded.origins, shop.patience)
    if faults:
        raise FileFaultsError(faults)
    state = released(path, loaded, shop, trial=options.trial)
    bench = bench_of(options, shop)
    if state == "none" and not options.trial and not bench.source.simulated:
        bench.console.print(Text(f"{NOT_APPROVED}.", style="bold reverse"))
    face, ask = sat_at(bench, options)
    with opened(bench, ask) as (feed, bind_run):
        if bench.source.interactive:
            operator, serials = who(ask.text, operator, serials, batch=loaded.routine.takes_batches)
        if options.face is None:  # a page has asked before
            told_apart(serials, ask.text if bench.source.interactive else None)
        started = _started(
            bench,
            loaded,
            path,
            operator=operator,
            serials=serials,
            member=member,
            overruled=_overruled(loaded, options, bench, face),
            options=options,
        )
        run = Run().take(started)
        with fresh_journal(options.out, safe_name(_stamp(started.wall), loaded.routine.routine.part)) as journal:
            journal.append(started)
            session = _session(run, journal, checks=checks, feed=feed, face=face, bench=bench, options=options)
            bind_run(session)
            return _conducted(session, bench, options, ask)


def _resume(path: Path, options: Options, *, routine: Path | None) -> int:
    plain_options(overrule=options.overrule)
    shop = open_shop(options.shop, lazily=True, catalogue=options.catalogue)
    before = read_journal(path)
    run = _folded(path, before.events)
    if run.state.routine is None or not isinstance(before.events[0], e.RunStarted):
        raise JournalError(path, "it does not begin with the start of a run", "start a new run")
    started = before.events[0]
    if routine is not None:
        loaded = load_routine(routine, started.member, kinds_of(shop.catalogue))
        if loaded.digest != started.routine_digest:
            found = f"it is of another routine or another text of it ({started.routine_file})"
            raise JournalError(path, found, f"go on without --routine, or start a new run of {routine}")
    bench = bench_of(options, shop)
    checks, _ = bind(run.state.routine, shop.catalogue, patience=shop.patience)
    if run.state.phase in (Phase.FINISHED, Phase.ABANDONED):
        bench.console.print("This run is finished: nothing is asked. Its record is made again from the journal.")
        return _ended(run, bench, options)
    face, ask = sat_at(bench, options)
    with opened(bench, ask) as (feed, bind_run):
        journal, text = Journal.reopen(path)
        # Read before the journal goes on, and its mark with it.
        begins = safe_name(_stamp(started.wall), run.state.routine.routine.part)
        end, missing = end_known(path, text, begins, options.out, bench.keeper)
        with journal:
            away_s = 0.0 if bench.source.keeps_time else _away_s(text.events[-1].wall, bench.clock.wall())
            session = _session(
                Run.of(text.events), journal, checks=checks, feed=feed, face=face, bench=bench, options=options
            )
            session.started_at_s -= run.state.now_s + (away_s or 0.0)
            bind_run(session)
            if text.torn:
                bench.console.print("The last line of the journal was torn and is dropped; nothing accepted was in it.")
            ask.clock(session.now_s, bench.pace)
            event = session.take(
                e.RunContinued,
                away_s=away_s,
                source=bench.source_text,
                simulated=bench.source.simulated,
                paced=_paced(bench),
                journal=end.value,
                missing=missing,
            )
            face.taken(session.run, event)
            return _conducted(session, bench, options, ask)


def _session(
    run: Run, journal: Journal, *, checks: Checks, feed: Feed, face: Face, bench: Bench, options: Options
) -> Session:
    """The run as it is conducted, its counter at zero now."""
    return Session(
        run=run,
        journal=journal,
        checks=checks,
        source=bench.source,
        feed=feed,
        face=face,
        clock=bench.clock,
        register=bench.shop.register,
        choices=options.choices,
        overrule=options.overrule,
        started_at_s=bench.clock.counter_s(),
        known=bench.keeper.known if bench.keeper is not None else None,
    )


def _folded(path: Path, events: tuple[e.AnyEvent, ...]) -> Run:
    try:
        return Run.of(events)
    except HoldzeroError as error:
        raise JournalError(path, f"its entries make no run: {error}", "start a new run; keep the file") from None


def _away_s(then: str, now: str) -> float | None:
    """Seconds between two wall times [s]; None where nobody knows, as the clock was set back."""
    span_s = wall_span_s(then, now)
    return None if span_s < 0.0 and apart(0.0, span_s) else max(0.0, span_s)


def _paced(bench: Bench) -> bool:
    """Whether the run's counter goes with the wall clock: not where a source keeps the time, or hurries it."""
    return not bench.source.keeps_time and bench.practice is None


# Below 10 000 trials the ends of a 95 % interval are not worth two digits (JCGM 101:2008, 7.2.1).
_FEWEST_TRIALS, _MOST_TRIALS = 1_000, 1_000_000_000


def trials_of(text: str | None) -> int | Literal["adaptive"] | None:
    """How many Monte Carlo trials an option asks for.

    Raises:
        HoldzeroError: it is neither a number nor `adaptive`.
    """
    if text is None or text == "adaptive":
        return "adaptive" if text else None
    number = int(text) if text.isascii() and text.isdigit() else 0
    if not _FEWEST_TRIALS <= number <= _MOST_TRIALS:
        expected = f"a number from {_FEWEST_TRIALS} to {_MOST_TRIALS}, or adaptive"
        raise HoldzeroError(f"--trials {text}: write {expected}")
    return number


def _started(
    bench: Bench,
    loaded: LoadedRoutine,
    path: Path,
    *,
    operator: str | None,
    serials: tuple[str, ...],
    member: str | None,
    overruled: dict[str, str],
    options: Options,
) -> e.RunStarted:
    return e.RunStarted(
        seq=1,
        wall=bench.clock.wall(),
        time_s=0.0,
        software=__version__,
        routine=loaded.document,
        routine_digest=loaded.digest,
        routine_file=path.name,
        member=member,
        operator=operator,
        serials=serials or (None,),
        source=bench.source_text,
        simulated=bench.source.simulated,
        overruled=overruled,
        trials=trials_of(options.trials),
        seed=options.seed,
        trial=options.trial,
        text_digest=loaded.text_digest,
        aliases=_aliases_um(bench.catalogue),
        paced=_paced(bench),
    )


def _aliases_um(catalogue: Catalogue) -> dict[str, float]:
    """What one of each further unit of readings is worth [um]."""
    units = sorted(catalogue.units.items())
    return {name: parse_quantity(unit.worth, Dimension.LENGTH).value for name, (_, unit) in units}


def _overruled(loaded: LoadedRoutine, options: Options, bench: Bench, face: Face) -> dict[str, str]:
    """Reasons for devices that the routine states whole and that must not be used today."""
    today = dt.datetime.now().astimezone().date()
    reasons: dict[str, str] = {}
    for role in ("reference", "comparator", "thermometer"):
        device, required = device_and_requirement(loaded.routine, role)
        if device is None or required is not None:
            continue
        why = "; ".join(unfit(device, None, today))
        if not why:
            continue
        name = device.id or device.name
        said = options.overrule or (face.overrule(f"{role} {name}: {why}") if bench.source.interactive else None)
        if said is None:
            raise EventRefusedError(f'{role} {name}: {why}\n    use another, or give a reason: --overrule "…"')
        reasons[role] = said
    return reasons


def _stamp(wall: str) -> str:
    moment = dt.datetime.fromisoformat(wall).astimezone(dt.UTC)
    return moment.strftime("%Y%m%dT%H%M%SZ")


def _conducted(session: Session, bench: Bench, options: Options, ask: Asking) -> int:
    ask.clock(session.now_s, bench.pace)
    try:
        session.conduct()
        # What is on disk, folded anew with a routine that nobody was handed: a result comes of nothing else.
        run = Run.of(read_journal(session.journal.path).events)
    except SourceExhaustedError as error:
        return _interrupted(session, str(error), bench, options)
    except KeyboardInterrupt as error:
        return _interrupted(session, str(error) or "stopped by the keyboard", bench, options)
    except SourceError as error:
        _interrupted(session, str(error), bench, options)
        return _INVALID
    except JournalError as error:
        tell(f"holdzero: {error}")
        return _INTERRUPTED
    try:
        return _ended(run, bench, options)
    except (ImportError, OSError, MemoryError) as error:
        # What was measured is no fault of the input: it can be written once the machine is well.
        return _interrupted(session, f"the record could not be made: {error}", bench, options)


def _ended(run: Run, bench: Bench, options: Options) -> int:
    """Say what came of a run; only then is the book waited for, which somebody may hold."""
    code = _recorded(run, bench, options)
    told = bench.debrief() if bench.debrief is not None else ()
    if told:
        bench.console.print()
    for sentence in told:
        bench.console.print(sentence)
    if options.debriefed is not None:
        options.debriefed(told)
    if options.decided is not None:
        options.decided(code)
    if bench.keeper is not None:
        said, problems = bench.keeper.send()
        for sentence in said:
            bench.console.print(sentence, soft_wrap=True)  # it may name a long path
        for problem in problems:
            tell(f"holdzero: {problem}")
    return code


def _interrupted(session: Session, reason: str, bench: Bench, options: Options) -> int:
    tell(f"\nholdzero: {reason}\n    all that was accepted is saved; to go on:")
    tell(f"    holdzero resume {shlex.join((str(session.journal.path), *_same_bench(session, bench, options)))}")
    return _INTERRUPTED


def _same_bench(session: Session, bench: Bench, options: Options) -> Iterator[str]:
    """The options without which a run would go on at another bench than it began at."""
    # The answers of a file were taken already, or are those that did not do.
    if bench.source.interactive and options.source != "keyboard":
        yield from ("--source", options.source)
    for line in options.thermometers:
        yield from ("--thermometers", line)
    for name, said in (("--shop", options.shop), ("--book", options.book)):
        if said is not None:
            yield from (name, str(said))
    if options.out != session.journal.path.parent:
        yield from ("--out", str(options.out))
    if options.json:
        yield "--json"


def _reads_in(run: Run, unit: str) -> bool:
    """Whether a reading was given in a unit."""
    return any(reading.raw.strip().endswith(unit) for reading in run.state.readings)


def _recorded(run: Run, bench: Bench, options: Options) -> int:
    """Write the records of a run, and say what came of each that is kept."""
    from holdzero.cli.rewritten import write_record
    from holdzero.cli.summary import print_written
    from holdzero.record import make_record
    from holdzero.software import software_of

    started = run.events[0]
    if not isinstance(started, e.RunStarted):
        raise JournalError("the run", "it does not begin with its start", "start a new run")
    # Writers are loaded only now: nobody waits for them at the start.
    catalogue = bench.catalogue
    catalogue.want_all()
    checks, _ = bind(routine_from_document(started.routine), catalogue, patience=bench.shop.patience)
    named = (one.partition(":")[0] for source in run.state.sources for one in source.split(" + "))
    sources = (catalogue.sources.get(name) for name in dict.fromkeys(named))
    units = (plugin for name, (plugin, _) in catalogue.units.items() if _reads_in(run, name))
    software = software_of((*checks.plugins, *(item[0] for item in sources if item is not None), *units))
    verdicts: list[str] = []
    failed = False
    for serial in started.serials:
        made = make_record(run, serial, checks, software)
        name = safe_name(_stamp(started.wall), made["routine"]["part"], serial or "")
        written = write_record(options.out, name, made, catalogue)
        record, files = written.record, written.files
        if bench.keeper is not None and files:
            # Earlier writings first: the one that comes last into the book counts.
            for path, text in (*written.earlier, (files[0], written.text)):
                bench.keeper.waits(path, text)
        if files:  # a verdict that nobody can look up is none
            verdicts.append(record["verdict"])
            print_written(bench.console, written)
            if options.seen is not None:
                options.seen(record, files)
        for problem in written.problems:
            tell(f"holdzero: {problem}")
        failed = failed or not files
        if files and options.json:
            failed = not print_json(record, options.records) or failed
    if failed:
        return _INTERRUPTED
    return EXIT_CODES[next(verdict for verdict in _WORST_FIRST if verdict in verdicts)]
