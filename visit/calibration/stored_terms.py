"""The terms of a calibration as bytes of the visit file (NumPy's own archive), and back from an untrusted file.

Owns: both ways. Refuses: anything but plain arrays of numbers of one length. The archive is taken apart here and not by
`numpy.load`: what a header or a directory says of sizes is believed only within the limits below, nothing is unpickled
or evaluated.
"""

from __future__ import annotations

import io
import re
import zipfile
import zlib
from typing import Any

import numpy as np
from numpy.typing import NDArray

from rf.calibration.error_terms import ErrorTerms
from visit.record.soundness import MOST_POINTS

MOST_BYTES = MOST_POINTS * 16 + 256
_HEADER = re.compile(
    rb"\x93NUMPY\x01\x00(?s:..)\{'descr': '<(f8|c16)', 'fortran_order': False, 'shape': \(([0-9]{1,7}),\), \} *\n"
)
_PLAIN = (zipfile.ZIP_STORED, zipfile.ZIP_DEFLATED)


def terms_blob(terms: ErrorTerms) -> bytes:
    """The terms as bytes for the record."""
    buffer = io.BytesIO()
    np.savez_compressed(buffer, **{name: getattr(terms, name) for name in ErrorTerms.__slots__})
    return buffer.getvalue()


def terms_from(blob: bytes) -> ErrorTerms:
    """The terms back from the record. Raises ValueError saying what is wrong."""
    try:
        with zipfile.ZipFile(io.BytesIO(blob)) as archive:
            arrays = {name: _array(_member(archive, f"{name}.npy"), name) for name in ErrorTerms.__slots__}
    except (zipfile.BadZipFile, zlib.error, EOFError, OSError, NotImplementedError, RuntimeError) as error:
        raise ValueError(f"no archive of arrays: {error}") from None
    frequency = arrays["frequency_hz"]
    if len({array.size for array in arrays.values()}) != 1 or frequency.size < 2:
        raise ValueError("its arrays are not of one length")
    if np.iscomplexobj(frequency) or not (np.diff(frequency) > 0).all():
        raise ValueError("its frequencies do not rise")
    if not all(np.isfinite(array).all() for array in arrays.values()):
        raise ValueError("it holds numbers that are none")
    return ErrorTerms(**arrays)


def _member(archive: zipfile.ZipFile, name: str) -> bytes:
    try:
        info = archive.getinfo(name)
    except KeyError:
        raise ValueError(f"{name} is missing") from None
    if info.file_size > MOST_BYTES or info.compress_type not in _PLAIN:
        raise ValueError(f"{name} is too large or packed in another way")
    with archive.open(info) as file:
        return file.read(MOST_BYTES)  # never more than this, whatever the directory says


def _array(data: bytes, name: str) -> NDArray[Any]:
    header = _HEADER.match(data)
    if header is None:
        raise ValueError(f"{name} is no plain array of numbers")
    kind, count, body = header[1].decode("ascii"), int(header[2]), data[header.end() :]
    if len(body) != count * (16 if kind == "c16" else 8):
        raise ValueError(f"{name} lies about its size")
    return np.frombuffer(body, f"<{kind}")
