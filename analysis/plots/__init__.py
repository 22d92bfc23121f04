"""Figures; the only room that knows matplotlib.

In: results; nothing is computed here.
Out: SVG for pages (`curves`, `runs`, `comparison`) and files of figures (`files`).
May import: everything from `logger` to `text` and `planning`.
"""

import logging

# Where nothing can be kept in the home folder, or there is none, matplotlib logs as it is imported
# where it keeps its list of fonts instead, which is no warning for the reader of a report.
logging.getLogger("matplotlib").addFilter(lambda record: record.levelno >= logging.ERROR)
