"""What `holdzero new routine` can be told, by option: names and words alone, so that the command line starts fast."""

from __future__ import annotations

from collections.abc import Mapping
from types import MappingProxyType

__all__ = ["ROUTINE_OPTIONS", "option_of"]

_BLOCK = {
    "size": "Its nominal size.",
    "deviation": "Its certified deviation from that size, with sign.",
    "uncertainty": "Expanded uncertainty of the deviation; of a required reference the largest that will do.",
    "coverage": "Coverage factor k of that uncertainty.",
    "material": "Its material.",
    "certificate": "Number of its certificate.",
}

ROUTINE_OPTIONS: Mapping[str, str] = MappingProxyType(
    {
        "part": "Part number.",
        "title": "What is measured, in a few words.",
        "nominal": 'Nominal size, with unit: "12 mm".',
        "lower": 'Lower limit as a deviation from the nominal: "-3 um", or none.',
        "upper": 'Upper limit as a deviation from the nominal: "+3 um", or none.',
        "material": "Material of the part.",
        "expansion": 'Expansion of a material that is not in the tables: "10.8e-6 1/K".',
        "expansion_within": "How far that may be off, to either side.",
        "places": "Places that are read, with commas: a,b,c.",
        "repeats": "How often each place is read.",
        "soak": 'How long all lies side by side before the zero: "20 min".',
        "reference": "Identifier in the register; or required: the inspector names one at the run; "
        "or leave it out and describe it by the options that follow.",
        **{f"reference_{key}": f"Reference: {words}" for key, words in _BLOCK.items()},
        "comparator": "Identifier in the register; or leave it out and describe it by the options that follow.",
        "resolution": "Comparator: smallest difference that is read off it.",
        "travel": "Comparator: largest reading, to either side of zero.",
        "error": "Comparator: how far a difference that it shows may be off, to either side.",
        "check": "Check standard: identifier in the register, none, or described by the options that follow.",
        **{f"check_{key}": f"Check standard: {words.partition(';')[0]}" for key, words in _BLOCK.items()},
        "check_limit": "Check standard: how far a reading may lie from its certified value.",
        "temperature": "Temperature of the part at the bench.",
        "temperature_within": "How far that may be off, to either side.",
        "difference_within": "How far part and reference may be apart after the soak.",
    }
)
"""Each option's name, with underscores, and its words for the help."""


def option_of(name: str) -> str:
    """An option as it is typed.

    >>> option_of("reference_size")
    '--reference-size'
    """
    return "--" + name.replace("_", "-")
