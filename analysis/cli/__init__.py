"""The command line: `main`, and a module for each command: its arguments, and what it does with them.

In: arguments, typed by typer.
Out: files and text through the rooms; the exit status. No physics here.
May import: everything; at the top of a module only what is light, since `--help` loads it.
"""
