"""`python -m daq` is the command `lyewatch`."""

import sys

from daq.cli import main

if __name__ == "__main__":  # a child process that is started anew imports this, and must not run it
    sys.exit(main())
