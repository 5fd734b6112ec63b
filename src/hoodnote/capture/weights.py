"""The weights of the program's own small networks: files inside the package, 16 bits, run by numpy in 32."""

from __future__ import annotations

import hashlib
import io
from importlib.resources import files

import numpy as np

from hoodnote.errors import HoodnoteError


def not_usable(package: str, name: str, why: object) -> HoodnoteError:
    """package: as it is imported, such as "hoodnote.capture.speech"."""
    place = "/".join(package.split(".")[1:])
    return HoodnoteError(f"{place}/{name} cannot be used ({why}); install hoodnote again")


def stored_weights(package: str, name: str, sha256: str) -> dict[str, np.ndarray]:
    """float32 arrays by name. Raises HoodnoteError when the file is missing or is not, to the byte, the one of that digest."""
    try:
        data = files(package).joinpath(name).read_bytes()
    except OSError as error:
        raise not_usable(package, name, error) from None
    if hashlib.sha256(data).hexdigest() != sha256:
        raise not_usable(package, name, "it is damaged")
    with np.load(io.BytesIO(data)) as stored:
        return {key: stored[key].astype(np.float32) for key in stored.files}
