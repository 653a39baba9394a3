"""The main job, the published cases, the laws and a whole run at a terminal on every version that is declared.

Tried are the oldest Python with the lowest version of each dependency that pyproject.toml declares, and the oldest
and the newest Python with the newest ones. Pythons are looked for on PATH and among the installed versions behind
shims; HOLDZERO_PYTHONS names others in their place, separated as in PATH. The last line says what was tried, and what
was not.
"""

from __future__ import annotations

import os
import re
import shutil
import subprocess
import sys
import tempfile
import time
import tomllib
from collections.abc import Iterator, Sequence
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass
from pathlib import Path

from packaging.requirements import Requirement
from packaging.specifiers import SpecifierSet
from packaging.version import Version

ROOT = Path(__file__).parent.parent
EXTRAS = ("dask", "parquet", "test")
TESTS = (
    "tests/published",
    "tests/laws",
    "tests/faces/test_terminal.py::TestAWholeRun",
    "tests/faces/test_rehearse.py::TestAnEngineThatRunsAlready",
    "tests/book/test_export.py",
)
_ANSWERS_IN_S = 20.0
_AT_ONCE = 2


@dataclass(frozen=True, slots=True)
class Python:
    """An interpreter that said its version."""

    command: str
    version: Version


@dataclass(frozen=True, slots=True)
class Trial:
    """A Python, and whether the lowest dependencies are taken."""

    python: Python
    lowest: bool

    def __str__(self) -> str:
        return f"{self.python.version}{' with the lowest dependencies' if self.lowest else ''}"


def main() -> int:
    """Try them, and say how each went; gives the exit code."""
    declared = tomllib.loads((ROOT / "pyproject.toml").read_text("utf-8"))
    wanted = SpecifierSet(declared["project"]["requires-python"])
    answered, silent = _asked(list(_commands()))
    usable = sorted((one for one in answered if one.version in wanted), key=lambda one: one.version)
    if not usable:
        print(f"versions: no Python {wanted} answered --version; HOLDZERO_PYTHONS may name some")
        return 1
    oldest, newest = usable[0], usable[-1]
    # The Python that runs this runs the whole suite as well.
    own = Version(".".join(map(str, sys.version_info[:3])))
    newly = [one for one in dict.fromkeys((oldest, newest)) if one.version != own]
    trials = [Trial(oldest, lowest=True), *(Trial(one, lowest=False) for one in newly)]
    with tempfile.TemporaryDirectory() as folder, ThreadPoolExecutor(_AT_ONCE) as pool:
        lowest = Path(folder, "lowest.txt")
        lowest.write_text("\n".join(lowest_of(declared)) + "\n", "utf-8")
        held = list(
            pool.map(lambda numbered: _held(numbered[1], Path(folder, str(numbered[0])), lowest), enumerate(trials))
        )
    tried = [f"{trial}{'' if good else ' FAILED'}" for trial, good in zip(trials, held, strict=True)]
    tried.append(f"{own} (all tests)")
    between = [str(one.version) for one in usable[1:-1] if one.version != own]
    print(
        f"versions tried: {', '.join(tried)}; not tried: {', '.join([*between, *silent]) or 'none that is here'}, "
        f"and whatever is newer than {newest.version}"
    )
    return 0 if all(held) else 1


def lowest_of(declared: dict[str, dict[str, object]]) -> Iterator[str]:
    """The lowest version of each dependency that is declared, and of what builds the package."""
    project, builds = declared["project"], declared["build-system"]
    optional = project["optional-dependencies"]
    for text in (*builds["requires"], *project["dependencies"], *(t for ts in optional.values() for t in ts)):
        needed = Requirement(text)
        least = [one.version for one in needed.specifier if one.operator in {">=", "=="}]
        if needed.name != project["name"] and least:
            yield f"{needed.name}=={least[0]}"


def _commands() -> Iterator[str]:
    """Where a Python may be."""
    named = os.environ.get("HOLDZERO_PYTHONS")
    if named is not None:
        yield from filter(None, named.split(os.pathsep))
        return
    for folder in map(Path, os.get_exec_path()):
        if folder.is_dir():
            yield from sorted(str(one) for one in folder.iterdir() if re.fullmatch(r"python3(\.\d+)?", one.name))
    installed = Path(os.environ.get("PYENV_ROOT", Path.home() / ".pyenv"), "versions")
    if installed.is_dir():
        yield from sorted(str(one) for one in installed.glob("*/bin/python3"))


def _asked(commands: Sequence[str]) -> tuple[list[Python], list[str]]:
    """Those that answered, one of each version; and the names of those that did not and that no other stands for."""
    answered: dict[Version, Python] = {}
    silent: list[str] = []
    for command in commands:
        try:
            asked = subprocess.run(
                [command, "--version"], check=True, capture_output=True, text=True, timeout=_ANSWERS_IN_S
            )
            version = Version(asked.stdout.removeprefix("Python").strip())
        except (OSError, subprocess.SubprocessError, ValueError):
            silent.append(Path(command).name)
        else:
            answered.setdefault(version, Python(command, version))
    minors = {f"python{one.major}.{one.minor}" for one in answered}
    return list(answered.values()), [f"{one} (gives no version)" for one in dict.fromkeys(silent) if one not in minors]


def _held(trial: Trial, folder: Path, lowest: Path) -> bool:
    """Whether all of it holds; what did not is printed."""
    began = time.monotonic()
    python = folder / "bin" / "python"
    install = [python, "-m", "pip", "install", "--quiet", "--disable-pip-version-check", "--no-compile"]
    own = [*install, "-e", f".[{','.join(EXTRAS)}]"]
    steps: list[list[str | Path]] = [[trial.python.command, "-m", "venv", folder]]
    if trial.lowest:
        # What builds the package is the lowest too.
        builder = [line for line in lowest.read_text("utf-8").splitlines() if line.startswith("hatchling")]
        steps += [[*install, *builder, "editables"], [*own, "--no-build-isolation", "--constraint", lowest]]
    else:
        steps.append(own)
    tool, records = folder / "bin" / "holdzero", folder / "records"
    source, who = "readings:routines/spacer-ring.readings.csv", ("--operator", "A. Ivers", "--serial", "0007")
    steps += [
        [tool, "run", "routines/spacer-ring.toml", "--source", source, *who, "--out", records],
        [tool, "verify", records],
        [python, "-m", "pytest", "-q", "-n", "1", "-m", "", "-p", "no:cacheprovider", *TESTS],
    ]
    outside = {"PYTHONPATH", "PYTHONHOME", "PYTEST_PLUGINS", "VIRTUAL_ENV"}
    surroundings = {key: value for key, value in os.environ.items() if key not in outside}
    surroundings["HYPOTHESIS_PROFILE"] = "version"
    said = ""
    for step in steps:
        done = subprocess.run(
            step, cwd=ROOT, env=surroundings, text=True, check=False, stdout=subprocess.PIPE, stderr=subprocess.STDOUT
        )
        said = done.stdout
        if done.returncode != 0:
            print(f"-- {trial}: FAILED in {' '.join(map(str, step[:6]))} …\n{said}", flush=True)
            return False
    shutil.rmtree(folder, ignore_errors=True)
    last = said.strip().splitlines()[-1].strip("= ")
    print(f"-- {trial}: {last}; {time.monotonic() - began:.0f} s in all", flush=True)
    return True


if __name__ == "__main__":
    sys.exit(main())
