"""The `bagrelay` command and its subcommands. Imports only what parses arguments."""

import typer

from gateway.commands.check import check
from gateway.commands.fit import fit
from gateway.commands.schemas import schemas
from gateway.commands.serve import serve
from gateway.commands.trace import trace

app = typer.Typer(
    name="bagrelay",
    help="From a scanned order to a verified bag.",
    no_args_is_help=True,
    pretty_exceptions_show_locals=False,
)
app.command()(serve)
app.command()(check)
app.command()(fit)
app.command()(trace)
app.command()(schemas)
