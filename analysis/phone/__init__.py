"""The analysis without a computer: a static folder in which a phone's browser does all of it.

In: a WebAssembly Python with compiled packages, checked by its own lock (`runtime`) and trimmed
(`trim`); pure-Python packages and our own source as they are installed (`installed`).
Out: the folder (`folder`), which any https host can serve; `page` holds what it adds to the capture page.
`worked_out` and `drawn` run in the browser: what was recorded in, headline, figures and files out.
May import: everything from `logger` to `report`.
"""
