"""Changes of the book's tables, one file a version."""
