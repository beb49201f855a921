"""`python -m dewkeeper` is the command `dewkeeper`."""

import sys

from dewkeeper.cli import main

sys.exit(main())
