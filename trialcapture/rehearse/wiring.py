"""What reaches the laptop: sentences queued on their wires, damaged on the way, stamped by clocks that are wrong."""

from __future__ import annotations

from collections.abc import Callable, Sequence

import numpy as np
import numpy.typing as npt
import pyarrow as pa

from trialcapture.decode.nmea0183.stream import split_stream
from trialcapture.rehearse.boats import Damage, Laptop, Wire
from trialcapture.rehearse.instruments import Emission, finish

Floats = npt.NDArray[np.float64]

LINES_SCHEMA = pa.schema(
    [
        pa.field("t_s", pa.float64(), metadata={"meaning": "true time since the start of the simulation"}),
        pa.field("mono_us", pa.int64()),
        pa.field("wall_ms", pa.int64()),
        pa.field("source", pa.dictionary(pa.int32(), pa.string())),
        pa.field("bytes", pa.binary()),
    ]
)
"""One row a piece as the recorder cuts them, in order of receipt; `bytes` with the line end."""


def deliver(
    emissions: Sequence[Emission],
    wires: Sequence[Wire],
    damage: Damage,
    laptop: Laptop,
    start_utc_ns: int,
    end_s: float,
    rng: np.random.Generator,
) -> tuple[pa.Table, dict[str, int]]:
    """Return what the recorder receives, and what was done to it.

    Args:
        emissions: What the devices have ready.
        wires: How each source reaches the laptop.
        damage: What goes wrong on the way.
        laptop: The clocks the receipts are stamped with.
        start_utc_ns: UTC at the start of the simulation and of the recording [ns].
        end_s: Length of the trial [s].
        rng: Source of delays and damage.

    Returns:
        A table of `LINES_SCHEMA`, and counts: ``sent`` lines and each kind of damage done.
    """
    counts = {"sent": 0, "flipped": 0, "dropped": 0, "cut": 0, "glued": 0, "noise": 0}
    stamps: list[Floats] = []
    sources: list[npt.NDArray[np.int32]] = []
    pieces: list[bytes] = []
    for index, wire in enumerate(wires):
        chunks, ready = _queue([e for e in emissions if e.source == wire.source])
        counts["sent"] += len(chunks)
        spoilt = _spoil(chunks, damage, rng, counts)
        first_byte = _send(chunks, ready, wire)
        late = rng.exponential(0.0012, first_byte.size)
        late += np.where(rng.random(late.size) < laptop.stall_share, rng.uniform(0.02, 0.15, late.size), 0.0)
        arrived = np.maximum.accumulate(first_byte + wire.delay_s + late) if late.size else first_byte
        source_pieces, origin = _cut(chunks, spoilt)
        pieces += source_pieces
        stamps.append(arrived[origin] if origin.size else np.empty(0))
        sources.append(np.full(len(source_pieces), index, dtype=np.int32))
    t_s = np.concatenate(stamps)
    order = np.argsort(t_s, kind="stable")
    order = order[t_s[order] <= end_s]
    t_s = t_s[order]
    columns = [
        pa.array(t_s),
        pa.array(mono_us(t_s, laptop)),
        pa.array(wall_ms(t_s, laptop, start_utc_ns, end_s)),
        pa.DictionaryArray.from_arrays(
            pa.array(np.concatenate(sources)[order]), pa.array([wire.source for wire in wires])
        ),
        pa.array([pieces[k] for k in order.tolist()], pa.binary()),
    ]
    return pa.Table.from_arrays(columns, schema=LINES_SCHEMA), counts


def mono_us(t_s: Floats, laptop: Laptop) -> npt.NDArray[np.int64]:
    """Return the laptop's monotonic time since the session began [µs]."""
    return np.floor(t_s * (1.0 + laptop.drift_ppm * 1e-6) * 1e6).astype(np.int64)


def wall_ms(t_s: Floats, laptop: Laptop, start_utc_ns: int, end_s: float) -> npt.NDArray[np.int64]:
    """Return what the laptop's wall clock shows [ms since 1970 UTC], its steps included."""
    shown_s = t_s * (1.0 + laptop.drift_ppm * 1e-6) + laptop.wall_error_s
    for share, step_s in laptop.steps:
        shown_s = shown_s + np.where(t_s >= share * end_s, step_s, 0.0)
    return start_utc_ns // 1_000_000 + np.floor(shown_s * 1e3).astype(np.int64)


