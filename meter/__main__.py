"""``python -m meter`` is ``earwitness``."""

import sys

from meter.cli import main

if __name__ == "__main__":
    sys.exit(main())
