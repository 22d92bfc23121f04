"""What was driven: pulls, coast-downs, brakes and stops; where on the road; in which gear.

In: `Fused` recordings.
Out: `Run`s with their phases (`phases`), places along the road (`road`), gear changes found by all
pulls together (`gear_changes`), gears (`gears`), and what may be used of them, with reasons
(`judging`).
May import: `logger`, `signals`, `physics`.
"""
