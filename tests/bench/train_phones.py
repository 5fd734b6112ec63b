"""Trains the phone listener's network on shards of `phone_data` and writes `capture/speech/phones.npz`.

    python -m tests.bench.train_phones --shards FOLDER --seconds 75 --out src/hoodnote/capture/speech/phones.npz

Needs torch and a GPU: on one H100 45 hours of sound were gone through seventeen times in 75 s; after a quarter of that voices it had not
heard gained nothing more. It prints the digest that belongs into `phone_model.py`. Connectionist temporal classification (Graves et al., ICML 2006);
of the weights their running mean is kept.
"""

from __future__ import annotations

import argparse
from collections.abc import Iterator
from pathlib import Path

import numpy as np
import torch
from torch import nn
from torch.nn import functional

from hoodnote.capture.speech.phone_model import PHONES
from tests.bench.training import learn, store, timed

WIDTH, CHANNELS, INNER, BLOCKS, TAPS = 288, 256, 640, 6, 9
RATE, DROPOUT, FRAMES_A_STEP = 2e-3, 0.1, 24_000


class Block(nn.Module):
    """Names of the parts are those of the stored weights."""

    def __init__(self):
        super().__init__()
        self.n, self.c = nn.LayerNorm(CHANNELS), nn.Conv1d(CHANNELS, CHANNELS, TAPS, padding=TAPS // 2, groups=CHANNELS)
        self.a, self.b, self.drop = nn.Linear(CHANNELS, INNER), nn.Linear(INNER, CHANNELS), nn.Dropout(DROPOUT)

    def forward(self, h: torch.Tensor, mask: torch.Tensor) -> torch.Tensor:
        u = self.c((self.n(h) * mask).transpose(1, 2)).transpose(1, 2)
        return h + self.drop(self.b(self.drop(functional.silu(self.a(u)))))


class Network(nn.Module):
    """(clips, frames, 288) -> (clips, frames, 40), not normalized; mask: 1 where a clip has a frame."""

    def __init__(self):
        super().__init__()
        self.n, self.i, self.o, self.p = nn.LayerNorm(WIDTH), nn.Linear(WIDTH, CHANNELS), nn.LayerNorm(CHANNELS), nn.Linear(CHANNELS, len(PHONES) + 1)
        self.blocks = nn.ModuleList(Block() for _ in range(BLOCKS))

    def forward(self, x: torch.Tensor, mask: torch.Tensor) -> torch.Tensor:
        h = self.i(self.n(x)) * mask
        for block in self.blocks:
            h = block(h, mask)
        return self.p(self.o(h * mask))


class Shards:
    def __init__(self, folder: Path, device: str):
        loaded = [np.load(path) for path in sorted(folder.glob("shard*.npz"))]
        self.sounds = torch.cat([torch.from_numpy(z["sounds"]).to(device) for z in loaded])
        self.frames, units, said = (np.concatenate([z[name] for z in loaded]) for name in ("frames", "units", "said"))
        self.starts = np.cumsum([0, *self.frames[:-1]])
        self.units = np.split(units, np.cumsum(said)[:-1])

    def batches(self, rng: np.random.Generator) -> Iterator[np.ndarray]:
        """Clips of about one length together."""
        order = np.argsort(self.frames + rng.uniform(0, 25, len(self.frames)))
        cuts = np.flatnonzero(np.diff(np.cumsum(self.frames[order]) // FRAMES_A_STEP)) + 1
        batches = np.split(order, cuts)
        return (batches[i] for i in rng.permutation(len(batches)))

    def take(self, clips: np.ndarray) -> tuple[torch.Tensor, torch.Tensor, torch.Tensor, torch.Tensor, torch.Tensor]:
        device, frames = self.sounds.device, torch.from_numpy(self.frames[clips].astype(np.int64))
        at = torch.arange(int(frames.max()), device=device)[None]
        mask = at < frames.to(device)[:, None]
        places = torch.where(mask, torch.from_numpy(self.starts[clips]).to(device)[:, None] + at, 0)
        units = [self.units[i] for i in clips]
        return (self.sounds[places].float(), mask[..., None].float(), frames, torch.from_numpy(np.concatenate(units).astype(np.int64)),
                torch.tensor([len(u) for u in units]))


def spoiled(x: torch.Tensor) -> torch.Tensor:
    """A little noise on the frames, and up to two gaps of up to 8 frames."""
    x = x + 0.1 * x.std() * torch.randn_like(x)
    at = torch.arange(x.shape[1], device=x.device)[None]
    for _ in range(2):
        length = torch.randint(0, 9, (len(x), 1), device=x.device)
        start = (torch.rand(len(x), 1, device=x.device) * x.shape[1]).long()
        x = x.masked_fill(((at >= start) & (at < start + length))[..., None], 0)
    return x


def train(shards: Shards, seconds: float, device: str) -> dict[str, np.ndarray]:
    torch.manual_seed(1)
    rng, network, mean = np.random.default_rng(3), Network().to(device), Network().to(device)
    mean.load_state_dict(network.state_dict())
    optimizer = torch.optim.AdamW(network.parameters(), lr=RATE, betas=(0.9, 0.98), weight_decay=0.02)
    for step, clips in timed(optimizer, RATE, 300, seconds, lambda: shards.batches(rng)):
        x, mask, frames, units, said = shards.take(clips)
        with torch.autocast(device, dtype=torch.bfloat16, enabled=device == "cuda"):
            logits = network(spoiled(x), mask)
        logs = functional.log_softmax(logits.float(), -1).transpose(0, 1)
        loss = functional.ctc_loss(logs, units.to(device), frames.to(device), said.to(device), zero_infinity=True, reduction="sum") / max(int(said.sum()), 1)
        learn(network, mean, optimizer, loss, step)
        if step % 500 == 0:
            print(f"{step} steps, loss a phone {loss.item():.3f}", flush=True)
    return {name: value.cpu().numpy().astype(np.float16) for name, value in mean.state_dict().items()}


def main() -> None:
    arguments = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    arguments.add_argument("--shards", type=Path, required=True)
    arguments.add_argument("--seconds", type=float, default=75.0)
    arguments.add_argument("--out", type=Path, required=True)
    options = arguments.parse_args()
    device = "cuda" if torch.cuda.is_available() else "cpu"
    store(options.out, train(Shards(options.shards, device), options.seconds, device))


if __name__ == "__main__":
    main()
