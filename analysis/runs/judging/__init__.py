"""What of the runs may be used: full throttle or not, neutral or in gear, sound speeds or not.

In: runs as found, with their recordings' curves and signals.
Out: the same runs with `used` and `why_not` settled, and a finding for what is left out (`selection`).
May import: `logger`, `signals`, `physics`, and `run` of the room around it.
"""
