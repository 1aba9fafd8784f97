"""Leak current between cells: predicted from the geometry, measured by a ramp."""

from daq.study.leak.evaluate import LeakTest, leak_test, run_conditions, stated_conditions
from daq.study.leak.page import leak_page, leak_picture
from daq.study.leak.predict import KAPPA_PER_K
from daq.study.leak.words import leak_text

__all__ = [
    "KAPPA_PER_K",
    "LeakTest",
    "leak_page",
    "leak_picture",
    "leak_test",
    "leak_text",
    "run_conditions",
    "stated_conditions",
]
