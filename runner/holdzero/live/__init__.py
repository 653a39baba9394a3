"""Listening to an instrument while a person sits at the bench: which of its lines answers what is asked.

`glance` is what a face shows, `taking` decides and is pure, `feed` brings both to the run.
"""

from holdzero.live.glance import Glance, Meanwhile, Stand

__all__ = ["Glance", "Meanwhile", "Stand"]
