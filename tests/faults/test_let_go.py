"""An instrument is let go whatever ends a run: the next run of the same bench page needs its port."""

from __future__ import annotations

import contextlib
from collections.abc import Callable, Sequence
from pathlib import Path
from typing import Any, cast

import pytest

from holdzero.catalogue import load_catalogue
from holdzero.cli.conduct import run_routine
from holdzero.cli.opening import Options
from holdzero.errors import HoldzeroError, SourceError, SourceExhaustedError
from holdzero.hooks import Habits, Said, Source
from holdzero.testing import PLAIN


class Held:
    habits = Habits()

    def __init__(self) -> None:
        self.closed = False

    def lines(self) -> Sequence[Said]:
        return ()

    def request(self) -> None:
        """Nothing has to be asked."""

    def fault(self) -> str:
        return ""

    def close(self) -> None:
        self.closed = True


def out_of_order(argument: str, counter_s: Callable[[], float]) -> Held:
    del counter_s
    raise SourceError(f"{argument}: there is no such port")


@pytest.mark.parametrize(
    ("source", "thermometers", "overdue"),
    [("held:1", ("gone:2",), False), ("wedge", ("held:2",), False), ("held:1", (), True)],
)
def test_whatever_ends_a_run(tmp_path: Path, source: str, thermometers: tuple[str, ...], overdue: bool) -> None:
    made: list[Held] = []

    def listen(argument: str, counter_s: Callable[[], float]) -> Held:
        del argument, counter_s
        made.append(Held())
        return made[-1]

    catalogue = load_catalogue()
    catalogue.want_all()
    for name, function in (("held", listen), ("gone", out_of_order)):
        declared = Source(name=name, title=name, interactive=True, keeps_time=False, simulated=False, listen=function)
        catalogue.sources[name] = (next(iter(catalogue.sources.values()))[0], declared)

    class Face:
        def __getattr__(self, name: str) -> Any:
            return lambda *_: None

        def __call__(self, *_: Any) -> Any:
            raise SourceExhaustedError("nobody sits there")

    text = PLAIN.replace("[comparator]", '[comparator]\ndue = "2020-01-01"', 1) if overdue else PLAIN
    path = tmp_path / "routine.toml"
    path.write_text(text, "utf-8")
    options = Options(
        source=source,
        out=tmp_path / "out",
        json=False,
        shop=tmp_path / "shop.toml",
        overrule=None,
        choices={},
        catalogue=catalogue,
        thermometers=thermometers,
        face=lambda *_: (cast("Any", Face()), cast("Any", Face())),
    )
    with contextlib.suppress(HoldzeroError):
        run_routine(path, options, operator="T. Ester", serials=("1",), member=None)
    assert [held.closed for held in made] == [True]
