"""Where each key of a TOML text stands: the path of a key to the number of its line.

The text has been parsed already, so it is valid; this walk only remembers lines and knows nothing
of routines.
"""

from __future__ import annotations

from typing import TypeAlias

__all__ = ["KeyPath", "dotted", "lines_of_keys"]

KeyPath: TypeAlias = "tuple[str | int, ...]"

_BLANK = " \t"
_ESCAPES = {"b": "\b", "t": "\t", "n": "\n", "f": "\f", "r": "\r", '"': '"', "\\": "\\", "e": "\x1b"}


def dotted(path: KeyPath) -> str:
    """A path as messages show it, items counted from 1; `file` where it is the whole.

    >>> dotted(("steps", 2, "at"))
    'steps[3].at'
    """
    text = ""
    for part in path:
        if isinstance(part, int):
            text += f"[{part + 1}]"
        else:
            name = part if part and part.isprintable() else repr(part)
            text += f".{name}" if text else name
    return text or "file"


def lines_of_keys(text: str) -> dict[KeyPath, int]:
    r"""Lines of all keys, table headers and array items of a valid TOML text, counted from 1.

    >>> lines_of_keys('[a]\nb = [1,\n 2]')[("a", "b", 1)]
    3
    """
    return _Walk(text.replace("\r\n", "\n")).document()


class _Walk:
    def __init__(self, text: str) -> None:
        self.text = text
        self.at = 0
        self.line = 1
        self.lines: dict[KeyPath, int] = {}
        self.counts: dict[KeyPath, int] = {}

    def document(self) -> dict[KeyPath, int]:
        table: KeyPath = ()
        self.skip(newlines=True)
        while self.at < len(self.text):
            if self.text.startswith("[[", self.at):
                table = self.header(2)
            elif self.peek() == "[":
                table = self.header(1)
            else:
                self.pair(table)
            self.skip(newlines=True)
        return self.lines

    def peek(self) -> str:
        return self.text[self.at : self.at + 1]

    def step(self, count: int = 1) -> None:
        self.line += self.text.count("\n", self.at, self.at + count)
        self.at += count

    def skip(self, *, newlines: bool) -> None:
        blank = _BLANK + "\n" if newlines else _BLANK
        while self.at < len(self.text):
            if self.peek() == "#":
                end = self.text.find("\n", self.at)
                self.at = len(self.text) if end < 0 else end
            elif self.peek() in blank:
                self.step()
            else:
                return

    def header(self, brackets: int) -> KeyPath:
        line = self.line
        self.step(brackets)
        names = self.key()
        self.step(brackets)
        path: KeyPath = ()
        for name in names[:-1]:
            path = self.latest((*path, name))
            self.lines.setdefault(path, line)
        path = (*path, names[-1])
        self.lines.setdefault(path, line)
        if brackets == 2:  # noqa: PLR2004  [[ ]] opens one more table of an array
            self.counts[path] = self.counts.get(path, 0) + 1
            path = self.latest(path)
        self.lines.setdefault(path, line)
        return path

    def latest(self, path: KeyPath) -> KeyPath:
        count = self.counts.get(path)
        return path if count is None else (*path, count - 1)

    def key(self) -> list[str]:
        names: list[str] = []
        while True:
            self.skip(newlines=False)
            if self.peek() in ('"', "'"):
                names.append(self.string())
            else:
                start = self.at
                while self.peek() and self.peek() not in " \t.=]":
                    self.step()
                names.append(self.text[start : self.at])
            self.skip(newlines=False)
            if self.peek() != ".":
                return names
            self.step()

    def pair(self, table: KeyPath) -> None:
        path = table
        for name in self.key():
            path = (*path, name)
            self.lines.setdefault(path, self.line)
        self.step()  # the equals sign
        self.skip(newlines=False)
        self.value(path)

    def value(self, path: KeyPath) -> None:
        first = self.peek()
        if first in ('"', "'"):
            self.string()
        elif first == "[":
            self.array(path)
        elif first == "{":
            self.inline_table(path)
        else:
            while self.peek() and self.peek() not in ",]}#\n":
                self.step()

    def array(self, path: KeyPath) -> None:
        self.step()
        index = 0
        self.skip(newlines=True)
        while self.peek() and self.peek() != "]":
            self.lines[(*path, index)] = self.line
            self.value((*path, index))
            index += 1
            self.comma()
        self.step()

    def inline_table(self, path: KeyPath) -> None:
        self.step()
        self.skip(newlines=True)
        while self.peek() and self.peek() != "}":
            self.pair(path)
            self.comma()
        self.step()

    def comma(self) -> None:
        self.skip(newlines=True)
        if self.peek() == ",":
            self.step()
            self.skip(newlines=True)

    def string(self) -> str:
        quote = self.peek()
        if self.text.startswith(quote * 3, self.at):
            self.step(3)
            return self.until(quote * 3, escapes=quote == '"')
        self.step()
        return self.until(quote, escapes=quote == '"')

    def until(self, end: str, *, escapes: bool) -> str:
        read: list[str] = []
        while self.peek() and not self.text.startswith(end, self.at):
            if escapes and self.peek() == "\\":
                read.append(self.escape())
            else:
                read.append(self.peek())
                self.step()
        self.step(len(end))
        while len(end) > 1 and self.peek() == end[0]:  # """" ends with a quote of its own
            read.append(self.peek())
            self.step()
        return "".join(read)

    def escape(self) -> str:
        self.step()
        letter = self.peek()
        self.step()
        width = {"x": 2, "u": 4, "U": 8}.get(letter)
        if width is None:
            return _ESCAPES.get(letter, letter)
        digits = self.text[self.at : self.at + width]
        self.step(width)
        return chr(int(digits, 16))
