"""Sessions of known truth: whole physics, a phone's faults, files as a user would bring them.

In: seeds and options.
Out: a folder of logs with its truth (`session`).
May import: numpy, scipy and `logger.writing` alone. It shares no physics with the estimator.
"""
