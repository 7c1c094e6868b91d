"""The `bagrelay` command and its subcommands. Importing it imports only what parses arguments."""

import typer

from gateway.commands import access, adapter, ledger, queue, stations, store
from gateway.commands.check import check
from gateway.commands.fit import fit
from gateway.commands.inspect import inspect_label
from gateway.commands.label import label
from gateway.commands.report import report
from gateway.commands.schemas import schemas
from gateway.commands.serve import serve
from gateway.commands.study import study
from gateway.commands.trace import trace

app = typer.Typer(
    name="bagrelay",
    help=(
        "From a scanned order to a verified bag: chooses the bag, builds the label, delivers it "
        "to the right station once, proves it by scan, keeps the ledger."
    ),
    epilog="Start with `bagrelay check SITE.toml`, then `bagrelay serve SITE.toml`.",
    no_args_is_help=True,
    pretty_exceptions_show_locals=False,
    rich_markup_mode="markdown",
)
app.command()(check)
app.command()(serve)
app.command()(trace)
app.command()(report)
app.command()(fit)
app.command()(study)
app.command("inspect")(inspect_label)
app.command()(label)
app.command()(schemas)
app.add_typer(ledger.app, name="ledger")
app.add_typer(store.app, name="store")
app.add_typer(access.app, name="access")
app.add_typer(adapter.app, name="adapter")
app.add_typer(stations.app, name="stations")
app.add_typer(queue.app, name="queue")
