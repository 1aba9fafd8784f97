"""SenML as RFC 8428 prints it: its examples, what it says they resolve to, and its rules.

Source: C. Jennings, Z. Shelby, J. Arkko, A. Keranen, C. Bormann, "Sensor Measurement Lists (SenML)",
RFC 8428, August 2018, https://www.rfc-editor.org/rfc/rfc8428, sections 4.4 to 4.6, 5.1. What they resolve
to was compared with the RFC's own source repository (core-wg/senml-spec, ex2, ex3, ex5, ex6).
"""

from __future__ import annotations

import math
from pathlib import Path

import pytest

from daq.bench import MqttSpec, parse_bench
from daq.errors import FrameError
from daq.frame import NO_SEQ
from daq.sources.counters import LinkCounters
from daq.sources.messages import MessageDecoder
from daq.sources.reading import Reading
from daq.sources.senml import Record, decode_pack, pack_frames, resolve

NOW = 1.495587631e9
"""When the authors had their own tool resolve the examples whose times are relative."""

SINGLE = b'[{"n":"urn:dev:ow:10e2073a01080063","u":"Cel","v":23.1}]'
MULTIPLE = b"""[
  {"bn":"urn:dev:ow:10e2073a01080063:","n":"voltage","u":"V","v":120.1},
  {"n":"current","u":"A","v":1.2}
]"""
BACKWARDS = b"""[
  {"bn":"urn:dev:ow:10e2073a0108006:","bt":1.276020076001e+09,
   "bu":"A","bver":5,
   "n":"voltage","u":"V","v":120.1},
  {"n":"current","t":-5,"v":1.2},
  {"n":"current","t":-4,"v":1.3},
  {"n":"current","t":-3,"v":1.4},
  {"n":"current","t":-2,"v":1.5},
  {"n":"current","t":-1,"v":1.6},
  {"n":"current","v":1.7}
]"""
POSITIONS = b"""[
  {"bn":"urn:dev:ow:10e2073a01080063","bt":1.320067464e+09,
   "bu":"%RH","v":20},
  {"u":"lon","v":24.30621},
  {"u":"lat","v":60.07965},
  {"t":60,"v":20.3},
  {"u":"lon","t":60,"v":24.30622},
  {"u":"lat","t":60,"v":60.07965},
  {"t":120,"v":20.7},
  {"u":"lon","t":120,"v":24.30623},
  {"u":"lat","t":120,"v":60.07966},
  {"u":"%EL","t":150,"v":98},
  {"t":180,"v":21.2},
  {"u":"lon","t":180,"v":24.30628},
  {"u":"lat","t":180,"v":60.07967}
]"""
TYPES = b"""[
  {"bn":"urn:dev:ow:10e2073a01080063:","n":"temp","u":"Cel","v":23.1},
  {"n":"label","vs":"Machine Room"},
  {"n":"open","vb":false},
  {"n":"nfc-reader","vd":"aGkgCg"}
]"""
COLLECTION = b"""[
  {"bn":"2001:db8::2/","bt":1.320078429e+09,
   "n":"temperature","u":"Cel","v":25.2},
  {"n":"humidity","u":"%RH","v":30},
  {"bn":"2001:db8::1/","n":"temperature","u":"Cel","v":12.3},
  {"n":"humidity","u":"%RH","v":67}
]"""


def resolved(records: list[Record]) -> list[tuple[str, str, float, float | None]]:
    return [(r.name, r.unit, r.time_s, r.value) for r in records]


def test_single_datapoint() -> None:
    assert resolved(resolve(decode_pack(SINGLE), NOW)) == [("urn:dev:ow:10e2073a01080063", "Cel", NOW, 23.1)]


def test_multiple_datapoints_resolve_to_now() -> None:
    assert resolved(resolve(decode_pack(MULTIPLE), NOW)) == [
        ("urn:dev:ow:10e2073a01080063:voltage", "V", NOW, 120.1),
        ("urn:dev:ow:10e2073a01080063:current", "A", NOW, 1.2),
    ]


def test_datapoints_of_the_seconds_before_resolve_to_the_published_times() -> None:
    # The authors' tool leaves the pack's order; section 4.6 asks for the order of time.
    published = [
        ("urn:dev:ow:10e2073a0108006:voltage", "V", 1.276020076001e09, 120.1),
        ("urn:dev:ow:10e2073a0108006:current", "A", 1.276020071001e09, 1.2),
        ("urn:dev:ow:10e2073a0108006:current", "A", 1.276020072001e09, 1.3),
        ("urn:dev:ow:10e2073a0108006:current", "A", 1.276020073001e09, 1.4),
        ("urn:dev:ow:10e2073a0108006:current", "A", 1.276020074001e09, 1.5),
        ("urn:dev:ow:10e2073a0108006:current", "A", 1.276020075001e09, 1.6),
        ("urn:dev:ow:10e2073a0108006:current", "A", 1.276020076001e09, 1.7),
    ]
    assert resolved(resolve(decode_pack(BACKWARDS), NOW)) == sorted(published, key=lambda r: r[2])


