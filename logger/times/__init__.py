"""Time stamps: numbers counted from some zero, and dates as text, become exact seconds.

In: a column of numbers or texts, with its line numbers.
Out: stamps [s] on one clock, and findings on what could not be settled.
May import: the files above the rooms of `logger`.
"""
