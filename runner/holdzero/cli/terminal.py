"""The terminal face: one instruction at a time, large and plain, for a person with busy hands."""

from __future__ import annotations

import datetime as dt
import time
from collections.abc import Callable, Sequence

from rich.console import Console
from rich.padding import Padding
from rich.text import Text

from holdzero import events as e
from holdzero.cli.board import board
from holdzero.cli.digits import large
from holdzero.cli.lines import Lines
from holdzero.cli.words import LEVELS, in_a_line, reading_label, readings_so_far
from holdzero.display import micro_text
from holdzero.errors import SourceExhaustedError
from holdzero.hooks import Act, Answer, Asks, Finding, Offer, Prompt
from holdzero.live import Meanwhile
from holdzero.plain_text import of_line
from holdzero.questions import questions_now
from holdzero.run import Run
from holdzero.run.answer import cuts_short
from holdzero.run.commands import (
    STRIKE_REASONS,
    Abandon,
    Acknowledge,
    AddNote,
    Again,
    Command,
    Look,
    Pause,
    RenewZero,
    Strike,
)
from holdzero.run.plan import SlotKind
from holdzero.run.prompt import again_text, back_text
from holdzero.run.state import State
from holdzero.wording import typed_length, typed_temperature

__all__ = ["Terminal"]

_HELP = """\
  Type the answer, then Enter. A reading: +1.5, -0,5 um, 20 uin, 3 div.
  Or one of these letters, then Enter:
    s  strike out an earlier reading, with a reason, and take it again (s 14: entry 14)
    n  write a note
    d  a preparing step was done again, such as wiping; or soak again
    z  give the zero up, as the dial was moved or it is not to be trusted
    p  pause
    w  look again at what the checks say, after a wait
    q  give the run up for good
    l  list all readings so far
    ?  this help
  To stop now and go on later: Ctrl-C. Every accepted reading is saved already."""
_LOOK_S = 0.04
_TICK_S = 0.1
_RECENT = 8
_WIDEST = 40


