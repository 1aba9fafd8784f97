"""Thermal forecast: where the temperature will settle, when it will cross a limit, and how sure that is."""

from daq.forecast.adapter import RunawayForecaster
from daq.forecast.decision import CLEAR_AFTER_S, CLEAR_AT
from daq.forecast.protocol import Assessment, Forecaster, LearningForecaster

__all__ = [
    "CLEAR_AFTER_S",
    "CLEAR_AT",
    "Assessment",
    "Forecaster",
    "LearningForecaster",
    "RunawayForecaster",
]
