"""How long the tests wait for what must happen."""

# How long anything may take that must happen [s]: nobody waits for it, unless it is wrong.
PATIENCE_S = 60.0
