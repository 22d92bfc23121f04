"""The session model: one fit of all runs, both directions, both sensors.

In: `Run`s and their curves, cut into bins (`observations`), the vehicle and the site's priors.
Out: `SessionFit` (`fit`): the unknowns, their covariance and the learnt noise levels.
May import: `logger`, `signals`, `physics`, `runs`.
"""
