"""Before and after the analysis: take recordings in, make a session.toml, make copies fit to share.

In: a phone's uploads (`reception`), a folder of logs and answers (`conversation`), or logs (`copies`).
Out: recordings listed in a session.toml (`draft`), or a copy without place and date (`anonymise`).
May import: everything from `logger` to `session_pipeline`.
"""
