"""Runs timed by stopwatch or oscilloscope, held against a session.

In: times between gates (`timed_runs`), or a throttle's voltage (`throttle`, `scope`), and a
session's results.
Out: `CrossCheck`: predicted times, what explains the rest, and the customary sum.
May import: everything from `logger` to `pipeline`.
"""
