"""`python -m benchrunner.engine`: see `process`."""

import sys

from benchrunner.engine.process import main

sys.exit(main())
