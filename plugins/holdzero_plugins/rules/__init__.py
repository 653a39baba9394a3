"""Built-in decision rules, one file each."""
