"""The commands: each reads its arguments, calls one function of the program, and turns its outcome into words and an exit code."""
