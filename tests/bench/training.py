"""How the program's small networks are all trained: steps of clipped gradients, a running mean of the weights, which is kept, and how they are stored."""

from __future__ import annotations

import hashlib
import io
import math
import time
from collections.abc import Callable, Iterable, Iterator
from pathlib import Path
from typing import TypeVar

import numpy as np
import torch
from torch import nn

T = TypeVar("T")


def rate_at(rate: float, step: int, done: float, warm: int) -> float:
    """Rises over the first `warm` steps, then falls with the share that is done."""
    return rate * min(1, (step + 1) / warm) * (0.49 * (1 + math.cos(math.pi * done)) + 0.02)


def timed(optimizer: torch.optim.Optimizer, rate: float, warm: int, seconds: float, batches: Callable[[], Iterable[T]]) -> Iterator[tuple[int, T]]:
    """The steps, counted from 1, and their batches, of one round of `batches` after the other until the time is over; `rate_at` follows it."""
    begun, step = time.time(), 0
    while True:
        for batch in batches():
            done = (time.time() - begun) / seconds
            if done >= 1:
                return
            for group in optimizer.param_groups:
                group["lr"] = rate_at(rate, step, done, warm)
            step += 1
            yield step, batch


def learn(network: nn.Module, mean: nn.Module, optimizer: torch.optim.Optimizer, loss: torch.Tensor, step: int, clip: float = 1.0) -> None:
    """`step`: counted from 1. `mean` has the same weights and whatever else the network keeps, averaged."""
    optimizer.zero_grad()
    loss.backward()
    nn.utils.clip_grad_norm_(network.parameters(), clip)
    optimizer.step()
    keep = min(0.998, (step + 1) / (step + 20))
    with torch.no_grad():
        for a, b in zip(mean.state_dict().values(), network.state_dict().values(), strict=True):
            if a.is_floating_point():
                a.lerp_(b, 1 - keep)


def folded(conv: nn.Module, norm: nn.Module) -> dict[str, torch.Tensor]:
    """Weight and bias of the convolution with the batch normalization after it."""
    scale = norm.weight / torch.sqrt(norm.running_var + norm.eps)
    return {"weight": conv.weight * scale.view(-1, *[1] * (conv.weight.dim() - 1)), "bias": (conv.bias - norm.running_mean) * scale + norm.bias}


def in_16_bits(parts: dict[str, dict[str, torch.Tensor]]) -> dict[str, np.ndarray]:
    """The parts' values by "part.name"."""
    return {f"{part}.{name}": value.detach().cpu().numpy().astype(np.float16) for part, values in parts.items() for name, value in values.items()}


def store(path: Path, arrays: dict[str, np.ndarray]) -> None:
    """Writes the weights as `numpy.savez` does."""
    out = io.BytesIO()
    np.savez(out, **arrays)
    write(path, out.getvalue())


def write(path: Path, data: bytes) -> None:
    """And prints the digest that the program asks for."""
    path.write_bytes(data)
    print("digest", hashlib.sha256(data).hexdigest())
