"""docker-compose.yml and the image, checked without a Docker engine.

Outside check: compose-spec, an independent reader of the Compose specification, parses the file after its
variables are substituted as the specification's section "Interpolation" says. What that reader cannot know
(our own rules on exposure, secrets and restarting) is checked on the parsed file.
"""

from __future__ import annotations

import re
import shlex
from collections.abc import Callable, Mapping
from pathlib import Path
from typing import Any

import pytest
import yaml
from compose_spec import PyOptions

from daq.cli import build_parser
from daq.examples import EXAMPLES, example_text

ROOT = Path(__file__).parents[2]
COMPOSE = ROOT / "docker-compose.yml"
DOCKERFILE = ROOT / "Dockerfile"
SECRET = re.compile(r"TOKEN|PASSWORD|SECRET|_KEY", re.IGNORECASE)
VARIABLE = re.compile(r"\$\{(?P<name>\w+)(?:(?P<rule>:[-?])(?P<text>[^}]*))?\}")


def substitute(text: str, environment: Mapping[str, str]) -> str:
    """`text` with ${NAME}, ${NAME:-default} and ${NAME:?message} replaced; the last may raise KeyError."""

    def value(found: re.Match[str]) -> str:
        given = environment.get(found["name"], "")
        if given:
            return given
        if found["rule"] == ":?":
            raise KeyError(found["text"])
        return found["text"] or ""

    return VARIABLE.sub(value, text)


def parsed() -> dict[str, Any]:
    """The file as YAML, anchors merged, variables left as they are."""
    content: dict[str, Any] = yaml.safe_load(COMPOSE.read_text(encoding="utf-8"))
    return content


def check_specification(text: str) -> list[str]:
    """Have the independent reader read and validate; returns the services' names."""
    compose = PyOptions(apply_merge=True).from_yaml(text)
    compose.validate()
    return compose.service_names()


def test_the_file_follows_the_compose_specification() -> None:
    text = substitute(COMPOSE.read_text(encoding="utf-8"), {"LYEWATCH_TOKEN": "a-token-of-this-test"})
    assert sorted(check_specification(text)) == ["reader", "service"]


def _unknown_key(file: dict[str, Any]) -> None:
    file["services"]["reader"]["restrat"] = "always"


def _bad_duration(file: dict[str, Any]) -> None:
    file["services"]["reader"]["healthcheck"]["interval"] = "15 moments"


def _bad_port(file: dict[str, Any]) -> None:
    file["services"]["service"]["ports"] = ["127.0.0.1:http:8737"]


@pytest.mark.parametrize(
    ("spoil", "complaint"), [(_unknown_key, "restrat"), (_bad_duration, "moments"), (_bad_port, "http")]
)
def test_the_specification_check_has_teeth(spoil: Callable[[dict[str, Any]], None], complaint: str) -> None:
    file = yaml.safe_load(substitute(COMPOSE.read_text(encoding="utf-8"), {"LYEWATCH_TOKEN": "t"}))
    spoil(file)
    with pytest.raises(ValueError, match=complaint):
        check_specification(yaml.safe_dump(file))


def test_ports_are_published_on_loopback_only() -> None:
    published = [port for service in parsed()["services"].values() for port in service.get("ports", [])]
    assert published, "the page must be reachable from the computer itself"
    assert [port for port in published if not str(port).startswith("127.0.0.1:")] == []


def test_no_secret_has_a_default() -> None:
    file = parsed()
    secrets = {
        name: value
        for service in file["services"].values()
        for name, value in service.get("environment", {}).items()
        if SECRET.search(name)
    }
    assert list(secrets) == ["LYEWATCH_TOKEN"]
    for value in secrets.values():
        found = VARIABLE.fullmatch(value)
        assert found is not None, f"{value!r} is a secret written down"
        assert found["rule"] == ":?", "unset, it must stop the start"
    with pytest.raises(KeyError, match="long random text"):
        substitute(COMPOSE.read_text(encoding="utf-8"), {})


def test_every_service_restarts_is_checked_and_is_confined() -> None:
    for name, service in parsed()["services"].items():
        assert service["restart"] == "unless-stopped", name
        assert service["healthcheck"]["test"][0] == "CMD", name
        assert service["read_only"] is True, name
        assert service["cap_drop"] == ["ALL"], name
        assert service["security_opt"] == ["no-new-privileges:true"], name
        assert "privileged" not in service, name


def test_both_share_one_image_and_one_store() -> None:
    reader, service = (parsed()["services"][name] for name in ("reader", "service"))
    assert reader["image"] == service["image"]
    assert reader["volumes"] == service["volumes"]
    bench, store = (volume.split(":") for volume in reader["volumes"])
    assert [store[0]] == list(parsed()["volumes"]), "a named volume must be declared"
    assert bench[2] == "ro"
    # In the worked examples the store's folder is beside the bench file: the volume must be mounted there.
    folders = {re.search(r'^folder = "([^"]+)"', example_text(name), re.MULTILINE) for name in EXAMPLES}
    assert {str(Path(bench[1]).parent / found[1]) for found in folders if found} == {store[1]}


def test_the_device_is_mapped_under_the_name_that_the_worked_bench_file_uses() -> None:
    (mapping,) = parsed()["services"]["reader"]["devices"]
    host, container = substitute(mapping, {}).split(":")
    assert host == container
    assert f'port = "{container}"' in example_text("water_torch")
    assert substitute(mapping, {"LYEWATCH_PORT": "/dev/ttyACM3"}) == f"/dev/ttyACM3:{container}"


@pytest.mark.parametrize("name", ["reader", "service"])
def test_commands_are_ones_that_lyewatch_takes(name: str) -> None:
    args = build_parser().parse_args(parsed()["services"][name]["command"])
    assert str(args.bench) == "/srv/lyewatch/bench.toml"
    assert args.command == {"reader": "read", "service": "serve"}[name]


def test_the_published_port_is_the_one_listened_on_and_checked() -> None:
    service = parsed()["services"]["service"]
    (port,) = service["ports"]
    inside = port.rsplit(":", 1)[1]
    assert service["command"][service["command"].index("--port") + 1] == inside
    assert service["healthcheck"]["test"][-1] == inside


def test_the_image_only_runs_scripts_that_run_without_docker_too() -> None:
    text = DOCKERFILE.read_text(encoding="utf-8").replace("\\\n", " ")
    instructions = [line.split(maxsplit=1) for line in text.splitlines() if line and not line.startswith("#")]
    assert next(word for word, _ in instructions) == "FROM"
    runs = [shlex.split(rest) for word, rest in instructions if word == "RUN"]
    assert len(runs) == 1
    assert runs[0][:2] == ["sh", "/usr/src/lyewatch/docker/install.sh"]
    copied = {word for word in runs[0] if word.startswith("/usr/src/lyewatch/docker/")}
    assert {(ROOT / "docker" / Path(path).name).is_file() for path in copied} == {True}
    assert ["USER", "lyewatch"] in instructions, "neither process may run as root"
