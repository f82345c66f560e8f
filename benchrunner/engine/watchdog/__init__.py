"""The watchdog: a process of its own that makes the bench safe when the engine is killed, stopped or stands still.

`keeper` is the engine's side (start, feed, disarm), `process` the watchdog's own, `acting` what it does over links that
it opens itself, `ending` how it ends what is left of an engine. A watchdog on the same computer falls with the computer;
that is what a hardware watchdog relay is for (`relay`).
"""
