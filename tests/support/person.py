"""A person at a terminal: a real pseudo-terminal, and somebody who waits for each prompt."""

from __future__ import annotations

import io
import os
import re
import signal
from pathlib import Path

from tests.support.patience import PATIENCE_S
from tests.support.starter import Starter


class Person:
    """A person at a real terminal: waits for each prompt before typing, and can pull the plug.

    Args:
        arguments: of `holdzero`.
        starter: begins it.
        folder: to be in.
        size: rows and columns of the terminal.
        env: on top of the environment.
    """

    MARKS = (
        r"(?:\? for help\)|Enter to compare|Enter to go on|s, (?:d, )?(?:z, )?(?:w, )?c or q|none\)|own words"
        r"|another|Note): $|measures\? $|leave it\) $|go on\) $"
    )

    def __init__(
        self,
        *arguments: str,
        starter: Starter,
        folder: Path,
        size: tuple[int, int] = (24, 80),
        env: dict[str, str] | None = None,
    ) -> None:
        import pty
        import termios

        from pexpect import EOF
        from pexpect.fdpexpect import fdspawn

        kept = {key: item for key, item in os.environ.items() if key not in ("COLUMNS", "LINES", "NO_COLOR")}
        ours, its = pty.openpty()
        termios.tcsetwinsize(its, size)
        self.tool = starter.begin(
            *arguments,
            folder=folder,
            streams=(its, its, its),
            env={**kept, "TERM": "xterm-256color", **(env or {})},
            terminal=True,
        )
        os.close(its)
        self.child = fdspawn(ours, encoding="utf-8", timeout=PATIENCE_S)
        self.child.delaybeforesend = None
        self._log = io.StringIO()
        self.child.logfile_read = self._log
        self.end_of_file = EOF

    @property
    def raw(self) -> str:
        """All that was sent to the terminal so far, with the terminal's own signs."""
        return self._log.getvalue()

    @property
    def screen(self) -> str:
        """All that was shown so far, without the terminal's own signs."""
        return re.sub(r"\x1b(?:\[[0-9;?]*[A-Za-z]|[78])", "", self._log.getvalue()).replace("\r\n", "\n")

    def say(self, line: str) -> None:
        """Type a line at once, with Enter."""
        self.child.sendline(line)

    def says_at_once(self, *lines: str, half: str = "") -> None:
        """Type lines faster than the first of them can be answered, and half a line more; no stall comes between."""
        self.child.send("".join(f"{line}\n" for line in lines) + half)

    def begin(self, text: str) -> None:
        """Type without Enter."""
        self.child.send(text)

    def interrupts(self) -> None:
        """Press Ctrl-C."""
        self.child.send("\x03")

    def hangs_up(self) -> None:
        """Press Ctrl-D: end of input."""
        self.child.send("\x04")

    def shows(self, pattern: str) -> None:
        """Wait until the screen shows something more."""
        self.child.expect(pattern)

    def prompted(self) -> str:
        """Wait for the next prompt; gives what was shown since the last one."""
        self.child.expect(self.MARKS)
        return re.sub(r"\x1b(?:\[[0-9;?]*[A-Za-z]|[78])", "", self.child.before + self.child.after)

    def types(self, *lines: str) -> str:
        """Type lines, each after its prompt came; gives what stood before the last one. One may hold several."""
        shown = ""
        for line in "\n".join(lines).split("\n") if lines else ():
            shown = self.prompted()
            self.child.sendline(line)
        return shown

    def ends(self) -> int:
        """Wait for the end; gives the exit code."""
        from pexpect import TIMEOUT

        try:
            self.child.expect(self.end_of_file)
        except TIMEOUT:
            raise AssertionError(f"it did not end; last on the screen: {self.screen[-2500:]}") from None
        self.child.close()
        return self.tool.wait(PATIENCE_S)

    def kill(self, sign: int = signal.SIGKILL) -> None:
        """Pull the plug: nothing can be tidied up."""
        self.tool.send_signal(sign)
        self.tool.wait(PATIENCE_S)
        self.child.close()

    def leaves(self) -> None:
        """Nothing is left of it."""
        self.kill()
