"""The bench page at work: choose, conduct, show the end, and again; the run in this thread, the server in another."""

from __future__ import annotations

import contextlib
import io
import os
import signal
import socket
import sys
import threading
import time
from collections import deque
from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass, field, replace
from functools import partial
from pathlib import Path
from types import FrameType
from typing import TYPE_CHECKING, Any

from rich.console import Console

from holdzero.cli.conduct import Options, resume_run, run_routine
from holdzero.cli.faces import KEYBOARD, Asking
from holdzero.cli.house import Shop, open_shop
from holdzero.cli.opening import PRACTICE_NAME
from holdzero.cli.output import tell
from holdzero.cli.serving import bound, needed, serving
from holdzero.errors import HoldzeroError, SourceExhaustedError
from holdzero.expansion import kinds_of
from holdzero.hooks import Source
from holdzero.page.desk import Desk
from holdzero.page.offers import Offers
from holdzero.page.open_runs import OpenRuns, RoutinesHere, run_of
from holdzero.page.pen import Pen
from holdzero.page.posts import Resume, Start
from holdzero.page.snapshot import Entry, Stage
from holdzero.run.state import Phase
from holdzero.session import Face

if TYPE_CHECKING:
    from holdzero.page.guard import Keys

__all__ = ["Signals", "Work", "greeting_of", "rounds", "serve_bench"]

_ENDED, _INTERRUPTED = 0, 4
_LINES = 50


def serve_bench(path: Path, options: Options, *, member: str | None, listen: str, port: int | None) -> int:
    """Serve the page until somebody ends it; gives the exit code.

    Args:
        path: a routine, or a folder of routines.
        options: of all runs.
        member: of the part family; None for any.
        listen: the address.
        port: None for the first free one.

    Raises:
        HoldzeroError: it can't be served there, or with these options.
    """
    needed()
    from holdzero.page.app import bench_app
    from holdzero.page.guard import Guard, is_loopback

    if not path.exists():
        raise HoldzeroError(f"{path}: there is no such file or folder\n    name a routine, or a folder of routines")
    shop = open_shop(options.shop, lazily=True, catalogue=options.catalogue)
    _answered_by_a_person(options.source, shop)
    pen = Pen()
    work = Work(options, RoutinesHere(path, kinds_of(shop.catalogue)), OpenRuns(options.out), member, shop)
    desk = Desk(
        pen,
        time.monotonic,
        source=options.source,
        trial=options.trial,
        devices=work.devices,
        greeting=greeting_of(options.source),
    )
    with bound(listen, port) as place, _ended_by_signals() as signals:
        number = place.getsockname()[1]
        address = _address(listen, number)
        network = not is_loopback(listen)
        keys = _keys(address, number, network=network)
        guard = Guard(port=number, names=_names(listen), keys=keys, network=network)
        app, hub = bench_app(desk, pen, guard, options.out, _faulty)
        with serving(app, place, desk.close):
            _greet(address, keys.link, network=network)
            try:
                return rounds(desk, work, signals)
            finally:
                hub.close()


@dataclass(slots=True)
class Signals:
    """Whether somebody ended the program."""

    came: bool = False


