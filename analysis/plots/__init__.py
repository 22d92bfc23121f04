"""Figures; the only room that knows matplotlib.

In: results; nothing is computed here.
Out: SVG for pages (`curves`, `runs`, `comparison`) and files of figures (`files`).
May import: everything from `logger` to `text` and `planning`.
"""
