"""What the runaway watch does not know, and what weakens it: said in words, and as alarms.

Nothing here changes an estimate; it watches the readings and the filters beside them.
"""

from __future__ import annotations

from collections import deque
from dataclasses import dataclass, field

from daq.forecast.current_model import CurrentLaw, LawSnapshot
from daq.forecast.preprocess import Bin
from daq.forecast.tuning import TUNING

__all__ = ["DegradationFlags"]


@dataclass(slots=True)
class DegradationFlags:
    """Standing weaknesses by the alarm's name, with hysteresis where a figure decides."""

    standing: dict[str, str] = field(default_factory=dict)
    unknowns: tuple[str, ...] = ()
    _old: deque[tuple[float, LawSnapshot]] = field(default_factory=lambda: deque(maxlen=TUNING.apart_kept))
    _apart_s: float = 0.0
    _glitch_s: float = -1e9
    _began_s: float | None = None

    def look(
        self, b: Bin, law: CurrentLaw, *, powered: bool, blind_s: float, lag_s: float, settling: bool,
        room_known: bool, flow_known: bool, low_k: float | None = None,
    ) -> None:  # fmt: skip
        """Take a bin and what the filters made of it.

        Parameters
        ----------
        b : Bin
        law : CurrentLaw
        powered : bool
            Whether the stack is.
        blind_s : float
            For how long no temperature could be used [s].
        lag_s : float
            By how much the sensor lags the lye, as estimated [s].
        settling : bool
            Whether conditions have just changed.
        room_known, flow_known : bool
            Whether room temperature and gas flow are measured.
        low_k : float, optional
            By how much the reading is too low [K]; None where nothing says so.
        """
        if self._began_s is None:
            self._began_s = b.t_s
        if b.glitches:
            self._glitch_s = b.t_s
        now: dict[str, str] = {}
        if powered and (blind_s > TUNING.blind_s or b.stuck):
            now["forecast.blind"] = (
                f"The lye's temperature has stood still for {b.t_s - b.still_since_s:.0f} s"
                if b.stuck
                else f"No lye temperature for {blind_s:.0f} s"
            )
        rough = self._rough(b, lag_s)
        if rough:
            now["lye_temp.rough"] = f"Lye temperature: {', '.join(rough)}"
        if powered and b.clipped and law.regulated == "voltage":
            now["amps.clipped"] = "The current stands at one value, as at the end of its meter's range"
        if low_k is not None:
            now["lye_temp.doubtful"] = (
                f"The lye is about {low_k:.1f} °C warmer than its sensor says: "
                "the heat balance and the current both tell so"
            )
        elif powered and self._apart(b, law):
            now["lye_temp.doubtful"] = "Temperature and current no longer belong together as they did"
        self.standing = now
        unknown = [w.removesuffix(".") for w in now.values()]
        if not flow_known:
            unknown.append("How much of the current makes gas: no flow is measured")
        if not room_known:
            unknown.append("The room's temperature: not measured, taken from the bench file or guessed")
        if law.cap_exceeded:
            unknown.append("The supply's limit: more flows than the bench file says")
        if settling:
            unknown.append("What has just changed: learning anew")
        self.unknowns = tuple(unknown)

    def _rough(self, b: Bin, lag_s: float) -> list[str]:
        ease = 0.8 if "lye_temp.rough" in self.standing else 1.0
        assert self._began_s is not None
        rough = []
        if b.noise_c > ease * TUNING.noisy_k:
            rough.append(f"noise of {b.noise_c:.1f} °C")
        if b.missing > ease * TUNING.missing:
            rough.append(f"{100.0 * b.missing:.0f} % of samples missing")
        if b.t_s - self._glitch_s < TUNING.glitch_s:
            rough.append("leaps to other values and back, as a sensor that loses its supply")
        if lag_s > ease * TUNING.late_s and b.t_s - self._began_s > TUNING.late_after_s:
            rough.append(f"follows about {lag_s:.0f} s late")
        return rough

    def _apart(self, b: Bin, law: CurrentLaw) -> bool:
        """Whether the current, by what was learned an hour and more ago, tells another temperature."""
        if law.regulated == "current" or b.amps is None:
            self._old.clear()
            return False
        if self._old and self._old[-1][1][2] != law.t_ref:
            self._old.clear()
        if not self._old or b.t_s - self._old[-1][0] >= TUNING.apart_every_s:
            self._old.append((b.t_s, law.snapshot()))
        predicted = law.temperature(b.amps, self._old[0][1]) if len(self._old) > 2 else None
        if predicted is None or b.lye_c is None or b.stuck:
            return "lye_temp.doubtful" in self.standing and predicted is None
        limit = max(TUNING.apart_k, TUNING.apart_sd * predicted[1])
        if "lye_temp.doubtful" in self.standing:
            return abs(b.lye_c - predicted[0]) > 0.6 * limit
        self._apart_s = self._apart_s + b.dt_s if abs(b.lye_c - predicted[0]) > limit else 0.0
        return self._apart_s >= TUNING.apart_for_s
