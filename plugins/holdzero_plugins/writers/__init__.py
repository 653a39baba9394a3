"""Built-in writers, one file each."""
