"""Whether a session holds what an answer needs, whether its runs belong together, whether the result can be right.

In: a `SessionFit`, what was found from it, the session.
Out: findings, or `NothingUsable` with every reason.
May import: what `results` may, and the modules of `results`.
"""
