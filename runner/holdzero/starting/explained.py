"""What each question of a new routine is about, in a sentence or two: where the number stands, and what it does."""

from __future__ import annotations

from collections.abc import Mapping
from types import MappingProxyType

__all__ = ["EXPLAINED"]

_BLOCK = {
    "size": "The nominal size that is marked on the block, with its unit.",
    "deviation": "On the certificate: measured length less nominal length, with its sign. It is a few tenths of a "
    "micrometre for a gauge block, and never the size itself.",
    "uncertainty": "On the certificate, mostly as U beside the deviation, for k = 2. For a block that is only "
    "required: the largest that will do.",
    "coverage": "On the certificate, near the uncertainty, as k = 2. Where it says 95 % and no k, take 2.",
    "material": "On the certificate or the case. From it comes how much the block grows with temperature.",
    "certificate": "At the top of the certificate. The record keeps it, so that others can find the numbers again.",
}

EXPLAINED: Mapping[str, str] = MappingProxyType(
    {
        "part": "The number on the drawing. Screen, record and reports carry it.",
        "title": "A few words for the head of the record, such as: spacer ring, thickness.",
        "nominal": "The size on the drawing, such as 12 mm. Limits come next; 12 mm +/- 3 um is taken apart.",
        "lower": "How far the part may be below the nominal, with its sign: -3 um, and not 11.997 mm. none where the "
        "drawing has no lower limit.",
        "upper": "How far the part may be above the nominal, with its sign: +3 um, and not 12.003 mm. none where the "
        "drawing has no upper limit.",
        "material": "From it comes how much the part grows with temperature; sizes hold at 20 degC.",
        "expansion": "Growth per kelvin, from the data sheet of the material: 10.8e-6 1/K is 10.8 um a metre and "
        "kelvin.",
        "expansion_within": "Half the width of the range that the data sheet leaves; a tenth of the value where it "
        "says nothing (common practice, no source).",
        "places": "Names of the spots that are read, as marked on the part or drawing: a,b,c. Several places also tell "
        "how parallel the faces are.",
        "repeats": "Rounds over all places. Three or more show how the readings scatter, which the uncertainty needs.",
        "soak": "So that part and blocks come to one temperature. Thick or warm parts need longer.",
        "reference": "The block of known size that the zero is taken on. required: the routine only says what it must "
        "be, and the inspector names one of the register at the run.",
        "comparator": "The indicator on its stand. From the register, or described here for this routine alone.",
        "resolution": "The step of a digital display, or the smallest part of a division that you read off a dial.",
        "travel": "How far the indicator goes to either side of zero. Larger readings are refused as slips.",
        "error": "From its certificate: the largest error of a difference over the part of the dial that is used.",
        "check": "A second block of known size, some way from the reference. Read after the zero, it shows a wrong "
        "block, sign or unit before the part is read.",
        "check_limit": "A reading on the check standard that lies further from its certificate leaves all undecided.",
        "temperature": "What a thermometer beside the part shows on a usual day. 21 is taken as 21 degC.",
        "temperature_within": "How far the room, and the thermometer, may be off from that.",
        "difference_within": "How far part and reference may still differ after the soak; 0.1 K takes a long soak on "
        "one plate, without hands (common practice, no source).",
        **{f"reference_{key}": words for key, words in _BLOCK.items()},
        **{f"check_{key}": words for key, words in _BLOCK.items()},
    }
)
"""By the question's name."""
