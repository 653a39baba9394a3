"""Built-in sources, one file each."""
