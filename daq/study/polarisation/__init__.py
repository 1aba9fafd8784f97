"""Polarisation curves: which part of the voltage goes where."""

from daq.study.polarisation.curves import polarise, swept_run
from daq.study.polarisation.page import polarisation_page
from daq.study.polarisation.picture import polarisation_picture
from daq.study.polarisation.result import Polarisation
from daq.study.polarisation.words import polarisation_text

__all__ = [
    "Polarisation",
    "polarisation_page",
    "polarisation_picture",
    "polarisation_text",
    "polarise",
    "swept_run",
]
