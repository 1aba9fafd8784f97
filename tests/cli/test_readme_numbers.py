"""The README's worked example is what the command prints, and what it says of it is so."""

from __future__ import annotations

import json
import re
import shlex
from pathlib import Path

import pytest

from daq.cli import main
from daq.physics.faraday import gas_rate_lpm, reference_condition

ROOT = Path(__file__).parents[2]
README = (ROOT / "README.md").read_text(encoding="utf-8")


def example() -> tuple[list[str], str]:
    """The arguments of the README's command, and the output shown under it."""
    (block,) = re.findall(r"```console\n\$ lyewatch (fill .*?)```", README, re.DOTALL)
    command, _, shown = re.sub(r"\\\n\s*", "", block).partition("\n")
    return shlex.split(command), shown


def printed(arguments: list[str], capsys: pytest.CaptureFixture[str]) -> str:
    assert main(arguments) == 0
    return capsys.readouterr().out


def test_the_worked_example_is_what_the_command_prints(capsys: pytest.CaptureFixture[str]) -> None:
    arguments, shown = example()
    assert printed(arguments, capsys).startswith(shown.rstrip() + "\n")
    assert "WHAT REMAINS" in shown


def test_what_the_text_says_of_it_is_so(capsys: pytest.CaptureFixture[str]) -> None:
    arguments, _ = example()
    result = json.loads(printed([*arguments, "--json"], capsys))
    # common practice, no published source: 500 mL, 22.7 s, 20 A, 11.55 V, six cells
    assert "1.32 L/min and 5.72 mL/min per watt" in README
    assert result["flow_as_read_lpm"]["value"] == pytest.approx(1.32, abs=5e-3)
    assert result["mmw_as_read"]["value"] == pytest.approx(5.72, abs=5e-3)
    could = float(gas_rate_lpm(20.0, 6, reference=reference_condition("0C_101.325kPa")))
    assert f"{could:.3f} L/min" in README
    steam, room = (float(x) for x in re.findall(r"× (\d\.\d+)", README))
    assert 1.0 - steam == pytest.approx(1 / 40, abs=1e-3)
    assert 1.0 - room == pytest.approx(1 / 10, abs=1e-3)

    place = arguments.index("--gas-temp")
    high = [*arguments[:place], *arguments[place + 4 :], "--gas-temp", "45", "--altitude", "1600", "--json"]
    thin = json.loads(printed(high, capsys))
    assert thin["flow_as_read_lpm"] == result["flow_as_read_lpm"]
    less = 1.0 - thin["flow_dry_ref_lpm"]["value"] / result["flow_dry_ref_lpm"]["value"]
    assert f"holds {100.0 * less:.0f} % less" in README
