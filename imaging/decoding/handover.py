"""What the process that decodes gave is handed to pydicom, which knows what the bytes mean.

This module is a decoding plugin of pydicom (its documentation, "Plugins for decoders"): instead of decoding it
hands over what was decoded before.
"""

from __future__ import annotations

from collections.abc import Mapping
from contextlib import contextmanager
from contextvars import ContextVar
from dataclasses import dataclass
from types import MappingProxyType
from typing import TYPE_CHECKING, Any

from pydicom.pixels.common import PhotometricInterpretation
from pydicom.pixels.decoders.base import get_decoder
from pydicom.uid import (
    UID,
    JPEG2000TransferSyntaxes,
    JPEGLSTransferSyntaxes,
    JPEGTransferSyntaxes,
    RLELossless,
)

if TYPE_CHECKING:
    from collections.abc import Iterator

    from pydicom.pixels.decoders.base import DecodeRunner

PLUGIN = "lipmark"

CODECS_OF: Mapping[str, tuple[str, ...]] = MappingProxyType(
    {
        **dict.fromkeys(JPEGTransferSyntaxes, ("libjpeg",)),
        **dict.fromkeys(JPEGLSTransferSyntaxes, ("libjpeg", "charls")),
        **dict.fromkeys(JPEG2000TransferSyntaxes, ("openjpeg",)),
        RLELossless: ("rle",),
    }
)
"""Names of `imaging.decoding.codecs` by transfer syntax, in the order in which they are tried."""

DECODER_DEPENDENCIES: Mapping[str, tuple[str, ...]] = MappingProxyType(dict.fromkeys(CODECS_OF, ()))


@dataclass(frozen=True, slots=True)
class Picture:
    """A decoded picture and what its codec told."""

    told: Mapping[str, Any]
    values: bytearray


_PICTURE: ContextVar[Picture] = ContextVar("picture")


@contextmanager
def handed_over(syntax: UID, picture: Picture) -> Iterator[None]:
    """Let pydicom's decoder of this syntax, asked with `PLUGIN`, give this picture."""
    decoder = get_decoder(syntax)
    if PLUGIN not in decoder.available_plugins:
        decoder.add_plugin(PLUGIN, (__name__, "decode_frame"))
    token = _PICTURE.set(picture)
    try:
        yield
    finally:
        _PICTURE.reset(token)


def is_available(syntax: str) -> bool:
    """Tell pydicom whether this plugin serves a syntax."""
    return syntax in CODECS_OF


def decode_frame(_encoded: bytes, runner: DecodeRunner) -> bytearray:
    """Return the picture, and tell pydicom how its codec lays out values."""
    picture = _PICTURE.get()
    codec = picture.told["codec"]
    if codec == "rle":
        runner.set_option("planar_configuration", 1)
    elif codec == "openjpeg":
        # It returns RGB, and values as wide as the codestream's own precision wants.
        if runner.photometric_interpretation in (
            PhotometricInterpretation.YBR_ICT,
            PhotometricInterpretation.YBR_RCT,
        ):
            runner.set_option("photometric_interpretation", PhotometricInterpretation.RGB)
        _set_width(runner, runner.get_option("j2k_precision", runner.bits_stored))
    elif codec == "charls":
        # Interleave mode 0 is plane after plane (ITU-T T.87).
        runner.set_option("planar_configuration", int(picture.told["interleave_mode"] == 0))
        _set_width(runner, picture.told["precision"])
    elif runner.transfer_syntax in JPEGLSTransferSyntaxes:
        runner.set_option("planar_configuration", 0)
        _set_width(runner, runner.get_option("jls_precision", runner.bits_stored))
    return picture.values


def _set_width(runner: DecodeRunner, precision: int) -> None:
    runner.set_option("bits_allocated", next(bits for bits in (8, 16, 32) if precision <= bits))
