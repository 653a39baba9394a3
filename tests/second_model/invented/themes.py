"""What makes sure that a routine is of a kind for which some figure goes another way: each turns a draft into one."""

from __future__ import annotations

from collections.abc import Callable

from invented.draft import UNIT_UM, Draft, Table, estimate, rounds, single_estimate, warmth

STEPS_IN = (("0.5", "uin"), ("1", "uin"), ("0.000001", "in"))
MATERIALS = ("aluminium", "brass", "invar", "steel", "tungsten carbide", "zirconia")

Theme = Callable[[Draft], None]


def plain(_: Draft) -> None:
    """As it is begun."""


def at_the_bench(draft: Draft) -> None:
    """Nothing is referred to 20 °C, be the part as long as its block or not."""
    longer_part(draft)
    del draft.routine["checks"]["thermal"]


def unlike_and_warm(draft: Draft) -> None:
    """Unlike materials at 35 °C."""
    one, other = draft.rng.sample(MATERIALS, 2)
    draft.routine["reference"]["material"], draft.routine["part"]["material"] = one, other
    draft.routine["checks"]["thermal"] = warmth(draft.rng, 35.0 + draft.rng.uniform(-0.5, 0.5))


def longer_part(draft: Draft) -> None:
    """A part that is millimetres longer or shorter than its block."""
    rng, routine = draft.rng, draft.routine
    size = float(routine["reference"]["size"].split()[0])
    routine["characteristics"]["length"]["nominal"] = f"{size + rng.choice((-1.5, 2.0, 5.0, 15.0)):g} mm"
    routine["checks"]["thermal"] = warmth(rng, rng.choice((18.0, 22.0, 25.0, 35.0)))


def narrow(draft: Draft) -> None:
    """A tolerance of less than five standard uncertainties, by the default rule or by probability."""
    draft.limits = "narrow"
    draft.routine["decision"] |= {"rule": draft.rng.choice(("guarded", "guarded", "probability"))}


def one_sided(draft: Draft) -> None:
    """One limit alone."""
    draft.limits = draft.rng.choice(("lower", "upper"))


def on_the_limit(draft: Draft) -> None:
    """A value that meets its limit in every digit, under simple acceptance: the limits belong to the interval."""
    rng, routine = draft.rng, draft.routine
    draft.limits = "met"
    draft.scatter = 0.0
    routine["decision"] |= {"rule": "simple"}
    routine["comparator"]["resolution"] = "0.1 um"
    deviation = single_estimate(rng, rng.randint(-9, 9) / 10.0, 0.03, "um")
    routine["reference"]["deviation"] = deviation
    routine["characteristics"]["length"]["at"] = ["a"]
    routine["steps"] = [{"do": "zero"}, {"do": "read", "at": "a", "times": rng.randint(1, 3)}, {"do": "return"}]
    del routine["checks"]["thermal"]


def guard_factor(draft: Draft) -> None:
    """A guard band as a multiple of U."""
    draft.routine["decision"] |= {"rule": "guarded", "guard": draft.rng.choice((0.3, 0.83, 1.0, 1.5))}


def other_coverage(draft: Draft) -> None:
    """Another coverage probability of U."""
    draft.routine["decision"]["coverage_probability"] = draft.rng.choice((0.9, 0.95, 0.99, 0.9973))


def inch(draft: Draft) -> None:
    """A routine in inches."""
    rng, routine = draft.rng, draft.routine
    size = rng.choice(("0.05", "0.125", "0.5", "1", "2"))
    number, unit = rng.choice(STEPS_IN)
    routine["routine"]["units"] = "in"
    routine["reference"] |= {"size": f"{size} in", "deviation": estimate(rng, rng.randint(-8, 8), 1.2, "uin")}
    routine["comparator"] |= {
        "resolution": f"{number} {unit}",
        "travel": "1 in",
        "error": estimate(rng, 0, 1.0, "uin"),
    }
    routine["characteristics"]["length"]["nominal"] = f"{size} in"
    draft.scatter = float(number) * UNIT_UM[unit] * rng.uniform(3.0, 9.0)


