"""Station adapters must not block the loop that all lanes share."""

from collections.abc import Iterator

import pytest
from blockbuster import BlockBuster, blockbuster_ctx

from tests.rigs.opcua import MachineServer, OpcUaRig


@pytest.fixture(autouse=True)
def _no_blocking() -> Iterator[BlockBuster]:
    with blockbuster_ctx(
        "adapters", excluded_modules=["adapters.kit", "adapters.registry"]
    ) as guard:
        # Built once at start, before any lane runs: secrets and keys of a few bytes.
        for function in guard.functions.values():
            for file in ("adapters/options.py", "adapters/opcua.py"):
                function.can_block_in(file, "_from_file")
        yield guard


@pytest.fixture(scope="module")
def machine_server() -> Iterator[None]:
    """One OPC UA server for all tests of a file."""
    OpcUaRig.server = MachineServer()
    OpcUaRig.server.start()
    yield
    OpcUaRig.server.stop()