class Terminal:
    """Shows a run on a console and reads lines.

    Args:
        console: where to write.
        lines: where lines come from.
        now_s: the run's counter [s].
    """

    def __init__(self, console: Console, lines: Lines, now_s: Callable[[], float]) -> None:
        self.console = console
        self.lines = lines
        self.now_s = now_s
        self.pace: Callable[[], float] = lambda: 1.0
        self.run = Run()
        self._refused: tuple[Prompt, int] | None = None
        self._shown: tuple[Prompt, int] | None = None
        self._drawn_s = 0.0
        # Whether instruments are being looked at: what they say then stands on the board.
        self._looking = False

    # --- showing ------------------------------------------------------------------------------

    def show(self, run: Run, prompt: Prompt, findings: Sequence[Finding]) -> None:
        """Title, place in the routine, caution, instruction, readings, findings."""
        self.run = run
        self._drop_early()
        state, out = run.state, self.console
        if state.routine is None:
            return
        self._shown = (prompt, state.seq)
        if self._shown == self._refused:
            # The same once more: the reason stands above, and the rest is still on the screen.
            self._say(prompt.title.upper(), "bold")
            return
        header = state.routine.routine
        out.print()
        out.rule(style="dim")
        only = state.serials[0] if len(state.serials) == 1 else None
        serial = f"   serial {prompt.slot.serial or only}" if prompt.slot.serial or only else ""
        if state.simulated:
            self._say("SIMULATED READINGS: no part is measured", "bold reverse")
        out.print(of_line(f"{header.title}   {header.part} {header.revision}{serial}"), style="dim")
        rounds = f"   {prompt.slot.round_text}" if prompt.slot.round_text else ""
        following = f"   next: {prompt.following}" if prompt.following else ""
        out.print(f"Step {prompt.number} of {prompt.count}{rounds}{following}", style="dim")
        if not header.blind:
            self._readings(state, header.units)
        for finding in findings:
            self._finding(finding)
        if prompt.caution:
            out.print()
            self._say(f"CAUTION  {prompt.caution}", "bold yellow")
        out.print()
        self._say(prompt.title.upper(), "bold")
        self._say(prompt.say)
        out.print()

    def _say(self, text: str, style: str = "") -> None:
        """A paragraph, set in by two columns in every line."""
        self.console.print(Padding(Text(text, style=style), (0, 0, 0, 2), expand=False))

    def _readings(self, state: State, units: str) -> None:
        standing = [reading for reading in state.live if reading.seq not in state.gone]
        if standing:
            last = standing[-_RECENT:]
            told = "  ".join(f"{reading_label(r, state)} {micro_text(float(r.value_um), units)}" for r in last)
            more = "… " if len(standing) > _RECENT else ""
            self.console.print(Text(f"Read so far: {more}{told}", style="dim"))

    def _finding(self, finding: Finding) -> None:
        word, sign = LEVELS[finding.level]
        self.console.print(Text(f"{sign}{word}: {finding.text}", style="bold" if word != "note" else ""))
        if finding.offer is not None:
            self.console.print(Text(f"     {_key(finding.offer)}  {finding.offer.words}; or just go on"))

    def refused(self, reason: str) -> None:
        """Why an answer was not taken."""
        self.console.print()
        self._say(f"Not taken: {reason}.", "bold red")
        self._refused = self._shown

    def taken(self, run: Run, event: e.AnyEvent) -> None:
        """Echo a value large; say in words what else happened."""
        self.run = run
        units = run.state.routine.routine.units if run.state.routine else "mm"
        match event:
            case e.ReadingTaken() if run.state.routine is not None and run.state.routine.routine.blind:
                self._say("Taken.")
            case e.ReadingTaken(raw=raw):
                value_um = float(event.value_um)
                self._echo(micro_text(value_um, units), "" if event.line else typed_length(raw, value_um, units))
            case e.TemperatureRead(raw=raw):
                degC = float(event.value_degC)  # noqa: N806  the unit's own capital
                self._echo(f"{degC:.2f} °C", "" if event.line else typed_temperature(raw, degC))
            case e.SoakObserved() if not self._looking:
                value = f"{event.value:.2f} °C" if event.of else micro_text(event.value, units)
                self._say(f"Seen: {f'{event.of} ' if event.of else ''}{value}. The soak goes on.")
            case e.RunContinued():
                self.console.print()
                self._say(back_text(event, self.run.state), "bold")
            case _:
                text, style = _said_of(event)
                if text:
                    self._say(text, style)

    def _echo(self, text: str, typed: str) -> None:
        """A value large, and below it what was typed, where somebody typed."""
        number, _, unit = text.partition(" ")
        rows = large(number)
        rows[-1] += f"  {unit}"
        self.console.print()
        for row in rows:
            self.console.print(Text(f"    {row}"))
        if typed:
            self._say(f"  {typed}", "dim")

    def _drop_early(self) -> None:
        """Take nothing that was typed before it was asked, and say so."""
        lines = [line.strip() for line in self.lines.drop_early() if line.strip()]
        if lines:
            listed = ", ".join(repr(line[:_WIDEST]) for line in lines[:_RECENT])
            more = f" and {len(lines) - _RECENT} more" if len(lines) > _RECENT else ""
            self._say(f"Typed before it was asked, not taken: {listed}{more}.", "bold")

    # --- asking -------------------------------------------------------------------------------

    def ask(self, prompt: Prompt, meanwhile: Meanwhile) -> Answer | Command:
        """The inspector's answer, or what else was wanted, or what came by itself meanwhile."""
        while True:
            said = self._waited(prompt, meanwhile)
            if not isinstance(said, str):
                return said
            letter, _, rest = said.strip().lower().partition(" ")
            if not letter:
                accepted = meanwhile.accept(prompt)
                if accepted is not None:
                    return accepted
            elif letter in _LETTERS and (not rest or (letter == "s" and rest.strip().isdecimal())):
                command = self._letter(letter, rest.strip())
                if command is not None:
                    return command
            elif self._sure(said, prompt):
                return Answer(said)

    def _sure(self, said: str, prompt: Prompt) -> bool:
        """Whether an answer may stand: what ends a soak early only once more, knowing what is missing."""
        now = self.run.prompt or prompt
        if not cuts_short(said, now, self.run.state.comparator, self.now_s()):
            return True
        self._say(f"{now.missing(self.now_s())} What needs one temperature can then be undecided.", "bold")
        letter = self.line("  To end the soak all the same, type e (Enter alone: go on) ").strip().lower()
        return letter == "e"

    def _letter(self, letter: str, rest: str = "") -> Command | None:  # noqa: PLR0911  one arm a letter
        """The command of a letter; None where something was only shown, or the inspector thought better of it."""
        match letter:
            case "l":
                self._list()
            case "s":
                return self._strike(rest)
            case "w":
                return Look()
            case "p":
                return Pause()
            case "n":
                text = self.line("  Note: ").strip()
                return AddNote(text) if text else None
            case "d":
                return self._again()
            case "z" if not self.run.state.zeros:
                self._say("No zero was taken yet: there is none to give up.")
            case "z":
                reason = self._reason("  The zero is given up. Why? (Enter alone: leave it) ")
                return RenewZero(reason) if reason else None
            case "q":
                reason = self._reason("  Give the run up for good. Why? (Enter alone: go on) ")
                return Abandon(reason) if reason else None
            case _:
                self.console.print(_HELP)
        return None

    def _reason(self, words: str) -> str:
        """A reason in words; empty where the inspector thought better of it."""
        said = self.line(words).strip()
        if said and not any(letter.isalpha() for letter in said):
            self._say("Nothing was done: a reason in words is needed.")
            return ""
        return said

    def _list(self) -> None:
        state = self.run.state
        units = state.routine.routine.units if state.routine else "mm"
        for line in readings_so_far(state, units) or ["  nothing read so far"]:
            self.console.print(line)

    def _strike(self, named: str) -> Strike | None:
        """The entry that was named, or one of the list."""
        if not named:
            self._list()
        number = self._number_to_strike(named)
        if number is None:
            self._say("Nothing was struck out.")
            return None
        for index, reason in enumerate(STRIKE_REASONS, 1):
            self.console.print(f"    {index}  {reason}")
        said = self.line(f"  Why entry {number} is struck out, a number or your own words: ").strip()
        if said.isascii() and said.isdigit() and 1 <= int(said) <= len(STRIKE_REASONS):
            said = STRIKE_REASONS[int(said) - 1]
        if not any(letter.isalpha() for letter in said):
            self._say("Nothing was struck out: a reason is needed.")
            return None
        return Strike(number, said)

    def _number_to_strike(self, named: str) -> int | None:
        """Which entry; asked until it is one, so that no number that is meant here is taken for a reading."""
        state = self.run.state
        counting = {item.seq for item in state.entries if item.struck is None} - state.gone
        while True:
            said = named or self.line("  Number of the entry to strike out (Enter alone: none): ").strip()
            named = ""
            if not said:
                return None
            if said.isascii() and said.isdigit() and int(said) in counting:
                return int(said)
            self._say(f"There is no entry {said} that counts; one number, as it stands above.")

    def _again(self) -> Again | None:
        """Which of the preparing steps was done once more, or which soak is to be."""
        steps = self.run.state.repeatable
        if not steps:
            self._say("No preparing step was done so far.")
            return None
        for number, slot in enumerate(steps, 1):
            self.console.print(Text(f"    {number}  {in_a_line(again_text(slot))}"))
        said = self.line("  Number of what was done again, or is to be (Enter alone: none): ").strip()
        if not (said.isascii() and said.isdigit() and 1 <= int(said) <= len(steps)):
            self._say("Nothing was noted.")
            return None
        return Again(steps[int(said) - 1].id)

    def line(self, mark: str) -> str:
        """What is typed after `mark`."""
        self.console.print(mark, end="")
        try:
            return self.lines.line() or ""
        except EOFError:
            raise SourceExhaustedError("the keyboard was closed") from None

    def _waited(self, prompt: Prompt, meanwhile: Meanwhile) -> str | Answer | Command:
        """What is typed, or what came by itself.

        What changes stands on lines of its own, so that what is typed below them stays whole.
        """
        came = self._look(prompt, meanwhile)
        if came is not None:
            return came
        if prompt.asks is Asks.WAIT:
            left_s = max(0.0, prompt.until_s - self.now_s())
            end = dt.datetime.now().astimezone() + dt.timedelta(seconds=left_s / self.pace())
            self._say(f"Ends by itself at {end:%H:%M}. To end it early, type the reason, then Enter.")
        drawn = self._board(prompt, meanwhile)
        self._print_board(drawn, prompt)
        while came is None:
            try:
                text = self.lines.line(_LOOK_S)
            except EOFError:
                raise SourceExhaustedError("the keyboard was closed") from None
            if text is not None:
                return text
            came = self._look(prompt, meanwhile)
            drawn = self._renewed(drawn, prompt, meanwhile)
        if prompt.asks is not Asks.CONFIRM:
            self.console.bell()
        self.console.print()
        return came

    def _look(self, prompt: Prompt, meanwhile: Meanwhile) -> Answer | Command | None:
        self._looking = True
        try:
            return meanwhile.look(prompt)
        finally:
            self._looking = False

    def _renewed(self, drawn: list[str], prompt: Prompt, meanwhile: Meanwhile) -> list[str]:
        """The board as it is now, on the screen too if that can be written over."""
        now = time.monotonic()
        if not self._can_redraw or now - self._drawn_s < _TICK_S:
            return drawn
        self._drawn_s = now
        fresh = self._board(prompt, meanwhile)
        if len(fresh) == len(drawn):
            self._redraw(fresh, drawn)
        else:
            up = f"\x1b[{len(drawn)}A" if drawn else ""
            self.console.file.write(f"{up}\r\x1b[J")
            self._print_board(fresh, prompt)
        return fresh

    def _board(self, prompt: Prompt, meanwhile: Meanwhile) -> list[str]:
        routine = self.run.state.routine
        header = routine.routine if routine else None
        return board(
            prompt,
            meanwhile.glance,
            now_s=self.now_s(),
            units=header.units if header else "mm",
            width=self.console.width,
            blind=header is not None and header.blind,
        )

    def _print_board(self, lines: list[str], prompt: Prompt) -> None:
        for line in lines:
            self.console.print(Text(line))
        mark = "  (? for help): " if prompt.asks is Asks.WAIT else _mark(prompt)
        self.console.print(mark, end="")

    @property
    def _can_redraw(self) -> bool:
        return self.console.is_terminal and not self.console.is_dumb_terminal and not self.console.legacy_windows

    def _redraw(self, fresh: list[str], drawn: list[str]) -> None:
        """Write over the lines above that changed, and leave what is being typed as it is."""
        for up, (line, before) in enumerate(zip(reversed(fresh), reversed(drawn), strict=True), 1):
            if line != before:
                self.console.file.write(f"\x1b7\x1b[{up}A\r\x1b[2K{line}\x1b8")
        self.console.file.flush()

    def stopped(self, run: Run, finding: Finding) -> Command:
        """A finding that stops the result: strike out and read again, go on undecided, or give up."""
        self.run = run
        self._drop_early()
        self.console.bell()
        self.console.print()
        for told in (finding, *questions_now(run.state)):
            self._finding(told)
        again = "    d  a preparing step was done again just now; or soak again\n" if run.state.repeatable else ""
        anew = "    z  give the zero up: set it anew, and read again what hangs on it\n" if run.state.zeros else ""
        mends = finding.offer is not None and finding.offer.act is Act.LOOK
        wait = "    w  wait, and look again: time can mend it\n" if mends else ""
        while True:
            self.console.print(
                "    s  strike out a reading and take it again\n"
                f"{again}{anew}{wait}"
                "    c  carry on; the result will be undecided if this stands\n"
                "    q  give the run up for good"
            )
            letters = ", ".join(("s", *("d" if again else ""), *("z" if anew else ""), *("w" if wait else ""), "c"))
            letter, _, rest = self.line(f"  {letters} or q: ").strip().lower().partition(" ")
            if letter == "c":
                return Acknowledge(finding.code)
            command = self._letter(letter, rest.strip()) if letter in _LETTERS else None
            if command is not None:
                return command

    def paused(self, run: Run) -> None:
        """Wait until the inspector is back."""
        self.run = run
        self._drop_early()
        self.console.print()
        self._say(f"PAUSED at {run.state.wall[11:16]}. Every reading is saved.", "bold")
        self.line("  Enter to go on: ")

    def overrule(self, reason: str) -> str | None:
        """A reason to use an unfit device all the same."""
        self._say(f"{reason}.", "bold")
        said = self.line("  To use it all the same, type the reason; Enter alone to name another: ").strip()
        return said or None


