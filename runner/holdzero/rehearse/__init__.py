"""A routine tried many times before metal is touched: one fold, many runs.

Readings are arrays whose leading axis is the runs; they go through the same run, checks and decision as at the bench.
`errors` draws what is true, `bench` answers every prompt, `many` counts what came of it, `curve` says it of part sizes.
"""

from holdzero.rehearse.curve import Curve, Point, Process, band_of, process_of, true_sizes_um, u_holds
from holdzero.rehearse.many import Tally, rehearsed

__all__ = [
    "Curve",
    "Point",
    "Process",
    "Tally",
    "band_of",
    "process_of",
    "rehearsed",
    "true_sizes_um",
    "u_holds",
]
