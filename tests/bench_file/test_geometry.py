"""``[stack.geometry]``: what is read and what is refused."""

from __future__ import annotations

from pathlib import Path

import pytest

from daq.bench import Bench, parse_bench
from daq.errors import BenchFileError
from daq.examples import example_text

TORCH = example_text("water_torch")
START = TORCH.index("[stack.geometry]")
END = TORCH.index("[supply]")


def with_geometry(text: str) -> Bench:
    return parse_bench(TORCH[:START] + text + "\n\n" + TORCH[END:], Path("bench.toml"))


BASE = "[stack.geometry]\nplates = 7\nplate_thickness_mm = 1.0\ngap_mm = 3.0\n"
PORT = '[[stack.geometry.ports]]\ndiameter_mm = 8.0\nlayout = "offset"\n'


def test_one_number_or_one_for_each_plate() -> None:
    geometry = with_geometry(
        BASE
        + PORT
        + '[[stack.geometry.slots]]\nwidth_mm = [3, 4, 5.0, 6, 7]\nheight_mm = 2\nlayout = "in line"'
    ).stack.geometry
    assert geometry is not None
    assert geometry.ports[0].diameter_mm == (8.0,)
    assert geometry.slots[0].width_mm == (3.0, 4.0, 5.0, 6.0, 7.0)
    assert len(geometry.openings) == 2


def test_groups_in_parallel() -> None:
    geometry = with_geometry(BASE.replace("= 7", "= 19") + PORT).stack.geometry
    assert geometry is not None
    assert geometry.plates == 19


@pytest.mark.parametrize(
    ("text", "key", "says"),
    [
        (BASE, "stack.geometry", "no opening is given"),
        (
            BASE.replace("= 7", "= 9") + PORT,
            "stack.geometry.plates",
            "write 7, or with groups in parallel 13",
        ),
        (
            BASE + PORT.replace("8.0", "[8.0, 8.0]"),
            "stack.geometry.ports.0.diameter_mm",
            "2 numbers for 5 neutral plates",
        ),
        (BASE + PORT.replace("8.0", "-8.0"), "stack.geometry.ports.0.diameter_mm", "greater than 0"),
        (BASE + PORT.replace("8.0", "true"), "stack.geometry.ports.0.diameter_mm", "number"),
        (
            BASE + PORT + "sealed_fraction = 1.5",
            "stack.geometry.ports.0.sealed_fraction",
            "less than or equal to 1",
        ),
        (BASE + PORT.replace("offset", "sideways"), "stack.geometry.ports.0.layout", "'in line' or 'offset'"),
        (BASE + PORT + "diametre = 3", "stack.geometry.ports.0.diametre", "no key"),
        (BASE + PORT + "gas_share = 0.9", "stack.geometry.ports.0.gas_share", "less than or equal to 0.6"),
    ],
)
def test_what_is_wrong_is_named_with_its_remedy(text: str, key: str, says: str) -> None:
    with pytest.raises(BenchFileError) as caught:
        with_geometry(text)
    message = str(caught.value)
    assert key in message
    assert says in message
