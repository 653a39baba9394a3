"""Each rule by its name: how many points it takes, and how far out they are.

Western Electric, Statistical Quality Control Handbook (1956), zone rules; Nelson, J. Quality Technology 16 (1984) 237;
ISO 7870-2:2013: all from memory.
"""

from __future__ import annotations

import pytest

from holdzero.charts import RULES, Limits, state

UNIT = Limits(centre=0.0, standard_deviation=1.0, number=20)
BY_NAME = {rule.name: rule for rule in RULES}
TURNS = [0.5, -0.5] * 7


@pytest.mark.parametrize(
    ("name", "row"),
    [
        ("action", [3.001]),
        ("side-7", [0.1] * 7),
        ("side-8", [0.1] * 8),
        ("side-9", [-0.1] * 9),
        ("trend-7", [0.1 * number for number in range(7)]),
        ("trend-6", [-0.1 * number for number in range(6)]),
        ("2-of-3", [2.001, 0.0, 2.001]),
        ("4-of-5", [1.001, 1.001, 0.0, 1.001, 1.001]),
        ("4-of-5", [-1.001, 0.0, -1.001, -1.001, -1.001]),
        ("alternating-14", TURNS),
        ("near-15", [0.9, -0.9, 0.2] * 5),
        ("away-8", [1.1, -1.1] * 4),
    ],
)
def test_completes_at_the_last_of_its_points_and_not_before(name: str, row: list[float]) -> None:
    (signal,) = state(row, UNIT, [BY_NAME[name]]).signals
    assert signal.points == (len(row) - 1,)


@pytest.mark.parametrize(
    ("name", "row"),
    [
        ("action", [3.0, -3.0]),
        ("2-of-3", [2.001, 0.0, 0.0, 2.001]),
        ("2-of-3", [1.999, 1.999, 1.999]),
        ("4-of-5", [1.001, 1.001, 0.0, 0.0, 1.001, 1.001]),
        ("4-of-5", [0.999] * 5),
        ("near-15", [*([0.5, -0.5] * 7), 1.1]),
        ("away-8", [*([1.1, -1.1] * 3), 1.1, 0.9, 1.1]),
    ],
)
def test_is_silent_where_one_point_or_the_distance_is_wanting(name: str, row: list[float]) -> None:
    assert state(row, UNIT, [BY_NAME[name]]).signals == ()
