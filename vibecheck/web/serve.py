"""Web: run the server, on this machine alone or for the local network. `serve`."""

from __future__ import annotations

import contextlib
import errno
import logging
import signal
import socket
import sys
import threading
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass
from pathlib import Path
from types import FrameType
from typing import TYPE_CHECKING

import uvicorn

from vibecheck.errors import CallError, VibecheckError
from vibecheck.web.access.guard import wrap
from vibecheck.web.app import create_app
from vibecheck.web.settings import LOOPBACK_HOSTS, Settings

if TYPE_CHECKING:
    from vibecheck.web.access.certificate import LocalCertificate

LOOPBACK = "127.0.0.1"
PORT = 8137
_CONNECTIONS = 256
_CLOSING_S = 3
_WARM_AFTER_S = 2.0
_ENDING = tuple(
    getattr(signal, name)
    for name in ("SIGINT", "SIGTERM", "SIGHUP", "SIGBREAK")
    if hasattr(signal, name)
)


@dataclass(frozen=True)
class Opened:
    """A server that is about to take its first request.

    Attributes
    ----------
    addresses : tuple of str
        Whole addresses of the page, the best for a phone (or this machine's browser) first.
    certificate : LocalCertificate or None
        With ``lan`` only.
    """

    addresses: tuple[str, ...]
    certificate: LocalCertificate | None


def serve(
    data: Path,
    *,
    lan: Sequence[str] = (),
    names: Sequence[str] = ("localhost",),
    port: int = PORT,
    nut_removals: int = 5,
    on_open: Callable[[Opened], None] = lambda _opened: None,
    show_code: Callable[[str, str], None] = lambda _code, _why: None,
) -> int | None:
    """Serve the page until a signal ends it.

    Parameters
    ----------
    data : Path
        Folder of the garage.
    lan : sequence of str
        Addresses of this machine on local networks; none for this machine alone. With them the
        page is served by https, and to paired browsers only.
    names : sequence of str
        Names by which other devices may call this machine.
    port : int
        0 for any that is free.
    nut_removals : int
    on_open : callable
        Called when the first request can come.
    show_code : callable
        Called with each pairing code and why there is a new one.

    Returns
    -------
    int or None
        The signal that ended it.

    Raises
    ------
    CallError
        If the port cannot be had.
    InputError
        If the garage cannot be opened, or the certificate not be kept.
    """
    from vibecheck.web.access.pairing import Pairing

    bound = list(dict.fromkeys([*lan, LOOPBACK]))
    with contextlib.ExitStack() as stack:
        sockets = [stack.enter_context(one) for one in listen(bound, port)]
        port = sockets[0].getsockname()[1]
        hosts = (*bound, *names) if lan else LOOPBACK_HOSTS
        settings = Settings(
            data=data,
            port=port,
            hosts=tuple(dict.fromkeys(hosts)),
            lan=bool(lan),
            nut_removals=nut_removals,
        )
        app = create_app(settings)
        stack.callback(app.state.garage.close)
        certificate = None
        pairing = None
        if lan:
            from vibecheck.web.access.certificate import local_certificate, right_now

            certificate = local_certificate(data, bound, names, now=right_now())
            pairing = Pairing(show_code)
        # A bare name is served too, but not every router knows it.
        local = [name for name in names if name.endswith(".local")]
        called = [*lan, *local] if lan else [LOOPBACK]
        opened = Opened(tuple(f"{settings.scheme}://{name}:{port}" for name in called), certificate)

        def begin() -> None:
            on_open(opened)
            if pairing is not None:
                pairing.offer()
            _warm()

        guarded = wrap(app, settings, pairing, certificate=certificate)
        server = Server(server_config(guarded, certificate), begin)
        quiet_logs()
        server.run(sockets=sockets)
        return server.ended_by


