"""The built-in plugins of holdzero: they import `holdzero.hooks` and nothing else of it."""
