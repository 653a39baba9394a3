"""What the HTML record says of temperatures: what thermometers showed, and what it does to each number."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

from holdzero.hooks import soaked_lines, temperature_effects, temperature_lines
from holdzero_plugins.writers._entries import Entry
from holdzero_plugins.writers._text import MISSING, visible

__all__ = ["Temperatures", "temperatures_of"]


@dataclass(frozen=True, slots=True, kw_only=True)
class Temperatures:
    """What stands below the heading.

    Attributes:
        read: each temperature that was read, with the thermometer, and what an instrument or a logger sent.
        told: what was seen when a soak ended, and what temperatures do to each characteristic, in sentences.
    """

    read: tuple[tuple[Entry, str, str], ...]
    told: tuple[str, ...]


def temperatures_of(record: Mapping[str, Any], entries: Sequence[Entry]) -> Temperatures:
    """What is said of temperatures.

    Args:
        record: as plain data.
        entries: the lines of the temperatures in the table of events.
    """
    lines = {str(line.entry): line for line in temperature_lines(record)}
    by = {seq: (visible(line.by), visible(line.sent)) for seq, line in lines.items()}
    effects = (told for name in record["results"] for told in temperature_effects(record, name))
    return Temperatures(
        read=tuple((entry, *by.get(entry.seq, (MISSING, ""))) for entry in entries),
        told=tuple(map(visible, (*soaked_lines(record), *effects))),
    )
