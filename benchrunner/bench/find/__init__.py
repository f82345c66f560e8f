"""Looks for instruments, asks each who it is, and proposes driver card and role. Only identification queries are sent:
the bench could be live. Nothing is scanned that was not named, except what this machine itself has plugged in.
"""
