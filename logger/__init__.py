"""Bring phone logs in: files of many kinds become one `Recording` in SI units.

Read `reading.py` first (`read(path) -> Recording`), then `recording.py` for what a
recording is, and `session/session.py` for the folder that holds the recordings of one outing.
Nothing in this package imports `analysis`, scipy or matplotlib.
"""
