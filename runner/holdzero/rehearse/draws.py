"""Draws by name: what is drawn for one thing does not depend on what else is drawn, nor in which order.

So two revisions of a routine meet the same errors wherever they ask for the same thing.
"""

from __future__ import annotations

import hashlib
from collections.abc import Callable
from typing import TypeAlias

import numpy as np

__all__ = ["Draws", "draws_of"]

Draws: TypeAlias = Callable[[str], np.random.Generator]
"""A generator for each name; called once for each thing that is drawn."""


def draws_of(*key: int) -> Draws:
    """Generators that follow from some numbers and a name alone.

    Args:
        key: seed, and what sets this lot of runs apart.
    """

    def generator(name: str) -> np.random.Generator:
        words = hashlib.sha256(name.encode()).digest()
        return np.random.default_rng([*key, int.from_bytes(words[:8], "big")])

    return generator
