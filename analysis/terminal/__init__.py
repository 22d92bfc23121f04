"""What commands share at the terminal: options, messages, files written, progress, colour.

In: texts and errors.
Out: what a person at a terminal sees, and files written whole or not at all (`output`).
May import: `logger`.
"""
