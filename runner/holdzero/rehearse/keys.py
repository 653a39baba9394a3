"""Tables of a scenario's keys, made from the models: `python -m holdzero.rehearse.keys` prints them.

The documentation holds a copy; a test keeps it current.
"""

from __future__ import annotations

import sys

from holdzero.rehearse.scenario import Scenario
from holdzero.routine.keys import key_table, tables_within

__all__ = ["scenario_tables"]


def scenario_tables() -> str:
    """All tables as Markdown."""
    inner = [key_table(f"[{key}]", model) for key, model in tables_within(Scenario)]
    return "\n".join([key_table("Outside any table", Scenario), *inner])


if __name__ == "__main__":
    sys.stdout.write(scenario_tables())
