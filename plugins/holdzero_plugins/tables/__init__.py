"""Built-in tables of materials and units, one file each."""
