"""docker-compose.yml and the image, checked without a Docker engine.

Outside check: compose-spec, an independent reader of the Compose specification, parses the file after its
variables are substituted as the specification's section "Interpolation" says. What that reader cannot know
(our own rules on exposure, secrets and restarting) is checked on the parsed file.
"""

from __future__ import annotations

import os
import re
import shlex
import shutil
import socket
import subprocess
from collections.abc import Callable, Mapping
from contextlib import suppress
from pathlib import Path
from typing import Any
from urllib.parse import urlsplit

import pytest
import yaml
from compose_spec import PyOptions

from daq.cli import build_parser
from daq.examples import EXAMPLES, example_text
from daq.fleet import load_fleet
from tests.mosquitto import Node, mosquitto_program
from tests.waiting import wait_until

ROOT = Path(__file__).parents[2]
COMPOSE = ROOT / "docker-compose.yml"
DOCKERFILE = ROOT / "Dockerfile"
SECRET = re.compile(r"TOKEN|PASSWORD|SECRET|_KEY", re.IGNORECASE)
VARIABLE = re.compile(r"\$\{(?P<name>\w+)(?:(?P<rule>:[-?])(?P<text>[^}]*))?\}")


def given() -> dict[str, str]:
    """A value for each name that has none."""
    text = COMPOSE.read_text(encoding="utf-8")
    return {
        found["name"]: "a-value-of-this-test" for found in VARIABLE.finditer(text) if found["rule"] == ":?"
    }


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
    text = substitute(COMPOSE.read_text(encoding="utf-8"), given())
    assert sorted(check_specification(text)) == ["broker", "fleet", "gather", "influxdb", "reader", "service"]


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
    file = yaml.safe_load(substitute(COMPOSE.read_text(encoding="utf-8"), given()))
    spoil(file)
    with pytest.raises(ValueError, match=complaint):
        check_specification(yaml.safe_dump(file))


def test_ports_are_published_on_loopback_only() -> None:
    published = [port for service in parsed()["services"].values() for port in service.get("ports", [])]
    assert published, "the page must be reachable from the computer itself"
    assert [port for port in published if not str(port).startswith("127.0.0.1:")] == []


def test_no_secret_has_a_default() -> None:
    secrets = {
        (service, name): value
        for service, settings in parsed()["services"].items()
        for name, value in settings.get("environment", {}).items()
        if SECRET.search(name)
    }
    assert {service for service, _ in secrets} == {
        "reader",
        "service",
        "influxdb",
        "broker",
        "gather",
        "fleet",
    }
    for where, value in secrets.items():
        found = VARIABLE.fullmatch(value)
        assert found is not None, f"{where}: {value!r} is a secret written down"
        assert found["rule"] == ":?", f"{where}: unset, it must stop the start"
    text = COMPOSE.read_text(encoding="utf-8")
    for name in given():
        with pytest.raises(KeyError, match="set it to"):
            substitute(text, {k: v for k, v in given().items() if k != name})
    example = (ROOT / "docker" / "secrets.example.env").read_text(encoding="utf-8")
    lines = [line for line in example.splitlines() if line and not line.startswith("#")]
    assert sorted(lines) == sorted(f"{name}=" for name in given())


def test_images_are_pinned() -> None:
    for name, service in parsed()["services"].items():
        image, _, tag = service["image"].partition(":")
        assert image == "lyewatch" or re.fullmatch(r"\d+\.\d+\.\d+", tag), name


def test_the_guarding_process_can_reach_the_database_server_alone() -> None:
    file = parsed()
    assert file["services"]["reader"]["networks"] == ["samples"]
    assert file["networks"]["samples"] == {"internal": True}
    assert "ports" not in file["services"]["reader"]
    assert file["services"]["influxdb"]["networks"] == ["samples"]


def test_every_service_restarts_is_checked_and_is_confined() -> None:
    for name, service in parsed()["services"].items():
        assert service["restart"] == "unless-stopped", name
        assert service["healthcheck"]["test"][0] == "CMD", name
        assert service["read_only"] is True, name
        assert service["cap_drop"] == ["ALL"], name
        assert service["security_opt"] == ["no-new-privileges:true"], name
        assert "privileged" not in service, name


def test_both_share_one_image_one_store_and_one_channel() -> None:
    reader, service = (parsed()["services"][name] for name in ("reader", "service"))
    assert reader["image"] == service["image"]
    assert reader["volumes"] == service["volumes"]
    bench, store, channel = (volume.split(":") for volume in reader["volumes"])
    named = {v.split(":")[0] for s in parsed()["services"].values() for v in s["volumes"] if v[0] != "."}
    assert named == set(parsed()["volumes"]), "a named volume must be declared, and used"
    assert store[0] in named
    # Where they meet: a folder that the image has made for its user, and that no other service mounts.
    assert channel[0] in named
    assert {s["environment"]["LYEWATCH_RUNTIME_DIR"] for s in (reader, service)} == {channel[1]}
    script = (ROOT / "docker" / "install.sh").read_text(encoding="utf-8")
    home = re.search(r"^home=\$\{HOME_DIR:-(\S+)\}", script, re.MULTILINE)
    assert home is not None
    assert channel[1] == f"{home[1]}/run"
    others = [s for n, s in parsed()["services"].items() if n not in ("reader", "service")]
    assert not any(v.startswith(f"{channel[0]}:") for s in others for v in s["volumes"])
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


OUR_COMMANDS = {"reader": "read", "service": "serve", "gather": "gather", "fleet": "fleet"}


