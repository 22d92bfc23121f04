"""Many sessions in one go: jobs, workers, and the table of all; and one while its recordings arrive.

In: folders of sessions.
Out: one folder of results each, batch.csv and batch.html (`table`); what a phone is shown (`live`).
May import: everything from `logger` to `report`.
"""
