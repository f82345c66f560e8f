"""`python -m benchrunner` is the command `benchrunner`."""

import sys

from benchrunner.cli.main import main

sys.exit(main())
