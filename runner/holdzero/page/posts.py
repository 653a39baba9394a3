"""What a page can ask for: plain data into requests, or into the reason why it is none. It knows no run."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass
from typing import Any, TypeAlias, TypeGuard

from holdzero.plain_text import unplain
from holdzero.run.commands import Abandon, Acknowledge, AddNote, Again, Look, Pause, RenewZero, Strike

__all__ = [
    "Accept",
    "Done",
    "GoOn",
    "Overrule",
    "Post",
    "PostRefusedError",
    "Request",
    "Resume",
    "Start",
    "TakePen",
    "Typed",
    "is_page",
    "read_post",
]

_LONGEST = 2_000  # signs of one text; a note is a few lines
_MOST_SERIALS = 500
_LARGEST = 2**53 - 1  # the largest whole number that JSON keeps exactly (RFC 8259, clause 6)
_PAGE_SIGNS = frozenset("abcdefghijklmnopqrstuvwxyzABCDEFGHIJKLMNOPQRSTUVWXYZ0123456789-_")
_SHORTEST_PAGE, _LONGEST_PAGE = 16, 64


class PostRefusedError(Exception):
    """The data are no request; the text says why."""


@dataclass(frozen=True, slots=True)
class Typed:
    """An answer as typed; empty where a button confirms. `sure` where it may end a soak early."""

    text: str
    sure: bool = False


@dataclass(frozen=True, slots=True)
class Accept:
    """The pedal, or a bare key."""


@dataclass(frozen=True, slots=True)
class GoOn:
    """The inspector is back."""


@dataclass(frozen=True, slots=True)
class Overrule:
    """A reason to use an unfit device all the same; None to name another."""

    reason: str | None


@dataclass(frozen=True, slots=True)
class Start:
    """A new run; `routine` is a name that was offered, `sure` says that serials that look alike are of two parts."""

    routine: str
    member: str | None
    operator: str | None
    serials: tuple[str, ...]
    sure: bool = False


@dataclass(frozen=True, slots=True)
class Resume:
    """Go on with a run; `journal` is a name that was offered."""

    journal: str


@dataclass(frozen=True, slots=True)
class Done:
    """The end was seen: back to choosing. While choosing: look once more at what there is."""


@dataclass(frozen=True, slots=True)
class TakePen:
    """From now on this page writes."""


Request: TypeAlias = (
    Typed
    | Accept
    | GoOn
    | Overrule
    | Start
    | Resume
    | Done
    | TakePen
    | Strike
    | AddNote
    | Again
    | Look
    | Pause
    | RenewZero
    | Acknowledge
    | Abandon
)


@dataclass(frozen=True, slots=True)
class Post:
    """A request, who sent it, and the snapshot that it answers; -1 where it answers none."""

    page: str
    seq: int
    request: Request


def read_post(data: object) -> Post:
    """A post from plain data.

    Raises:
        PostRefusedError: it is none.
    """
    if not isinstance(data, Mapping):
        raise PostRefusedError("a post is an object")
    page = data.get("pen")
    if not is_page(page):
        raise PostRefusedError('"pen" must be the name of the page')
    what = data.get("what")
    reader = _READERS.get(what) if isinstance(what, str) else None
    if reader is None:
        raise PostRefusedError(f'"what" must be one of: {", ".join(_READERS)}')
    request = reader(data)
    seq = data.get("seq")
    if isinstance(request, TakePen):
        seq = -1
    if not _whole(seq):
        raise PostRefusedError('"seq" must be the number of what is shown')
    return Post(page, seq, request)


def is_page(name: Any) -> TypeGuard[str]:
    """Whether something can be the name that a page goes by."""
    return isinstance(name, str) and _SHORTEST_PAGE <= len(name) <= _LONGEST_PAGE and _PAGE_SIGNS.issuperset(name)


def _whole(value: Any) -> TypeGuard[int]:
    return isinstance(value, int) and not isinstance(value, bool) and abs(value) <= _LARGEST


def _text(data: Mapping[str, Any], key: str) -> str:
    value = data.get(key)
    if not isinstance(value, str):
        raise PostRefusedError(f'"{key}" must be a text')
    if len(value) > _LONGEST:
        raise PostRefusedError(f'"{key}" has more than {_LONGEST} signs: shorten it')
    # What can't be printed would reach a terminal and a record; half a character no file could hold.
    if not all(sign.isprintable() or sign in "\t\n" for sign in value):
        raise PostRefusedError(f'"{key}" has a character that can\'t be shown: type it again')
    return value


def _name(data: Mapping[str, Any], key: str) -> str:
    """A text of one line, as it stands on a part or a badge."""
    value = _text(data, key)
    if found := unplain(value):
        raise PostRefusedError(f'"{key}" holds {found}: type it again')
    return value


def _perhaps(data: Mapping[str, Any], key: str) -> str | None:
    """A text; None where there is none, or nothing in it."""
    return None if data.get(key) is None else _name(data, key).strip() or None


def _target(data: Mapping[str, Any]) -> int:
    target = data.get("target")
    if not _whole(target):
        raise PostRefusedError('"target" must be the number of an entry')
    return target


def _start(data: Mapping[str, Any]) -> Start:
    serials = data.get("serials")
    if not isinstance(serials, list) or len(serials) > _MOST_SERIALS:
        raise PostRefusedError(f'"serials" must be a list of at most {_MOST_SERIALS} texts')
    named = [_name({"serials": serial}, "serials").strip() for serial in serials]
    return Start(
        routine=_text(data, "routine"),
        member=_perhaps(data, "member"),
        operator=_perhaps(data, "operator"),
        serials=tuple(serial for serial in named if serial),
        sure=data.get("sure") is True,
    )


_READERS: Mapping[str, Callable[[Mapping[str, Any]], Request]] = {
    "answer": lambda data: Typed(_text(data, "text"), data.get("sure") is True),
    "accept": lambda _: Accept(),
    "strike": lambda data: Strike(_target(data), _text(data, "reason").strip()),
    "note": lambda data: AddNote(_text(data, "text").strip()),
    "again": lambda data: Again(_text(data, "slot")),
    "zero": lambda data: RenewZero(_text(data, "reason").strip()),
    "pause": lambda _: Pause(),
    "look": lambda _: Look(),
    "go_on": lambda _: GoOn(),
    "acknowledge": lambda data: Acknowledge(_text(data, "code")),
    "abandon": lambda data: Abandon(_text(data, "reason").strip()),
    "overrule": lambda data: Overrule(None if data.get("reason") is None else _text(data, "reason").strip() or None),
    "start": _start,
    "resume": lambda data: Resume(_text(data, "journal")),
    "pen": lambda _: TakePen(),
    "done": lambda _: Done(),
}
