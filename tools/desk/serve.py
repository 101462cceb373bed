"""The desk's server: on 127.0.0.1 alone, with a clock against those who send too slowly."""

from __future__ import annotations

import logging
import secrets
import socket
import threading
from contextlib import suppress
from pathlib import Path
from typing import Any, Final

from werkzeug.serving import ThreadedWSGIServer, WSGIRequestHandler

from mastread.tools.desk.app import Desk, make_app
from mastread.tools.desk.texts import say
from mastread.tools.desk.work import Work
from mastread.tools.shelf.database import ShelfError

HOST: Final = "127.0.0.1"

#: Silence in the middle of anything after which a client is given up, seconds; and the time
#: that all lines of a request's head may take together.
PATIENCE_S: Final = 20.0

#: Clients that are answered at the same time; a page needs about eight.
MOST_CLIENTS: Final = 128


class _Handler(WSGIRequestHandler):
    #: Of every single read and write.
    timeout = PATIENCE_S
    _clock: threading.Timer | None = None

    def handle_one_request(self) -> None:
        # The time-out above starts anew with each byte; this one does not.
        self._clock = threading.Timer(self.timeout, self._give_up)
        self._clock.daemon = True
        self._clock.start()
        try:
            super().handle_one_request()
        except OSError:
            self.close_connection = True
        finally:
            self._clock.cancel()

    def run_wsgi(self) -> None:
        if self._clock is not None:
            self._clock.cancel()
        super().run_wsgi()

    def _give_up(self) -> None:
        with suppress(OSError):
            self.connection.shutdown(socket.SHUT_RDWR)

    def log(self, type: str, message: str, *args: Any) -> None:
        """Say nothing: the addresses hold the key."""

    def version_string(self) -> str:
        return "mastread"


class DeskServer(ThreadedWSGIServer):
    """Serves one desk; `address` is what to open.

    Raises
    ------
    ShelfError
        If the port cannot be had.
    """

    daemon_threads = True

    def __init__(self, folder: Path, book: str, who: str, port: int = 0) -> None:
        try:
            with socket.socket() as probe:
                probe.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
                probe.bind((HOST, port))
            super().__init__(HOST, port, _nothing, handler=_Handler)
        except (OSError, OverflowError) as error:
            raise ShelfError(say("port", port=port, what=error)) from None
        logging.getLogger("werkzeug").setLevel(logging.CRITICAL)
        self._room = threading.BoundedSemaphore(MOST_CLIENTS)
        key = secrets.token_urlsafe(32)
        self.work = Work(folder, book)
        self.desk = Desk(folder, f"{HOST}:{self.server_port}", key, who, self.work)
        self.address = f"http://{HOST}:{self.server_port}/{key}/"
        self.app = make_app(self.desk)

    def process_request(self, request: Any, client_address: Any) -> None:
        """Answer in a thread of its own, unless too many are answered already."""
        if not self._room.acquire(blocking=False):
            self.shutdown_request(request)
            return
        super().process_request(request, client_address)

    def process_request_thread(self, request: Any, client_address: Any) -> None:
        """Answer, and make room for another one."""
        try:
            super().process_request_thread(request, client_address)
        finally:
            self._room.release()

    def handle_error(self, request: Any, client_address: Any) -> None:
        """Say nothing: a client that goes away is no error."""


def _nothing(environ: Any, start: Any) -> list[bytes]:
    raise RuntimeError("the desk is not ready")
