"""What has to be known for a routine: the questions in their order, each with its check, its default and its place."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from typing import TypeAlias

from holdzero.quantity import Dimension, tidy
from holdzero.starting import checked, doubts
from holdzero.starting.checked import DESCRIBED, LONGEST, NONE, REQUIRED, Checker, Known, Said, um, units_of

__all__ = ["QUESTIONS", "Question", "coarsest_um", "small_length"]

Default: TypeAlias = Callable[[Said, Known], str | None]


def _nothing(said: Said | str, known: Known) -> str | None:
    del said, known
    return None


def _always(said: Said, known: Known) -> bool:
    del said, known
    return True


def _no_hint(said: Said, known: Known) -> str:
    del said, known
    return ""


@dataclass(frozen=True, slots=True, kw_only=True)
class Question:
    """One thing to be known.

    Attributes:
        name: of the answer, and with hyphens of the option.
        words: how it is asked.
        check: gives the answer as it is kept; raises what is wrong with it.
        default: what Enter alone means, from the answers so far; None where an answer is needed.
        alone: whether the default may be taken where nobody can be asked.
        applies: whether it is asked at all, after the answers so far.
        hint: what could be answered, for the words on the screen.
        settled: the answer where there is nothing to choose from; None where it is asked for.
        doubt: why an answer may not be meant; whoever gives it again means it.
        way_out: what else can be done, behind the reason why an answer was not taken.
    """

    name: str
    words: str
    check: Checker
    default: Default = _nothing
    alone: bool = False
    applies: Callable[[Said, Known], bool] = _always
    hint: Callable[[Said, Known], str] = _no_hint
    settled: Default = _nothing
    doubt: Callable[[str, Known], str | None] = _nothing
    way_out: str = ""


def _plain(text: str) -> Default:
    return lambda _said, _known: text


def _same_as(name: str) -> Default:
    return lambda said, _known: said.get(name)


def _when(role: str, *words: str) -> Callable[[Said, Known], bool]:
    return lambda said, _known: said.get(role) in words


def _opposite(said: Said, known: Known) -> str | None:
    """The lower limit with its sign turned: most tolerances are symmetric."""
    del known
    lower = tidy(said.get("lower", ""))
    value = um(lower)
    if value is None or value > 0.0:
        return None
    return "+" + lower.lstrip("+-").strip()


def _title(said: Said, known: Known) -> str | None:
    del known
    return f"{said.get('part', 'part')}, size"[:LONGEST]


def _block_of_this_size(said: Said, known: Known) -> str | None:
    """The first block of the register that has the nominal size and can be corrected to 20 °C."""
    nominal = um(said.get("nominal"))
    fit = (
        name
        for name, entry in known.references.items()
        if um(entry["size"]) == nominal and entry.get("material") in known.materials
    )
    return next(fit, DESCRIBED)


def _only_comparator(said: Said, known: Known) -> str | None:
    del said
    return next(iter(known.comparators)) if len(known.comparators) == 1 else DESCRIBED


def _resolution(said: Said, known: Known) -> str | None:
    """As it was written, of the comparator that was chosen."""
    if said.get("comparator") == DESCRIBED:
        return said.get("resolution")
    entry = known.comparators.get(said.get("comparator", ""))
    return str(entry["resolution"]) if entry else None


# Common practice, no source: as where a routine states no limit (`routine.schema.Bracket`).
_SHARE_OF_TOLERANCE = 0.1


def coarsest_um(said: Said, known: Known) -> tuple[float, str]:
    """The resolution, or a tenth of the tolerance where that is more [um], and which of them it is."""
    resolution = um(_resolution(said, known)) or 0.0
    lower, upper = um(said.get("lower")), um(said.get("upper"))
    share = _SHARE_OF_TOLERANCE * (upper - lower) if lower is not None and upper is not None else 0.0
    return (share, "a tenth of the tolerance") if share > resolution else (resolution, "the resolution")


def _check_limit(said: Said, known: Known) -> str | None:
    value, _ = coarsest_um(said, known)
    return small_length(value, said) if value and "nominal" in said else None


_MICRO_INCH_UM = 0.0254  # exactly, with the inch of 25.4 mm


def small_length(value_um: float, said: Said) -> str:
    """A small length [um] as a routine in these units would write it."""
    return f"{value_um / _MICRO_INCH_UM:.9g} uin" if units_of(said) == "in" else f"{value_um:.9g} um"


def _materials(said: Said, known: Known) -> str:
    del said
    return "known are " + ", ".join(known.materials)


def _choice(kind: str, *others: str) -> Callable[[Said, Known], str]:
    """What can be typed in place of a device: identifiers of the register, and other words."""

    def hint(said: Said, known: Known) -> str:
        entries = known.references if kind != "comparator" else known.comparators
        enter = {"reference": _block_of_this_size, "comparator": _only_comparator}.get(kind, _plain(NONE))(said, known)
        registered = f"its identifier in the register ({', '.join(entries)})" if entries else ""
        also = [*others, "" if enter == DESCRIBED else f"{DESCRIBED} to describe it"]
        last = {DESCRIBED: "Enter to describe it", NONE: "Enter for none"}.get(enter or "", "Enter")
        return "type " + ", ".join(word for word in (registered, *also) if word) + f", or {last}"

    return hint


def _if_none(kind: str) -> Default:
    """Where the register has no such device, it can only be described."""
    return lambda _said, known: None if (known.comparators if kind == "comparator" else known.references) else DESCRIBED


def _unknown_material(said: Said, known: Known) -> bool:
    return "material" in said and said["material"] not in known.materials


_length = checked.quantity(Dimension.LENGTH)
_size = checked.quantity(Dimension.LENGTH, above_zero=True)
_spread = checked.quantity(Dimension.LENGTH, from_zero=True)
_kelvin = checked.quantity(Dimension.DIFFERENCE, from_zero=True, bare="K")
_growth = checked.quantity(Dimension.EXPANSION, from_zero=True)


def _largest(role: str) -> Default:
    return lambda said, _known: "" if said.get(role) == REQUIRED else None


def _block(role: str, title: str, *, size: Default, material: Default, materials: Checker) -> tuple[Question, ...]:
    """What is asked of a block that does not come from the register."""
    either = _when(role, DESCRIBED, REQUIRED)
    words = f"Size of the {title}"
    return (
        Question(name=f"{role}_size", words=words, check=_size, default=size, alone=True, applies=either),
        *_certified(role),
        Question(
            name=f"{role}_material",
            words=f"Material of the {title}",
            check=materials,
            default=material,
            alone=materials is checked.any_words,
            applies=either,
            hint=_materials,
        ),
        Question(
            name=f"{role}_certificate",
            words="Number of its certificate",
            check=checked.any_words,
            default=_plain(""),
            alone=True,
            applies=_when(role, DESCRIBED),
            hint=lambda _said, _known: "Enter for none",
        ),
    )


def _certified(role: str) -> tuple[Question, ...]:
    """What its certificate says of a block."""
    return (
        Question(
            name=f"{role}_deviation",
            words="Its certified deviation from that size, with sign",
            check=_length,
            applies=_when(role, DESCRIBED),
        ),
        Question(
            name=f"{role}_uncertainty",
            words="Expanded uncertainty of its deviation, as certified",
            check=checked.uncertainty(role),
            default=_largest(role),
            alone=True,
            applies=_when(role, DESCRIBED, REQUIRED),
            hint=lambda said, _known: "the largest that will do, or Enter for any" if said[role] == REQUIRED else "",
        ),
        Question(
            name=f"{role}_coverage",
            words="Coverage factor k of that uncertainty",
            check=checked.coverage,
            default=_plain("2"),
            alone=True,
            applies=_when(role, DESCRIBED),
        ),
    )


_NO_LIMIT = f"or {NONE}"

_PART = (
    Question(name="part", words="Part number", check=checked.words),
    Question(name="title", words="What is measured", check=checked.words, default=_title, alone=True),
    Question(name="nominal", words="Nominal size, with its unit", check=checked.nominal),
    Question(
        name="lower",
        words="Lower limit, a deviation from the nominal",
        check=checked.limit,
        hint=lambda _said, _known: _NO_LIMIT,
    ),
    Question(
        name="upper",
        words="Upper limit, a deviation from the nominal",
        check=checked.upper_limit,
        default=_opposite,
        hint=lambda _said, _known: _NO_LIMIT,
        way_out="; < goes back to the lower limit",
    ),
    Question(
        name="material",
        words="Material of the part",
        check=checked.material,
        hint=_materials,
        doubt=doubts.strange_material,
    ),
    Question(
        name="expansion",
        words="Expansion of that material, which is not in the tables",
        check=_growth,
        applies=_unknown_material,
        hint=lambda _said, _known: f"such as {Dimension.EXPANSION.example}",
        way_out="; < goes back to the material",
    ),
    Question(
        name="expansion_within",
        words="How far that may be off, to either side",
        check=_growth,
        applies=_unknown_material,
    ),
    Question(
        name="places",
        words="Places that are read, with commas between",
        check=checked.places,
        default=_plain("a"),
        alone=True,
        doubt=doubts.number_of_places,
    ),
    Question(
        name="repeats",
        words="How often each place is read",
        check=checked.repeats,
        default=_plain("3"),
        alone=True,
    ),
    Question(
        name="soak",
        words="How long all lies side by side before the zero",
        check=checked.quantity(Dimension.TIME, above_zero=True, bare="min"),
        default=_plain("20 min"),
        alone=True,
    ),
)

_REFERENCE = (
    Question(
        name="reference",
        words="Reference",
        check=checked.reference,
        default=_block_of_this_size,
        hint=_choice("reference", f"{REQUIRED} to let the inspector name one"),
        settled=_if_none("reference"),
    ),
    *_block(
        "reference",
        "reference",
        size=_same_as("nominal"),
        material=_plain("steel"),
        materials=checked.known_material,
    ),
)

_COMPARATOR = (
    Question(
        name="comparator",
        words="Comparator",
        check=checked.comparator,
        default=_only_comparator,
        hint=_choice("comparator"),
        settled=_if_none("comparator"),
    ),
    Question(
        name="resolution",
        words="Smallest difference that is read off the comparator",
        check=_size,
        applies=_when("comparator", DESCRIBED),
    ),
    Question(
        name="travel",
        words="Its largest reading, to either side of zero",
        check=_size,
        applies=_when("comparator", DESCRIBED),
    ),
    Question(
        name="error",
        words="How far a difference that it shows may be off, to either side",
        check=_spread,
        applies=_when("comparator", DESCRIBED),
    ),
)

_CHECK_STANDARD = (
    Question(
        name="check",
        words="Check standard, a second block",
        check=checked.check_standard,
        default=_plain(NONE),
        alone=True,
        hint=_choice("check"),
    ),
    *_block("check", "check standard", size=_nothing, material=_plain(""), materials=checked.any_words),
    Question(
        name="check_limit",
        words="How far a reading on it may lie from its certificate",
        check=_size,
        default=_check_limit,
        alone=True,
        applies=lambda said, _known: said.get("check", NONE) != NONE,
    ),
)

_BENCH = (
    Question(
        name="temperature",
        words="Temperature of the part at the bench",
        check=checked.quantity(Dimension.TEMPERATURE, bare="degC"),
        default=_plain("20 degC"),
        alone=True,
    ),
    Question(
        name="temperature_within",
        words="How far that may be off, to either side",
        check=_kelvin,
        default=_plain("1 K"),
        alone=True,
    ),
    Question(
        name="difference_within",
        words="How far part and reference may be apart after the soak",
        check=_kelvin,
        default=_plain("0.1 K"),
        alone=True,
    ),
)

QUESTIONS: tuple[Question, ...] = (*_PART, *_REFERENCE, *_COMPARATOR, *_CHECK_STANDARD, *_BENCH)
"""All of them, in the order in which they are asked."""
