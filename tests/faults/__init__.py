"""Injures the real service and counts what is lost; see ``python -m tests.faults --help``.

The helpers of the integration tests (broker, running service, sinks, databases) are imported by their own names,
as those tests do.
"""

import sys
from pathlib import Path

sys.path.insert(0, str(Path(__file__).parents[1] / "integration"))
