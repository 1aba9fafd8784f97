"""The timed fill on the live page: started, stopped, dropped; what it shows and what it sends."""

from __future__ import annotations

import re

import pytest
from playwright.sync_api import Page, expect

from tests.pages import bench_facts as facts
from tests.pages.fake_service import FakeBench, Serving
from tests.waiting import wait_until

pytestmark = pytest.mark.browser


def test_a_fill_is_started_and_stopped_with_one_button(
    page: Page, bench: FakeBench, serving: Serving
) -> None:
    bench.t0, bench.speed = bench.now(), 0.0  # the bench's clock stands but where the test moves it
    page.goto(serving.url)
    panel = page.locator("#fill")
    expect(panel).to_contain_text("explosive gas")
    panel.get_by_label("Volume, mL").fill("500")
    panel.get_by_label("Known to ± mL").fill("2,5")
    page.locator("#recording").get_by_label("Your name").fill("Ada")
    panel.get_by_role("button", name="Start").click()
    stop = panel.get_by_role("button", name="Stop")
    expect(stop).to_be_focused()
    expect(panel.get_by_role("timer")).to_have_text("Filling for 0:00")
    bench.t0 += 22.4
    expect(panel.get_by_role("timer")).to_have_text("Filling for 0:22")
    assert bench.requests == [
        (
            "POST",
            "/api/fills/start",
            {"volume_ml": 500, "volume_error_ml": 2.5, "seal": "water", "who": "Ada"},
        )
    ]

    panel.get_by_text("Conditions in the vessel").click()
    panel.get_by_label("Gas in the vessel, °C").fill("21")
    panel.get_by_label("Outside higher by, mm").fill("-40")
    stop.click()
    expect(panel.locator(".outcome")).to_have_text("Kept in the logbook.")
    assert bench.requests[1] == (
        "POST",
        "/api/fills/stop",
        {"volume_ml": 500, "gas_temp_c": 21, "head_mm": -40, "who": "Ada"},
    )
    result = panel.get_by_label("The last fill")
    expect(result).to_contain_text(re.compile(r"500\smL in 22\.4\ss"))
    fill = bench.fills[0]
    dry = fill["numbers"]["flow_dry_ref_lpm"]
    expect(result).to_contain_text(f"{dry['value']:.3f} ± {dry['u95']:.3f}")
    expect(result).to_contain_text(re.compile(r"Faradaic efficiency\d\d\.\d ± 2\.1\s%"))
    expect(result).to_contain_text(f"Dry gas at {facts.REFERENCE}")
    result.get_by_text("What the flow meter is to be corrected by").click()
    expect(result).to_contain_text("meter_factor = 0.972")
    expect(panel.get_by_role("button", name="Start")).to_be_visible()
    expect(panel.get_by_role("timer")).to_be_hidden()
    expect(panel).to_contain_text("Earlier fills (1)")
    page.reload()
    expect(page.locator("#fill").get_by_label("Volume, mL")).to_have_value("500")


def test_what_is_no_number_is_said_beside_the_button(page: Page, bench: FakeBench, serving: Serving) -> None:
    page.goto(serving.url)
    panel = page.locator("#fill")
    start = panel.get_by_role("button", name="Start")
    for text in ("", "half", "-3", "0"):
        panel.get_by_label("Volume, mL").fill(text)
        start.click()
        expect(panel.locator(".outcome")).to_have_text("Give the volume in mL, as in 500.")
        expect(panel.get_by_label("Volume, mL")).to_be_focused()
        expect(panel.get_by_label("Volume, mL")).to_have_attribute("aria-invalid", "true")
    panel.get_by_label("Volume, mL").fill("500")
    panel.get_by_text("Conditions in the vessel").click()
    panel.get_by_label("Gas in the vessel, °C").fill("warm")
    panel.get_by_text("Conditions in the vessel").click()
    start.click()
    expect(panel.get_by_label("Gas in the vessel, °C")).to_be_focused()
    assert bench.requests == []


