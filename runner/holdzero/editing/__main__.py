"""`python -m holdzero.editing` prints the tables of what the built-in plugins add, as the documentation holds them."""

from __future__ import annotations

import importlib.metadata
import sys

from holdzero.catalogue import BUILT_IN, GROUP, load_catalogue
from holdzero.editing.tables import plugin_tables

if __name__ == "__main__":
    points = [point for point in importlib.metadata.entry_points(group=GROUP) if point.value.startswith(BUILT_IN)]
    sys.stdout.write(plugin_tables(load_catalogue(points)))
