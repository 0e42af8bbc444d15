"""``python -m simulator``."""

import sys

from simulator.main import main

sys.exit(main())
