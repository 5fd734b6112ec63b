"""The program's own small networks: files inside the package, weights in 16 bits, run in 32 by numpy or by onnxruntime."""

from __future__ import annotations

import hashlib
import io
from importlib.resources import files
from typing import TYPE_CHECKING

import numpy as np

from hoodnote.errors import HoodnoteError

if TYPE_CHECKING:
    import onnxruntime


def not_usable(package: str, name: str, why: object) -> HoodnoteError:
    """package: as it is imported, such as "hoodnote.capture.speech"."""
    place = "/".join(package.split(".")[1:])
    return HoodnoteError(f"{place}/{name} cannot be used ({why}); install hoodnote again")


def stored_weights(package: str, name: str, sha256: str) -> dict[str, np.ndarray]:
    """float32 arrays by name. Raises HoodnoteError when the file is missing or is not, to the byte, the one of that digest."""
    with np.load(io.BytesIO(_checked(package, name, sha256))) as stored:
        return {key: stored[key].astype(np.float32) for key in stored.files}


def stored_network(package: str, name: str, sha256: str, threads: int) -> onnxruntime.InferenceSession:
    """An ONNX file, ready to be run by so many threads. Raises HoodnoteError as `stored_weights` does."""
    return network(_checked(package, name, sha256), threads)


def network(model: bytes | str, threads: int) -> onnxruntime.InferenceSession:
    """A network, by its bytes or its path, ready to be run by so many threads. Raises what onnxruntime raises, which has no public base."""
    import onnxruntime

    options = onnxruntime.SessionOptions()
    options.intra_op_num_threads, options.inter_op_num_threads = threads, 1
    options.log_severity_level = 3
    # every clip, step and picture has other sizes: kept for the next one, memory would only grow; it takes no longer without
    options.enable_cpu_mem_arena = options.enable_mem_pattern = False
    # a thread that waits busily takes the processor from the others
    options.add_session_config_entry("session.intra_op.allow_spinning", "0")
    return onnxruntime.InferenceSession(model, options, providers=["CPUExecutionProvider"])


def _checked(package: str, name: str, sha256: str) -> bytes:
    try:
        data = files(package).joinpath(name).read_bytes()
    except OSError as error:
        raise not_usable(package, name, error) from None
    if hashlib.sha256(data).hexdigest() != sha256:
        raise not_usable(package, name, "it is damaged")
    return data
