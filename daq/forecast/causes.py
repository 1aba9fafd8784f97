"""Why a crossing is forecast that was not before: what has changed since the stack was held to settle.

Each candidate is given the relative change of the net heat at the stack's temperature that the estimates lay
at its door since an earlier look, less the noise of that estimate; its probability is its share of them all.
Where the stack was never held to settle, it is the settings themselves.
"""

from __future__ import annotations

import math
from collections import deque
from dataclasses import dataclass, field
from typing import Final, Literal, TypeAlias

from daq.forecast.current_model import CurrentLaw
from daq.forecast.thermal_filter_bank import FARADAIC, KAPPA, LOSS_OFF, ROOM, ThermalFilter
from daq.forecast.tuning import TUNING

__all__ = ["CAUSE_WORDS", "Cause", "Causes"]

Cause: TypeAlias = Literal["settings", "cooling", "room", "supply", "leak", "lye", "sensor"]

CAUSE_WORDS: Final[dict[Cause, str]] = {
    "settings": "these settings: it has not been seen to settle at them",
    "cooling": "less cooling than before: a fan, a draught or a free surface lost",
    "room": "a warmer room",
    "supply": "the supply turned up",
    "leak": "more current beside the cells than before: a leak that grows",
    "lye": "lye grown stronger as its water is used",
    "sensor": "the sensor: it no longer agrees with heat and current",
}
"""As a person is told."""


@dataclass(slots=True)
class _Look:
    t_s: float
    chance: float
    log_loss: float
    loss_sd: float
    room_c: float
    law: tuple[float, float, float, float]
    """x0, alpha, q, reference."""
    volts: float
    amps: float
    share: float
    used: float


def _log_drawn(law: tuple[float, float, float, float], t_c: float) -> float:
    x0, alpha, q, t_ref = law
    return x0 + math.log(max(1.0 + q * (t_c - t_ref), 0.2)) * alpha / max(q, 1e-6)


@dataclass(slots=True)
class Causes:
    """Keeps looks at the estimates; `name` compares the present with the calmest of them."""

    _looks: deque[_Look] = field(default_factory=deque)
    _used: float = 0.0
    """Share of the lye's water used since the beginning."""

    def add(
        self, t_s: float, chance: float, thermal: ThermalFilter, law: CurrentLaw, used_per_s: float
    ) -> None:
        """Take a look, a few minutes after the last at the soonest.

        Parameters
        ----------
        t_s : float
            Time of the run [s].
        chance : float
            Probability that the limit is crossed [1].
        thermal : ThermalFilter
        law : CurrentLaw
        used_per_s : float
            Share of the lye's water that is used up in a second [1/s].
        """
        if self._looks:
            self._used += used_per_s * min(max(t_s - self._looks[-1].t_s, 0.0), 600.0)
        if self._looks and t_s - self._looks[-1].t_s < TUNING.cause_look_s:
            return
        self._looks.append(self._seen(t_s, chance, thermal, law))
        while t_s - self._looks[0].t_s > TUNING.cause_kept_s:
            self._looks.popleft()

    def _seen(self, t_s: float, chance: float, thermal: ThermalFilter, law: CurrentLaw) -> _Look:
        x = law.x
        return _Look(
            t_s, chance, thermal.mean(KAPPA) + thermal.mean(LOSS_OFF), thermal.sd(KAPPA), thermal.mean(ROOM),
            (float(x[0]) + float(x[3]), float(x[1]), float(x[2]), law.t_ref), law.volts, law.amps,
            thermal.mean(FARADAIC), self._used,
        )  # fmt: skip

    def name(
        self, t_s: float, thermal: ThermalFilter, law: CurrentLaw, *, sensor_doubted: bool
    ) -> dict[Cause, float]:
        """Probabilities of the causes, largest first; they sum to 1.

        Parameters
        ----------
        t_s : float
            Time of the run [s].
        thermal : ThermalFilter
        law : CurrentLaw
        sensor_doubted : bool
            Whether the temperature's sensor is doubted: it is then among the causes.
        """
        now = self._seen(t_s, 1.0, thermal, law)
        calm = [
            x for x in self._looks if x.chance < TUNING.cause_calm and x.loss_sd < TUNING.cause_loss_known_sd
        ]
        parts: dict[Cause, float] = {"settings": TUNING.cause_settings}
        if sensor_doubted:
            parts["sensor"] = 0.02
        if calm:
            then = min(calm, key=lambda x: (round(x.chance, 1), -x.t_s))
            self._compare(parts, then, now, thermal, law)
        total = sum(parts.values())
        return dict(sorted(((k, v / total) for k, v in parts.items()), key=lambda kv: -kv[1]))

    def _compare(
        self, parts: dict[Cause, float], then: _Look, now: _Look, thermal: ThermalFilter, law: CurrentLaw
    ) -> None:
        lye_c = thermal.lye_c
        rise = max(lye_c - now.room_c, 5.0)
        parts["cooling"] = max(then.log_loss - now.log_loss - TUNING.cause_noise, 0.0)
        parts["room"] = max((now.room_c - then.room_c) / rise - TUNING.cause_noise, 0.0)
        volts = math.log(now.volts / then.volts) if now.volts > 0.0 and then.volts > 0.0 else 0.0
        if law.regulated == "current":
            amps = math.log(max(now.amps, 1e-6) / max(then.amps, 1e-6))
            parts["supply"] = max(amps - TUNING.cause_noise, 0.0)
            return
        drawn = _log_drawn(now.law, lye_c) - _log_drawn(then.law, lye_c)
        grown = max(drawn - TUNING.cause_noise, 0.0)
        if volts > TUNING.cause_volts_rose:
            parts["supply"] = grown + volts
            return
        lye = min(TUNING.strengthens * max(now.used - then.used, 0.0), grown)
        parts["lye"] = lye
        # All of a leak's power is heat, of the cells' only what is over the thermoneutral voltage
        parts["leak"] = 2.0 * (grown - lye) + max(then.share - now.share, 0.0)
