"""`python -m benchrunner.engine.watchdog`: see `process`."""

import sys

from benchrunner.engine.watchdog.process import main

sys.exit(main())
