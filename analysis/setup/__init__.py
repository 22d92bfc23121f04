"""Before and after the analysis: make a session.toml, and make copies fit to share.

In: a folder of logs and answers, or recordings.
Out: the text of a session.toml (`draft`), or recordings without place and date (`anonymise`).
May import: everything from `logger` to `session_pipeline`.
"""
