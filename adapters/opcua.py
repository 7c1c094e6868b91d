"""A bag machine over OPC UA, its values at nodes that the site file names.

    nodes = { length_mm = "ns=2;s=Bag.Length", job = "ns=2;s=Job", trigger = "ns=2;s=Start", ... }
The value named state holds the state number of ISA-TR88.00.02 (see `adapters.machine`).
"""

import logging
from collections.abc import AsyncIterator
from contextlib import asynccontextmanager
from pathlib import Path
from typing import Any, Self

from asyncua import ua
from asyncua.client.client import Client
from asyncua.common.node import Node
from asyncua.crypto.security_policies import (
    SecurityPolicyAes128Sha256RsaOaep,
    SecurityPolicyAes256Sha256RsaPss,
    SecurityPolicyBasic256Sha256,
)
from asyncua.crypto.uacrypto import CertProperties
from asyncua.ua.uaerrors import UaError, UaStatusCodeError

from adapters.contract import LineSettings
from adapters.errors import Misconfigured, NothingSent
from adapters.machine import (
    DEMANDED,
    NAMES,
    Machine,
    Rejected,
    Unanswered,
    Unreached,
)
from adapters.machine_reports import Value, lacking
from adapters.options import Options
from adapters.why_lost import why_lost
from schemas.station import ReceiptStage

# The library logs each lost connection with a traceback: our errors say what matters.
logging.getLogger("asyncua").setLevel(logging.CRITICAL)

POLICIES: dict[str, Any] = {
    "basic256sha256": SecurityPolicyBasic256Sha256,
    "aes128-sha256-rsaoaep": SecurityPolicyAes128Sha256RsaOaep,
    "aes256-sha256-rsapss": SecurityPolicyAes256Sha256RsaPss,
}
_WRONG_PLACE = (
    ua.uaerrors.BadNodeIdUnknown,
    ua.uaerrors.BadNodeIdInvalid,
    ua.uaerrors.BadTypeMismatch,
    ua.uaerrors.BadNotWritable,
    ua.uaerrors.BadUserAccessDenied,
    ua.uaerrors.BadAttributeIdInvalid,
)
_REFUSES_US = (
    ua.uaerrors.BadIdentityTokenRejected,
    ua.uaerrors.BadUserAccessDenied,
    ua.uaerrors.BadSecurityChecksFailed,
    ua.uaerrors.BadSecurityPolicyRejected,
    ua.uaerrors.BadCertificateUntrusted,
)


