"""What follows from a fit: road load, wheel power, site, sensors, predictions.

In: a `SessionFit`, the runs, the vehicle and the air.
Out: frozen results with intervals; a number that a report shows is a field of one of them.
May import: `logger`, `signals`, `physics`, `runs`, `model`.
"""
