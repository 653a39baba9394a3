"""The routine: its file format as typed models, loading, resolving, and what is unwise in it."""
