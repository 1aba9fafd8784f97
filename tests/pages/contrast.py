"""Contrast of two colours after WCAG 2.2, "relative luminance" and "contrast ratio"."""

from __future__ import annotations

__all__ = ["contrast", "luminance"]


def luminance(colour: str) -> float:
    """Relative luminance of "#rrggbb", from 0 (black) to 1 (white)."""
    channels = [int(colour[i : i + 2], 16) / 255 for i in (1, 3, 5)]
    red, green, blue = (c / 12.92 if c <= 0.04045 else ((c + 0.055) / 1.055) ** 2.4 for c in channels)
    return 0.2126 * red + 0.7152 * green + 0.0722 * blue


def contrast(one: str, other: str) -> float:
    """Contrast ratio, from 1 to 21."""
    light, dark = sorted((luminance(one), luminance(other)), reverse=True)
    return (light + 0.05) / (dark + 0.05)
