"""`budget`: the bar of what would pass, as the rule has it."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path

import pytest
from typer.testing import CliRunner

from holdzero.cli import app
from holdzero.testing import PLAIN


@pytest.fixture
def bar(tmp_path: Path) -> Callable[..., str]:
    """The cells of the bar for u = 1 um about a tolerance of so many um, and what is said below it."""

    def go(width: float, decision: str = "") -> str:
        text = PLAIN.replace('deviation = "0 um"', 'deviation = { value = "0 um", standard = "1 um" }')
        text = text.replace('"-3 um"', f'"-{width / 2} um"').replace('"+3 um"', f'"+{width / 2} um"')
        (tmp_path / "washer.toml").write_text(f"{text}\n[decision]\n{decision}\n", "utf-8")
        told = CliRunner().invoke(app, ["budget", str(tmp_path / "washer.toml")])
        assert told.exit_code == 0
        (cells,) = (line.split("|")[1] for line in told.stdout.splitlines() if "█ pass" in line)
        return cells + (" nothing" if "Nothing can be passed" in told.stdout else "")

    return go


class TestTheBar:
    # Guard bands g/u by T/u, from JCGM 106:2012, eq. (11), worked out beforehand: 1.645 at 10, 1.796 at 4
    def test_is_drawn_in_by_the_guard_band_where_the_tolerance_is_wide(self, bar: Callable[..., str]) -> None:
        # 1.645 of 10 is 6.6 of 40 cells
        assert bar(10.0) == "░" * 7 + "█" * 26 + "░" * 7

    def test_is_drawn_in_by_more_where_both_tails_count(self, bar: Callable[..., str]) -> None:
        # 1.796 of 4 is 18.0 of 40 cells; one-sided it would be 16.4
        assert bar(4.0) == "░" * 18 + "█" * 4 + "░" * 18

    def test_has_no_pass_below_what_the_middle_needs(self, bar: Callable[..., str]) -> None:
        # 3.92 u
        assert bar(3.9) == "░" * 40 + " nothing"

    def test_shows_what_a_probability_lets_pass(self, bar: Callable[..., str]) -> None:
        # Φ⁻¹(0.9) = 1.282 of 10 is 5.1 of 40 cells
        assert bar(10.0, 'rule = "probability"\nconformance = 0.9') == "░" * 5 + "█" * 30 + "░" * 5

    def test_shows_where_a_plugins_rule_lets_nothing_pass(self, bar: Callable[..., str]) -> None:
        assert bar(10.0, 'rule = "ratio"') == "░" * 40 + " nothing"
        assert bar(20.0, 'rule = "ratio"') == "█" * 40
