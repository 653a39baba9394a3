"""Gauge studies, nested and interlaboratory studies: edges, words, and what they refuse."""

from __future__ import annotations

import math
from typing import Any

import numpy as np
import pytest

from holdzero.studies import (
    Day,
    StudyError,
    consistency,
    consistency_limits,
    critical_difference,
    critical_range,
    crossed_layout,
    crossed_study,
    deviation_interval,
    nested_study,
    precision_of_level,
    range_study,
)

# Two parts, two inspectors, two trials [um]. By hand: cells scatter by 0.5 each (SS 2.0, 4 degrees of freedom),
# no interaction, inspectors 1 apart (SS 2.0), parts 5 apart (SS 50.0).
SMALL = [[[1.0, 2.0], [2.0, 3.0]], [[7.0, 6.0], [8.0, 7.0]]]


class TestACrossedStudyByHand:
    def test_pools_an_interaction_of_nothing(self) -> None:
        study = crossed_study(SMALL, tolerance_um=10.0)
        assert study.pooled
        assert study.notes == ("interaction pooled with repeatability: p = 1 is above 0.25",)
        # pooled MS 2.0/5 = 0.4; inspectors (2.0 − 0.4)/4; parts (50 − 0.4)/4
        assert study.repeatability.variance_um2 == pytest.approx(0.4)
        assert study.inspectors.variance_um2 == pytest.approx(0.4)
        assert study.parts.variance_um2 == pytest.approx(12.4)
        assert study.gauge.share_of_tolerance == pytest.approx(6.0 * math.sqrt(0.8) / 10.0)
        assert study.category_ratio == pytest.approx(1.41 * math.sqrt(12.4 / 0.8))
        assert study.categories == 5

    def test_gives_intervals_with_their_degrees_of_freedom(self) -> None:
        study = crossed_study(SMALL)
        assert study.repeatability_interval.dof == 5.0
        # variance 2.0/4 + 0.4·3/4 = 0.8; effective: 0.8²/(0.5²/1 + 0.3²/5)
        assert study.gauge_interval is not None
        assert study.gauge_interval.dof == pytest.approx(0.64 / (0.25 + 0.018))
        assert study.gauge_interval.lower_um < study.gauge.standard_um < study.gauge_interval.upper_um

    def test_gives_the_interval_of_a_kept_interaction_its_degrees_of_freedom(self) -> None:
        crossed = [[[1.0, 2.0], [4.0, 5.0]], [[7.0, 6.0], [6.0, 5.0]]]
        study = crossed_study(crossed, pooling_significance=1.0)
        # By hand: cell means 1.5, 4.5, 6.5, 5.5; inspectors 4 and 5 (SS 2, 1 dof), parts 3 and 6, crossed ±1 (SS 8,
        # 1 dof), cells ±0.5 (SS 2, 4 dof, MS 0.5). Inspectors below the interaction: (2 − 8)/4 is set to 0.
        assert [line.sum_of_squares_um2 for line in study.table] == pytest.approx([2.0, 18.0, 8.0, 2.0, 30.0])
        assert study.inspectors.estimate_um2 == pytest.approx(-1.5)
        assert study.interaction.variance_um2 == pytest.approx((8.0 - 0.5) / 2.0)
        assert study.gauge_interval is None
        apart = [[[1.0, 2.0], [14.0, 15.0]], [[7.0, 6.0], [16.0, 15.0]], [[4.0, 5.0], [14.0, 15.0]]]
        study = crossed_study(apart, pooling_significance=1.0)
        # Inspectors differ by 13, 9, 10 on the parts, mean 32/3: SS 6/2 · (32/3)² = 1024/3 (1 dof); the interaction is
        # what scatters about it, SS 2/2 · (49 + 25 + 4)/9 = 26/3 (2 dof); cells SS 3 (6 dof).
        assert study.table[0].mean_square_um2 == pytest.approx(1024.0 / 3.0)
        assert study.table[2].mean_square_um2 == pytest.approx(13.0 / 3.0)
        terms = [(1024.0 / 18.0, 1.0), (2.0 / 6.0 * 13.0 / 3.0, 2.0), (0.5 * 0.5, 6.0)]
        assert study.gauge.variance_um2 == pytest.approx(sum(term for term, _ in terms))
        assert study.gauge_interval is not None
        effective = sum(term for term, _ in terms) ** 2 / sum(term**2 / dof for term, dof in terms)
        assert study.gauge_interval.dof == pytest.approx(effective)

    def test_gives_no_interval_of_the_gauge_where_a_component_was_set_to_zero(self) -> None:
        same = [[[1.0, 2.0], [2.0, 1.0]], [[7.0, 6.0], [6.0, 7.0]]]
        study = crossed_study(same)
        assert study.inspectors.set_to_zero
        assert study.gauge_interval is None
        assert "variance of inspectors came out below zero and is set to 0" in study.notes

    def test_without_a_tolerance_gives_no_share_of_one(self) -> None:
        assert crossed_study(SMALL).gauge.share_of_tolerance is None
        assert range_study(SMALL).gauge.share_of_tolerance is None

    def test_keeps_or_pools_as_it_is_told(self) -> None:
        assert not crossed_study(SMALL, pooling_significance=1.0).pooled
        assert crossed_study(SMALL, pooling_significance=0.0).pooled


