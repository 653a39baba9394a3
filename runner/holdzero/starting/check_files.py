"""From a name to the files of a small plugin distribution that works and is tested. No folder is known here."""

from __future__ import annotations

import keyword
import re
import sys
from collections.abc import Mapping
from importlib import resources

from holdzero.errors import HoldzeroError

__all__ = ["check_files", "name_of_check"]

# As it is called in the distribution, from what it is called here: names that no tool takes for its own.
_FILES = {
    "pyproject.toml": "pyproject.toml.in",
    "README.md": "README.md.in",
    ".gitignore": "gitignore.in",
    "src/{{ name }}.py": "module.py.in",
    "tests/test_{{ name }}.py": "proof.py.in",
}
_NAME = "{{ name }}"
_LONGEST = 40
_RULE = re.compile(r"[a-z](?:[a-z0-9_]*[a-z0-9])?", re.ASCII)


def name_of_check(text: str) -> str:
    """A name that module, distribution, plugin and check can all have.

    Raises:
        HoldzeroError: it can't be one.
    """
    if not _RULE.fullmatch(text) or len(text) > _LONGEST:
        mend = f"use small letters, digits and _, {_LONGEST} at most, a letter in front: for example bench_lamp"
        raise HoldzeroError(f"{text!r} can't be the name of a check\n    {mend}")
    if keyword.iskeyword(text) or text in sys.stdlib_module_names or text in _TAKEN:
        raise HoldzeroError(
            f"{text!r} is a word or a module of Python's own, or one that the check needs\n    choose another name"
        )
    return text


# What the files that are written import or are found by.
_TAKEN = frozenset({"conftest", "holdzero", "holdzero_plugins", "pydantic", "pytest", "src", "tests"})


def check_files(name: str) -> Mapping[str, str]:
    """Texts by path within the folder of the distribution.

    Args:
        name: of the check, as `name_of_check` gives it.
    """
    folder = resources.files("holdzero.starting").joinpath("check")
    return {
        path.replace(_NAME, name): folder.joinpath(file).read_text("utf-8").replace(_NAME, name)
        for path, file in _FILES.items()
    }
