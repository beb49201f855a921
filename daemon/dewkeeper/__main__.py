"""`python -m dewkeeper` is the command `dewkeeper`."""

import sys

from dewkeeper.cli import script

sys.exit(script())