def inch_and_warm(draft: Draft) -> None:
    """The same of unlike materials at 35 °C, with a part that is longer than its block."""
    inch(draft)
    unlike_and_warm(draft)
    spec = draft.routine["characteristics"]["length"]
    spec["nominal"] = f"{float(spec['nominal'].split()[0]) + 0.25:g} in"


def step(draft: Draft) -> None:
    """A step between places, at one of two contact forces."""
    rng, routine = draft.rng, draft.routine
    routine["characteristics"] = {"rise": {"measure": "step", "at": ["a", "b"], "from": ["c"], "force": "0.25 N"}}
    routine["comparator"]["force"] = "0.25 N"
    routine["steps"] = rounds(rng, "abc")
    hard = [{"do": "read", "at": place, "force": "1 N"} for place in "abc"]
    routine["steps"].insert(2, {"do": "repeat", "times": 2, "steps": hard})


def variation(draft: Draft) -> None:
    """A variation beside a size."""
    places = ["a", "b", "c", "d"]
    draft.routine["characteristics"]["length"]["at"] = places
    draft.routine["characteristics"]["parallelism"] = {"measure": "variation", "at": places}
    draft.routine["steps"] = rounds(draft.rng, places)


def largest(draft: Draft) -> None:
    """The largest or the smallest of several places."""
    variation(draft)
    draft.routine["characteristics"]["length"]["of"] = draft.rng.choice(("largest", "smallest"))


def by_hand(draft: Draft) -> None:
    """Terms that the engineer adds, and expansions that the routine states."""
    rng, routine = draft.rng, draft.routine
    variation(draft)
    routine["terms"] = [
        {"name": "stand", **single_estimate(rng, 0.05, 0.04, "um")},
        {"name": "film", "characteristics": ["length"], **single_estimate(rng, -0.1, 0.03, "um")},
    ]
    one, other = estimate(rng, 11.6e-6, 0.5e-6, "1/K"), estimate(rng, 1e-6, 0.4e-6, "1/K")
    ways = ({"part_expansion": estimate(rng, 12e-6, 0.6e-6, "1/K")}, {"expansion_difference": other})
    routine["checks"]["thermal"] |= {"reference_expansion": one, **rng.choice(ways)}


def few_degrees(draft: Draft) -> None:
    """Inputs of one or two degrees of freedom: two readings, and a half-width that is reliable to a half."""
    rng, routine = draft.rng, draft.routine
    routine["characteristics"]["length"]["at"] = ["a"]
    routine["steps"] = [{"do": "zero"}, {"do": "read", "at": "a", "times": rng.choice((2, 3))}, {"do": "return"}]
    routine["comparator"]["error"] = {"halfwidth": "0.05 um", "reliability": rng.choice((0.5, 0.6, 0.7))}


def zero_each_time(draft: Draft) -> None:
    """One place, and a zero of its own for each reading."""
    rng, routine = draft.rng, draft.routine
    routine["characteristics"]["length"]["at"] = ["a"]
    zero, back = {"do": "zero", "times": rng.randint(2, 3)}, {"do": "return", "times": rng.randint(1, 2)}
    routine["steps"] = [
        {"do": "repeat", "times": rng.randint(3, 6), "steps": [zero, {"do": "read", "at": "a"}, back]},
    ]


def several_zeros(draft: Draft) -> None:
    """Several zeros, under each of which every place is read twice."""
    rng, routine = draft.rng, draft.routine
    reads = [{"do": "read", "at": place, "times": 2} for place in routine["characteristics"]["length"]["at"]]
    zero, back = {"do": "zero", "times": rng.randint(1, 3)}, {"do": "return", "times": rng.randint(1, 2)}
    routine["steps"] = [{"do": "repeat", "times": rng.randint(2, 3), "steps": [zero, *reads, back]}]


def uneven_zeros(draft: Draft) -> None:
    """Two zeros, under which the places are not read alike."""
    routine, places = draft.routine, ["a", "b"]
    routine["characteristics"]["length"]["at"] = places
    routine["characteristics"]["parallelism"] = {"measure": "variation", "at": places}
    routine["steps"] = [
        {"do": "zero", "times": 2},
        {"do": "read", "at": "a", "times": 3},
        {"do": "return"},
        {"do": "zero", "times": 3},
        {"do": "read", "at": "b", "times": draft.rng.randint(2, 4)},
        {"do": "read", "at": "a", "times": 2},
        {"do": "return", "times": 2},
    ]


