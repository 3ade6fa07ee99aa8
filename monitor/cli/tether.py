"""Runs a module in a process that ends with its parent: ``python -m monitor.cli.tether MODULE ARGUMENTS``.

The parent holds the other end of our standard input. When it ends, however it ends, that end closes, and we
end too: no process of a demo is ever left behind.
"""

from __future__ import annotations

import os
import runpy
import signal
import sys
import threading
from typing import Final

PATIENCE: Final = 1.0
"""Seconds in which the module may clean up after it was asked to end."""


def _watch() -> None:
    while os.read(0, 1024):
        pass
    os.kill(os.getpid(), signal.SIGTERM)
    threading.Event().wait(PATIENCE)
    os._exit(1)


def main() -> None:
    """Run the module named on the command line as if it had been started itself."""
    threading.Thread(target=_watch, daemon=True).start()
    del sys.argv[0]
    runpy.run_module(sys.argv[0], run_name="__main__", alter_sys=True)


if __name__ == "__main__":
    main()