class TestAGaugeWithoutScatter:
    def test_tells_any_number_of_parts_apart(self) -> None:
        still = [[[1.0, 1.0], [1.0, 1.0]], [[2.0, 2.0], [2.0, 2.0]]]
        study = crossed_study(still)
        assert study.gauge.standard_um == 0.0
        assert (study.category_ratio, study.categories) == (math.inf, None)
        assert study.notes == ("neither repeatability nor interaction scatters: the interaction is pooled",)
        assert range_study(still).categories is None

    def test_shows_an_interaction_that_nothing_hides(self) -> None:
        crossed = [[[1.0, 1.0], [2.0, 2.0]], [[2.0, 2.0], [1.0, 1.0]]]
        study = crossed_study(crossed)
        assert not study.pooled
        # cells ±0.5 about their row and column: SS 2 · 4 · 0.25 = 2 with 1 degree of freedom, over 2 trials
        assert study.interaction.variance_um2 == pytest.approx(1.0)
        with pytest.raises(StudyError, match="analysis of variance"):
            range_study(crossed)

    def test_refuses_readings_that_differ_by_rounding_alone(self) -> None:
        with pytest.raises(StudyError, match="no more than rounding"):
            crossed_study([[[0.3, 0.1 + 0.2], [0.3, 0.3]], [[0.3, 0.3], [0.3, 0.3]]])

    def test_takes_the_last_digits_of_a_mean_for_no_scatter(self) -> None:
        # the mean of three 0.1 is not 0.1 in binary
        still = np.broadcast_to(np.array([[[0.1]], [[0.7]], [[1e3]]]), (3, 2, 3))
        assert crossed_study(still).repeatability.variance_um2 == 0.0


class TestReadingsInRows:
    ROWS = tuple(
        (part, inspector, reading)
        for part, cells in zip(("P1", "P2"), SMALL, strict=True)
        for inspector, readings in zip(("Ada", "Bo"), cells, strict=True)
        for reading in readings
    )

    def test_find_their_places(self) -> None:
        layout = crossed_layout(self.ROWS)
        assert (layout.parts, layout.inspectors) == (("P1", "P2"), ("Ada", "Bo"))
        assert layout.readings_um.tolist() == SMALL

    def test_are_refused_where_a_cell_is_short(self) -> None:
        with pytest.raises(StudyError, match="part P2 has 1 readings by Bo, others have 2"):
            crossed_layout(self.ROWS[:-1])

    def test_are_refused_where_a_cell_is_missing(self) -> None:
        with pytest.raises(StudyError, match="part P2 has 0 readings by Bo"):
            crossed_layout(self.ROWS[:-2])

    def test_are_refused_where_there_are_none(self) -> None:
        with pytest.raises(StudyError, match="no readings"):
            crossed_layout([])


