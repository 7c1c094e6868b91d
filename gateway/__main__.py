"""The `bagrelay` command."""

from gateway.commands.root import app


def main() -> None:
    """Run the command line."""
    app()


if __name__ == "__main__":
    main()
