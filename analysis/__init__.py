"""Turn recordings into speed-time curves, road load and wheel power, with honest intervals.

Read `pipeline.py` first: `analyse(session) -> Analysis` is the main path, one line per stage. From a
session's folder to its figures:

>>> from pathlib import Path
>>> from analysis.pipeline import analyse
>>> from logger.reading import read_log
>>> from logger.session.session import read_session
>>> session = read_session(Path("sample_logs/van_bare"))
>>> logs = tuple(read_log(entry.files, columns=entry.columns) for entry in session.logs)
>>> found = analyse(session, logs)
>>> low, high = found.power.peak_ci95_w
>>> print(f"{found.power.peak_w / 1e3:.0f} kW, with 95 % from {low / 1e3:.0f} to {high / 1e3:.0f}")
85 kW, with 95 % from 83 to 86
"""
