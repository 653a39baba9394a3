"""The house rules keep to what `plugins/README.md` says of every plugin."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import pytest

from holdzero.testing import assert_conforms

pytestmark = pytest.mark.long

SETTINGS: dict[str, dict[str, Any]] = {
    "comparator_due": {},
    "plate_wiped": {},
    "steady_room": {},
    "two_readers": {"two_readers": {"critical": ["thickness"], "limit": "0.5 um"}},
}


@pytest.mark.parametrize("rule", SETTINGS)
def test_a_rule_conforms(house: Path, rule: str) -> None:
    assert_conforms(house / f"{rule}.py", settings=SETTINGS[rule])