class OpcUa(Machine):
    """One session. The library's own reconnection is off: a lost line is told as lost."""

    def __init__(
        self,
        station: str,
        url: str,
        nodes: dict[str, str],
        *,
        answer_s: float,
        make_s: float,
        watch_s: float,
        arm_after: ReceiptStage,
        security: str = "none",
        files: dict[str, CertProperties] | None = None,
        user: str = "",
        password: str = "",
    ) -> None:
        super().__init__(
            station, frozenset(nodes), make_s=make_s, watch_s=watch_s, arm_after=arm_after
        )
        self._url, self._node_ids = url, nodes
        self._answer_s = answer_s
        self._security, self._files = security, files or {}
        self._user, self._password = user, password
        self._client: Client | None = None
        self._nodes: dict[str, tuple[Node, ua.VariantType]] = {}

    @classmethod
    def from_settings(cls, settings: LineSettings) -> Self:
        """Options: url, nodes, arm_after, security, certificate, private_key,
        server_certificate, user, password_file or password_env, and in seconds answer_s, make_s,
        watch_s.
        """
        options = Options(settings)
        url = options.text("url")
        if not url.startswith("opc.tcp://"):
            raise options.wrong("url", f"{url!r} does not begin with opc.tcp://")
        security = options.choice("security", ("none", *POLICIES), "none")
        names = ("certificate", "private_key", "server_certificate")
        wanted = names if security != "none" else ()
        files = {name: _from_file(options, name) for name in wanted}
        adapter = cls(
            settings.station,
            url,
            _node_ids(options),
            answer_s=options.seconds("answer_s", 2.0),
            make_s=options.seconds("make_s", 15.0),
            watch_s=options.seconds("watch_s", 0.5),
            arm_after=ReceiptStage(options.choice("arm_after", ("printed", "sent"), "printed")),
            security=security,
            files=files,
            user=options.text("user", ""),
            password=options.secret("password"),
        )
        options.finish()
        return adapter

    async def connect(self) -> None:
        """Open a session unless there is a living one, and read each node's type."""
        if await self._alive():
            return
        await self.disconnect()
        client = Client(self._url, timeout=self._answer_s)
        if self._user:
            client.set_user(self._user)
            client.set_password(self._password)
        where = f"station {self.station}: {self._url}"
        try:
            await self._secure(client)
            await client.connect()
            self._client = client
            for name, node_id in self._node_ids.items():
                node = client.get_node(node_id)
                self._nodes[name] = (node, await node.read_data_type_as_variant_type())
        except (OSError, TimeoutError) as fault:
            await self.disconnect()
            raise NothingSent(
                f"{where} can't be reached: {why_lost(fault)}", do="Look at its power and network."
            ) from fault
        except _REFUSES_US as no:
            await self.disconnect()
            raise Misconfigured(f"{where}: {no}", do="Check user and certificates.") from no
        except _WRONG_PLACE as no:
            await self.disconnect()
            raise Misconfigured(f"{where}: {no}", do="Check the nodes.") from no
        except UaError as fault:
            await self.disconnect()
            raise NothingSent(f"{where}: {fault}") from fault

    async def disconnect(self) -> None:
        """Close the session."""
        client, self._client = self._client, None
        self._nodes = {}
        if client is not None:
            try:
                await client.disconnect()
            except (OSError, TimeoutError, UaError):
                client.disconnect_socket()

    async def read(self, name: str) -> Value:
        """Read a node's value."""
        async with self._asking(name):
            value = await self._node(name)[0].read_value()
        if not isinstance(value, int | float | str):
            raise Rejected(f"{name} holds {type(value).__name__}", wrong_place=True)
        return value

    async def write(self, name: str, value: Value) -> None:
        """Write a node's value in the node's own type."""
        node, sort = self._node(name)
        if not await self._alive():
            raise Unreached(f"{name} can't be written: no line")
        try:
            variant = ua.Variant(_in_type(value, sort), sort)
            async with self._asking(name):
                await node.write_value(variant)
        except Unreached as lost:
            raise Unanswered(str(lost)) from lost

    def _node(self, name: str) -> tuple[Node, ua.VariantType]:
        if name not in self._nodes:
            raise Unreached("the line to the machine is gone")
        return self._nodes[name]

    @asynccontextmanager
    async def _asking(self, name: str) -> AsyncIterator[None]:
        try:
            yield
        except (OSError, TimeoutError) as fault:
            await self.disconnect()
            raise Unreached(f"{name}: {why_lost(fault)}") from fault
        except _WRONG_PLACE as no:
            raise Rejected(f"{name}: {no}", wrong_place=True) from no
        except UaStatusCodeError as no:
            raise Rejected(f"{name}: {no}", wrong_place=False) from no
        except UaError as fault:
            await self.disconnect()
            raise Unreached(f"{name}: an answer that makes no sense") from fault

    async def _alive(self) -> bool:
        if self._client is None:
            return False
        try:
            await self._client.check_connection()
        except (OSError, UaError, TimeoutError):
            return False
        return True

    async def _secure(self, client: Client) -> None:
        if self._security != "none":
            await client.set_security(
                POLICIES[self._security],
                certificate=self._files["certificate"],
                private_key=self._files["private_key"],
                server_certificate=self._files["server_certificate"],
            )


def _from_file(options: Options, name: str) -> CertProperties:
    path = Path(options.text(name))
    try:
        return CertProperties(path.read_bytes(), extension=path.suffix.removeprefix("."))
    except OSError as unreadable:
        raise options.wrong(name, f"can't read {path}: {unreadable}") from unreadable


def _in_type(value: Value, sort: ua.VariantType) -> object:
    if sort is ua.VariantType.String:
        return str(value)
    if sort is ua.VariantType.Boolean:
        return bool(value)
    if sort in {ua.VariantType.Float, ua.VariantType.Double}:
        return float(value)
    return round(float(value))


def _node_ids(options: Options) -> dict[str, str]:
    table = options.table("nodes")
    for name in DEMANDED:
        if name not in table:
            raise options.wrong("nodes", f"{name} is missing")
    if missing := lacking(frozenset(table)):
        raise options.wrong("nodes", missing)
    for name, text in table.items():
        if name not in NAMES:
            raise options.wrong("nodes", f"{name} is none of {', '.join(NAMES)}")
        try:
            ua.NodeId.from_string(str(text))
        except (UaError, ValueError) as wrong:
            raise options.wrong("nodes", f"{name}: {text!r} is no node id") from wrong
    return {name: str(text) for name, text in table.items()}
