"""The container files hold together; the image itself is built where a container engine runs."""

import re
import shlex
import subprocess
import sys
from pathlib import Path
from typing import Any

import pytest
import yaml
from pydantic import BaseModel, ConfigDict, Field
from typer.main import get_command

from gateway.commands.root import app
from gateway.site_file import load

ROOT = Path(__file__).parents[2]
DOCKER = ROOT / "docker"
DOCKERFILE = (DOCKER / "Dockerfile").read_text(encoding="utf-8")


class _Strict(BaseModel):
    model_config = ConfigDict(extra="forbid", frozen=True)


class Build(_Strict):
    """Where an image is built from."""

    context: str
    dockerfile: str


class Health(_Strict):
    """A health check; the keys of the Compose specification that we use."""

    test: list[str]
    interval: str
    timeout: str
    retries: int
    start_period: str | None = None


class Service(_Strict):
    """One container; the keys of the Compose specification (from memory) that we use."""

    image: str
    build: Build | None = None
    entrypoint: list[str] = []
    command: list[str] = []
    environment: dict[str, str] = {}
    ports: list[str] = []
    volumes: list[str] = []
    tmpfs: list[str] = []
    network_mode: str | None = None
    read_only: bool = False
    cap_drop: list[str] = []
    security_opt: list[str] = []
    healthcheck: Health | None = None
    depends_on: list[str] | dict[str, dict[str, str]] = []
    stop_grace_period: str | None = None
    restart: str | None = None
    deploy: dict[str, Any] = Field(default={})


class Compose(_Strict):
    """A whole compose file."""

    name: str
    services: dict[str, Service]
    volumes: dict[str, None] = {}


COMPOSE_FILES = sorted(DOCKER.glob("compose*.yaml"))


def _compose(path: Path) -> Compose:
    return Compose.model_validate(yaml.safe_load(path.read_text(encoding="utf-8")))


@pytest.mark.parametrize("path", COMPOSE_FILES, ids=lambda p: p.name)
def test_compose_file_names_only_what_exists(path: Path) -> None:
    """Files that are mounted, volumes, services that are leaned on and build files are there."""
    compose = _compose(path)
    for service in compose.services.values():
        for mount in service.volumes:
            source = mount.split(":", 1)[0]
            assert source in compose.volumes or (DOCKER / source).exists(), mount
        if service.network_mode:
            assert service.network_mode.removeprefix("service:") in compose.services
        assert set(service.depends_on) <= set(compose.services)
        if service.build:
            context = (DOCKER / service.build.context).resolve()
            assert (context / service.build.dockerfile).is_file()


@pytest.mark.parametrize("path", COMPOSE_FILES, ids=lambda p: p.name)
def test_ports_are_open_to_this_machine_only(path: Path) -> None:
    """The demo's door stands open, so it opens onto loopback only."""
    for service in _compose(path).services.values():
        assert all(port.startswith("127.0.0.1:") for port in service.ports)


@pytest.mark.parametrize("path", COMPOSE_FILES, ids=lambda p: p.name)
def test_every_container_is_confined_and_watched(path: Path) -> None:
    """Our containers drop all capabilities, write nowhere but volumes, and have a health check."""
    for name, service in _compose(path).services.items():
        if service.image == "bagrelay":
            assert (["ALL"], True) == (service.cap_drop, service.read_only), name
        assert service.healthcheck or service.image == "bagrelay", name


@pytest.mark.parametrize("path", COMPOSE_FILES, ids=lambda p: p.name)
def test_commands_are_ones_that_the_program_has(path: Path) -> None:
    """Each `bagrelay` command of a container parses; each script is one that the image holds."""
    for service in _compose(path).services.values():
        if service.image != "bagrelay":
            continue
        if service.entrypoint:
            script = service.entrypoint[-1].removeprefix("/usr/share/bagrelay/")
            assert (ROOT / script).is_file()
        elif service.command:
            _parse(service.command)


def _parse(arguments: list[str]) -> None:
    command: Any = get_command(app)
    command.commands[arguments[0]].make_context(arguments[0], arguments[1:])


def test_image_starts_what_the_program_has() -> None:
    """The default command of the image parses."""
    default = re.search(r"^CMD (\[.*\])$", DOCKERFILE, re.MULTILINE)
    assert default
    _parse(yaml.safe_load(default[1]))


def test_image_is_made_from_files_that_exist() -> None:
    """Every path that is copied into the image is in the repository and let through."""
    let_through = {
        line.removeprefix("!")
        for line in (DOCKER / "Dockerfile.dockerignore").read_text().splitlines()
        if line.startswith("!")
    }
    copied = re.findall(r"^COPY (?!--from)(.+)$", DOCKERFILE, re.MULTILINE)
    sources = {source for line in copied for source in shlex.split(line)[:-1]}
    assert sources == let_through
    assert all((ROOT / source).exists() for source in sources)


def test_image_runs_as_nobody_in_particular() -> None:
    """The last user named is a number other than root's, so that an orchestrator can check it."""
    *_, user = re.findall(r"^USER (\S+)$", DOCKERFILE, re.MULTILINE)
    assert int(user) > 0


def test_base_images_have_a_version() -> None:
    """No base image floats."""
    bases = re.findall(r"^FROM (\S+)", DOCKERFILE, re.MULTILINE)
    assert bases
    assert all(re.search(r":\d+\.\d+", base) for base in bases)


def test_linter_finds_nothing() -> None:
    """hadolint, an independent linter of container files, has nothing to say."""
    linter = Path(sys.executable).with_name("hadolint")
    done = subprocess.run([linter, DOCKER / "Dockerfile"], check=False, capture_output=True)
    assert b"" == done.stdout


def test_room_of_the_containers_is_the_example() -> None:
    """The health check of the room asks a port that the example's site file has."""
    room = _compose(DOCKER / "compose.yaml").services["room"]
    assert room.healthcheck
    ports = {
        str(station.lines[0].options["port"])
        for station in load(ROOT / "examples/room.toml").station
    }
    assert any(port in " ".join(room.healthcheck.test) for port in ports)
