"""The lye through a run: live and in hindsight alike, causal, and what people say of it."""

from __future__ import annotations

import json

import numpy as np
import pytest

from daq.errors import UsageError
from daq.frame import Block
from daq.measure import Bins, Columns, LyeTrack, entries_of, entry_of, lye_of_run, mark_of
from daq.store import Mark
from daq.watch import Watch, replay
from tests.watch.workshop import S, bench, block, cut, steady

THREE = dict.fromkeys(("volts", "amps", "lye_temp"), "head")


def run(hours: float, *, amps: float = 20.0, lye_temp: float = 40.0) -> Block:
    return steady(hours * 3600.0, hz=1.0, volts=13.2, amps=amps, lye_temp=lye_temp)


def at(track: LyeTrack, hours: float) -> tuple[float, float]:
    found = track.at(np.array([round(hours * 3600.0 * S)], dtype=np.int64)).mass_fraction
    return float(np.asarray(found.value)[0]), float(np.asarray(found.u)[0])


def reviewed(samples: Block, *entries: tuple[float, dict[str, object]], **tables: object) -> LyeTrack:
    made = bench(THREE, **tables)  # type: ignore[arg-type]
    bins = Bins(made, step_ns=S, first=0)
    bins.add(Columns.from_blocks([samples]))
    return lye_of_run(made, bins, [(round(h * 3600.0 * S), entry_of(entry)) for h, entry in entries])


def test_the_strength_of_the_bench_file_was_told_for_hours() -> None:
    """1.1 L of 20 % KOH weigh 1.306 kg. At 40 degC vapour is 5.7 kPa over it (Balej), so 6.0 % of the dry gas
    in moles, 9 % of the water that is split. With 95 % of the charge 20 A through six cells take 0.95 x 40.33
    x 1.09 = 41.8 g an hour: after four, 261.2 / (1306 - 167) = 22.9 %."""
    track = reviewed(run(4.0))
    value, u = at(track, 4.0)
    assert value == pytest.approx(0.229, abs=0.001)
    assert 0.004 < u < 0.008
    assert at(track, 0.0)[0] == pytest.approx(0.2)


def test_live_and_in_hindsight_it_is_the_same() -> None:
    samples, made = run(0.1), bench(THREE)
    entry = entry_of({"what": "top_up", "millilitres": 100.0})
    live = Watch(made)
    live.begin(0)
    collected = []
    for second in range(1, 361):
        live.feed([cut(samples, second - 1, second)])
        if second == 151:
            live.lye_entry(entry, round(150.4 * S), "one")
            live.lye_entry(entry, round(150.4 * S), "one")  # heard of twice: by the page and from the logbook
        assessment = live.tick(second * S).as_dict()
        collected.append(assessment["numbers"]["lye_percent"]["value"])
        if second == 250:
            saved = json.loads(json.dumps(live.save()))
            live.load(saved)
            live.feed([cut(samples, 200, 250)], quiet=True)
            live.tick(250 * S, quiet=True)
    again = replay(made, [samples], entries=[(round(150.4 * S), entry)], chunk_s=170.0)
    numbers = np.concatenate([n.value["lye_percent"] for n in again.numbers])
    assert collected[-numbers.size :] == pytest.approx(numbers.tolist(), rel=1e-12)
    later = reviewed(samples, (150.4 / 3600.0, {"what": "top_up", "millilitres": 100.0}))
    assert 100.0 * at(later, 300.0 / 3600.0)[0] == pytest.approx(collected[299], rel=1e-9)
    assert collected[149] - collected[155] == pytest.approx(1.4, abs=0.2)  # 100 g in 1.3 kg of 20 %


def test_what_is_poured_in_afterwards_changes_nothing_before() -> None:
    plain = reviewed(run(2.0))
    topped = reviewed(run(2.0), (1.0, {"what": "top_up", "millilitres": 200.0}))
    assert at(plain, 0.99) == at(topped, 0.99)
    assert at(topped, 1.01)[0] < at(plain, 1.01)[0] - 0.02
    assert topped.entries_taken[0]["words"] == "Topped up 200 ± 6 mL of water"


def test_a_gap_in_the_samples_is_bridged_with_its_uncertainty() -> None:
    whole = run(1.0)
    parts = [cut(whole, 0, 1200), cut(whole, 1680, 3600)]
    gone = Block(
        "head", np.concatenate([p.t_ns for p in parts]), np.concatenate([p.seq for p in parts]),
        {n: np.concatenate([p.values[n] for p in parts]) for n in whole.values}, {},
    )  # fmt: skip
    assert at(reviewed(gone), 1.0)[0] == pytest.approx(at(reviewed(whole), 1.0)[0], abs=2e-5)
    assert at(reviewed(gone), 1.0)[1] >= at(reviewed(whole), 1.0)[1]


