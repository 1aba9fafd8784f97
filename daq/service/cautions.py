"""The cautions shown with the live page, at a trip and before a reset: words, not advice for one bench."""

from __future__ import annotations

__all__ = ["CAUTIONS", "RESET_CAUTIONS"]

CAUTIONS = (
    (
        "The gas is hydrogen and oxygen already mixed: it can detonate from a spark too small to see. "
        "Keep volumes small, vent to the open, fit a flashback arrestor and a bubbler tested for this gas, "
        "and keep flames away."
    ),
    (
        "Lye burns skin and blinds eyes, more so when hot: goggles and gloves on, water and an eye-wash at "
        "hand; add the hydroxide to water, never the other way."
    ),
    "The supply can start fires: fuse it, size the leads, and wire a thermal cut-out in series with it.",
    (
        "This program is one layer of protection and never the only one. Do not leave a stack running on "
        "the strength of software alone."
    ),
    (
        "Codes for gas, pressure and wiring where you are come first; have a licensed electrician check "
        "mains work."
    ),
)

RESET_CAUTIONS = (
    "Look at the bench before you restore the supply: leaks, boiling, foam, soft plastic, lye level.",
    "Know why it tripped. A trip that comes back is a fault, not a nuisance.",
    "Air the room: gas may have gathered while nobody watched.",
)