class TestRefusals:
    @pytest.mark.parametrize(
        ("readings", "match"),
        [
            ([[[1.0, 2.0], [1.0]], [[1.0, 2.0], [1.0, 2.0]]], "equally many"),
            ([[1.0, 2.0], [3.0, 4.0]], "2 axes"),
            ([[[1.0, 2.0], [3.0, 4.0]]], "2 parts or more"),
            ([[[1.0, 2.0]], [[3.0, 4.0]]], "2 inspectors or more"),
            ([[[1.0], [2.0]], [[3.0], [4.0]]], "2 trials or more"),
            ([[[1.0, 2.0], [3.0, math.nan]], [[1.0, 2.0], [1.0, 2.0]]], "trial 2 of part 1 by inspector 2"),
            ([[[1.0, 1.0], [1.0, 1.0]], [[1.0, 1.0], [1.0, 1.0]]], "resolution is too coarse"),
        ],
    )
    def test_of_a_crossed_study(self, readings: Any, match: str) -> None:
        for study in (crossed_study, range_study):
            with pytest.raises(StudyError, match=match):
                study(readings)

    @pytest.mark.parametrize("tolerance", [0.0, -1.0, math.inf, math.nan])
    def test_of_a_tolerance(self, tolerance: float) -> None:
        for study in (crossed_study, range_study):
            with pytest.raises(StudyError, match="tolerance"):
                study(SMALL, tolerance_um=tolerance)

    def test_of_levels(self) -> None:
        with pytest.raises(StudyError, match="pooling"):
            crossed_study(SMALL, pooling_significance=1.5)
        with pytest.raises(StudyError, match="coverage"):
            deviation_interval(1.0, 4.0, 1.0)

    @pytest.mark.parametrize(
        ("laboratories", "match"),
        [
            ([[1.0, 2.0]], "two laboratories"),
            ([[1.0, 2.0], []], "laboratory 2 has no reading"),
            ([[1.0, 2.0], [math.inf]], "laboratory 2 has a reading that is no number"),
            ([[1.0], [2.0]], "no laboratory has two readings"),
        ],
    )
    def test_of_laboratories(self, laboratories: list[list[float]], match: str) -> None:
        with pytest.raises(StudyError, match=match):
            precision_of_level(laboratories)
        with pytest.raises(StudyError, match=match):
            consistency(laboratories)

    def test_of_limits_for_too_few(self) -> None:
        with pytest.raises(StudyError, match="two or more"):
            critical_range(1.0, 1)
        with pytest.raises(StudyError, match="one reading"):
            critical_difference(1.0, 0, 1)
        with pytest.raises(StudyError, match="three laboratories"):
            consistency_limits(2, 2, 0.05)

    DAY = Day(mean=1.0, standard_deviation=0.1)

    @pytest.mark.parametrize(
        ("standards", "readings", "match"),
        [
            ([[[DAY, DAY]]], 3, "equally many runs"),
            ([[[DAY, DAY], [DAY]]], 3, "equally many days"),
            ([[[DAY, DAY], [DAY, DAY]]], 1, "readings a day"),
            ([[[DAY, DAY], [DAY, Day(mean=math.nan, standard_deviation=0.1)]]], 3, "no number"),
            ([], 3, "equally many runs"),
        ],
    )
    def test_of_a_nested_study(self, standards: list[list[list[Day]]], readings: int, match: str) -> None:
        with pytest.raises(StudyError, match=match):
            nested_study(standards, readings=readings)


class TestANestedStudyByHand:
    def test_splits_readings_days_and_runs(self) -> None:
        # Days 1, 5 and 11, 15, four readings each with s = 1: s2² = 8; runs 3 and 13: s3² = 50.
        runs = [[Day(mean=mean, standard_deviation=1.0) for mean in means] for means in ((1.0, 5.0), (11.0, 15.0))]
        study = nested_study([runs], readings=4)
        assert (study.repeatability_dof, study.of_days_dof, study.of_runs_dof) == (12.0, 2.0, 1.0)
        assert (study.of_days**2, study.of_runs**2) == pytest.approx((8.0, 50.0))
        assert study.days_variance == pytest.approx(8.0 - 1.0 / 4.0)
        assert study.runs_variance == pytest.approx(50.0 - 8.0 / 2.0)
        assert study.single_reading**2 == pytest.approx(46.0 + 7.75 + 1.0)


class TestLaboratories:
    def test_with_a_single_reading_have_no_k(self) -> None:
        marks = consistency([[1.0], [2.0, 4.0], [3.0, 5.0]])
        assert marks[0].k is None
        assert [mark.k for mark in marks[1:]] == pytest.approx([1.0, 1.0])
        # means 1, 3, 4: their mean 8/3, standard deviation √(7/3)
        assert [mark.h for mark in marks] == pytest.approx(
            [(mean - 8.0 / 3.0) / math.sqrt(7.0 / 3.0) for mean in (1.0, 3.0, 4.0)]
        )

    def test_keep_their_digits_far_from_zero(self) -> None:
        near, far = [[1.0, 3.0], [5.0, 7.0]], [[1e9 + 1.0, 1e9 + 3.0], [1e9 + 5.0, 1e9 + 7.0]]
        first, second = precision_of_level(near), precision_of_level(far)
        assert second.reproducibility == pytest.approx(first.reproducibility, rel=1e-12)
