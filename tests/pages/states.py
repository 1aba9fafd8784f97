"""Every state of the live page, for the tests that go through them all and for pictures of each.

`python -m tests.pages.states FOLDER` draws them: on a phone, on a screen, light, dark, in forced colours, at
200 % zoom. `--only NAME` takes some.
"""

from __future__ import annotations

import argparse
import sys
from collections.abc import Callable
from pathlib import Path
from typing import Any, Final

from playwright.sync_api import Browser, Page, expect

from tests.chromium import open_chromium
from tests.pages.fake_service import FakeBench, Serving

__all__ = ["CROSSING_FORECAST", "SHOWN", "STATES", "open_state"]

CROSSING_FORECAST: Final[dict[str, Any]] = {
    "limit": "high",
    "limit_c": 60.0,
    "time_to_limit_s": 640.0,
    "time_to_limit_low_s": 500.0,
    "time_to_limit_high_s": 800.0,
    "steady_state_c": 68.0,
    "steady_state_low_c": 63.0,
    "steady_state_high_c": 75.0,
    "limits": {
        "warn": {"limit_c": 50.0, "time_s": 120.0, "low_s": 100.0, "high_s": 150.0},
        "high": {"limit_c": 60.0, "time_s": 640.0, "low_s": 500.0, "high_s": 800.0},
        "trip": {"limit_c": 65.0, "time_s": 900.0, "low_s": 700.0, "high_s": 1200.0},
    },
    "confidence": "good",
    "unknowns": [],
    "words": "At these settings the lye does not settle below 60 °C; it crosses in about 11 min (8 min to "
    "13 min). The supply is cut at 65 °C, in about 15 min (12 min to 20 min).",
}
SETTLES: Final[dict[str, Any]] = {
    "limit": "high",
    "limit_c": 60.0,
    "time_to_limit_s": None,
    "time_to_limit_low_s": None,
    "time_to_limit_high_s": None,
    "steady_state_c": 55.0,
    "steady_state_low_c": 52.0,
    "steady_state_high_c": 58.0,
    "limits": {
        "high": {"limit_c": 60.0, "time_s": None, "low_s": None, "high_s": None},
        "trip": {"limit_c": 65.0, "time_s": None, "low_s": None, "high_s": None},
    },
    "confidence": "good",
    "unknowns": [],
    "words": "At these settings the lye settles at about 55 °C (52 to 58 °C), below its limit of 60 °C.",
}


def _calm(bench: FakeBench) -> None:
    bench.forecast = SETTLES


def _warning(bench: FakeBench) -> None:
    bench.forecast = CROSSING_FORECAST
    bench.raise_alarm("lye_temp.forecast", priority="medium", title="Lye will not settle below its limit")


def _alarm(bench: FakeBench) -> None:
    _warning(bench)
    bench.extra_temp = 20.0
    bench.forecast = {
        **CROSSING_FORECAST,
        "time_to_limit_s": 0.0,
        "time_to_limit_low_s": 0.0,
        "time_to_limit_high_s": 0.0,
    }
    bench.raise_alarm()


def _tripped(bench: FakeBench) -> None:
    bench.extra_temp = 20.0
    bench.falling = -2.4
    bench.no_current = True
    for name, title in (
        ("lye_temp.high", "Lye temperature high"),
        ("lye_temp.trip", "Lye temperature beyond its trip limit"),
        ("supply.tripped", "Supply cut by a trip"),
    ):
        priority = "high" if name.endswith("high") else "critical"
        bench.raise_alarm(name, priority=priority, title=title)
    bench.trip_now()
    bench.supply = {"state": "tripped", "words": "Supply was cut by a trip"}


def _blind(bench: FakeBench) -> None:
    bench.forecast = CROSSING_FORECAST
    bench.blind = [{"part": "watch", "words": "the watch is starting again"}]


def _reader_gone(bench: FakeBench) -> None:
    bench.data = {
        "state": "none",
        "age_s": 12.0,
        "words": "Reader not reachable: it was killed. Nothing is known here",
    }
    bench.supply = {"state": "unknown", "words": "Not known whether the supply is on"}
    bench.blind = [{"part": "reader", "words": "the reader is not reachable"}]


def _no_run(bench: FakeBench) -> None:
    bench.run = None
    bench.supply = {"state": "off", "words": "No current flows"}
    bench.no_current = True


