"""Many sessions or logs in one go, as the commands `batch`, `report`, `look` and `speed` take them.

In: folders of sessions (`run`, `results`), or log files (`logs`).
Out: one folder of results each, what several share, batch.csv and batch.html (`table`); what a phone
is shown while its recordings arrive (`live`).
May import: everything from `logger` to `report`.
"""
