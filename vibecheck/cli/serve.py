"""Command line: ``vibecheck serve``."""

from __future__ import annotations

import contextlib
import os
import sys
from typing import TYPE_CHECKING, Annotated

import typer

from vibecheck.cli import terminal
from vibecheck.cli.garage_source import DataOption
from vibecheck.cli.history_options import NutRemovalsOption, habits_of
from vibecheck.cli.texts import help_text
from vibecheck.errors import CallError, MissingExtraError

if TYPE_CHECKING:
    from vibecheck.web.serve import Opened

HELP = help_text(
    "Serve vibecheck as a page for the browser: on this computer, or for your phone.",
    "Without --lan nothing but this computer can reach it. With --lan your phone can, on the same "
    "network, once you have given it the code that stands here. Nothing goes to the internet.",
    "Ctrl-C ends it. Everything the page says it kept is kept.",
    examples=[
        ("On this computer:", "vibecheck serve"),
        ("For the phone at the bench:", "vibecheck serve --lan"),
    ],
)
CAUTIONS = (
    "Before a spin-up: wheels off the ground on a stand, eye protection on, nobody in the plane of "
    "the wheels. Before a hand goes near: motor off, battery unplugged."
)


def serve_command(
    lan: Annotated[
        bool,
        typer.Option(
            "--lan", help="Let paired phones on the local network reach the page, by https."
        ),
    ] = False,
    port: Annotated[
        int,
        typer.Option(metavar="NUMBER", min=0, max=65535, help="Port; 0 for any that is free."),
    ] = 8137,
    open_page: Annotated[
        bool | None,
        typer.Option(
            "--open/--no-open",
            help="Open the page in this computer's browser; by default without --lan, when you "
            "sit at a terminal.",
        ),
    ] = None,
    nut_removals: NutRemovalsOption = 5,
    data: DataOption = None,
) -> None:
    """Run ``vibecheck serve`` (the help text is `HELP`)."""
    # Several looks at once share the cores better by one thread each; before numpy is loaded.
    for name in ("OMP_NUM_THREADS", "OPENBLAS_NUM_THREADS"):
        os.environ.setdefault(name, "1")
    habits = habits_of(nut_removals)
    _refuse_without_extra(lan=lan)
    from vibecheck.garage.place import garage_folder

    addresses: tuple[str, ...] = ()
    names: tuple[str, ...] = ("localhost",)
    if lan:
        import socket

        from vibecheck.web.access.addresses import lan_addresses, machine_names

        addresses, names = lan_addresses(), machine_names(socket.gethostname())
        if not addresses:
            raise CallError(
                "This computer is on no local network.",
                advice="Join the Wi-Fi that the phone uses, or the phone's own hotspot, and start "
                "again.",
            )
    from vibecheck.web.serve import serve

    def opened(now: Opened) -> None:
        _announce(now)
        if open_page or (open_page is None and not lan and sys.stdout.isatty()):
            _open(now.addresses[0])
        where.append(now.addresses[0])

    def code_shown(code: str, why: str) -> None:
        with contextlib.suppress(OSError):  # nobody reads the terminal any more; the page goes on
            _show_code(code, why, where[0])

    where: list[str] = []
    ended_by = serve(
        garage_folder(data),
        lan=addresses,
        names=names,
        port=port,
        nut_removals=habits.nut_removals,
        on_open=opened,
        show_code=code_shown,
    )
    import signal

    if ended_by == signal.SIGINT:
        raise KeyboardInterrupt


def _refuse_without_extra(*, lan: bool) -> None:
    from importlib.util import find_spec

    needed = ["starlette", "uvicorn", *(["segno", "cryptography"] if lan else [])]
    if not all(find_spec(name) for name in needed):
        raise MissingExtraError("The page for the browser", "web")


def _announce(opened: Opened) -> None:
    lines = ["vibecheck is open to this computer only."]
    if opened.certificate is not None:
        lines = ["vibecheck is open to paired browsers of this network."]
    for at, address in enumerate(opened.addresses):
        lines.append(f"  {'Address' if at == 0 else '':<14}{address}")
    if opened.certificate is not None:
        digits = opened.certificate.fingerprint
        lines += [f"  {'Fingerprint':<14}{digits[:48]}", f"  {'':<14}{digits[48:]}"]
        if opened.certificate.replaces_older:
            lines.append(
                "The certificate is another than before. Where the older one is installed on a "
                "phone, remove it."
            )
        lines += [
            "The phone will warn of the certificate, since your computer made it. Press "
            '"Advanced",',
            '"Proceed"; on an iPhone "Show Details", "visit this website". More on that:',
            f"  {opened.addresses[0]}/certificate",
        ]
    typer.echo("\n".join(lines))
    out = terminal.console(stderr=True)
    for line in terminal.hang(CAUTIONS, "", out.width) if out.is_terminal else [CAUTIONS]:
        terminal.say(line)
    terminal.say("Ctrl-C ends it.")


def _show_code(code: str, why: str, address: str) -> None:
    """Show a pairing code, and the address with it as a picture, at the terminal."""
    half = len(code) // 2
    if why:
        typer.echo(f"\n{why}")
    if sys.stdout.isatty():
        typer.echo("\nScan the picture with the phone, or open the address and type the code.")
    typer.echo(f"  {'Pairing code':<14}{code[:half]}-{code[half:]}   (once, within 10 minutes)")
    if not sys.stdout.isatty():
        return

    from vibecheck.web.access.qr import modules_of, qr_lines

    try:
        "▀▄█".encode(sys.stdout.encoding or "ascii")
        blocks = True
    except (UnicodeEncodeError, LookupError):
        blocks = False
    # The code stands behind "#": a browser never sends that part of an address.
    modules = modules_of(f"{address}/pair#{code}")
    for line in qr_lines(modules, colour=not os.environ.get("NO_COLOR"), blocks=blocks):
        typer.echo(line)


def _open(address: str) -> None:
    import threading
    import webbrowser

    threading.Thread(target=webbrowser.open, args=(address,), daemon=True).start()