def _key(offer: Offer) -> str:
    """What is typed for it; an instrument's wait needs no key."""
    match offer.act:
        case Act.STRIKE:
            # One letter strikes one entry out: each has its own.
            return ", ".join(f"s {number}" for number in offer.entries)
        case Act.PREPARE | Act.SOAK:
            return "d"
        case Act.ANEW:
            return "z"
        case Act.LOOK:
            return "w"


def _said_of(event: e.AnyEvent) -> tuple[str, str]:  # noqa: C901, PLR0911  one arm an event
    """What happened, in words, and their style; nothing for what stands on the board anyway."""
    match event:
        case e.AnswerGiven():
            return event.raw.strip(), "bold"
        case e.LineUnused():
            return f"Not used: {event.line!r}; {event.why}.", ""
        case e.LineLost():
            return f"The line to the {event.of} is out: {event.why}. All is saved.", "bold"
        case e.LineBack():
            return f"The line to the {event.of} is back.", "bold"
        case e.PreparedAgain():
            return "Done again; the time is on record.", ""
        case e.SoakBegunAgain():
            return "The soak begins again. What was read before it stays: strike it out to read it again.", ""
        case e.AnswerStruck():
            return f"Entry {event.target} is struck out: {event.reason}. Take it again when asked.", ""
        case e.NoteAdded():
            return "Noted.", ""
        case e.ZeroRenewed():
            return "The zero counts no more. Set a fresh one before you go on.", "bold"
        case e.EntryChosen():
            return f"{event.role}: {event.entry.get('id', '')} {event.entry.get('name', '')}", "bold"
        case _:
            return "", ""


_LETTERS = frozenset({"?", "s", "n", "d", "z", "p", "w", "q", "l"})


def _mark(prompt: Prompt) -> str:
    if prompt.asks is Asks.CONFIRM:
        return (
            "  Enter when done (? for help): " if prompt.slot.kind is not SlotKind.COMPARE else "  Enter to compare: "
        )
    unit = {"degC": "°C", "um": "µm", "uin": "µin"}.get(prompt.unit, prompt.unit)
    last = f" (last typed in {prompt.typed_in})" if prompt.typed_in else ""
    return f"  [{unit}]{last} (? for help): " if unit else "  (? for help): "