def _no_meter(bench: FakeBench) -> None:
    _calm(bench)
    bench.without = ("gas_flow", "gas_temp")


def _several(bench: FakeBench) -> None:
    _calm(bench)
    bench.more_links = [("supply", "open", None), ("scale", "waiting", "no answer since 09:41")]


def _simulated(bench: FakeBench) -> None:
    _warning(bench)
    bench.guide = (
        "Nothing is too hot yet, but it will be: the watch foresees a limit, says when, and names the "
        "likeliest cause. This is the time to turn the voltage down or see to the fan."
    )


def _archive(bench: FakeBench) -> None:
    _calm(bench)
    bench.past = []
    bench.archive = {
        "state": "away",
        "words": "The archive's server takes no samples since 2025-03-04T09:35:00Z: it does not answer. "
        "1,200 samples wait in the journal; nothing is lost, and it is tried again.",
    }


def _same(bench: FakeBench) -> None:
    """Nothing but what the bench begins with: no forecast yet, cautions unread."""


STATES: Final[dict[str, Callable[[FakeBench], None]]] = {
    "first visit": _same,
    "calm": _calm,
    "warning": _warning,
    "alarm": _alarm,
    "tripped": _tripped,
    "blind": _blind,
    "stale": _calm,
    "reader gone": _reader_gone,
    "no run": _no_run,
    "no flow meter": _no_meter,
    "several sources": _several,
    "simulated": _simulated,
    "archive away": _archive,
}
"""What a test does to its bench to bring the page into the state of that name."""
SHOWN: Final[dict[str, dict[str, Any]]] = {
    "320": {"viewport": {"width": 320, "height": 690}},
    "390": {"viewport": {"width": 390, "height": 844}},
    "1280": {"viewport": {"width": 1280, "height": 800}},
    "1280-dark": {"viewport": {"width": 1280, "height": 800}, "color_scheme": "dark"},
    "1280-forced": {"viewport": {"width": 1280, "height": 800}, "forced_colors": "active"},
    "zoom200": {"viewport": {"width": 640, "height": 400}},
}
"""How it is looked at: names of pictures, and what the browser is opened with."""


def open_state(browser: Browser, bench: FakeBench, serving: Serving, name: str, **how: Any) -> Page:
    """The live page in the state `name`, once it shows it.

    Parameters
    ----------
    browser : Browser
    bench, serving : FakeBench, Serving
        Of this test alone.
    name : str
        One of `STATES`.
    how : mapping
        What the page is opened with, as in `SHOWN`.
    """
    STATES[name](bench)
    page = browser.new_page(**how)
    if name != "first visit":
        page.add_init_script("localStorage.setItem('lyewatch.cautions', 'folded')")
    page.goto(serving.url)
    if name == "reader gone":
        expect(page.locator("#blind")).to_be_visible()
        return page
    expect(page.locator("#now-row-temp .now-value")).not_to_have_text("–")
    expect(page.locator("#links strong").first).to_be_visible()
    if name == "stale":
        bench.silent = True
        expect(page.locator("#band-data")).to_contain_text("stale")
    elif name == "tripped":
        expect(page.locator("#trip")).to_be_visible()
    elif name in ("warning", "alarm"):
        expect(page.locator("#alarms .alarm").first).to_be_visible()
    return page


def main(arguments: list[str]) -> int:
    """Draw the pictures."""
    parser = argparse.ArgumentParser(prog="python -m tests.pages.states")
    parser.add_argument("folder", type=Path)
    parser.add_argument("--only", action="append", choices=[*STATES], help="a state, may be given again")
    parser.add_argument(
        "--shown", action="append", choices=[*SHOWN], help="a way of looking, may be given again"
    )
    parser.add_argument("--whole", action="store_true", help="the whole page and not its first screen")
    args = parser.parse_args(arguments)
    args.folder.mkdir(parents=True, exist_ok=True)
    with open_chromium() as browser:
        for name in args.only or STATES:
            for label in args.shown or SHOWN:
                bench = FakeBench()
                with Serving(bench) as serving:
                    page = open_state(browser, bench, serving, name, **SHOWN[label])
                    page.wait_for_timeout(700)  # for the charts
                    file = args.folder / f"{name.replace(' ', '-')}-{label}.png"
                    page.screenshot(path=file, full_page=args.whole)
                    page.context.close()
    return 0


if __name__ == "__main__":
    sys.exit(main(sys.argv[1:]))
