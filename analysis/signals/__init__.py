"""One recording alone: speed fixes, mount, lag, and the fused speed-time curve.

In: a `Recording`.
Out: `Fused`: the `SpeedCurve` with its sd, how the phone sat, how late GPS was (`smoothing`).
Fixes (`gps`), axes (`mount`, `orientation`), lag and noise levels by likelihood (`lag`, `levels`), the
filter (`kalman`), what lies between fixes (`curve`), fixes alone (`alone`);
whether two recordings hold one drive (`copies`).
May import: `logger`.
"""