def test_multiple_measurements_resolve_as_printed() -> None:
    name, start = "urn:dev:ow:10e2073a01080063", 1.320067464e09
    assert resolved(resolve(decode_pack(POSITIONS), NOW)) == [
        (name, "%RH", start, 20),
        (name, "lon", start, 24.30621),
        (name, "lat", start, 60.07965),
        (name, "%RH", start + 60, 20.3),
        (name, "lon", start + 60, 24.30622),
        (name, "lat", start + 60, 60.07965),
        (name, "%RH", start + 120, 20.7),
        (name, "lon", start + 120, 24.30623),
        (name, "lat", start + 120, 60.07966),
        (name, "%EL", start + 150, 98),
        (name, "%RH", start + 180, 21.2),
        (name, "lon", start + 180, 24.30628),
        (name, "lat", start + 180, 60.07967),
    ]


def test_multiple_data_types() -> None:
    temp, label, opened, reader = decode_pack(TYPES)
    assert (temp.value, label.text, opened.flag, reader.data) == (23.1, "Machine Room", False, "aGkgCg")
    (frame,) = pack_frames([temp, label, opened, reader])
    assert dict(frame.fields) == {"temp": 23.1, "open": 0.0}


def test_collection_of_resources() -> None:
    # "the last record would use the Base Name from the 3rd record but the Base Time from the first record"
    assert resolved(decode_pack(COLLECTION))[-1] == ("2001:db8::1/humidity", "%RH", 1.320078429e09, 67)


def test_the_examples_as_frames() -> None:
    (now,) = pack_frames(decode_pack(MULTIPLE))
    assert (dict(now.fields), now.seq, now.ms, now.age_ns) == (
        {"voltage": 120.1, "current": 1.2},
        NO_SEQ,
        None,
        0,
    )
    frames = pack_frames(decode_pack(BACKWARDS))
    assert [dict(f.fields) for f in frames[-2:]] == [{"current": 1.6}, {"voltage": 120.1, "current": 1.7}]
    assert [f.ms for f in frames] == [(1_276_020_071_001 + 1000 * k) % 2**32 for k in range(6)]
    with pytest.raises(FrameError, match="no field's name"):
        pack_frames(decode_pack(POSITIONS))


def test_relative_times_are_ages() -> None:
    # Section 4.5.3: values below 2**28 are relative to now, all others absolute.
    pack = b'[{"bn":"node:","n":"temp","t":-2.5,"v":1},{"n":"temp","v":2}]'
    assert [(f.age_ns, f.ms) for f in pack_frames(decode_pack(pack))] == [(2_500_000_000, None), (0, None)]
    edge = b'[{"n":"temp","t":268435455,"v":1},{"n":"temp","t":268435456,"v":2}]'
    assert [r.time_s for r in resolve(decode_pack(edge), NOW)] == [268435456, NOW + 268435455]


def test_base_values_and_sums_are_added() -> None:
    # Section 4.5.4: a missing one of the two counts as zero.
    pack = b'[{"bn":"n","bv":100,"bs":5,"v":1,"s":2},{"v":-3},{"s":4},{"vs":"word"}]'
    one, two, three, four = decode_pack(pack)
    assert [(r.value, r.total) for r in (one, two, three, four)] == [(101, 7), (97, 5), (100, 9), (None, 5)]


@pytest.mark.parametrize(
    ("pack", "pattern"),
    [
        (b'[{"n":"a","v":1,"bver":11}]', "version 11"),
        (b'[{"n":"a","v":1,"bver":0}]', "bver"),
        (b'[{"n":"a","v":1,"exact_":true}]', "exact_"),
        (b'[{"n":"a","v":1,"vb":true}]', "more than one value"),
        (b'[{"n":"-a","v":1}]', "no name"),
        (b'[{"n":"a b","v":1}]', "no name"),
        (b'[{"v":1}]', "no name"),
        (b'[{"n":"a","v":"1"}]', "'v'"),
        (b'[{"n":"a","v":true}]', "'v'"),
        (b'[{"n":"a","vb":1}]', "'vb'"),
        (b'[{"n":"a","v":1,"t":1e300}]', "calendars"),
        (b'[{"bn":"a","bv":1e308},{"v":1e308}]', "too large"),
        (b'[{"n":"a","v":NaN}]', "not JSON"),
        (b'{"n":"a","v":1}', "no array"),
        (b"[]", "no array"),
        (b"[7]", "no object"),
        (b"\xff", "not JSON"),
        (b"[" * 60_000, "not JSON"),
    ],
)
def test_what_the_rules_forbid_is_refused(pack: bytes, pattern: str) -> None:
    with pytest.raises(FrameError, match=pattern):
        decode_pack(pack)


