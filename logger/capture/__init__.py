"""Record with the phone's own browser: the page, and the server that brings recordings home.

`server.py` runs it, `application.py` says what is answered at which address, `uploads.py` has the
protocol between page and server and keeps what arrives. Nothing here is imported before
`pullcoast capture` runs.
"""

__all__ = ()
