"""What the published values share: how near is near enough, and data files as they were printed."""

from __future__ import annotations

import re
from collections.abc import Callable
from decimal import Decimal
from pathlib import Path
from typing import Any

import pytest

DATA = Path(__file__).parent / "data"


@pytest.fixture(scope="session")
def printed() -> Callable[[str], Any]:
    """From a number as printed to what equals it: within half a unit of the last printed digit."""

    def near(text: str) -> Any:
        exponent = Decimal(text).as_tuple().exponent
        assert isinstance(exponent, int)
        return pytest.approx(float(text), abs=0.5 * 10.0**exponent * (1.0 + 1e-9), rel=0.0)

    return near


@pytest.fixture(scope="session")
def table() -> Callable[[str], list[list[float]]]:
    """The rows of a data file: what stands below its line of hyphens."""

    def rows(name: str) -> list[list[float]]:
        text = (DATA / name).read_text("ascii")
        body = re.split(r"^-{5,}\s*$", text, flags=re.MULTILINE)[-1]
        return [[float(field) for field in line.split()] for line in body.splitlines() if line.strip()]

    return rows
