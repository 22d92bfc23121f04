"""What is wrong with the samples of one recording: order, holes, codes, doubtful fixes.

In: `Rows` of one file, or several files of one recording.
Out: samples in order, with a finding for everything left out or doubted (`checks`), on one clock
where the files share one (`joining`).
May import: the files above the rooms of `logger`, `times`, `formats` and `tables`.
"""