def several_returns(draft: Draft) -> None:
    """More than one visit to the reference under one zero."""
    rng, routine = draft.rng, draft.routine
    reads = [{"do": "read", "at": place, "times": 2} for place in routine["characteristics"]["length"]["at"]]
    back = {"do": "return", "times": rng.randint(1, 3)}
    routine["steps"] = [
        {"do": "zero", "times": 3},
        {"do": "repeat", "times": rng.randint(2, 3), "steps": [*reads, back]},
    ]


def checked(draft: Draft) -> None:
    """A check standard, read some times after the zero."""
    block = {"size": draft.routine["reference"]["size"], "material": draft.routine["reference"]["material"]}
    deviation = single_estimate(draft.rng, 0.1, 0.02, "um")
    draft.routine["check_standard"] = {**block, "deviation": deviation, "limit": "9 um"}
    draft.routine["steps"].insert(1, {"do": "check", "times": draft.rng.randint(1, 3)})


def known_scatter(draft: Draft) -> None:
    """Scatter known from before."""
    stated = {"standard": f"{draft.scatter:.4g} um", "dof": draft.rng.randint(5, 80), "of": "readings"}
    draft.routine["checks"]["repeatability"] = {"pooled": stated}


def known_differences(draft: Draft) -> None:
    """Scatter of a reading less its own zero known from before, as in JCGM 100:2008, H.1.3.2."""
    zero_each_time(draft)
    known_scatter(draft)
    draft.routine["checks"]["repeatability"]["pooled"]["of"] = "differences"


def coarse(draft: Draft) -> None:
    """A dial so coarse that all readings show the same step."""
    draft.scatter = 0.0
    draft.routine["comparator"]["resolution"] = draft.rng.choice(("0.1 um", "0.2 um", "0.5 um"))


def coarse_zeros(draft: Draft) -> None:
    """The same with several zeros."""
    several_zeros(draft)
    coarse(draft)


def unknown_room(draft: Draft) -> None:
    """A long part in a room that is known to some kelvins about 20 °C, so that second order counts most."""
    rng, routine = draft.rng, draft.routine
    size = rng.choice((60, 80, 100))
    routine["reference"] |= {"size": f"{size} mm", "material": "steel"}
    routine["characteristics"]["length"]["nominal"] = f"{size} mm"
    routine["part"]["material"] = "steel"
    routine["checks"]["thermal"] = {
        "part_temperature": {"value": "20 degC", "halfwidth": f"{rng.uniform(2.0, 4.0):.2f} K"},
        "difference": estimate(rng, 0.0, 0.015, "K"),
    }


def unknown_room_unlike(draft: Draft) -> None:
    """The same of unlike materials, one of them hardly known, with a part that is longer than its block."""
    rng, routine = draft.rng, draft.routine
    unknown_room(draft)
    size = float(routine["reference"]["size"].split()[0])
    routine["characteristics"]["length"]["nominal"] = f"{size + 5.0:g} mm"
    routine["checks"]["thermal"] |= {
        "reference_expansion": {"value": "10.5e-6 1/K", "standard": "0.8e-6 1/K", "dof": rng.randint(5, 30)},
        "part_expansion": {"value": "11.0e-6 1/K", "halfwidth": f"{rng.uniform(1.0, 3.0):.3f}e-6 1/K"},
    }


def first_order(draft: Draft) -> None:
    """First order, as some published example has it, where second order would count."""
    unknown_room(draft)
    draft.routine["decision"] |= {"order": 1, "order_why": "as an example of first order"}


def thermometer(draft: Draft) -> None:
    """Temperatures that are read at the bench, before and after: of the part, of the reference, or with one of both."""
    rng, routine = draft.rng, draft.routine
    routine["thermometer"] = {"error": estimate(rng, 0.0, 0.08, "K")}
    of = rng.choice((["part"], ["part", "reference"], ["reference"]))
    known = {} if len(of) > 1 else {"difference": estimate(rng, 0.01, 0.02, "K")}
    routine["checks"]["thermal"] = known
    steps = [{"do": "temperature", "of": body} for body in of]
    routine["steps"] = [*steps, *routine["steps"], *steps]


