"""How the process that decodes and the one that asks talk: a line of JSON and plain bytes, never objects.

What comes back from decoders that forged bytes may have taken over is data alone.
"""

from __future__ import annotations

import json
from collections.abc import Mapping, Sequence
from typing import Any, BinaryIO

LONGEST_MESSAGE_BYTES = 4_000_000
LONGEST_PART_BYTES = 1_000_000_000
"""Of one answer or one question (ours): the largest film's grey values in 32 bits have 320 million."""


class WireError(Exception):
    """The other side is gone, or says what it cannot mean."""


def send(stream: BinaryIO, message: Mapping[str, object], parts: Sequence[bytes | memoryview] = ()) -> None:
    """Send a message and its parts."""
    text = json.dumps({**message, "parts": [memoryview(part).nbytes for part in parts]}).encode()
    stream.write(len(text).to_bytes(4, "big"))
    stream.write(text)
    for part in parts:
        stream.write(part)
    stream.flush()


def receive(stream: BinaryIO) -> tuple[dict[str, Any], list[bytearray]]:
    """Return the next message and its parts.

    Raises
    ------
    WireError
        Where the stream ends, or what it holds is no message.
    """
    length = int.from_bytes(_exactly(stream, 4), "big")
    if length > LONGEST_MESSAGE_BYTES:
        raise WireError("too long a message")
    try:
        message = json.loads(_exactly(stream, length))
        sizes = [int(size) for size in message.pop("parts")]
    except (ValueError, TypeError, KeyError, AttributeError, RecursionError) as error:
        raise WireError("no message") from error
    if any(not 0 <= size <= LONGEST_PART_BYTES for size in sizes):
        raise WireError("too long a part")
    return message, [_exactly(stream, size) for size in sizes]


def _exactly(stream: BinaryIO, size: int) -> bytearray:
    held = bytearray(size)
    view, got = memoryview(held), 0
    while got < size:
        count = stream.readinto(view[got:])  # type: ignore[attr-defined]
        if not count:
            raise WireError("the other side is gone")
        got += count
    return held
