"""Both ends of a private link between the service and a process of its own.

    process  --PUSH-->  service   news
    service  --PUSH-->  process   orders

Two Unix sockets in a folder that is open to its owner alone; only therefore
may pickles pass. Neither end ever waits for the other: the loop's news wait
in a queue of about ten minutes, and what does not fit is dropped and counted.
Who sends connects, for there is a queue from then on; a sender that binds has
none before the other end is there, and would drop the first order.
"""

from __future__ import annotations

import pickle
from pathlib import Path
from typing import Any

import zmq

NEWS_NAME, ORDERS_NAME = "news", "orders"  # of the sockets in the folder
MOST_NEWS = 30_000  # ten minutes of blocks of 20 ms
MOST_ORDERS = 1_000
MOST_AT_ONCE = 500  # that are taken by one call
LINGER_MS = 3_000  # for the last news to get through
RETRY_MS = 10  # until the process is there to take orders


class _End:
    """One end: a socket to send on and one to receive from."""

    def __init__(self) -> None:
        self.dropped = 0  # messages that did not fit into the queue
        self._context = zmq.Context()
        self._out, self._in = self._context.socket(zmq.PUSH), self._context.socket(zmq.PULL)
        self._out.linger = LINGER_MS

    def _send(self, message: object) -> None:
        content = pickle.dumps(message, protocol=pickle.HIGHEST_PROTOCOL)
        try:
            self._out.send(content, zmq.NOBLOCK)
        except zmq.Again:
            self.dropped += 1

    def _receive(self) -> list[Any]:
        received = []
        for _ in range(MOST_AT_ONCE):
            try:
                received.append(pickle.loads(self._in.recv(zmq.NOBLOCK)))
            except zmq.Again:
                break
        return received

    def close(self) -> None:
        """Send what is under way, as far as it is taken in time; may be called twice."""
        for socket in (self._out, self._in):
            socket.close()
        self._context.term()


class ServiceEnd(_End):
    """The service's end, which is there first.

    Parameters
    ----------
    folder : Path
        Of the sockets; open to its owner alone.
    """

    def __init__(self, folder: Path) -> None:
        super().__init__()
        self._in.set(zmq.RCVHWM, MOST_NEWS)
        self._out.set(zmq.SNDHWM, MOST_ORDERS)
        self._out.linger = 0  # to a process that has gone
        self._out.set(zmq.RECONNECT_IVL, RETRY_MS)
        self._in.bind(f"ipc://{folder / NEWS_NAME}")
        self._out.connect(f"ipc://{folder / ORDERS_NAME}")

    @property
    def socket(self) -> zmq.Socket[bytes]:
        """Readable when there are news."""
        return self._in

    def order(self, order: object) -> None:
        """Tell the process at the other end, if there is room in the queue."""
        self._send(order)

    def news(self) -> list[Any]:
        """What has come since the last call, some at a time."""
        return self._receive()


class ChildEnd(_End):
    """The end of a process that the service has started.

    Parameters
    ----------
    folder : Path
        The same as for the service's end.
    """

    def __init__(self, folder: Path) -> None:
        super().__init__()
        self._out.set(zmq.SNDHWM, MOST_NEWS)
        self._in.set(zmq.RCVHWM, MOST_ORDERS)
        self._out.connect(f"ipc://{folder / NEWS_NAME}")
        self._in.bind(f"ipc://{folder / ORDERS_NAME}")

    @property
    def socket(self) -> zmq.Socket[bytes]:
        """Readable when there are orders."""
        return self._in

    def tell(self, news: object) -> None:
        """Tell the service, if there is room in the queue."""
        self._send(news)

    def orders(self) -> list[Any]:
        """What has come since the last call."""
        return self._receive()