def thermometer_and_gradient(draft: Draft) -> None:
    """Both temperatures are read, and their difference is widened by what the routine states of it."""
    rng, routine = draft.rng, draft.routine
    unlike_and_warm(draft)
    routine["thermometer"] = {"error": estimate(rng, 0.0, 0.08, "K")}
    routine["checks"]["thermal"] = {"difference": estimate(rng, 0.0, 0.02, "K")}
    steps = [{"do": "temperature", "of": body} for body in ("part", "reference")]
    routine["steps"] = [*steps, *routine["steps"], *steps]


def not_closed(draft: Draft) -> None:
    """A zero that does not come back within the bracket's limit."""
    draft.closes = False
    draft.routine["bracket"]["limit"] = f"{0.3 * draft.scatter:.3g} um"


def drifting(draft: Draft) -> None:
    """A zero that drifts by much more than it scatters."""
    draft.routine["bracket"]["limit"] = "50 um"
    draft.drift = draft.scatter * draft.rng.choice((-1, 1)) * draft.rng.uniform(8.0, 30.0)


def drifting_between_returns(draft: Draft) -> None:
    """The same with several visits."""
    several_returns(draft)
    drifting(draft)


def drifting_with_known_scatter(draft: Draft) -> None:
    """The same with a scatter known from before."""
    known_scatter(draft)
    drifting(draft)


def rounds_of_one_zero(draft: Draft) -> None:
    """Several places read once under a zero, and a zero for each such round: readings of a round share their zero."""
    variation(draft)
    reads = [{"do": "read", "at": place} for place in "abcd"]
    zero = {"do": "zero", "times": draft.rng.randint(2, 3)}
    draft.routine["steps"] = [{"do": "repeat", "times": 4, "steps": [zero, *reads, {"do": "return"}]}]


def soaked(draft: Draft) -> None:
    """A soak, whole or cut short, and what it leaves of a difference; how fast that fades is stated, or worked out."""
    rng, routine = draft.rng, draft.routine
    minutes = rng.choice((2, 15, 40, 90))
    draft.begins = 60.0 * minutes * rng.choice((0.4, 1.0, 1.0))
    routine["steps"].insert(0, {"do": "soak", "at_least": f"{minutes} min"})
    known: Table = {"part_temperature": estimate(rng, 20.3, 0.1, "degC"), "difference": estimate(rng, 0.01, 0.02, "K")}
    known["brought_from"] = f"{rng.uniform(0.2, 3.0):.2f} K"
    routine["checks"]["thermal"] = known
    if rng.random() < 0.7:
        known["time_constant"] = f"{rng.uniform(3.0, 40.0):.1f} min"
    if rng.random() < 0.4:
        routine["part"]["section"] = [f"{rng.randint(5, 60)} mm", f"{rng.randint(5, 60)} mm"]


def soaked_and_warm(draft: Draft) -> None:
    """The same of other materials, with the reference's temperature known, and a part that is longer than its block."""
    rng, routine = draft.rng, draft.routine
    longer_part(draft)
    soaked(draft)
    known = routine["checks"]["thermal"]
    known["reference_temperature"] = known.pop("part_temperature")
    routine["reference"]["material"] = rng.choice(("steel", "brass", "aluminium"))
    routine["part"]["material"] = rng.choice(("aluminium", "brass", "tungsten carbide"))


THEMES: tuple[Theme, ...] = (
    plain,
    at_the_bench,
    unlike_and_warm,
    longer_part,
    narrow,
    one_sided,
    on_the_limit,
    guard_factor,
    other_coverage,
    inch,
    inch_and_warm,
    step,
    variation,
    largest,
    by_hand,
    few_degrees,
    zero_each_time,
    several_zeros,
    uneven_zeros,
    several_returns,
    checked,
    known_scatter,
    known_differences,
    coarse,
    coarse_zeros,
    unknown_room,
    unknown_room_unlike,
    first_order,
    thermometer,
    thermometer_and_gradient,
    not_closed,
    drifting,
    drifting_between_returns,
    drifting_with_known_scatter,
    rounds_of_one_zero,
    soaked,
    soaked_and_warm,
)
