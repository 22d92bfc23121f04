"""Turn recordings into speed-time curves, road load and wheel power, with honest intervals.

Read `pipeline.py` first: `analyse(session) -> Analysis` is the main path, one line per stage.
"""
