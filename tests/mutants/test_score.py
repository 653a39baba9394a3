"""The tool of the mutation score: mutants are made, put in and told apart, and its lists fit the code."""

from __future__ import annotations

import ast
from pathlib import Path
from typing import Any

import pytest

from tests.mutants.faults import EntryError, Named, argued, named
from tests.mutants.make import edits, mutants_of
from tests.mutants.mapping import Mapper
from tests.mutants.running import mutated

TEXT = '''
"""What it is."""

def between(value, low, high):
    """Whether a value is within."""
    if value is None:
        raise ValueError(f"{value - 1} is none")
    text = "so many " + "words"
    return low <= value and not value > high

def last(items, out):
    out.append(items[-1])
    return min(items) - 1
'''


def _made(tree: ast.Module) -> dict[str, Any]:
    names: dict[str, Any] = {}
    exec(compile(ast.fix_missing_locations(tree), "made", "exec"), names)  # noqa: S102  that is what it is for
    return names


def _changes() -> set[tuple[str, str]]:
    return {edit.texts() for edit in edits("made", ast.parse(TEXT))}


class TestMutants:
    def test_are_made_of_each_operator_and_not_of_words(self) -> None:
        condition = "return low <= value and (not value > high)"
        assert _changes() == {
            ("if value is None:", "if value is not None:"),
            (condition, "return low < value and (not value > high)"),
            (condition, "return low <= value or not value > high"),
            (condition, "return low <= value and value > high"),
            (condition, "return low <= value and (not value >= high)"),
            ("out.append(items[-1])", "pass"),
            ("out.append(items[-1])", "out.append(items[0])"),
            ("out.append(items[-1])", "out.append(items[-2])"),
            ("return min(items) - 1", "return max(items) - 1"),
            ("return min(items) - 1", "return min(items) + 1"),
            ("return min(items) - 1", "return min(items) - 2"),
        }

    def test_differ_from_the_code_in_what_they_say(self) -> None:
        tree = ast.parse(TEXT)
        assert _made(ast.parse(TEXT))["last"]([3, 5, 4], []) == 2
        edit = next(edit for edit in edits("made", tree) if edit.texts()[1] == "return max(items) - 1")
        edit.put(edit.node)
        assert _made(tree)["last"]([3, 5, 4], []) == 4

    def test_of_a_module_are_the_same_each_time(self) -> None:
        mutants = list(mutants_of("holdzero.limit"))
        assert mutants == list(mutants_of("holdzero.limit"))
        assert [mutant.number for mutant in mutants] == list(range(len(mutants)))
        changed = {ast.unparse(mutated(mutant)) for mutant in mutants}
        assert len(changed) == len(mutants)


class TestTheMap:
    def test_knows_which_lists_of_statements_were_run(self) -> None:
        mapper = Mapper()
        tree = mapper.marked("made", ast.parse(TEXT))
        tree.body = [item for item in tree.body if not isinstance(item, ast.ImportFrom)]
        names = _made(tree)
        names["_marks_of_tests"] = mapper.marks
        names["between"](1, 0, 2)
        run = [
            name.rpartition(":")[0].split(":")[1] for name, mark in zip(mapper.names, mapper.marks, strict=True) if mark
        ]
        assert run == ["between"]
        assert mapper.taken() != 0
        assert mapper.taken() == 0


class TestTheLists:
    def test_of_named_faults_fits_the_code(self) -> None:
        assert len(named()) == 6

    def test_of_survivors_fits_the_code(self) -> None:
        assert all(why.strip() for why in argued().values())

    def test_refuses_a_named_fault_whose_text_is_gone(self) -> None:
        gone = Named(
            name="gone", module="holdzero.limit", function="between", old="never stood there", new="", seen_by=""
        )
        with pytest.raises(EntryError, match=r"stands 0 times in holdzero\.limit"):
            gone.tree()

    def test_refuses_a_survivor_that_is_of_no_mutant(self, tmp_path: Path) -> None:
        path = tmp_path / "survivors.toml"
        path.write_text(
            '[[survivor]]\nmodule = "holdzero.limit"\nfunction = "between"\nold = "a"\nnew = "b"\nwhy = "c"\n', "utf-8"
        )
        with pytest.raises(EntryError, match=r"holdzero\.limit between has no mutant a → b"):
            argued(path)
