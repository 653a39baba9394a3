"""Every field that a record of a measuring room should have is in ours, or the record says that it is not recorded.

The list is common practice, no source.
"""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

import pytest

from holdzero.catalogue import Catalogue
from holdzero.record import digest_of_record
from holdzero.testing.records import sample_records

# Where in the record each field is: keys from the top, `*` for each of a list or table.
PLACES = {
    "identity: the record's own": "digest",
    "identity: routine": "routine.title",
    "identity: routine's revision": "routine.revision",
    "identity: routine's digest": "routine.digest",
    "identity: part number": "routine.part",
    "identity: serial": "run.serial",
    "who: operator": "run.operator",
    "when: start": "run.started",
    "when: end": "run.finished",
    "when: each reading": "readings.*.wall",
    "when: counter beside the wall time": "readings.*.time_s",
    "instrument: resolution": "register.comparator.resolution",
    "masters: nominal": "register.reference.size",
    "masters: certified deviation": "register.reference.deviation",
    "masters: material": "routine.document.reference.material",
    "environment: temperatures": "routine.document.steps",
    "soak: required": "steps.*.at_least_s",
    "readings: line as received": "readings.*.raw",
    "readings: value": "readings.*.value",
    "readings: source": "run.source",
    "readings: whether simulated": "simulated",
    "readings: order": "readings.*.entry",
    "strikes with reason": "readings.*.struck",
    "zero, check and closing values": "readings.*.kind",
    "limit of the closure": "run.bracket_limit_um",
    "corrections, each with its sign": "results.*.corrections_um",
    "result": "results.*.value_um",
    "U": "results.*.expanded_uncertainty_um",
    "k": "results.*.coverage_factor",
    "degrees of freedom": "results.*.degrees_of_freedom",
    "budget": "results.*.budget",
    "tolerance": "results.*.upper_um",
    "decision rule": "results.*.rule",
    "guard band": "results.*.guard_band_um",
    "verdict": "verdict",
    "risk": "results.*.specific_risk",
    "deviations from the method": "findings.*.text",
    "overrides with their reason": "register.comparator.overruled",
    "software: name and version": "software.holdzero.version",
    "software: plugins' names": "software.plugins.*.name",
    "software: plugins' versions": "software.plugins.*.version",
    "software: plugins' digests": "software.plugins.*.digest",
    "software: Python": "software.python",
    "software: operating system": "software.system",
    "digest": "digest",
}
# What the record has no place for, or did not get: it says so itself.
STATED = (
    "lot",
    "quantity",
    "customer",
    "data from the customer",
    "role of the operator",
    "bench",
    "site",
    "joints of the reference",
    "sign convention of the comparator",
    "humidity",
    "slope of the temperature",
)


def found(data: Any, place: str) -> list[Any]:
    """What stands at a place; raises where nothing does."""
    items = [data]
    for key in place.split("."):
        if key == "*":
            items = [item for whole in items for item in (whole.values() if isinstance(whole, Mapping) else whole)]
        else:
            items = [whole[key] for whole in items]
    return items


@pytest.fixture(scope="module")
def samples(catalogue: Catalogue) -> dict[str, dict[str, Any]]:
    return dict(sample_records(catalogue))


@pytest.mark.parametrize("field", PLACES)
def test_it_stands_in_a_record(field: str, samples: dict[str, dict[str, Any]]) -> None:
    everything = samples["with a little of everything"]
    assert found(everything, PLACES[field]), f"{field}: nothing at {PLACES[field]}"


@pytest.mark.parametrize("field", STATED)
def test_that_it_is_not_recorded_is_said(field: str, samples: dict[str, dict[str, Any]]) -> None:
    assert [name for name, record in samples.items() if field not in record["not_recorded"]] == []


class TestWhatMayBeMissing:
    def test_a_serial_and_an_operator(self, samples: dict[str, dict[str, Any]]) -> None:
        with_, without = samples["a pass"], samples["without serial and operator"]
        assert set(without["not_recorded"]) - set(with_["not_recorded"]) == {"serial", "operator"}

    def test_a_temperature_that_was_not_read_is_said_to_be_so(self, samples: dict[str, dict[str, Any]]) -> None:
        assert "temperature of the part" in samples["a pass"]["not_recorded"]
        read = {row["place"] for row in samples["with a little of everything"]["readings"] if row["unit"] == "degC"}
        said = samples["with a little of everything"]["not_recorded"]
        assert read
        assert [place for place in read if f"temperature of the {place}" in said] == []

    def test_the_statement_is_part_of_what_the_digest_covers(self, samples: dict[str, dict[str, Any]]) -> None:
        record = samples["a pass"]
        assert digest_of_record({**record, "not_recorded": []}) != record["digest"]


class TestWhatIsAddedLater:
    def test_an_amendment_points_to_the_record_before_it(self, samples: dict[str, dict[str, Any]]) -> None:
        assert samples["an amendment"]["amends"]["digest"].startswith("sha256:")

    def test_a_page_has_an_end_mark(self, samples: dict[str, dict[str, Any]]) -> None:
        from holdzero_plugins.writers.html import write

        assert b"End of record" in write(samples["a pass"])[".html"]