def server_config(app: object, certificate: LocalCertificate | None) -> uvicorn.Config:
    """Return the server's settings: no access log, no proxy believed, no word about itself."""
    config = uvicorn.Config(
        app,  # type: ignore[arg-type]
        log_config=None,
        access_log=False,
        http="h11",
        loop="asyncio",
        ws="none",
        lifespan="on",
        proxy_headers=False,
        server_header=False,
        limit_concurrency=_CONNECTIONS,
        timeout_keep_alive=30,
        timeout_graceful_shutdown=_CLOSING_S,
        ssl_certfile=None if certificate is None else certificate.chain_file,
        ssl_keyfile=None if certificate is None else certificate.key_file,
    )
    config.load()
    if config.ssl is not None:
        import ssl

        config.ssl.minimum_version = ssl.TLSVersion.TLSv1_2
    return config


class Server(uvicorn.Server):
    """A server that says when it is open, and remembers what ended it instead of dying of it."""

    def __init__(self, config: uvicorn.Config, on_open: Callable[[], None]) -> None:
        super().__init__(config)
        self._on_open = on_open
        self.ended_by: int | None = None

    async def startup(self, sockets: list[socket.socket] | None = None) -> None:
        """Open, then say so."""
        await super().startup(sockets=sockets)
        if self.started:
            self._on_open()

    def handle_exit(self, sig: int, frame: FrameType | None) -> None:
        """Take note of a signal, and close. A second Ctrl-C does not wait for open requests."""
        self.ended_by = self.ended_by or sig
        super().handle_exit(sig, frame)

    @contextlib.contextmanager
    def capture_signals(self) -> Iterator[None]:
        """Handle the signals that end it; put the handlers back afterwards."""
        if threading.current_thread() is not threading.main_thread():
            yield
            return
        before = {one: signal.signal(one, self.handle_exit) for one in _ENDING}
        try:
            yield
        finally:
            for one, handler in before.items():
                signal.signal(one, handler)


def listen(addresses: Sequence[str], port: int) -> list[socket.socket]:
    """Bind a socket to each address, all at one port.

    Parameters
    ----------
    addresses : sequence of str
    port : int
        0 for any that is free at all of them.

    Raises
    ------
    CallError
        If the port is taken or not allowed, or an address is not this machine's.
    """
    made: list[socket.socket] = []
    try:
        for address in addresses:
            one = socket.socket(socket.AF_INET, socket.SOCK_STREAM)
            made.append(one)
            if sys.platform != "win32":  # there it would let two programs share the port
                one.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
            one.bind((address, port))
            one.listen(128)  # the port counts as taken from now on
            port = one.getsockname()[1]
    except (OSError, OverflowError) as error:
        for one in made:
            one.close()
        raise _not_to_be_had(address, port, error) from None
    return made


def _not_to_be_had(address: str, port: int, error: Exception) -> CallError:
    code = getattr(error, "errno", None)
    where = f"{address}:{port}"
    if code == errno.EADDRINUSE:
        return CallError(
            f"Port {port} is taken by another program.",
            where=where,
            advice="Is vibecheck serve running already? Then open its page, or stop it. Or choose "
            f"another port: --port {port + 1 if port < 65535 else PORT}",
        )
    if code in (errno.EACCES, errno.EPERM):
        return CallError(
            f"Port {port} is kept for the system.",
            where=where,
            advice=f"Choose one above 1023: --port {PORT}",
        )
    return CallError(
        f"The server cannot listen there ({getattr(error, 'strerror', None) or error}).",
        where=where,
        advice="Check the network of this computer, then start again.",
    )


def quiet_logs() -> None:
    """Keep the server's own chatter off the terminal; faults of ours stay."""
    for name in ("uvicorn", "uvicorn.error", "uvicorn.access", "asyncio"):
        logging.getLogger(name).setLevel(logging.CRITICAL)
    log = logging.getLogger("vibecheck.web")
    if not log.handlers:
        log.addHandler(logging.StreamHandler())
        log.propagate = False


def _warm() -> None:
    """Load the model once the first page is out, so that the first check does not wait for it."""

    def load() -> None:
        from vibecheck.model.store import load_model

        with contextlib.suppress(VibecheckError):  # a check will say so where it matters
            load_model()

    timer = threading.Timer(_WARM_AFTER_S, load)
    timer.daemon = True
    timer.start()
