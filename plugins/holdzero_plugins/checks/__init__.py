"""Built-in checks, one file each."""
