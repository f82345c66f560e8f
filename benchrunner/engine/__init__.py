"""The process in which a run lives: joins core, bench and journal, and speaks to window and terminal in events."""