@pytest.mark.parametrize("name", OUR_COMMANDS)
def test_commands_are_ones_that_lyewatch_takes(name: str) -> None:
    service = parsed()["services"][name]
    args = build_parser().parse_args(service["command"])
    assert args.command == OUR_COMMANDS[name]
    file = args.fleet if name in ("gather", "fleet") else args.bench
    mounted = [volume.split(":")[1] for volume in service["volumes"]]
    assert str(file) == mounted[0]


def test_the_composed_fleet_file_names_the_composed_services() -> None:
    fleet = load_fleet(ROOT / "docker" / "fleet.toml")
    services = parsed()["services"]
    assert fleet.broker.host in services
    assert urlsplit(fleet.influxdb.url).hostname in services
    environment = services["influxdb"]["environment"]
    assert (fleet.influxdb.org, fleet.influxdb.bucket) == (
        environment["DOCKER_INFLUXDB_INIT_ORG"],
        environment["DOCKER_INFLUXDB_INIT_BUCKET"],
    )
    token = environment["DOCKER_INFLUXDB_INIT_ADMIN_TOKEN"]
    assert {
        services[n]["environment"]["LYEWATCH_INFLUX_TOKEN"] for n in ("reader", "service", "gather", "fleet")
    } == {token}


@pytest.mark.server
def test_the_composed_broker_lets_each_do_its_own_and_no_more(tmp_path: Path, free_port: int) -> None:
    """The script, settings and access list of the composed broker, with a real mosquitto on another port."""
    program = mosquitto_program()
    mosquitto_program("mosquitto_passwd")
    settings = (ROOT / "docker" / "mosquitto.conf").read_text(encoding="utf-8")
    for old, new in (
        ("listener 1883", f"listener {free_port} 127.0.0.1\nuser root"),
        ("/tmp/passwords", str(tmp_path / "passwords")),
        ("/mosquitto/config/acl", str(ROOT / "docker" / "acl")),
        ("/mosquitto/data/", f"{tmp_path}/"),
    ):
        assert old in settings
        settings = settings.replace(old, new)
    (tmp_path / "mosquitto.conf").write_text(settings, encoding="utf-8")
    script = [*parsed()["services"]["broker"]["entrypoint"][:-1], str(ROOT / "docker" / "broker.sh")]
    accounts = {
        "BENCH_ID": "torch-1",
        "BENCH_PASSWORD": "b-1 $x",
        "GATHER_PASSWORD": "g2",
        "OVERVIEW_PASSWORD": "o3",
    }
    path = f"{Path(program).parent}:{os.environ['PATH']}"
    environ = {
        "PATH": path,
        "CONFIG": str(tmp_path / "mosquitto.conf"),
        "SECRETS": str(tmp_path / "passwords"),
    }
    without = subprocess.run(script, env=environ, capture_output=True, text=True, timeout=60)
    assert without.returncode != 0
    assert "BENCH_ID" in without.stderr
    with (tmp_path / "log.txt").open("wb") as log:
        broker = subprocess.Popen(script, env={**environ, **accounts}, stdout=log, stderr=log)
    try:
        wait_until(lambda: _listens(free_port), "the broker to listen", timeout_s=60)
        assert "b-1 $x" not in (tmp_path / "passwords").read_text(), "kept as hashes only"
        bench = Node(free_port, user="torch-1", password="b-1 $x")
        gather = Node(free_port, user="gather", password="g2")
        overview = Node(free_port, user="overview", password="o3")
        gather.subscribe("$share/gather/lyewatch/v1/+/samples")
        overview.subscribe("lyewatch/v1/+/alarms")
        overview.subscribe("lyewatch/v1-gather/+/digest")
        bench.subscribe("#")
        # This mosquitto ends the link of whoever publishes what he may not.
        intruder = Node(free_port, user="torch-1", password="b-1 $x")
        with suppress(RuntimeError):
            intruder.publish("lyewatch/v1/torch-2/samples", b"not mine")
        bench.publish("lyewatch/v1/torch-1/samples", b"mine")
        bench.publish("lyewatch/v1/torch-1/alarms", b"mine too")
        reader = Node(free_port, user="overview", password="o3")
        with suppress(RuntimeError):
            reader.publish("lyewatch/v1/torch-1/samples", b"the page writes nothing")
        gather.publish("lyewatch/v1-gather/1/digest", b"stored")
        wait_until(lambda: gather.got and len(overview.got) == 2, "what each may read", timeout_s=30)
        assert [payload for _, payload, _ in gather.got] == [b"mine"]
        assert {payload for _, payload, _ in overview.got} == {b"mine too", b"stored"}
        assert bench.got == []
        for node in (bench, gather, overview, intruder, reader):
            node.close()
        anonymous = shlex.split(parsed()["services"]["broker"]["healthcheck"]["test"][3].split(";")[0])
        if shutil.which(anonymous[0]):
            asked = subprocess.run([*anonymous, "-p", str(free_port)], capture_output=True, timeout=60)
            assert asked.returncode == 5, "no password, no entry; and the health check knows that answer"
    finally:
        broker.kill()
        broker.wait()


def _listens(port: int) -> bool:
    try:
        socket.create_connection(("127.0.0.1", port), timeout=1).close()
    except OSError:
        return False
    return True


@pytest.mark.parametrize("name", ["service", "fleet"])
def test_the_published_port_is_the_one_listened_on_and_checked(name: str) -> None:
    service = parsed()["services"][name]
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
