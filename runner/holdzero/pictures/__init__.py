"""Pages with pictures made of numbers: one file each, inline SVG, no script. No clock, no book, no screen."""

from holdzero.pictures.page import page

__all__ = ["page"]
