"""What commands share at the terminal: options, help, messages, files written, progress, colour.

In: words of a command line, texts and errors.
Out: typed options (`options`, `command_line`), what a person at a terminal sees, and files written
whole or not at all (`output`).
May import: `logger`.
"""
