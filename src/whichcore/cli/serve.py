"""``whichcore serve``."""

from __future__ import annotations

import json
import webbrowser

import click

from whichcore.cli.options import reporting
from whichcore.cli.session import Session
from whichcore.errors import UsageError
from whichcore.web.server import serve


@click.command()
@click.option(
    "--host",
    default="127.0.0.1",
    show_default=True,
    metavar="ADDRESS",
    help="Address to listen on. Any but this machine's own asks every page for a token.",
)
@click.option(
    "--port",
    type=click.IntRange(0, 65535),
    metavar="N",
    help="Port to listen on. Without it 8130, or a free one if that is taken.",
)
@click.option("--open/--no-open", "show", default=True, help="Open the page in your browser.")
@reporting
@click.pass_obj
def command(session: Session, /, host: str, port: int | None, show: bool) -> None:
    """Serve the bench page until Ctrl-C: describe a core, calibrate, sweep, judge, keep, print.

    It needs no network, and the virtual bench can be chosen in the page. Closing the page stops nothing;
    stopping the server stops a measurement, switches the output off and keeps every finished point.
    """
    if not host.strip():
        # the system would take it as every address of this machine
        raise UsageError(
            "an address is needed", where="--host", got="nothing", next_step="name one, or leave --host out"
        )

    def ready(address: str) -> None:
        if session.json:
            click.echo(json.dumps({"ready": True, "address": address}))
        else:
            click.echo(f"The bench page is at {address}\nCtrl-C ends it.", err=True)
        if show:
            webbrowser.open(address)

    serve(host, port, ready)
