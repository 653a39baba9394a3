"""What keeps a text from being TOML, in words for its author: what to do about each thing that the parser says.

It knows the parser's messages and the line they point at; nothing of routines.
"""

from __future__ import annotations

__all__ = ["line_in", "mend_of"]

_QUOTE = "a text must stand in quotation marks"
_UNITE = "merge the two tables: each [name] stands once in a file, with all its keys below it"

# How the parser's message begins, and what to do.
_MENDS = (
    ("Cannot declare", _UNITE),
    ("Cannot redefine namespace", _UNITE),
    ("Cannot mutate immutable namespace", "it was written in one line above: put all of it there, or all of it here"),
    ("Cannot overwrite a value", "the name is used twice: keep one of the two lines, or merge the two tables"),
    ("Duplicate inline table key", "the key is there twice: keep one of the two"),
    ("Expected '=' after a key", "write key = value: a key has no blanks, and = stands behind it"),
    ("Expected ']", "close the name of the table with its square bracket, on the same line"),
    ("Illegal character", "close the text with a quotation mark, on the same line"),
    ("Unterminated string", "close the text with the quotation marks that it begins with"),
    ('Expected "\'"', "close the text with a quotation mark, on the same line"),
    ("Unclosed array", "close the list with ], and put a comma between its entries"),
    ("Unclosed inline table", "close the table with } on the same line, and put a comma between its keys"),
    ("Invalid initial character", "a table in { } stands on one line, without a comma behind its last key"),
    ("Unescaped", r"write \\ for a backslash, or put the text in single quotation marks"),
    ("Invalid date", "write a day as 2027-05-31"),
    ("Invalid statement", "write key = value, or [name] for a table; a comment begins with #"),
    ("Found invalid character", "take the invisible sign out"),
)


def line_in(message: str) -> int | None:
    """The line that a message of the parser points at."""
    _, found, rest = message.partition("at line ")
    digits = rest.split(",")[0].strip()
    return int(digits) if found and digits.isdigit() else None


def mend_of(message: str, text: str) -> str:
    r"""What to do about a text that is no TOML.

    >>> mend_of("Cannot overwrite a value (at line 2, column 6)", "x = 1\nx = 2")
    'the name is used twice: keep one of the two lines, or merge the two tables'
    >>> mend_of("Invalid value (at line 1, column 5)", "x = steel")
    'a text must stand in quotation marks'

    Args:
        message: of the parser.
        text: the whole of it.
    """
    for start, mend in _MENDS:
        if message.startswith(start):
            return mend
    return _of_value(_line(text, line_in(message)))


def _line(text: str, number: int | None) -> str:
    lines = text.split("\n")
    return lines[number - 1] if number is not None and number <= len(lines) else lines[-1]


def _of_value(line: str) -> str:
    """What to do about the value of a line that could not be read, or that has more behind it."""
    value = line.partition("=")[2].strip()
    if not value:
        return "write a value behind ="
    if value[0] in "\"'[{":
        return "one key a line: nothing but a comment (#) may stand behind a value"
    if value[0] in "“”„«‚‘":
        return 'write the plain quotation mark " in place of the typographic one'
    if value in ("True", "False"):
        return "write true or false in small letters"
    return _QUOTE
