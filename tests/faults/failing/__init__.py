"""Each call that changes a disk or a database fails once, and from then on: `python -m tests.faults.failing`."""
