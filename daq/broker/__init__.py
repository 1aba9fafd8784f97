"""What passes over an MQTT broker: topics, batches of samples, and whether all of them came.

The formats are described, for whoever writes the other end, in ``docs/broker.md``. Nothing here opens a
connection: a sender and a gatherer use the same functions from values to bytes and back.
"""

from __future__ import annotations

from daq.broker.batch import BATCH_VERSION, MAX_BATCH_BYTES, Batch, decode_batch, encode_batch
from daq.broker.continuity import Continuity, Seen
from daq.broker.topics import BENCH_ID_PATTERN, STREAMS, Topics, bench_id_of, parse_topic

__all__ = [
    "BATCH_VERSION",
    "BENCH_ID_PATTERN",
    "MAX_BATCH_BYTES",
    "STREAMS",
    "Batch",
    "Continuity",
    "Seen",
    "Topics",
    "bench_id_of",
    "decode_batch",
    "encode_batch",
    "parse_topic",
]
