"""The parts of the window, one file each. They draw what `app.model` holds and keep no state of the run."""
