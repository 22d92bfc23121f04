"""Formats with rules of their own: GPX and NMEA 0183, each sniffed and parsed here alone.

In: the bytes of a file, opened with limits by `logger.source`.
Out: `Rows`: stamps, columns and line numbers, nothing filtered or sorted. `gpx` and `nmea` do
the work; `gpx_points` walks the XML; `speed_units` holds speeds against positions.
May import: the files above the rooms of `logger`, and `times`.
"""
