"""What an outing will show, before it is driven.

In: a vehicle, a number of pairs, a phone.
Out: expected intervals, pairs needed, and what would bring more (`plan`), from nominal runs through
the session model itself (`outing`).
May import: everything from `logger` to `setup`.
"""
