"""An MQTT broker for the demo alone: ``python -m monitor.cli.embedded PORT``, on the loopback address.

It keeps nothing on disk and loses what a client has not acknowledged when that client reconnects: good enough
to show the service, not to run it. A real site has a real broker.
"""

from __future__ import annotations

import asyncio
import logging
import signal
import sys
from typing import Any, Final

HOST: Final = "127.0.0.1"


async def serve(port: int) -> None:
    """Be a broker on ``port`` until SIGTERM or SIGINT."""
    from amqtt.broker import Broker  # noqa: PLC0415 - loads slowly

    settings: dict[str, Any] = {
        "listeners": {"default": {"type": "tcp", "bind": f"{HOST}:{port}"}},
        "plugins": {"amqtt.plugins.authentication.AnonymousAuthPlugin": {"allow_anonymous": True}},
    }
    stopping = asyncio.Event()
    for number in (signal.SIGINT, signal.SIGTERM):
        asyncio.get_running_loop().add_signal_handler(number, stopping.set)
    broker = Broker(settings)
    await broker.start()
    await stopping.wait()
    await broker.shutdown()


def main() -> None:
    """Serve on the port named on the command line."""
    # The library tells of each packet and of each client that leaves; none of that is news here.
    logging.disable(logging.CRITICAL)
    asyncio.run(serve(int(sys.argv[1])))


if __name__ == "__main__":
    main()