def test_a_level_and_a_conductivity_channel_are_taken_in() -> None:
    """KOH of 15 %, stated as 18 +- 2 %, at 40 degC; the meter is told to be within 1 %."""
    from daq.physics.conductivity import conductivity_gilliam_s_cm

    n = 3600
    t = np.arange(1, n + 1, dtype=np.float64)
    kappa = float(conductivity_gilliam_s_cm(40.0, 0.15))
    values = {
        "volts": np.zeros(n), "amps": np.zeros(n), "lye_temp": np.full(n, 40.0),
        "lye_conductivity": np.full(n, kappa), "lye_level": np.full(n, 1.05),
    }  # fmt: skip
    channels = dict.fromkeys(values, "head")
    made = bench(
        channels, stack={"mass_fraction": 0.18, "mass_fraction_u": 0.02, "litres_u": 0.05},
        accuracy={"lye_conductivity": "1 % of reading", "lye_level": "0.5 % of reading", "lye_temp": "0.5"},
    )  # fmt: skip
    bins = Bins(made, step_ns=S, first=0)
    bins.add(Columns.from_blocks([block(t, values)]))
    value, u = at(lye_of_run(made, bins), 1.0)
    assert value == pytest.approx(0.15, abs=2.0 * u)
    assert u < 0.012


@pytest.mark.parametrize(
    ("fields", "place"),
    [
        ({"what": "top_up"}, "needs millilitres or grams"),
        ({"what": "top_up", "millilitres": 1.0, "grams": 1.0}, "not both"),
        ({"what": "density", "density_kg_m3": 1185.0}, "temp_c"),
        ({"what": "density", "density_kg_m3": 1.185, "temp_c": 20.0}, "greater than or equal to 900"),
        ({"what": "density", "density_kg_m3": 950.0, "temp_c": 20.0}, "no KOH of a published strength"),
        ({"what": "strength", "mass_fraction": 20.0}, "less than 0.6"),
        ({"what": "level", "litres": 1.0, "millilitres": 5.0}, "does not belong to level"),
        ({"what": "boiled"}, "top_up"),
        ({"what": "filled", "litres": 1.0}, "filled needs litres and mass_fraction"),
    ],
)
def test_an_entry_that_can_not_be_is_refused(fields: dict[str, object], place: str) -> None:
    with pytest.raises(UsageError, match=place):
        entry_of(fields)


def test_a_typed_note_was_not_taken_for_water() -> None:
    """What a note says is for people; entries are data, and a mark that carries broken data is left out."""
    entry = entry_of({"what": "strength", "mass_fraction": 0.22})
    marks = [
        Mark(1, "r", 5, "note", "topped up 200 mL", "Ada"),
        Mark(2, "r", 9, "lye", "", "Ada", mark_of(entry)["data"]),
        Mark(3, "r", 7, "lye", "", "Ada", {"what": "strength"}),
    ]
    assert entries_of(marks) == ((9, entry),)


def test_filled_anew_starts_again_and_says_when_water_is_due() -> None:
    track = reviewed(run(3.0), (2.0, {"what": "filled", "litres": 1.0, "mass_fraction": 0.25}))
    assert at(track, 2.001)[0] == pytest.approx(0.25, abs=1e-3)
    now = track.now()
    assert now["start_percent"] == 25.0
    assert now["top_up_ml"]["value"] == pytest.approx(42.0, rel=0.05)  # an hour at 20 A, as above
    # 0.3145 kg of hydroxide (1.258 kg/L at 25 %) in 28 % lye leave 0.8087 kg of water of 0.9435
    assert now["due_s"] == pytest.approx(3600.0 * ((943.5 - 808.7) / 41.8 - 1.0), rel=0.1)
    assert "mL of distilled water brings it back to 25 %" in now["words"]


def test_naoh_is_followed_too() -> None:
    track = reviewed(run(2.0), stack={"electrolyte": "NaOH", "mass_fraction": 0.15})
    assert at(track, 2.0)[0] > 0.159


def test_stronger_lye_carries_less_vapour_than_the_constant_said() -> None:
    """At 60 degC from 20 to 32 % by mass the vapour's pressure falls by some 30 % (Balej)."""
    samples = run(8.0, amps=28.0, lye_temp=60.0)
    numbers = replay(bench(THREE), [samples]).numbers
    vapour = np.concatenate([n.value["vapour_w"] for n in numbers])
    percent = np.concatenate([n.value["lye_percent"] for n in numbers])
    assert percent[-1] > 30.0
    assert vapour[-1] < 0.80 * vapour[120]