def _queue(emissions: list[Emission]) -> tuple[list[bytes], Floats]:
    if not emissions:
        return [], np.empty(0)
    chunks: list[bytes] = []
    for emission in emissions:
        chunks += finish(emission.bodies, emission.start)
    ready = np.concatenate([emission.ready_s for emission in emissions])
    order = np.argsort(ready, kind="stable")
    return [chunks[k] for k in order.tolist()], ready[order]


def _send(chunks: list[bytes], ready: Floats, wire: Wire) -> Floats:
    """Return when the first byte of each chunk has arrived; a busy line makes the next one wait."""
    if wire.baud == 0 or not chunks:
        return ready
    takes = np.array([len(chunk) for chunk in chunks]) * 10.0 / wire.baud
    before = np.concatenate([[0.0], np.cumsum(takes)[:-1]])
    begins = before + np.maximum.accumulate(ready - before)
    return begins + 10.0 / wire.baud


def _spoil(
    chunks: list[bytes], damage: Damage, rng: np.random.Generator, counts: dict[str, int]
) -> npt.NDArray[np.bool_]:
    """Damage chunks in place and return which were."""
    spoilt = np.zeros(len(chunks), dtype=bool)
    if damage.share <= 0.0 or not chunks:
        return spoilt
    draw = rng.random(len(chunks))
    low = 0.0
    for kind, share in (
        ("flipped", damage.flipped),
        ("dropped", damage.dropped),
        ("cut", damage.cut),
        ("glued", damage.glued),
        ("noise", damage.noise),
    ):
        chosen = (draw >= low) & (draw < low + share)
        low += share
        for k in np.flatnonzero(chosen).tolist():
            chunks[k] = _SPOILERS[kind](chunks[k], rng)
        counts[kind] += int(chosen.sum())
        spoilt |= chosen
    return spoilt


def _flip(chunk: bytes, rng: np.random.Generator) -> bytes:
    at = int(rng.integers(len(chunk) - 2))
    return chunk[:at] + bytes([chunk[at] ^ (1 << int(rng.integers(8)))]) + chunk[at + 1 :]


def _drop(chunk: bytes, rng: np.random.Generator) -> bytes:
    at, many = int(rng.integers(len(chunk) - 2)), int(rng.integers(1, 4))
    return chunk[:at] + chunk[at + many :]


def _cut_short(chunk: bytes, rng: np.random.Generator) -> bytes:
    at = int(rng.integers(1, len(chunk) - 2))
    return chunk[:at] + (b"\r\n" if rng.random() < 0.5 else b"")


def _glue(chunk: bytes, rng: np.random.Generator) -> bytes:
    return chunk[: -int(rng.integers(1, 3))] if rng.random() < 0.5 else chunk[:-2]


def _noise(chunk: bytes, rng: np.random.Generator) -> bytes:
    burst = rng.integers(0, 256, int(rng.integers(3, 40)), dtype=np.uint8).tobytes()
    return burst + chunk if rng.random() < 0.5 else burst + b"\r\n" + chunk


_SPOILERS: dict[str, Callable[[bytes, np.random.Generator], bytes]] = {
    "flipped": _flip,
    "dropped": _drop,
    "cut": _cut_short,
    "glued": _glue,
    "noise": _noise,
}


def _cut(chunks: list[bytes], spoilt: npt.NDArray[np.bool_]) -> tuple[list[bytes], npt.NDArray[np.int64]]:
    """Return the pieces a recorder makes of the chunks, and the chunk whose arrival completed each."""
    if not spoilt.any():
        return chunks, np.arange(len(chunks))
    pieces: list[bytes] = []
    origin: list[int] = []
    rest = b""
    for k, (chunk, is_spoilt) in enumerate(zip(chunks, spoilt.tolist(), strict=True)):
        if rest or is_spoilt:
            found, rest = split_stream(rest + chunk)
            pieces += found
            origin += [k] * len(found)
        else:
            pieces.append(chunk)
            origin.append(k)
    if rest:
        pieces.append(rest)
        origin.append(len(chunks) - 1)
    return pieces, np.array(origin, dtype=np.int64)
