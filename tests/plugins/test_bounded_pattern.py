"""A pattern matches as Python's `re` does, and can't take without end. The reference is the library `re` itself."""

from __future__ import annotations

import re
import time

import pytest
from hypothesis import given
from hypothesis import strategies as st

from holdzero.hooks import SourceError
from holdzero_plugins.sources._lines import LONGEST
from holdzero_plugins.sources._meaning import Meaning
from holdzero_plugins.sources._pattern import Pattern, PatternError
from holdzero_plugins.sources._profile_file import read_profile

ATOMS = st.sampled_from(["a", "b", "[ab]", "[^a]", ".", r"\d", r"\w", r"\b", "(?:)", "1", "^", "$", r"\s", "(?i:A)"])
PATTERNS = st.recursive(
    ATOMS,
    lambda inner: st.one_of(
        st.lists(inner, min_size=1, max_size=3).map("".join),
        st.lists(inner, min_size=2, max_size=3).map(lambda ways: f"(?:{'|'.join(ways)})"),
        st.tuples(inner, st.sampled_from(["*", "+", "?", "*?", "+?", "{1,2}", "{2}", "{0,2}?"])).map(
            lambda pair: f"(?:{pair[0]}){pair[1]}"
        ),
    ),
    max_leaves=8,
)


@given(before=PATTERNS, named=PATTERNS, behind=PATTERNS, text=st.text("abA1 ", max_size=8))
def test_it_finds_what_the_library_finds(before: str, named: str, behind: str, text: str) -> None:
    pattern = f"{before}(?P<number>{named}){behind}"
    found = re.fullmatch(pattern, text)
    assert Pattern(pattern).fullmatch(text) == (None if found is None else found.groupdict())


@pytest.mark.parametrize(
    "pattern", ["(a+)+", "(a|a)*", "(a|aa)+", "(a*)*b", "(.*)*c", "a*a*a*a*a*a*a*a*", "(([ab]+)*)*", "(a?){60}a{60}"]
)
def test_no_pattern_takes_without_end(pattern: str) -> None:
    made = Pattern(f"(?P<number>{pattern})")
    began_s = time.process_time()
    assert made.fullmatch("a" * (LONGEST - 1) + "!") is None
    assert time.process_time() - began_s < 1.0


@pytest.mark.parametrize("pattern", [r"(a)\1", "(?=a)a", "(?<!b)a", "(?>a+)", "a++", "(a)?(?(1)b|c)", "a{1,600}"])
def test_what_can_not_be_bounded_is_refused_with_the_profile(pattern: str) -> None:
    with pytest.raises(PatternError):
        Pattern(pattern)
    text = f"format = 1\ntitle = 'a'\nunit = 'mm'\npattern = '(?P<number>[0-9]+){pattern}'\n"
    with pytest.raises(SourceError, match=r"p\.toml:4: error: pattern: .*bounded time"):
        read_profile(text, "p.toml")


def test_a_line_of_garbage_costs_no_more_later_than_at_first() -> None:
    meaning = Meaning(read_profile("format = 1\ntitle = 'a'\nunit = 'mm'\npattern = '(?P<number>([0-9]+)+)'\n", "p"))
    took_s = []
    for part in range(10):
        began_s = time.process_time()
        for number in range(1000):
            assert meaning.of_line(f"{part}{number}" * 4 + "!").answer is None
        took_s.append(time.process_time() - began_s)
    assert min(took_s[5:]) < 3.0 * min(took_s[:5])
