"""Leak current between cells: predicted from the geometry, measured by a ramp."""

from daq.study.leak.document import leak_document, leak_picture
from daq.study.leak.evaluate import LeakTest, leak_test, run_conditions, stated_conditions
from daq.study.leak.predict import KAPPA_PER_K

__all__ = [
    "KAPPA_PER_K",
    "LeakTest",
    "leak_document",
    "leak_picture",
    "leak_test",
    "run_conditions",
    "stated_conditions",
]
