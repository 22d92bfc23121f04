"""What a session folder states about vehicle, air, site and logs.

In: session.toml, or the texts of a command line (`overrides`).
Out: a frozen `Session` (`session`), every key checked against its range (`keys`, `key_table`).
May import: the files above the rooms of `logger`, and `tables` for the choice of columns.
"""
