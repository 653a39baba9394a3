"""Which version of the measurement model made a number: raised whenever the model gives another number for one run.

The model is the engine's and the built-in plugins': propagation, length model, decision. A record names its version,
so that a number that changed because the model did is not taken for tampering.
"""

from __future__ import annotations

from collections.abc import Mapping
from types import MappingProxyType

__all__ = ["MODEL_VERSION", "MODEL_VERSIONS"]

MODEL_VERSIONS: Mapping[int, str] = MappingProxyType(
    {
        1: "u by first order; lengths corrected to 20 °C by the first-order form of JCGM 100, H.1",
        2: "u with the terms of second order; lengths corrected to 20 °C exactly; a value on a limit is within it; "
        "risks over a process by what passes; a design counts with its accepted scatter where the F-test allows it; a "
        "zero counts once where a drift is taken out; a size whose soak was cut short is undecided, or its U grows by "
        "what the soak left; an outlier is told by the scatter that is known and the dial's steps; a bracket "
        "that was open while nobody was at the bench is a doubt, whatever the cause",
        3: "what a soak, whole or cut short, leaves of brought_from is an input of its own beside difference, by the "
        "time constant that is stated, or the longest in still air; a reading alone ends a soak early only once it was "
        "watched for as long as the part may take in still air",
    }
)
"""What each version is, by its number; the newest is in use."""

MODEL_VERSION = max(MODEL_VERSIONS)
"""The version in use here."""
