"""NIST StRD univariate data sets, through readings, check and record.

Source: NIST/ITL Statistical Reference Datasets, univariate summary statistics, certified values of Michelso.dat,
Mavro.dat, NumAcc1.dat, NumAcc2.dat, Lew.dat and Lottery.dat; the files under data/ are NIST's own (public domain). How
many digits double arithmetic reaches was worked out in 50-digit arithmetic beforehand.
"""

from __future__ import annotations

import math
import re
from collections.abc import Callable
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from holdzero.statistics import runs_statistic

DATA = Path(__file__).parent / "data"

ROUTINE = """\
format = 1
routine = {{ title = "Certified data", part = "D-1" }}
reference = {{ name = "Block", size = "5 mm", deviation = "0 um" }}
comparator = {{ resolution = "0.000001 um", unit = "um" }}
characteristics.value = {{ measure = "size", at = "a" }}
bracket = {{ limit = "1000 m" }}
steps = [
    {{ do = "zero" }},
    {{ do = "read", at = "a", times = {count} }},
    {{ do = "return" }},
]
"""


def data_of(name: str) -> list[str]:
    """The readings, as text: what stands below the line of hyphens."""
    text = (DATA / f"{name}.dat").read_text("ascii")
    return re.split(r"^-{5,}\s*$", text, flags=re.MULTILINE)[-1].split()


def matching_digits(ours: float, certified: float) -> float:
    """Log relative error: about the number of digits that agree."""
    return 15.0 if ours == certified else -math.log10(abs(ours - certified) / abs(certified))


# certified mean, certified standard deviation (n − 1), digits that double arithmetic reaches
SETS = {
    "Michelso": (299.852400000000, 0.0790105478190518, 13.0),
    "Mavro": (2.00185600000000, 0.000429123454003053, 12.5),
    "NumAcc1": (10000002.0, 1.0, 15.0),
    "Lew": (-177.435000000000, 277.332168044316, 14.0),
    "Lottery": (518.958715596330, 291.699727470969, 14.0),
}


@pytest.mark.parametrize("name", SETS)
def test_mean_and_scatter_agree_with_the_certified_values(measure: Callable[..., Any], name: str) -> None:
    mean, s, digits = SETS[name]
    data = data_of(name)
    outcome = measure(ROUTINE.format(count=len(data)), ["0", *data, "0"])
    (scatter,) = [f for f in outcome.record["findings"] if f["code"] == "repeatability/scatter"]
    assert scatter["data"]["degrees_of_freedom"] == len(data) - 1
    assert matching_digits(scatter["data"]["s_um"], s) >= digits
    # value = 5000 um of the reference plus the mean difference
    assert outcome.record["results"]["value"]["value_um"] - 5000.0 == pytest.approx(mean, rel=1e-9)


def test_the_set_of_1001_readings_agrees_too() -> None:
    # NumAcc2 through the check's own function: mean 1.2, s 0.1, exact
    from holdzero.hooks import pooled_standard_deviation

    s, dof = pooled_standard_deviation([[float(text) for text in data_of("NumAcc2")]])
    assert dof == 1000
    assert matching_digits(float(s), 0.1) >= 14.0


def test_runs_of_one_side_of_the_median_are_as_many_as_the_handbook_says() -> None:
    # NIST/SEMATECH e-Handbook, 1.3.5.13, runs test of LEW.DAT: Z = 2.6938 (from memory; the data are NIST's own).
    data = np.array([float(text) for text in data_of("Lew")])
    z, runs = runs_statistic(data - np.median(data))
    assert round(z, 4) == 2.6938
    assert runs == 120