def test_labels_that_need_not_be_understood_are_passed_over() -> None:
    # Section 4.4: only a label that ends in an underscore must be understood.
    (record,) = decode_pack(b'[{"n":"a","v":1,"colour":"red","bver":10,"ut":5}]')
    assert (record.value, record.update_s) == (1, 5)


@pytest.mark.parametrize("wrong", [-1, 0.5, 2**32])
def test_counts_that_are_none(wrong: float) -> None:
    pack = f'[{{"bn":"n:","n":"seq","v":{wrong}}},{{"n":"temp","v":1}}]'.encode()
    with pytest.raises(FrameError, match="seq is a whole number"):
        pack_frames(decode_pack(pack))


def test_names_of_ones_own() -> None:
    pack = b'[{"bn":"urn:dev:ow:10e2073a01080063","v":23.1}]'
    assert math.isclose(
        pack_frames(decode_pack(pack), {"urn:dev:ow:10e2073a01080063": "temp"})[0].fields["temp"], 23.1
    )


# -- units: RFC 8428, section 12.1, and the secondary units of RFC 8798 ------------------------------------


@pytest.mark.parametrize(
    ("value", "unit", "wanted", "expected"),
    [
        (11535.0, "mV", "V", 11.535),
        (11.535, "V", "mV", 11535.0),
        (294.45, "K", "degC", 21.3),
        (21.3, "Cel", "degF", 70.34),
        (101325.0, "Pa", "kPa", 101.325),
        (1013.25, "hPa", "kPa", 101.325),
        (0.01, "l/s", "L/min", 0.6),
        (40.5, "%RH", "%", 40.5),
        (1.5, "kW", "W", 1500.0),
        (7.0, "rpm", "rpm", 7.0),
        (7.0, "", "V", 7.0),
    ],
)
def test_millivolts_are_not_read_as_volts(value: float, unit: str, wanted: str, expected: float) -> None:
    """ "u": "mV" read 11,535 V in a channel of volts."""
    (frame,) = pack_frames([Record("x", -1.0, unit, value)], {}, {"x": wanted})
    assert frame.fields["x"] == pytest.approx(expected)


@pytest.mark.parametrize(("unit", "wanted"), [("A", "V"), ("kV", "V"), ("Cel", "kPa")])
def test_a_unit_that_does_not_fit_is_refused_and_not_recorded(unit: str, wanted: str) -> None:
    with pytest.raises(FrameError, match=f"can not be turned into the channel's {wanted}") as caught:
        pack_frames([Record("bench:x", -1.0, unit, 7.0)], {}, {"x": wanted})
    assert unit in str(caught.value)
    assert "bench:x" in str(caught.value)


def test_a_bench_files_channels_say_what_their_nodes_numbers_are() -> None:
    text = """
[bench]
name = "torch"
[stack]
cells = 6
plate_area_cm2 = 100.0
electrolyte = "KOH"
mass_fraction = 0.2
litres = 1.0
steel_kg = 1.0
[supply]
mode = "constant_voltage"
volts_max = 15.0
amps_max = 30.0
trip_source = "head"
[site]
altitude_m = 0.0
[sources.head]
port = "/dev/head"
[sources.shed]
kind = "mqtt"
host = "127.0.0.1"
topic = "shed/node"
[channels.volts]
source = "shed"
field = "v"
unit = "V"
[channels.amps]
source = "shed"
field = "shunt"
unit = "A"
scale = 0.4
[channels.room_temp]
source = "shed"
field = "temp"
unit = "degF"
"""
    bench = parse_bench(text, Path("bench.toml"))
    spec = bench.sources["shed"]
    assert isinstance(spec, MqttSpec)
    counters = LinkCounters()
    decoder = MessageDecoder(counters, spec)
    (heard,) = decoder.feed(
        b'[{"n":"v","u":"mV","v":11535},{"n":"shunt","u":"mV","v":25.0},{"n":"temp","u":"Cel","v":20.0}]'
    )
    assert isinstance(heard, Reading)
    # the shunt's millivolts are turned into amps by the channel's own scale, and taken as they come
    assert heard.fields == pytest.approx({"v": 11.535, "shunt": 25.0, "temp": 68.0})
    room = bench.channels["room_temp"]
    assert heard.fields["temp"] * room.scale + room.offset == pytest.approx(20.0)
    assert decoder.feed(b'[{"n":"v","u":"Cel","v":11.5}]') == []
    assert counters.malformed == 1
