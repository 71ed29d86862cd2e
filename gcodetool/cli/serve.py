"""``serve``: the shelf as pages for the phone beside the printer."""

import sys
from pathlib import Path

import click

from gcodetool.cli.completion import completing
from gcodetool.cli.options import ledger_option, members_option
from gcodetool.cli.shelf import PLACE, opened
from gcodetool.errors import UsageError

EXTRA = "pages need the extra 'serve'; install it: pip install 'gcodetool[serve]'"
HERE = ("127.0.0.1", "::1", "localhost")


@click.group(
    invoke_without_command=True, epilog="Example: gcodetool serve --lan --jobs waiting/ --printer bench-1"
)
@click.option("--host", metavar="HOST", help="Where to listen: 127.0.0.1; with --lan 0.0.0.0, all networks.")
@click.option("--port", type=click.IntRange(0, 65535), default=8340, show_default=True)
@click.option("--lan", is_flag=True, help="Let other devices in, each after pairing by a code shown here.")
@click.option(
    "--jobs", type=click.Path(path_type=Path), metavar="DIR", help="A folder of sliced files that wait."
)
@click.option("--printer", type=PLACE, metavar="NAME|FILE", help="The printer that they wait for.")
@click.option("--read-only", is_flag=True, help="Pages only: nothing can be noted.")
@click.option(
    "--address", metavar="URL", help="How devices reach this server, where a proxy stands before it."
)
@click.option(
    "--certificate", type=click.Path(path_type=Path), metavar="FILE", help="TLS: the certificate, PEM."
)
@click.option("--key", type=click.Path(path_type=Path), metavar="FILE", help="TLS: its key, PEM.")
@members_option()
@ledger_option
@click.pass_context
def serve(
    context: click.Context,
    host: str | None,
    port: int,
    lan: bool,
    jobs: Path | None,
    printer: str | None,
    read_only: bool,
    address: str | None,
    certificate: Path | None,
    key: Path | None,
    members: int | None,
    ledger: str | None,
) -> int:
    """Show the shelf as pages, for a phone at the machine.

    They say what is due and what each spool comes to, and have forms for what one does with it.

    Without --lan for this machine alone.  The pages note and tell; they start, heat and move nothing.
    """
    context.obj = ledger
    if context.invoked_subcommand is not None:
        return 0
    try:
        from gcodetool.serve import run as running
        from gcodetool.serve.settings import Settings, known_hosts
        from gcodetool.serve.web import application
    except ImportError:
        raise UsageError(EXTRA) from None
    host = host or ("0.0.0.0" if lan else HERE[0])
    if not lan and host not in HERE:
        raise UsageError(f"--host {host} lets others in; add --lan, and each device pairs by a code")
    if (certificate is None) != (key is None):
        raise UsageError("--certificate and --key belong together; give both or neither")
    if certificate is not None and key is not None:
        running.check_tls(certificate, key)
    if jobs is not None and not jobs.is_dir():
        raise UsageError(f"--jobs '{jobs}': no such folder; correct the path")
    opened(ledger, make=False)
    settings = Settings(
        ledger=ledger,
        members=members,
        jobs=jobs,
        printer=printer,
        lan=lan,
        read_only=read_only,
        address=address,
        secure=certificate is not None or (address or "").startswith("https:"),
        hosts=known_hosts(lan=lan, address=address),
    )
    sock = running.listening(host, port)
    at = sock.getsockname()[1]
    scheme = "https" if certificate is not None else "http"
    if address is not None and not address.startswith(("http://", "https://")):
        raise UsageError(f"--address '{address}': write the server's, such as https://shelf.workshop.example")
    if lan:
        click.echo("a device that comes for the first time is asked for a code, which is shown here then")
    click.echo(f"shelf at {address or f'{scheme}://{shown_host(host)}:{at}/'}, until Ctrl-C")
    app = application(
        settings, lambda code: click.echo(f"pairing code, good for 10 minutes and one device: {code}")
    )
    running.run(app, settings, sock, certificate=certificate, key=key, first=lambda: say_due(ledger, members))
    return 0


def shown_host(host: str) -> str:
    """Return a host as it stands in an address; of all networks this machine's name."""
    import socket

    if host in ("0.0.0.0", "::"):
        return socket.gethostname()
    return f"[{host}]" if ":" in host else host


def say_due(ledger: str | None, members: int | None) -> None:
    """Print what is due, once, where the server was started."""
    from gcodetool.app.due import due
    from gcodetool.report.due_text import print_due

    print_due(due(ledger=ledger, members=members), sys.stdout)


@serve.group(invoke_without_command=True, epilog="Example: gcodetool serve devices drop my-phone")
@click.pass_context
def devices(context: click.Context) -> None:
    """List who may come in, or drop one.

    Devices that were paired, sensors, and calendar programs.
    """
    if context.invoked_subcommand is None:
        say_devices(context.obj)


@devices.command("list", epilog="Example: gcodetool serve devices list")
@click.pass_obj
def list_devices(ledger: str | None) -> None:
    """List who may come in."""
    say_devices(ledger)


def say_devices(ledger: str | None) -> None:
    """Print who may come in."""
    from gcodetool.app.access import visitors
    from gcodetool.report.layout import plain
    from gcodetool.report.shelf_text import when

    found = visitors(ledger=ledger)
    for each in found:
        seen = f"last seen {when(each.seen_us / 1e6)}" if each.seen_us else "never seen"
        about = "" if each.place is None else f" for {plain(each.place)}"
        click.echo(f"{plain(each.name)}: {each.role}{about}, since {when(each.made_us / 1e6)}, {seen}")
    if not found:
        click.echo("nobody yet; a device pairs with 'gcodetool serve --lan'")


@devices.command("drop", epilog="Example: gcodetool serve devices drop my-phone")
@click.argument("name", shell_complete=completing("device"))
@click.pass_obj
def drop(ledger: str | None, name: str) -> None:
    """Let a device, a sensor or a calendar in no more, at once."""
    from gcodetool.app.access import drop as dropped

    dropped(name, ledger=ledger)
    click.echo(f"{name} may not come in any more")


@devices.command("calendar", epilog="Example: gcodetool serve devices calendar wall-tablet")
@click.argument("name")
@click.pass_obj
def calendar(ledger: str | None, name: str) -> None:
    """Make a password for a calendar program.

    It fetches /due.ics with it; any user name goes with that.
    """
    from gcodetool.app.access import grant

    click.echo(grant(name, "calendar", ledger=ledger))