@dataclass
class Work:
    """What the page begins, and what came of it.

    Attributes:
        records: of the last run.
        files: names of what it wrote.
        debrief: what was true and hidden, at a virtual bench.
    """

    options: Options
    routines: RoutinesHere
    open_runs: OpenRuns
    member: str | None
    shop: Shop
    records: list[Mapping[str, Any]] = field(default_factory=list)
    files: list[str] = field(default_factory=list)
    debrief: list[str] = field(default_factory=list)
    _last: str = ""

    def offers(self) -> Offers:
        """What can be begun now."""
        routines = self.routines()
        if self.member is not None:
            own = (self.member,)
            routines = tuple(replace(item, members=own) if self.member in item.members else item for item in routines)
        first = self._last or (routines[0].name if len(routines) == 1 else "")
        return Offers(routines, self.open_runs(), first)

    def devices(self, role: str) -> tuple[Entry, ...]:
        """What the register has for a role."""
        entries: Mapping[str, Any] = getattr(self.shop.register, role, {})
        return tuple(Entry(identifier, str(entry.name)) for identifier, entry in entries.items())

    def begin(self, chosen: Start | Resume, desk: Desk, said: Callable[[], tuple[str, ...]]) -> int:
        """Conduct what was chosen; gives the exit code.

        Args:
            chosen: what to conduct.
            desk: shows it.
            said: gives what was told meanwhile, so far.
        """
        self.records, self.files, self.debrief = [], [], []
        # Whoever adds a device does not start the server again.
        self.shop = open_shop(self.options.shop, lazily=True, catalogue=self.options.catalogue)

        def face(source: Source, console: Console) -> tuple[Face, Asking]:
            del console
            return desk.sits_at(source), desk

        def decided(code: int) -> None:
            desk.decided(code, self.records, self.files, said(), self.debrief)

        options = replace(self.options, face=face, seen=self._seen, debriefed=self.debrief.extend, decided=decided)
        if isinstance(chosen, Start):
            self._last = chosen.routine
            path = self.routines.file(chosen.routine)
            return run_routine(path, options, operator=chosen.operator, serials=chosen.serials, member=chosen.member)
        path = self.open_runs.folder / chosen.journal
        run = run_of(path)
        if run.state.phase in (Phase.FINISHED, Phase.ABANDONED):
            desk.recall(run)
        return resume_run(path, options, routine=None)

    def _seen(self, record: Mapping[str, Any], files: Sequence[Path]) -> None:
        self.records.append(record)
        self.files.extend(file.name for file in files)


class _Overheard(io.TextIOBase):
    """Standard error that is also kept, its last lines, for the page."""

    def __init__(self, through: Any) -> None:
        self._through = through
        self._lines: deque[str] = deque(maxlen=_LINES)

    def write(self, text: str) -> int:
        """Pass on and keep."""
        self._lines.extend(text.splitlines())
        return int(self._through.write(text))

    def flush(self) -> None:
        """Pass on."""
        self._through.flush()

    @property
    def said(self) -> tuple[str, ...]:
        """What was said, without the name of the tool."""
        return tuple(line.removeprefix("holdzero: ").strip() for line in self._lines if line.strip())


def rounds(desk: Desk, work: Work, signals: Signals) -> int:
    """One run after the other, until somebody ends it."""
    ended = ""
    try:
        while True:
            chosen = desk.choose(work.offers, ended)
            ended = ""
            code, said = _conducted(partial(work.begin, chosen, desk))
            if signals.came:
                tell("    or start holdzero bench again: the page offers it")
                return _INTERRUPTED
            if code is None and desk.snapshot.run is None:
                ended = "\n".join(said)
                continue
            desk.end(code, work.records, work.files, said, work.debrief)
    except (KeyboardInterrupt, SourceExhaustedError):
        return _INTERRUPTED if desk.snapshot.stage is Stage.INTERRUPTED else _ENDED


def _conducted(begin: Callable[[Callable[[], tuple[str, ...]]], int]) -> tuple[int | None, tuple[str, ...]]:
    """The exit code of a run, None where an error ended it, and what was told meanwhile."""
    ear = _Overheard(sys.stderr)
    code = None
    with contextlib.redirect_stderr(ear):
        try:
            code = begin(lambda: ear.said)
        except HoldzeroError as error:
            tell(f"holdzero: {error}")
        except Exception as error:
            if os.environ.get("HOLDZERO_TRACE"):
                raise
            tell(f"holdzero: a fault of the tool itself: {type(error).__name__}: {error}")
            tell("    nothing that was accepted is lost; set HOLDZERO_TRACE=1 to see where it happened")
    return code, ear.said


@contextlib.contextmanager
def _ended_by_signals() -> Iterator[Signals]:
    """Let Ctrl-C, a closed terminal and a polite kill all end the run in the same way: as the keyboard does."""
    signals = Signals()

    def came(number: int, frame: FrameType | None) -> None:
        del number, frame
        signals.came = True
        raise KeyboardInterrupt

    names = ("SIGINT", "SIGTERM", "SIGHUP")
    numbers = [getattr(signal, name) for name in names if hasattr(signal, name)]
    own = threading.current_thread() is threading.main_thread()
    # What is ignored from the start (nohup, a job in the background) stays so.
    heard = [number for number in numbers if own and signal.getsignal(number) is not signal.SIG_IGN]
    before = [(number, signal.signal(number, came)) for number in heard]
    try:
        yield signals
    finally:
        for number, handler in before:
            signal.signal(number, handler)


