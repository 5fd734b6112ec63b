"""Trains the network that reads strips of segment figures on shards of `display_strips` and writes `capture/vision/display_net.npz`.

    python -m tests.bench.train_display --shards FOLDER --seconds 65 --out src/hoodnote/capture/vision/display_net.npz

Needs torch and a GPU. It prints the digest that belongs into `display_net.py` and how it did on strips left out of the training.
Connectionist temporal classification (Graves et al., ICML 2006); of the weights their running mean is kept, batch normalization folded in.
"""

from __future__ import annotations

import argparse
from pathlib import Path

import numpy as np
import torch
from torch import nn
from torch.nn import functional

from hoodnote.capture.vision.display_net import SIGNS
from tests.bench.training import folded, in_16_bits, learn, store, timed

RATE, BATCH, LEFT_OUT = 3e-3, 384, 3000
CHANNELS, BLOCKS, TAPS = 96, 3, 7


class Network(nn.Module):
    """(strips, 1, HEIGHT, width) -> (strips, width // 2, signs + 1), not normalized. Names of the parts are those of the stored weights."""

    def __init__(self):
        super().__init__()
        self.c1, self.c2, self.c3 = nn.Conv2d(1, 16, 3, padding=1), nn.Conv2d(16, 32, 3, padding=1), nn.Conv2d(32, 48, 3, padding=1)
        self.c4 = nn.Conv2d(48, CHANNELS, (5, 3), padding=(0, 1))
        self.n1, self.n2, self.n3, self.n4 = (nn.BatchNorm2d(n) for n in (16, 32, 48, CHANNELS))
        self.d = nn.ModuleList(nn.Conv1d(CHANNELS, CHANNELS, TAPS, padding=TAPS // 2, groups=CHANNELS) for _ in range(BLOCKS))
        self.p = nn.ModuleList(nn.Conv1d(CHANNELS, CHANNELS, 1) for _ in range(BLOCKS))
        self.n = nn.ModuleList(nn.BatchNorm1d(CHANNELS) for _ in range(BLOCKS))
        self.o, self.drop = nn.Conv1d(CHANNELS, len(SIGNS) + 1, 1), nn.Dropout(0.1)

    def forward(self, x: torch.Tensor) -> torch.Tensor:
        x = functional.max_pool2d(torch.relu(self.n1(self.c1(x))), (2, 2))
        x = functional.max_pool2d(torch.relu(self.n2(self.c2(x))), (2, 1))
        x = functional.max_pool2d(torch.relu(self.n3(self.c3(x))), (2, 1))
        x = torch.relu(self.n4(self.c4(x)))[:, :, 0]
        for d, p, n in zip(self.d, self.p, self.n, strict=True):
            x = torch.relu(x + n(p(d(self.drop(x)))))
        return self.o(x).transpose(1, 2)

    def stored(self) -> dict[str, np.ndarray]:
        parts = {f"c{i}": folded(getattr(self, f"c{i}"), getattr(self, f"n{i}")) for i in range(1, 5)}
        parts |= {f"p{i}": folded(p, n) for i, (p, n) in enumerate(zip(self.p, self.n, strict=True))}
        parts |= {f"d{i}": {"weight": d.weight, "bias": d.bias} for i, d in enumerate(self.d)} | {"o": {"weight": self.o.weight, "bias": self.o.bias}}
        return in_16_bits(parts)


class Strips:
    def __init__(self, folder: Path, device: str):
        loaded = [np.load(path) for path in sorted(folder.glob("shard*.npz"))]
        self.pixels = torch.cat([torch.from_numpy(z["strips"]).to(device) for z in loaded])
        self.widths = torch.from_numpy(np.concatenate([z["widths"] for z in loaded]).astype(np.int64)).to(device)
        self.texts = np.concatenate([z["texts"] for z in loaded])
        self.units = [torch.tensor([SIGNS.index(c) + 1 for c in text], dtype=torch.long) for text in self.texts]

    def normal(self, chosen: torch.Tensor, spoil: bool) -> torch.Tensor:
        """As the reader normalizes: over the strip itself, zero beyond it. Spoiled by a little noise and another tone curve."""
        x, widths = self.pixels[chosen].float(), self.widths[chosen]
        inside = (torch.arange(x.shape[2], device=x.device)[None] < widths[:, None])[:, None].float()
        if spoil:
            power = torch.exp(0.4 * torch.randn(len(x), 1, 1, device=x.device))
            x = (x / 255) ** power * 255 + 5 * torch.rand(len(x), 1, 1, device=x.device) * torch.randn_like(x)
        count = inside.sum((1, 2), keepdim=True) * x.shape[1]
        mean = (x * inside).sum((1, 2), keepdim=True) / count
        spread = (((x - mean) * inside) ** 2).sum((1, 2), keepdim=True).div(count).sqrt()
        return (inside * (x - mean) / (spread + 4))[:, None]


def train(strips: Strips, seconds: float, device: str) -> Network:
    torch.manual_seed(1)
    network, mean = Network().to(device), Network().to(device)
    mean.load_state_dict(network.state_dict())
    optimizer = torch.optim.AdamW(network.parameters(), lr=RATE, weight_decay=0.02)
    count = len(strips.texts)
    for step, chosen in timed(optimizer, RATE, 200, seconds, lambda: (LEFT_OUT + torch.randperm(count - LEFT_OUT)).split(BATCH)):
        units = [strips.units[i] for i in chosen.tolist()]
        frames = (strips.widths[chosen.to(device)] // 2).cpu()
        with torch.autocast(device, dtype=torch.bfloat16, enabled=device == "cuda"):
            logits = network(strips.normal(chosen.to(device), True))
        logs = functional.log_softmax(logits.float(), -1).transpose(0, 1)
        loss = functional.ctc_loss(logs, torch.cat(units).to(device), frames.to(device), torch.tensor([len(u) for u in units]).to(device),
                                   zero_infinity=True, reduction="sum") / len(units)
        learn(network, mean, optimizer, loss, step, clip=5.0)
        if step % 400 == 0:
            print(f"{step} steps, {step * BATCH / count:.1f} times through, loss a strip {loss.item():.3f}", flush=True)
    return mean.eval()


@torch.no_grad()
def left_out(network: Network, strips: Strips, device: str) -> None:
    right, said = 0, {"": [0, 0], "figure": [0, 0]}
    for chosen in torch.arange(LEFT_OUT).split(BATCH):
        best = network(strips.normal(chosen.to(device), False)).argmax(-1).cpu().numpy()
        for i, row in zip(chosen.tolist(), best, strict=True):
            row = row[:int(strips.widths[i]) // 2]
            text = "".join(SIGNS[u - 1] for u in row[np.flatnonzero(np.diff(row, prepend=-1) != 0)] if u)
            tally = said["figure" if strips.texts[i] else ""]
            tally[0] += text == strips.texts[i]
            tally[1] += 1
            right += text == strips.texts[i]
    print(f"left out: {right} of {LEFT_OUT} right; of figures {said['figure']}, of none {said['']}")


def main() -> None:
    arguments = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    arguments.add_argument("--shards", type=Path, required=True)
    arguments.add_argument("--seconds", type=float, default=65.0)
    arguments.add_argument("--out", type=Path, required=True)
    options = arguments.parse_args()
    device = "cuda" if torch.cuda.is_available() else "cpu"
    strips = Strips(options.shards, device)
    network = train(strips, options.seconds, device)
    store(options.out, network.stored())
    left_out(network, strips, device)


if __name__ == "__main__":
    main()
