"""Built-in kinds of step, one file each."""
