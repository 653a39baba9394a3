"""Sources: each names a document and a place in it, or says that it is from memory or that there is none.

That a value was "seen" is not enough. Held to it are the tables of data, the run rules, what the code says of its
sources, and the tests of this folder, each of which stands under a source or under the words that it was worked out.
"""

from __future__ import annotations

import ast
import io
import re
import tokenize
import tomllib
from collections.abc import Iterator
from dataclasses import dataclass
from functools import cache
from pathlib import Path
from typing import Any

import pytest

import holdzero
import holdzero_plugins
from holdzero.charts import RULES

HERE = Path(__file__).parent
CODE = tuple(Path(*package.__path__) for package in (holdzero, holdzero_plugins))  # installed or in the source folders
KEYS = ("source", "why", "known")  # under which a table of data says where its values come from

MARK = re.compile(r"from memory|common practice, no source", re.IGNORECASE)
OWN = re.compile(r"worked out|by hand|computed|calculated|nothing published", re.IGNORECASE)
CLAIM = re.compile(r"\bseen\b|second-hand|\bread in\b", re.IGNORECASE)
DOCUMENT = re.compile(
    r"""
    \b(?:ISO|IEC|EN|DIN|ASTM|ASME|JCGM|EA|OIML|RFC|WCAG)\b[-/ A-Z]*\s?[A-Z]?\d+  # a standard and its number
    | \bNIST\ (?:Monograph|Engineering|DLMF) | \bNIST/(?:SEMATECH|ITL)\b | \be-Handbook\b
    | \bAIAG\b | \bGuide\ A\b | \bEncyclopaedia\ Britannica\b
    | \b\d+(?:st|nd|rd|th)\ ed\.                                                 # an edition
    | "[A-Z][^"]{15,}"                                                           # a title
    | [A-Z][a-z]+.{0,120}?\b(?:18|19|20)\d\d\b                                   # an author and a year
    | [A-Z][a-z]+,\ [A-Z][a-z']+(?:\ [\w&']+){2,}                                # an author and a title
    """,
    re.VERBOSE,
)
PLACE = re.compile(
    r"""
    \b(?i:clauses?|sections?|chapters?|tables?|figures?|examples?|cases?|p\.|pages?|eqs?\.)\s*\(?[A-Z]{0,3}\.?\d
    | \bpages?\ (?:[a-z]{2,4}\d|[A-Z][a-z]+)                                     # a page by its name
    | \b(?i:annex|appendix)(?:\ [A-Z0-9]|,\ p\.) | \bscope\b | \babstract\b
    | \b[A-Z]\.\d+(?:\.\d+)* | \b[IVX]+-[A-Z]\b | \b\d+(?:\.\d+){2,}             # H.1.6, III-B, 2.3.5.1
    | (?:\b(?:18|19|20)\d\d|\d-\d|Monograph\ \d+|ed\.|Handbook|Methods),?\ \d{1,2}(?:\.\d+)+  # after its document
    | \b\d+\ \(\d{4}\)\s\d+                                                      # volume (year) page
    | \b\w+\.(?:dat|DAT)\b                                                       # a file of certified values
    """,
    re.VERBOSE,
)
VAGUE = re.compile(
    r"universit\w+ tables?|(?:common|usual) (?:lists|values|handbook)|handbook values|any textbook|in textbooks"
    r"|textbook(?:'s table| formula)|public (?:pages|copies|transcriptions)|published table\b|stored (?:output|copy)",
    re.IGNORECASE,
)


def is_named(text: str, around: str = "") -> bool:
    """Whether a document and a place in it are named, here or above."""
    whole = " ".join(f"{text} {around}".split())
    return bool(DOCUMENT.search(whole) and PLACE.search(whole))


def claim_fault(text: str, around: str = "") -> str:
    """What a text claims to have been read without saying where; empty if it does not."""
    text = " ".join(text.split())
    if vague := VAGUE.search(text):
        return f"{vague[0]!r} names no document"
    for piece in text.split(";"):
        if CLAIM.search(piece) and not MARK.search(piece) and not is_named(piece, f"{around} {text}"):
            return f"{piece.strip()!r} names no document and place"
    return ""


def fault_of(text: str, around: str = "") -> str:
    """What a source lacks; empty if it lacks nothing.

    Args:
        text: the source, as it stands beside the value.
        around: what stands above it and may name its document or the place.
    """
    if fault := claim_fault(text, around):
        return fault
    return "" if MARK.search(text) or is_named(text, around) else f"{text!r} names no document and place"


