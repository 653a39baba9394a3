"""Fixtures that all tests share besides the kit: a person at a terminal, a run driven by hand, books, a page.

What they give is made and documented in `support/`.
"""

from __future__ import annotations

import os
import signal
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import pytest
from hypothesis import HealthCheck, settings

from holdzero.book import Book, open_book
from holdzero.catalogue import Catalogue, load_catalogue
from holdzero.checks import Patience
from holdzero.cli.house import Shop
from holdzero.testing import PLAIN
from holdzero.testing.many import Many
from tests.support.by_hand import Bench
from tests.support.patience import PATIENCE_S
from tests.support.person import Person
from tests.support.postgresql import Server, programs_of_postgresql
from tests.support.starter import Starter
from tests.support.visitor import Visitor

ROOT = Path(__file__).parent.parent

pytest_plugins = ("holdzero.testing",)

# The same examples for everybody, so that a red suite is red for all; a soak looks for new ones:
# `HYPOTHESIS_PROFILE=soak python -m pytest tests/laws` tries each law a hundred thousand times.
settings.register_profile("suite", max_examples=200, deadline=None, derandomize=True)
# The same laws once more on each version that is declared, where another version and not another example is tried.
settings.register_profile("version", max_examples=40, deadline=None, derandomize=True)
settings.register_profile(
    "soak", max_examples=100_000, deadline=None, print_blob=True, suppress_health_check=[HealthCheck.too_slow]
)
# Whoever begins the tests may have them ignore Ctrl-C, as a job in the background does: what they begin must hear it.
if signal.getsignal(signal.SIGINT) is signal.SIG_IGN:
    signal.signal(signal.SIGINT, signal.default_int_handler)

settings.load_profile(os.environ.get("HYPOTHESIS_PROFILE", "suite"))


def pytest_xdist_auto_num_workers(config: pytest.Config) -> int | None:
    """Half as many workers again as there are cores for the second tier: its tests wait as long as they work."""
    cores = os.cpu_count() or 1
    return cores + (cores + 1) // 2 if config.option.markexpr == "long" else None


@pytest.fixture(autouse=True)
def _ctrl_c_stays_heard() -> Iterator[None]:
    """What a command leaves deaf at its end is the process of the tests where it was called as a function."""
    before = signal.getsignal(signal.SIGINT)
    yield
    signal.signal(signal.SIGINT, before)


@pytest.fixture(scope="session")
def starter() -> Iterator[Starter]:
    """Begins the tool as a process of its own, soon."""
    made = Starter()
    yield made
    made.close()


@pytest.fixture
def person(tmp_path: Path, starter: Starter) -> Iterator[Callable[..., Person]]:
    """Sit somebody down at a terminal in the folder of the test."""
    seated: list[Person] = []

    def sit(*arguments: str, size: tuple[int, int] = (24, 80), env: dict[str, str] | None = None) -> Person:
        seated.append(Person(*arguments, starter=starter, folder=tmp_path, size=size, env=env))
        return seated[-1]

    yield sit
    for someone in seated:
        someone.leaves()


@pytest.fixture(scope="session", autouse=True)
def _unhurried() -> Iterator[None]:
    """A check may take as long as it likes where a test's shop says nothing else: a machine that stalls is no check."""

    def patience(shop: Shop) -> Patience:
        said = shop.register.plugins
        budget_s = said.budget if "budget" in said.model_fields_set else PATIENCE_S
        return Patience(budget_s=budget_s, limit_s=said.limit if "limit" in said.model_fields_set else PATIENCE_S)

    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(Shop, "patience", property(patience))
        yield


@pytest.fixture(scope="session")
def routines() -> Path:
    """The folder of the shipped routines."""
    return ROOT / "routines"


@pytest.fixture
def start(tmp_path: Path) -> Callable[..., Bench]:
    """Start a run on a routine text."""

    def go(routine: str = PLAIN, serials: tuple[str | None, ...] = ("1",)) -> Bench:
        return Bench(routine, tmp_path, serials)

    return go


@pytest.fixture(scope="session")
def catalogue() -> Catalogue:
    """The built-in plugins."""
    return load_catalogue()


@pytest.fixture
def visit() -> Iterator[Callable[..., Visitor]]:
    """Open pages of a server on this machine."""
    opened: list[Visitor] = []

    def go(port: int, cookie: str = "") -> Visitor:
        opened.append(Visitor(port, cookie))
        return opened[-1]

    yield go
    for page in opened:
        page.leaves()


@pytest.fixture(scope="session")
def server() -> Iterator[Server]:
    """A PostgreSQL server for all tests of this run."""
    programs = programs_of_postgresql()
    if programs is None:
        if os.environ.get("HOLDZERO_NEEDS_POSTGRESQL") == "1":
            pytest.fail("HOLDZERO_NEEDS_POSTGRESQL is set, and no PostgreSQL server is installed")
        pytest.skip("no PostgreSQL server is installed here")
    started = Server(programs)
    yield started
    started.remove()


@pytest.fixture(params=["sqlite", "postgresql"])
def url(request: pytest.FixtureRequest, tmp_path: Path) -> Iterator[str]:
    """The address of a book that is not there yet: on each kind of database."""
    if request.param == "sqlite":
        yield str(tmp_path / "book.sqlite")
        return
    postgresql: Server = request.getfixturevalue("server")
    made = postgresql.database()
    yield made
    postgresql.drop(made)


@pytest.fixture
def book(url: str) -> Iterator[Book]:
    """An empty book on each kind of database."""
    opened = open_book(url, create=True)
    yield opened
    opened.engine.dispose()


@pytest.fixture(scope="session")
def records_of(catalogue: Catalogue) -> Callable[..., list[str]]:
    """Make real records, distinct and as texts, oldest first: `records_of(3, operators=["T. Ester"])`; see `Many`.

    Devices and routine are changed with `draft=WASHER.with_table(…)`.
    """

    def make(count: int, **changes: Any) -> list[str]:
        return list(Many(catalogue=catalogue, **changes).texts(count))

    return make
