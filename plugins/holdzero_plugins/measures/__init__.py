"""Built-in measures, one file each."""
