"""The test kit for authors of plugins: `pytest_plugins = ("holdzero.testing",)` in the test's own module.

There it works wherever the test stands and pytest is started. In a `conftest.py` pytest takes it only in the folder
where pytest is started, the project's top; further down it refuses it.

It needs pytest: install `holdzero[test]`. The tool itself never imports it. Nothing in it is an
`assert` that pytest would have to rewrite, so that a `conftest.py` can import it too: PYTEST_DONT_REWRITE
"""

from holdzero.testing.conformance import assert_conforms
from holdzero.testing.draft import GOOD, PLAIN, Draft
from holdzero.testing.kit import Asked, Measure, Outcome, measure
from holdzero.testing.loading import catalogue_of
from holdzero.testing.virtual import Truth, virtual_answers

__all__ = [
    "GOOD",
    "PLAIN",
    "Asked",
    "Draft",
    "Measure",
    "Outcome",
    "Truth",
    "assert_conforms",
    "catalogue_of",
    "measure",
    "virtual_answers",
]
