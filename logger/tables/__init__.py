"""Delimited tables of any kind: which column is what, in which unit, and the cells as numbers.

In: the bytes of a file, and the user's choice of columns where there is one.
Out: `Rows` (`table`), or a `Scope` for an oscilloscope's table (`scope`). `headers` is the one
table of header words; `layout` finds delimiter and header, `even_rows` what rows there are, `cells`
reads them with pandas; `time_column` and `columns` settle what is what.
May import: the files above the rooms of `logger`, `times` and `formats.speed_units`.
"""