def test_a_refused_stop_keeps_the_time_and_can_be_mended(
    page: Page, bench: FakeBench, serving: Serving
) -> None:
    bench.t0, bench.speed = bench.now(), 0.0
    bench.fill = {"run": "r", "t_s": bench.now() - 10.0, "started_utc": facts.stamp(0)}
    page.goto(serving.url)
    panel = page.locator("#fill")
    panel.get_by_label("Volume, mL").fill("500")
    bench.refuse["/api/fills/stop"] = (
        422,
        {
            "place": "fill",
            "message": "gas of this temperature is all but steam",
            "value": None,
            "remedy": "cool it",
        },
    )
    panel.get_by_role("button", name="Stop").click()
    expect(panel.locator(".outcome")).to_have_text("fill: gas of this temperature is all but steam; cool it.")
    again = panel.get_by_role("button", name="Work it out again")
    expect(again).to_be_visible()
    expect(panel.get_by_role("timer")).to_have_text("Stopped at 0:10")
    bench.refuse.clear()
    again.click()
    expect(panel.locator(".outcome")).to_have_text("Kept in the logbook.")


def test_a_fill_is_dropped(page: Page, bench: FakeBench, serving: Serving) -> None:
    bench.fill = {"run": "r", "t_s": bench.now() - 10.0, "started_utc": facts.stamp(0)}
    page.goto(serving.url)
    panel = page.locator("#fill")
    panel.get_by_role("button", name="Drop it").click()
    expect(panel.locator(".outcome")).to_have_text("Dropped; nothing is kept.")
    wait_until(lambda: bench.fill is None, "the drop")
    expect(panel.get_by_role("button", name="Start")).to_be_visible()
    expect(panel.get_by_role("button", name="Drop it")).to_be_hidden()


def test_a_fill_that_ends_elsewhere_is_told(page: Page, bench: FakeBench, serving: Serving) -> None:
    bench.fill = {"run": "r", "t_s": bench.now() - 10.0, "started_utc": facts.stamp(0)}
    page.goto(serving.url)
    panel = page.locator("#fill")
    expect(panel.get_by_role("button", name="Stop")).to_be_visible()
    bench.fills.append(facts.fill(1, 500.0, 22.7))
    bench.fill = None
    expect(panel.locator(".outcome")).to_contain_text("The fill has ended")
    expect(panel).to_contain_text("Earlier fills (1)")
    panel.get_by_text("Earlier fills (1)").click()
    expect(panel.locator("tfoot tr")).to_have_count(0)
    row = panel.locator("tbody tr")
    expect(row).to_contain_text(re.compile(r"500\smL in 22\.7\ss"))
    expect(row).to_contain_text(re.compile(r"92\.4 ± 2\.1\s%"))


def test_several_fills_have_a_mean_and_a_wrong_one_is_taken_out(
    page: Page, bench: FakeBench, serving: Serving
) -> None:
    bench.fills = [facts.fill(2, 500.0, 22.4), facts.fill(1, 500.0, 22.7)]
    bench.fill = {"run": "r", "t_s": bench.now() - 10.0, "started_utc": facts.stamp(0)}
    page.goto(serving.url)
    panel = page.locator("#fill")
    panel.get_by_label("Volume, mL").fill("500")
    panel.get_by_role("button", name="Stop").click()
    expect(panel).to_contain_text("Earlier fills (3)")
    panel.get_by_text("Earlier fills (3)").click()
    mean = panel.locator("tfoot tr")
    expect(mean).to_contain_text("Mean of 3, A: plates as cut")
    expect(mean).to_contain_text(re.compile(r"scatter \d+\.\d\s%"))
    panel.get_by_role("button", name="It went wrong").click()
    expect(panel.locator(".outcome")).to_have_text("Taken out of the logbook.")
    expect(panel.get_by_label("The last fill")).to_be_hidden()
    expect(panel.get_by_role("button", name="Start")).to_be_focused()
    expect(panel).to_contain_text("Earlier fills (2)")
    expect(mean).to_contain_text("Mean of 2")
    expect(mean).to_contain_text(re.compile(r"scatter 0\.9\s%"))
    assert bench.requests[-1][1] == "/api/fills/3/forget"


def test_on_a_phone_the_fill_is_one_tap_from_the_top(page: Page, bench: FakeBench, serving: Serving) -> None:
    page.set_viewport_size({"width": 390, "height": 844})
    page.goto(serving.url)
    start = page.locator("#fill").get_by_role("button", name="Start")
    expect(start).not_to_be_in_viewport()
    page.get_by_role("link", name="Timed fill").click()
    expect(start).to_be_in_viewport()
    page.set_viewport_size({"width": 1400, "height": 1000})
    expect(page.get_by_role("link", name="Timed fill")).to_be_hidden()
