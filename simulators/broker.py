"""The broker inside the demo: `python -m simulators.broker PORT`. Loopback only, open to everybody on this machine."""

from ingest.parent import follow

if __name__ == "__main__":
    follow()  # first of all: the rest takes its time to load

import asyncio
import logging
import signal
import sys
from typing import Any

from amqtt.broker import Broker
from amqtt.plugins.base import BaseAuthPlugin


class Everybody(BaseAuthPlugin):
    """Lets everybody in, and unlike an anonymous login keeps the sessions of those who are away."""

    async def authenticate(self, *, session: Any) -> bool:  # noqa: ARG002
        """Whoever connects is let in."""
        return True


async def serve(port: int) -> None:
    """Serve until told to stop."""
    listeners = {"default": {"type": "tcp", "bind": f"127.0.0.1:{port}"}}
    broker = Broker({"listeners": listeners, "plugins": {"simulators.broker.Everybody": {}}})
    await broker.start()
    stop, loop = asyncio.Event(), asyncio.get_running_loop()
    for number in (signal.SIGTERM, signal.SIGINT):
        loop.add_signal_handler(number, stop.set)
    await stop.wait()
    await broker.shutdown()


if __name__ == "__main__":
    logging.basicConfig(level=logging.CRITICAL)
    asyncio.run(serve(int(sys.argv[1])))
