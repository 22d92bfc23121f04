"""Closed forms and facts that need no data: air, vehicles, coasting, pulling, ambient factors.

In and out: numbers in SI units; each function names its equation and source.
May import: `logger`.
"""
