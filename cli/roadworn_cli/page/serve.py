"""`roadworn serve`: start the page, say where it is and how another device gets in."""

import ipaddress
import socket
from pathlib import Path
from typing import Annotated

import typer

from roadworn.model.errors import EnvironmentFailure, UsageError
from roadworn_cli import words as looks
from roadworn_cli.context import state_of
from roadworn_cli.output import say

_NEEDED = "The page needs its extra: pip install 'roadworn[page]', then start it again."


def serve(
    ctx: typer.Context,
    host: Annotated[
        str,
        typer.Option(
            metavar="ADDRESS",
            help="Address to answer at. The usual one is reached from this machine alone; 0.0.0.0 "
            "is reached by tablets of the same network, each let in by a code.",
        ),
    ] = "127.0.0.1",
    port: Annotated[
        int, typer.Option(metavar="NUMBER", min=0, max=65535, help="Port; 0 takes a free one.")
    ] = 8470,
    name: Annotated[
        list[str] | None,
        typer.Option(metavar="NAME", help="A host name that devices reach it by; repeat it."),
    ] = None,
    certificate: Annotated[
        str, typer.Option(metavar="FILE", help="A certificate, to be reached by https.")
    ] = "",
    key: Annotated[str, typer.Option(metavar="FILE", help="Its private key.")] = "",
    adapter: Annotated[
        str,
        typer.Option(
            metavar="PORT",
            help="An adapter that the scan page reads a vehicle by: a serial device or "
            "socket://HOST:PORT. It only reads.",
        ),
    ] = "",
    language: looks.Language = "en",
) -> None:
    """Serve the page for the tablet at the vehicle and for the counter; Control-C stops it."""
    try:
        import python_multipart  # noqa: F401  # what reads forms
        import uvicorn

        from roadworn_cli.page.app import application
        from roadworn_cli.page.guard import Pairing, Sessions
    except ImportError:
        raise EnvironmentFailure(_NEEDED) from None
    state = state_of(ctx)
    if state.as_of:
        raise UsageError("--as-of is for looking back: leave it out to serve the page.")
    if bool(certificate) != bool(key):
        raise UsageError("A certificate goes with its private key: give --certificate and --key.")
    for file in filter(None, (certificate, key)):
        if not Path(file).is_file():
            raise EnvironmentFailure(f"{file} is not there: name the right file.")
    state.open_ledger().close()
    local = _is_local(host)
    sessions = Sessions(Pairing(needed=not local, tell=say))
    app = application(
        state,
        sessions,
        name or (),
        local=local,
        secure=bool(certificate),
        language=looks.look_of(language).language,
        adapter=adapter,
    )
    listening = _listen(host, port)
    shown = f"[{host}]" if ":" in host else host
    scheme = "https" if certificate else "http"
    for address in [shown] if local or host not in ("0.0.0.0", "::") else _addresses():  # noqa: S104
        typer.echo(f"{scheme}://{address}:{listening.getsockname()[1]}/")
    say("Control-C stops it.")
    if not local and not certificate:
        say("What is sent is not encrypted: use a network of your own, or add a --certificate.")
    config = uvicorn.Config(
        app,
        log_level="warning",
        access_log=False,
        server_header=False,
        proxy_headers=False,
        ws="none",
        limit_concurrency=100,
        timeout_keep_alive=30,
        ssl_certfile=certificate or None,
        ssl_keyfile=key or None,
    )
    with listening:
        uvicorn.Server(config).run(sockets=[listening])


def _is_local(host: str) -> bool:
    if host == "localhost":
        return True
    try:
        return ipaddress.ip_address(host).is_loopback
    except ValueError:
        return False


def _listen(host: str, port: int) -> socket.socket:
    """Return a socket that listens, so that a taken port is said before anything else.

    Raises:
        EnvironmentFailure: the address cannot be had.
    """
    family = socket.AF_INET6 if ":" in host else socket.AF_INET
    made = socket.socket(family, socket.SOCK_STREAM)
    made.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
    try:
        made.bind((host, port))
        made.listen(128)
    except OSError as error:
        made.close()
        raise EnvironmentFailure(
            f"{host} port {port} cannot be had ({error.strerror}): name another with --port."
        ) from error
    return made


def _addresses() -> list[str]:
    """Return the addresses of this machine that a tablet may reach, and its own name for itself."""
    found = {"127.0.0.1": None}
    with socket.socket(socket.AF_INET, socket.SOCK_DGRAM) as asking:
        try:
            # Nothing is sent: it only says which address would be used. TEST-NET-1, RFC 5737.
            asking.connect(("192.0.2.1", 9))
            found[asking.getsockname()[0]] = None
        except OSError:
            pass
    return list(found)
