"""Many sessions in one go: jobs, workers, and the table of all.

In: folders of sessions.
Out: one folder of results each, batch.csv and batch.html (`table`).
May import: everything from `logger` to `report`.
"""
