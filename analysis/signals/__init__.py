"""One recording alone: speed fixes, mount, lag, and the fused speed-time curve.

In: a `Recording`.
Out: `Fused`: the `SpeedCurve` with its sd, how the phone sat, how late GPS was (`smoothing`).
May import: `logger`.
"""
