"""One step of training, as the program's small networks are all trained: clipped gradients, and a running mean of the weights, which is kept."""

from __future__ import annotations

import math

import torch
from torch import nn


def rate_at(rate: float, step: int, done: float, warm: int) -> float:
    """Rises over the first `warm` steps, then falls with the share that is done."""
    return rate * min(1, (step + 1) / warm) * (0.49 * (1 + math.cos(math.pi * done)) + 0.02)


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