def _answered_by_a_person(said: str, shop: Shop) -> None:
    """Refuse a source that nobody sits at, before anybody opens a page.

    Raises:
        HoldzeroError: it brings all answers by itself, or there is none of that name.
    """
    name = said.partition(":")[0]
    if name in (KEYBOARD.name, PRACTICE_NAME):
        return
    shop.catalogue.want(name)
    found = shop.catalogue.sources.get(name)
    if found is None:
        shop.catalogue.want_all()
        known = ", ".join((KEYBOARD.name, PRACTICE_NAME, *shop.catalogue.sources))
        raise HoldzeroError(f"--source {said}: no such source is loaded; there are: {known}")
    if not found[1].interactive:
        raise HoldzeroError(
            f"--source {said}: it brings all answers, and nobody is asked\n    use it with: holdzero run"
        )


def greeting_of(said: str) -> tuple[str, ...]:
    """What a person at a practice bench has to know; nothing for any other source."""
    name, _, argument = said.partition(":")
    if name != PRACTICE_NAME:
        return ()
    from holdzero.rehearse.practice import greeting
    from holdzero.rehearse.scenario import load_scenario

    scenario = load_scenario(Path(argument)).scenario if argument else None
    part = scenario.written_for if scenario is not None else ""
    # Which routine it will be is not known yet.
    fits = (f"Written for part {part}: with another, its words may not fit.",) if part else ()
    return (*greeting(scenario), *fits, _ON_THE_PAGE)


_ON_THE_PAGE = "The buttons: Prepared again, Strike out, Give the zero up, Pause."


def _address(listen: str, port: int) -> str:
    """What to open in a browser."""
    host = _reachable() if listen in ("0.0.0.0", "::") else listen  # noqa: S104  compared, not bound
    return f"http://[{host}]:{port}/" if ":" in host else f"http://{host}:{port}/"


def _reachable() -> str:
    """The address by which others on the network reach this machine; its name where there is none.

    A tablet seldom knows the names of a shop's machines.
    """
    with contextlib.suppress(OSError), socket.socket(socket.AF_INET, socket.SOCK_DGRAM) as asked:
        # Nothing is sent: the system only says by which address it would (the far end: RFC 5737, for documentation).
        asked.connect(("192.0.2.1", 9))
        return str(asked.getsockname()[0])
    return socket.gethostname()


def _names(listen: str) -> frozenset[str]:
    """Names that this machine goes by, besides its addresses."""
    own = socket.gethostname().lower()
    return frozenset({"localhost", listen.lower(), own, f"{own}.local"})


def _keys(address: str, port: int, *, network: bool) -> Keys:
    """Links for this start; who was let in on this machine before comes in again."""
    from holdzero.cli.visitors import Visitors
    from holdzero.page.guard import Keys

    def used(key: str) -> None:
        _say(f"The link was used. The next: {address}?key={key}")

    # Over a network a cookie can be read on its way: it is worth no more than one start.
    if network:
        return Keys(used)
    visitors = Visitors(port)

    def given(digests: Sequence[str]) -> None:
        if not visitors.keep(digests):
            _say("Who was let in can't be kept in your own folder: after a start of the server a new link is needed.")

    return Keys(used, visitors.read(), given)


def _greet(address: str, key: str, *, network: bool) -> None:
    _say(f"Bench page, this link works once: {address}?key={key}")
    if network:
        _say("Whoever is on this network can read along: the page is not encrypted.")
    _say("Ctrl-C ends it. All that was accepted is in the journal: start it again to go on.")


def _say(text: str) -> None:
    with contextlib.suppress(OSError, ValueError):
        sys.stdout.write(text + "\n")
        sys.stdout.flush()


def _faulty(error: Exception) -> None:
    if os.environ.get("HOLDZERO_TRACE"):
        import traceback

        traceback.print_exception(error)
    tell(f"holdzero: a fault of the bench page: {type(error).__name__}: {error}\n    the run goes on")
