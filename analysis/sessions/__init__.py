"""Several sessions: put together as one vehicle's, or set against each other.

In: `Analysis` objects, or earlier results.
Out: pooled road load and power (`combine`), or differences with what may be claimed (`compare`).
May import: everything from `logger` to `session_pipeline`.
"""
