"""Where two pieces of plain data differ, in words: what was computed here against what somebody says."""

from __future__ import annotations

import json
import math
from collections.abc import Iterator
from typing import Any

__all__ = ["differences", "same", "short"]

# Two libraries may round the last digits of a function differently; a changed number differs more.
_SAME = 1e-9
_LINE = 100  # characters


def differences(computed: Any, said: Any, path: str = "") -> Iterator[str]:
    """Each place where `said` is not what was computed.

    Args:
        computed: made here.
        said: what the record says.
        path: of both, in what they are part of.
    """
    if isinstance(computed, dict) and isinstance(said, dict):
        for key in dict.fromkeys((*computed, *said)):
            yield from differences(computed.get(key), said.get(key), f"{path}.{key}" if path else key)
    elif isinstance(computed, list) and isinstance(said, list) and len(computed) == len(said):
        for index, (ours, theirs) in enumerate(zip(computed, said, strict=True)):
            yield from differences(ours, theirs, f"{path}[{index}]")
    elif not same(computed, said):
        yield f"{path}: recomputed {short(computed)}, the record says {short(said)}"


def same(computed: Any, said: Any) -> bool:
    """Whether two values are the same, numbers but for their last digits.

    >>> same(0.1 + 0.2, 0.3), same(0.3, 0.31), same(True, 1)
    (True, False, False)
    """
    if isinstance(computed, float | int) and isinstance(said, float | int) and type(computed) is not bool:
        return math.isclose(computed, said, rel_tol=_SAME, abs_tol=_SAME * 1e-3)
    return type(computed) is type(said) and computed == said


def short(item: Any) -> str:
    """A value in at most a line's worth."""
    text = json.dumps(item, ensure_ascii=False, default=str)
    return text if len(text) <= _LINE else text[: _LINE - 3] + "…"
