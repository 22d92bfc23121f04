"""The command line: `main`, and a module for each command.

In: arguments.
Out: files and text through the rooms; the exit status. No physics here.
May import: everything.
"""
