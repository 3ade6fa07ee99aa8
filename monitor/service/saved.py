"""The pipeline of a site as bytes, so that a restart goes on where the service stopped.

It is a cache, not a record: the readings in the store are the truth, and a state that cannot be read, or that
another version of this program or of the site file left behind, is built anew from them. What the site file
alone decides is not in it. The form is Python's pickle, because a state is a net of a hundred objects whose
shape is nobody else's business; reading accepts the classes of the analysis and of numpy's arrays and nothing
else, so that a store that somebody brings along can hold wrong figures, but cannot make this program run code.
"""

from __future__ import annotations

import hashlib
import io
import pickle
import sys
import zlib
from collections.abc import Mapping
from enum import Enum
from functools import cache
from pathlib import Path
from typing import Any, Final
from zoneinfo import ZoneInfo

import numpy as np

import monitor
from monitor.errors import StoreError
from monitor.service.pipeline import SitePipeline
from monitor.site import Site

_ROOMS: Final = (
    "physics",
    "estimation",
    "diagnosis",
    "service/pipeline.py",
    "service/analyser.py",
    "site.py",
)
"""Where the code stands that gives a state its meaning, under the package."""

_MODULES: Final = (
    "monitor.estimation.",
    "monitor.diagnosis.",
    "monitor.service.pipeline",
    "monitor.service.analyser",
)
_NAMES: Final = frozenset(
    {
        ("monitor.readings", "Point"),
        ("monitor.site", "HeaterKind"),
        ("monitor.site", "Visit"),
        ("monitor.site", "VisitAction"),
        ("collections", "deque"),
        ("zoneinfo", "ZoneInfo"),
        ("numpy", "dtype"),
        ("numpy", "ndarray"),
        ("numpy._core.multiarray", "_reconstruct"),
        ("numpy._core.multiarray", "scalar"),
        ("numpy._core.numeric", "_frombuffer"),
    }
)


MOST: Final = 64 * 1024 * 1024
"""Bytes that a state may unpack to: hundreds of times what one of months takes."""


def program_of(site: Site) -> str:
    """Return what a state must agree with: a digest of the analysis's code, its libraries and the site's facts."""
    return hashlib.sha256(f"{_code()} {site!r}".encode()).hexdigest()[:32]


def freeze(pipeline: SitePipeline) -> bytes:
    """Return the state of a pipeline; some 30 kB of a site that has been followed for weeks."""
    buffer = io.BytesIO()
    _Freezer(buffer, pipeline.given).dump(pipeline)
    return zlib.compress(buffer.getvalue(), 6)


def thaw(body: bytes, site: Site) -> SitePipeline:
    """Return the pipeline that was frozen, for the same site.

    Raises
    ------
    StoreError
        If these are not the bytes of a state that this version of the program wrote.
    """
    try:
        found = _Thawer(io.BytesIO(_unpacked(body)), SitePipeline(site).given).load()
    except Exception as error:
        # Whatever a pickle that was damaged or made up brings about; never more than an exception.
        raise StoreError(f"the saved state of site {site.id} cannot be read ({error})") from error
    if not isinstance(found, SitePipeline):
        raise StoreError(f"the saved state of site {site.id} is none: {type(found).__name__}")
    return found


def _unpacked(body: bytes) -> bytes:
    packed = zlib.decompressobj()
    found = packed.decompress(body, MOST)
    if not packed.eof:
        more = f"it unpacks to more than {MOST // 2**20} MiB, which no state does"
        raise StoreError(more if len(found) == MOST else "it is cut short")
    return found


@cache
def _code() -> str:
    root = Path(monitor.__file__).parent
    files = sorted(
        file for file in root.rglob("*.py") if file.relative_to(root).as_posix().startswith(_ROOMS)
    )
    digest = hashlib.sha256(f"{sys.version_info[:2]} {np.__version__}".encode())
    for file in files:
        digest.update(file.read_bytes())
    return digest.hexdigest()


class _Freezer(pickle.Pickler):
    def __init__(self, file: io.BytesIO, given: Mapping[str, object]) -> None:
        super().__init__(file, protocol=5)
        self._given = {id(value): name for name, value in given.items()}

    def persistent_id(self, obj: object) -> str | None:
        return self._given.get(id(obj))

    def reducer_override(self, obj: Any) -> Any:
        # Both would be read by `getattr` otherwise, which can read more than these.
        if isinstance(obj, Enum):
            return type(obj), (obj.value,)
        return (ZoneInfo, (obj.key,)) if isinstance(obj, ZoneInfo) else NotImplemented


class _Thawer(pickle.Unpickler):
    def __init__(self, file: io.BytesIO, given: Mapping[str, object]) -> None:
        super().__init__(file)
        self._given = given

    def persistent_load(self, pid: Any) -> object:
        return self._given[pid]

    def find_class(self, module: str, name: str) -> Any:
        found = super().find_class(module, name) if self._may(module, name) else None
        if found is None or (module.startswith("monitor.") and not isinstance(found, type)):
            raise pickle.UnpicklingError(f"{module}.{name} has no place in a state")
        return found

    @staticmethod
    def _may(module: str, name: str) -> bool:
        ours = module.startswith(_MODULES) and "." not in name
        numpys = module == "numpy.dtypes" and name.endswith("DType")
        return ours or numpys or (module, name) in _NAMES
