"""Looking at a chart's pixels."""

from __future__ import annotations

from typing import Any

from playwright.sync_api import Page

__all__ = ["canvas_text", "css_colour", "pixels", "rows_of_colour"]

_READ = """([strip, colour, near, top, bottom]) => {
  const canvas = document.querySelector(`#${strip} canvas`);
  if (!canvas || canvas.width === 0) return { count: 0, rows: [], columns: [], width: 0, height: 0 };
  const { width, height } = canvas;
  const data = canvas.getContext("2d").getImageData(0, 0, width, height).data;
  const rows = new Array(height).fill(0), columns = new Array(width).fill(0);
  let count = 0;
  for (let y = top; y < Math.min(bottom, height); y += 1) for (let x = 0; x < width; x += 1) {
    const i = 4 * (y * width + x);
    if (data[i + 3] < 128) continue;
    if (colour.some((want, k) => Math.abs(data[i + k] - want) > near)) continue;
    rows[y] += 1; columns[x] += 1; count += 1;
  }
  return { count, rows, columns, width, height };
}"""


def css_colour(page: Page, name: str) -> tuple[int, int, int]:
    """A colour of the style sheet, as red, green and blue."""
    text: str = page.evaluate(
        "name => getComputedStyle(document.documentElement).getPropertyValue('--' + name).trim()", name
    )
    assert text.startswith("#"), f"--{name} is {text!r}"
    return int(text[1:3], 16), int(text[3:5], 16), int(text[5:7], 16)


def pixels(
    page: Page, strip: str, colour: str, *, near: int = 24, top: int = 0, bottom: int = 9999
) -> dict[str, Any]:
    """Where on a strip's canvas, between two rows, that colour of the style sheet is."""
    found: dict[str, Any] = page.evaluate(_READ, [strip, list(css_colour(page, colour)), near, top, bottom])
    return found


def rows_of_colour(page: Page, strip: str, colour: str) -> list[int]:
    """Rows of the canvas of which at least a third is of that colour: horizontal lines, dashed or not."""
    found = pixels(page, strip, colour)
    return [y for y, n in enumerate(found["rows"]) if n > found["width"] / 3]


def canvas_text(page: Page, strip: str) -> str:
    """The canvas as text, to see whether it changed."""
    text: str = page.evaluate("strip => document.querySelector(`#${strip} canvas`).toDataURL()", strip)
    return text
