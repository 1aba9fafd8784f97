"""What the overview makes of what it hears: the worst first, silence and holes said, nonsense counted."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import orjson
import pytest

from daq.broker import Batch, Topics
from daq.errors import BenchFileError, FrameError
from daq.fleet import Overview, load_fleet
from daq.fleet.digest import Digest, digest_topic, news_in
from daq.frame import Block

NOW = 1_700_000_000_000_000_000
EPOCH = "0123456789abcdef"


def batch(bench: str, n: int, *, age_s: float = 0.5, volts: float = 12.0, kind: str = "run") -> Batch:
    t_ns = np.array([0, 1_000_000_000])
    block = Block(
        "head", t_ns, np.arange(2), {"volts": np.array([1.0, volts]), "amps": np.array([2.0, np.nan])}
    )
    start = NOW - int(age_s * 1e9) - 1_000_000_000
    return Batch(bench, EPOCH, n, "20231114-221320", kind, start, (block,), build="B")


def heard(*batches: Batch) -> Overview:
    overview = Overview(stale_after_s=5.0)
    digest = Digest()
    for b in batches:
        digest.add(b)
    payload = digest.take()
    assert payload is not None
    assert digest.take() is None
    overview.hear(digest_topic("lyewatch", "1"), payload)
    return overview


def test_a_digest_says_the_newest_of_each_bench() -> None:
    digest = Digest()
    for b in (batch("a", 1, age_s=3, volts=5.0), batch("a", 2, age_s=1, volts=6.0), batch("b", 9)):
        digest.add(b)
    payload = digest.take()
    assert payload is not None
    a, b2 = news_in(payload)
    assert (a.bench, a.utc_ns) == ("a", NOW - 1_000_000_000)
    assert a.values == {"volts": 6.0, "amps": None}
    assert a.batches == [(EPOCH, 1, 2), (EPOCH, 2, 2)]
    assert (b2.bench, b2.build, b2.kind) == ("b", "B", "run")


@pytest.mark.parametrize("spoilt", [b"", b"{}", b"[]", b'{"v": 2}', b'{"v": 1, "benches": [[1]]}', b"\xff"])
def test_what_is_no_digest_is_counted(spoilt: bytes) -> None:
    with pytest.raises(FrameError, match="digest"):
        news_in(spoilt)
    overview = Overview(stale_after_s=5.0)
    overview.hear(digest_topic("lyewatch", "1"), spoilt)
    overview.hear("lyewatch/v1/Bad Bench/about", b"{}")
    overview.hear("lyewatch/v1/bench/about", b"{")
    assert overview.spoilt == 3
    assert overview.rows() == []


def test_the_worst_bench_comes_first() -> None:
    overview = heard(
        batch("calm", 1), batch("calm2", 1), batch("hole", 1), batch("hole", 3), batch("hot", 1),
        batch("low", 1), batch("silent", 1, age_s=60),
    )  # fmt: skip
    alarms = {
        "hot": [
            {
                "alarm": "lye_temp_hi",
                "title": "Lye too hot",
                "priority": "critical",
                "state": "unacknowledged",
            }
        ],
        "low": [{"alarm": "x", "priority": "low", "state": "acknowledged"}],
        "calm": [{"alarm": "y", "priority": "critical", "state": "shelved"}],
    }
    for bench, standing in alarms.items():
        overview.hear(Topics(bench).of("alarms"), orjson.dumps({"v": 1, "count": {}, "alarms": standing}))
    rows = overview.rows(NOW)
    assert [(r["bench"], r["state"]) for r in rows] == [
        ("hot", "alarm, critical"), ("silent", "silent"), ("low", "alarm, low"), ("hole", "samples missing"),
        ("calm", "normal"), ("calm2", "normal"),
    ]  # fmt: skip
    assert rows[0]["alarms"] == ["Lye too hot"]
    assert rows[3]["missing_batches"] == 1
    assert rows[-1]["age_s"] == pytest.approx(0.5)
    assert rows[-1]["values"] == {"volts": 12.0, "amps": None}


def test_a_bench_that_only_ever_said_who_it_is_is_silent() -> None:
    overview = Overview(stale_after_s=5.0)
    overview.hear("lyewatch/v1/new/about", b'{"name": "The new one"}')
    (row,) = overview.rows(NOW)
    assert (row["name"], row["state"], row["age_s"]) == ("The new one", "silent", None)
    found = overview.bench("new", NOW)
    assert found is not None
    assert found["told"] == {"about": {"name": "The new one"}}
    overview.hear("lyewatch/v1/new/about", b"")
    assert overview.rows(NOW)[0]["name"] == "new"
    assert overview.bench("never", NOW) is None


def test_a_batch_that_comes_late_makes_nothing_older() -> None:
    overview = heard(batch("a", 2, age_s=1, volts=6.0))
    late = Digest()
    late.add(batch("a", 1, age_s=9, volts=5.0))
    overview.hear(digest_topic("lyewatch", "2"), late.take() or b"")
    (row,) = overview.rows(NOW)
    assert (row["values"]["volts"], row["missing_batches"], row["rows"]) == (6.0, 0, 4)


@pytest.mark.parametrize(
    ("text", "words"),
    [
        ("", "broker"),
        ('[broker]\nhost = "h"\n', "influxdb"),
        ('[broker]\nhost = "h"\n[influxdb]\nurl = "ftp"\n', r"influxdb\.url"),
        ('[broker]\nhost = "a b"\n', "no host"),
        ("[broker", "not TOML"),
    ],
)
def test_a_wrong_fleet_file_is_said(tmp_path: Path, text: str, words: str) -> None:
    path = tmp_path / "fleet.toml"
    with pytest.raises(BenchFileError, match="can not be read"):
        load_fleet(path)
    path.write_text(text, encoding="utf-8")
    with pytest.raises(BenchFileError, match=words) as caught:
        load_fleet(path)
    assert "fleet.toml" in str(caught.value)
