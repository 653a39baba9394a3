"""holdzero: measure a part at a bench comparator and defend the number.

This module holds the version and nothing else, so that asking for it costs nothing.
"""

__all__ = ["__version__"]

__version__ = "0.1.0"
