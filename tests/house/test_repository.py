"""What may not be in the repository: addresses of registries, paths of one machine, files that others own."""

from __future__ import annotations

import re
from urllib.parse import urlsplit

from tests.house.source_files import tracked_texts

# Patterns and samples are written in segments, so that this file does not hold what it forbids.
_REGISTRIES = (
    "py" + "pi", "python" + "hosted", "npm" + "js", "yarn" + "pkg", "deb" + "ian", "ubuntu", "docker",
    "gh" + "cr", "quay", "jsdelivr", "unpkg", "cdnjs",
)  # fmt: skip
REGISTRY = re.compile(rf"\b(?:[\w-]+\.)*(?:{'|'.join(_REGISTRIES)})\.(?:org|com|io|net|dev)\b", re.IGNORECASE)
MACHINE_PATH = re.compile("/" + r"(?:work|root|home/\w+)/|[A-Z]:\\" + r"Users\\")
ADDRESS = re.compile(r"\bhttps?://[^\s\"'`<>()\\]+")
KNOWN_HOSTS = {
    # This computer, names that stand for any host (RFC 2606), and a service of docker-compose.yml.
    "127.0.0.1", "localhost", "::1", "testserver", "example.org", "evil.example", "bench.example", "influxdb",
    # Names that the standards of SVG and of JSON Schema give themselves; nothing fetches them.
    "www.w3.org", "json-schema.org",
    # Published sources.
    "doi.org", "www.rfc-editor.org", "physics.nist.gov", "www.itl.nist.gov", "webbook.nist.gov",
    "www.bipm.org", "iapws.org", "www.sqlite.org",
}  # fmt: skip
"""Add a host here only for a published source that a text cites; nothing may be fetched from it."""

LOCK_FILES = {"package-lock.json", "npm-shrinkwrap.json", "yarn.lock", "poetry.lock", "uv.lock"}
TEXTS = dict(tracked_texts())


def findings(pattern: re.Pattern[str], texts: dict[str, str]) -> list[str]:
    """Where the texts match: file, line, and what was found."""
    return [
        f"{name}:{number}: {found.group()}"
        for name, text in texts.items()
        for number, line in enumerate(text.splitlines(), start=1)
        for found in pattern.finditer(line)
    ]


def test_no_file_names_a_registry() -> None:
    assert findings(REGISTRY, TEXTS) == []


def test_no_file_holds_a_path_of_one_machine() -> None:
    assert findings(MACHINE_PATH, TEXTS) == []


def test_addresses_are_of_this_computer_or_of_a_published_source() -> None:
    strange = []
    for found in findings(ADDRESS, TEXTS):
        address = found.split(": ", 1)[1].rstrip(".,;")
        put_together_later = re.match(r"https?://[^/]*[{$%]", address)
        if not put_together_later and urlsplit(address).hostname not in KNOWN_HOSTS:
            strange.append(found)
    assert strange == []


def test_there_is_no_lock_file_and_nothing_built() -> None:
    assert [name for name in TEXTS if name.rsplit("/", 1)[-1] in LOCK_FILES] == []
    assert [name for name in TEXTS if name.startswith(("daq/_built/", "daq/_pages/", ".venv/"))] == []


def test_the_patterns_find_what_they_are_for() -> None:
    assert findings(REGISTRY, {"a": "see registry." + "npm" + "js.org/x"}) != []
    assert findings(REGISTRY, {"a": "files." + "python" + "hosted.org"}) != []
    assert findings(MACHINE_PATH, {"a": "x\nin /" + "work/main"}) == ["a:2: /" + "work/"]
    assert findings(MACHINE_PATH, {"a": "in /" + "home/ann/x"}) != []
    assert findings(MACHINE_PATH, {"a": "/srv/lyewatch/network/ and /usr/src/"}) == []