class TestTheRuleItself:
    @pytest.mark.parametrize(
        "bad",
        [
            "",
            "seen",
            "university table of solids (seen)",
            "common lists between 4 and 5 (4 seen credited to the author of NIST Monograph 180; 4.5 from memory)",
            "grades 0, 1 and 2 seen in two copied tables; K from memory",
            "ISO 3650:1998 (seen)",
            "table 3, p. 12 (seen)",
            "a published table (seen)",
            "Johnson, Contact Mechanics, 1985",
            "the handbook's value of 8.4, 0.84",
            "gauge steel, common handbook values (from memory)",
            "NIST/SEMATECH e-Handbook of Statistical Methods (seen)",
            "NIST/ITL Statistical Reference Datasets, certified values",
        ],
    )
    def test_refuses_what_names_no_document_or_no_place(self, bad: str) -> None:
        assert fault_of(bad)

    @pytest.mark.parametrize(
        "good",
        [
            "ISO 3650:1998, 6.2.2",
            "ISO 3650:1998 (from memory)",
            "JCGM 100:2008, eq. (H.3)",
            "JCGM 106:2012, 7.4",
            "NIST/SEMATECH e-Handbook, 2.3.5.1 (seen)",
            "NIST/ITL Statistical Reference Datasets, certified values of Misra1a.dat",
            "Swyt, J. Res. NIST 99 (1994) 31 (seen)",
            "Callister and Rethwisch, 8th ed., table 19.1, p. 785: 1.6 (seen); NIST Monograph 180, 3.3.1 (from memory)",
            "AIAG, Measurement Systems Analysis, 4th ed., III-B",
            "common practice, no source",
        ],
    )
    def test_takes_a_document_with_a_place_and_a_mark(self, good: str) -> None:
        assert fault_of(good) == ""

    def test_takes_the_document_from_what_stands_above(self) -> None:
        assert fault_of("9.5.3.2: 1499.8 to 1500.2 ohm (seen)")
        assert fault_of("9.5.3.2: 1499.8 to 1500.2 ohm (seen)", "JCGM 106:2012, clause 9") == ""


def sources_of(table: Any, place: str) -> Iterator[tuple[str, str]]:
    """Place and text of each source in a table of data, and in those below it."""
    for key, value in table.items() if isinstance(table, dict) else ():
        if key in KEYS and isinstance(value, str):
            yield place, value
        yield from sources_of(value, f"{place} [{key}]")


@cache
def tabled() -> dict[str, str]:
    found: dict[str, str] = {}
    for path in sorted(path for folder in CODE for path in folder.rglob("data/*.toml")):
        found.update(sources_of(tomllib.loads(path.read_text("utf-8")), path.name))
    return found


class TestData:
    @pytest.mark.parametrize("place", tabled())
    def test_a_row_names_its_source(self, place: str) -> None:
        assert fault_of(tabled()[place]) == ""

    def test_every_row_was_looked_at(self) -> None:
        tables = [tomllib.loads(path.read_text("utf-8")) for folder in CODE for path in folder.rglob("data/*.toml")]
        assert len(tables) >= 4
        assert len(tabled()) == sum(map(len, tables))

    @pytest.mark.parametrize("rule", RULES, ids=lambda rule: rule.name)
    def test_a_run_rule_names_its_source(self, rule: Any) -> None:
        assert fault_of(rule.source) == ""


def said_in(source: str) -> Iterator[str]:
    """Paragraphs of docstrings that begin with "Source:", and comments in which something was seen."""
    yield from re.findall(r"^\s*Source: (?:(?!\n\s*\n|\"\"\").)+", source, re.MULTILINE | re.DOTALL)
    yield from re.findall(r"#[^\n]*\([^()\n]*\bseen\b[^()\n]*\)", source)


class TestCode:
    def test_a_bad_source_is_found(self) -> None:
        text = '''"""A formula.

    Source: a list of
    a colleague (seen).

    >>> 1
    """
    # twice as much (seen)
'''
        assert [bool(claim_fault(said)) for said in said_in(text)] == [True, True]

    def test_what_was_seen_names_its_document_and_the_place(self) -> None:
        said = [
            (path.name, one)
            for folder in CODE
            for path in sorted(folder.rglob("*.py"))
            for one in said_in(path.read_text("utf-8"))
        ]
        assert len(said) > 100
        assert [(name, fault) for name, one in said if (fault := claim_fault(one))] == []


@dataclass(frozen=True)
class Text:
    """A docstring or a block of comment lines."""

    first: int
    last: int
    words: str


Definition = ast.FunctionDef | ast.ClassDef | ast.Assign | ast.AnnAssign


