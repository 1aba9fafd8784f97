"""Polarisation curves: which part of the voltage goes where."""

from daq.study.polarisation.curves import polarise, swept_run
from daq.study.polarisation.document import polarisation_document, polarisation_picture
from daq.study.polarisation.result import Polarisation

__all__ = [
    "Polarisation",
    "polarisation_document",
    "polarisation_picture",
    "polarise",
    "swept_run",
]
