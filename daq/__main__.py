"""`python -m daq` is the command `lyewatch`."""

import sys

from daq.cli import main

sys.exit(main())
