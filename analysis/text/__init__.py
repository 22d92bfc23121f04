"""Numbers and results in words for people.

In: results.
Out: texts: rounded numbers with units (`numbers`), advice, summaries, comparisons.
May import: everything from `logger` to `sessions` and `setup`.
"""