class Module:
    """A file of tests, and what it says where."""

    def __init__(self, source: str) -> None:
        self.tree = ast.parse(source)
        self.head = ast.get_docstring(self.tree) or ""
        self.texts = [*_blocks(source), *_docstrings(self.tree)]
        self.names: dict[str, Definition] = {}
        for one in self.tree.body:
            if isinstance(one, ast.FunctionDef):
                self.names[one.name] = one
            if isinstance(one, ast.Assign):
                self.names |= {name.id: one for name in one.targets if isinstance(name, ast.Name)}

    def of(self, node: Definition) -> str:
        """What is said in a definition, right above it, and of whatever else of the module it uses."""
        done, todo, said = set[int](), [node], list[str]()
        while todo:
            one = todo.pop()
            if one.lineno in done:
                continue
            done.add(one.lineno)
            first, last = _span(one)
            said += [text.words for text in self.texts if text.last == first - 1 or first <= text.first <= last]
            used = [name.id for name in ast.walk(one) if isinstance(name, ast.Name)]
            todo += [self.names[name] for name in used if name in self.names]
        return " ".join(said)

    def of_class(self, node: ast.ClassDef) -> str:
        """What a class says outside its tests."""
        tests = [_span(one) for one in _tests(node.body)]
        first, last = _span(node)
        own = [
            text.words
            for text in self.texts
            if first - 1 <= text.last <= last and not any(start <= text.first <= end for start, end in tests)
        ]
        rest = [one for one in node.body if isinstance(one, Definition) and one not in _tests(node.body)]
        return " ".join([*own, *(self.of(one) for one in rest)])

    def tests(self) -> Iterator[tuple[str, str]]:
        """Each test's name, and all that is said of where its values come from."""
        for one in _tests(self.tree.body):
            yield one.name, f"{self.head} {self.of(one)}"
        for owner in self.tree.body:
            if isinstance(owner, ast.ClassDef):
                shared = f"{self.head} {self.of_class(owner)}"
                for one in _tests(owner.body):
                    yield f"{owner.name}.{one.name}", f"{shared} {self.of(one)}"


def _tests(body: list[ast.stmt]) -> list[ast.FunctionDef]:
    return [one for one in body if isinstance(one, ast.FunctionDef) and one.name.startswith("test_")]


def _span(node: Definition) -> tuple[int, int]:
    decorators: list[ast.expr] = getattr(node, "decorator_list", [])
    return min([node.lineno, *(one.lineno for one in decorators)]), node.end_lineno or node.lineno


def _blocks(source: str) -> Iterator[Text]:
    """Comments; those of lines that follow each other are one."""
    block: list[tuple[int, str]] = []
    for token in tokenize.generate_tokens(io.StringIO(source).readline):
        if token.type != tokenize.COMMENT:
            continue
        alone = token.line.lstrip().startswith("#")
        if block and not (alone and token.start[0] == block[-1][0] + 1):
            yield Text(block[0][0], block[-1][0], " ".join(words for _, words in block))
            block = []
        block.append((token.start[0], token.string.lstrip("# ")))
    if block:
        yield Text(block[0][0], block[-1][0], " ".join(words for _, words in block))


def _docstrings(tree: ast.Module) -> Iterator[Text]:
    for node in ast.walk(tree):
        if isinstance(node, ast.Expr) and isinstance(node.value, ast.Constant) and isinstance(node.value.value, str):
            yield Text(node.lineno, node.end_lineno or node.lineno, node.value.value)


def faults_of(module: Module) -> list[str]:
    """Tests that stand under no source, and texts that say "seen" without saying where."""
    bare = [
        f"{name}: no source, and it is not said that it was worked out"
        for name, said in module.tests()
        if not (MARK.search(said) or OWN.search(said) or is_named(said))
    ]
    claims = [f"line {text.first}: {fault}" for text in module.texts if (fault := claim_fault(text.words, module.head))]
    return bare + claims


class TestPublishedTests:
    BAD = '''"""Cubes."""

# the table of a colleague (seen)
TABLE = {2: 8}


class TestCubes:
    # ISO 9999:2001, table 3
    EDGE = 3

    def test_of_three(self) -> None:
        assert self.EDGE**3 == 27


def test_of_two() -> None:
    assert 2**3 == TABLE[2]
'''

    def test_a_test_without_a_source_is_found(self) -> None:
        faults = faults_of(Module(self.BAD))
        assert [fault.split(":")[0] for fault in faults] == ["test_of_two", "line 3"]

    def test_and_is_in_order_with_one(self) -> None:
        assert faults_of(Module(self.BAD.replace("the table of a colleague", "ISO 9999:2001, table 2"))) == []
        assert faults_of(Module(self.BAD.replace("the table of a colleague (seen)", "worked out"))) == []

    @pytest.mark.parametrize("path", sorted(HERE.glob("test_*.py")), ids=lambda path: path.stem)
    def test_every_other_test_of_this_folder_stands_under_a_source(self, path: Path) -> None:
        if path != Path(__file__):
            assert faults_of(Module(path.read_text("utf-8"))) == []
