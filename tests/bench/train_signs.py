"""Trains a network that finds signs and writes it: `capture/vision/display_signs.onnx` and `display_words.onnx` on shards of `display_scenes` (far
and near ones), `dial_signs.onnx` on those of `dial_scenes`.

    python -m tests.bench.train_signs words --shards FOLDER --seconds 280 --out display_words.onnx

Prints the digest that belongs into `signs.py` and how it did on scenes left out of the training. Places are learnt as heat about
each sign's middle (X. Zhou et al., "Objects as points", 2019); of the weights their running mean is kept, batch normalization folded in.
"""

from __future__ import annotations

import argparse
from collections.abc import Sequence
from pathlib import Path

import numpy as np
import torch
from onnx import TensorProto, helper, numpy_helper
from torch import nn
from torch.nn import functional

from hoodnote.capture.vision.display_net import SIGNS
from hoodnote.capture.vision.signs import APART, AROUND, CLASSES_OF, STEP, UP
from tests.bench.training import folded, in_16_bits, learn, timed, write

RATE, BATCH, LEFT_OUT = 3e-3, 96, 800
CHANNELS = 64


class Network(nn.Module):
    """(pictures, 3, height, width) -> (pictures, classes + 3, height / STEP, width / STEP). Names of the parts are those of the stored weights."""

    def __init__(self, apart: tuple[int, ...], classes: int):
        super().__init__()
        self.blocks = [f"r{i}" for i in range(len(apart))]
        sizes = {"c1": (3, 16, 5, 2, 1), "c2": (16, 32, 3, 2, 1), "c3": (32, CHANNELS, 3, 1, 1), "h": (CHANNELS, CHANNELS, 1, 1, 1),
                 **{name: (CHANNELS, CHANNELS, 3, 1, far) for name, far in zip(self.blocks, apart, strict=True)}}
        self.layers = nn.ModuleDict({name: nn.Conv2d(a, b, taps, step, taps // 2 * far, far) for name, (a, b, taps, step, far) in sizes.items()})
        self.norms = nn.ModuleDict({name: nn.BatchNorm2d(size[1]) for name, size in sizes.items()})
        self.o = nn.Conv2d(CHANNELS, classes + 3, 1)
        nn.init.constant_(self.o.bias, -4.0)

    def forward(self, x: torch.Tensor) -> torch.Tensor:
        for name in ("c1", "c2", "c3"):
            x = torch.relu(self.norms[name](self.layers[name](x)))
        for name in self.blocks:
            x = torch.relu(x + self.norms[name](self.layers[name](x)))
        return self.o(torch.relu(self.norms["h"](self.layers["h"](x))))

    def stored(self) -> bytes:
        parts = {name: folded(self.layers[name], self.norms[name]) for name in self.layers} | {"o": {"weight": self.o.weight, "bias": self.o.bias}}
        return in_onnx(in_16_bits(parts), [layer.dilation[0] for name, layer in self.layers.items() if name in self.blocks])


def in_onnx(weights: dict[str, np.ndarray], apart: Sequence[int]) -> bytes:
    """The network as the program runs it: "picture" (1, height, width, 3), evened, to "maps" (1, height / STEP, width / STEP, classes + 3)."""
    nodes, kept = [], [numpy_helper.from_array(value, name) for name, value in weights.items()]

    def node(kind: str, given: list[str], out: str, **how: object) -> str:
        nodes.append(helper.make_node(kind, given, [out], **how))
        return out

    def convolved(name: str, x: str, step: int = 1, far: int = 1) -> str:
        whole = [node("Cast", [f"{name}.{part}"], f"{name}.{part}.32", to=TensorProto.FLOAT) for part in ("weight", "bias")]
        edge = weights[f"{name}.weight"].shape[2] // 2 * far
        return node("Conv", [x, *whole], name, strides=[step] * 2, dilations=[far] * 2, pads=[edge] * 4)

    x = node("Transpose", ["picture"], "first", perm=[0, 3, 1, 2])
    for name, step in (("c1", 2), ("c2", 2), ("c3", 1)):
        x = node("Relu", [convolved(name, x, step)], f"{name}.lit")
    for i, far in enumerate(apart):
        x = node("Relu", [node("Add", [x, convolved(f"r{i}", x, far=far)], f"r{i}.sum")], f"r{i}.lit")
    node("Transpose", [convolved("o", node("Relu", [convolved("h", x)], "h.lit"))], "maps", perm=[0, 2, 3, 1])
    graph = helper.make_graph(nodes, "signs", [helper.make_tensor_value_info("picture", TensorProto.FLOAT, [1, "height", "width", 3])],
                              [helper.make_tensor_value_info("maps", TensorProto.FLOAT, None)], kept)
    return helper.make_model(graph, opset_imports=[helper.make_opsetid("", 17)], ir_version=8).SerializeToString()


class Scenes:
    def __init__(self, folder: Path, what: str, device: str):
        pictures, marks, count = [], [], 0
        for path in sorted(folder.glob("shard*.npz")):
            loaded = np.load(path)
            pictures.append(torch.from_numpy(loaded["pictures"]))
            found = loaded["marks"].copy()
            found[:, 0] += count
            if what != "dials":
                found = found[(found[:, 1] < len(SIGNS)) == (what == "digits")]
            marks.append(found)
            count += len(pictures[-1])
        self.pictures, self.device = torch.cat(pictures).to(device), device
        every = np.concatenate(marks)
        self.marks = np.split(every[:, 1:], np.searchsorted(every[:, 0], np.arange(1, count)))

    def batch(self, chosen: np.ndarray, spoil: bool) -> torch.Tensor:
        x = self.pictures[torch.from_numpy(chosen).to(self.device)].permute(0, 3, 1, 2).float()
        if spoil:
            def random(*shape: int) -> torch.Tensor:
                return torch.rand(len(x), *shape, device=x.device)
            order = torch.argsort(random(3), dim=1)
            x = torch.gather(x, 1, order[:, :, None, None].expand_as(x))
            power = torch.exp(0.7 * (random(1, 1, 1) - 0.5))
            x = (x / 255) ** power * 255 * (0.3 + 0.8 * random(1, 1, 1)) * (0.75 + 0.25 * random(3, 1, 1))
            x = (x + 12 * random(1, 1, 1) ** 2 * torch.randn_like(x)).clamp(0, 255).round()
        edge = AROUND // 2
        padded = functional.pad(x, (edge,) * 4, mode="reflect")
        mean = functional.avg_pool2d(padded, AROUND, 1)
        spread = (functional.avg_pool2d(padded * padded, AROUND, 1) - mean * mean).clamp(min=0).sqrt()
        return (x - mean) / (spread + 6)

    def targets(self, chosen: np.ndarray) -> tuple[torch.Tensor, ...]:
        """Picture, class, row and column, way to the top, bright, and the width of the heat, of each mark."""
        rows = [(i, *mark) for i, one in enumerate(chosen) for mark in self.marks[one]]
        t = torch.tensor(np.array(rows, np.float32).reshape(-1, 7), device=self.device)
        wide = (0.1 * torch.hypot(t[:, 4], t[:, 5]) * 2 / STEP).clamp(0.7, 1.4)
        return t[:, 0].long(), t[:, 1].long(), t[:, 3] / STEP, t[:, 2] / STEP, t[:, 4:6] / UP, t[:, 6], wide


def loss_of(out: torch.Tensor, targets: tuple[torch.Tensor, ...]) -> torch.Tensor:
    picture, kind, y, x, up, bright, wide = targets
    pictures, planes, h, w = out.shape
    classes = planes - 3
    heat = torch.zeros(pictures * classes, h * w, device=out.device)
    row, column = y.long().clamp(0, h - 1), x.long().clamp(0, w - 1)
    yy, xx = torch.arange(h, device=out.device)[None, :, None] + 0.5, torch.arange(w, device=out.device)[None, None] + 0.5
    spots = torch.exp(-((yy - y[:, None, None]) ** 2 + (xx - x[:, None, None]) ** 2) / (2 * wide[:, None, None] ** 2)).flatten(1)
    spots[torch.arange(len(kind)), row * w + column] = 1.0
    heat.index_reduce_(0, picture * classes + kind, spots, "amax")
    heat = heat.view(pictures, classes, h, w)
    logits = out[:, :classes].float()
    p = torch.sigmoid(logits)
    at = heat >= 1
    right = functional.logsigmoid(logits) * (1 - p) ** 2 * at
    wrong = functional.logsigmoid(-logits) * p ** 2 * (1 - heat) ** 4 * ~at
    count = max(1, len(kind))
    there = out[picture, classes:, row, column].float()
    digit = (kind < len(SIGNS)).float()
    ways = (there[:, :2] - up).abs().sum(1).sum()
    light = (functional.binary_cross_entropy_with_logits(there[:, 2], bright, reduction="none") * digit).sum()
    return (-(right.sum() + wrong.sum()) + 0.5 * ways + 0.2 * light) / count


def train(scenes: Scenes, apart: tuple[int, ...], classes: int, seconds: float) -> Network:
    torch.manual_seed(1)
    device = scenes.device
    network, mean = Network(apart, classes).to(device), Network(apart, classes).to(device)
    mean.load_state_dict(network.state_dict())
    optimizer = torch.optim.AdamW(network.parameters(), lr=RATE, weight_decay=0.02)
    rng, count = np.random.default_rng(1), len(scenes.marks)

    def batches() -> list[np.ndarray]:
        order = LEFT_OUT + rng.permutation(count - LEFT_OUT)
        return np.array_split(order, max(1, len(order) // BATCH))

    for step, chosen in timed(optimizer, RATE, 200, seconds, batches):
        with torch.autocast(device, dtype=torch.bfloat16, enabled=device == "cuda"):
            out = network(scenes.batch(chosen, True))
        loss = loss_of(out, scenes.targets(chosen))
        learn(network, mean, optimizer, loss, step, clip=5.0)
        if step % 400 == 0:
            print(f"{step} steps, {step * BATCH / count:.1f} times through, loss a sign {loss.item():.3f}", flush=True)
    return mean.eval()


@torch.no_grad()
def left_out(network: Network, scenes: Scenes, least: float) -> None:
    """How many signs were found, at their place and of their class, and how many were found that are not there."""
    right = there = more = 0
    for chosen in np.array_split(np.arange(LEFT_OUT), LEFT_OUT // 50):
        heat = torch.sigmoid(network(scenes.batch(chosen, False))[:, :-3])
        best, kind = heat.max(1)
        peak = (best >= least) & (best == functional.max_pool2d(best[:, None], 3, 1, 1)[:, 0])
        for i, one in enumerate(chosen):
            found = [(int(kind[i, y, x]), (x + 0.5) * STEP, (y + 0.5) * STEP) for y, x in peak[i].nonzero().tolist()]
            for index, x, y, *_ in scenes.marks[one]:
                there += 1
                hit = next((f for f in found if f[0] == index and abs(f[1] - x) < 8 and abs(f[2] - y) < 8), None)
                if hit:
                    right += 1
                    found.remove(hit)
            more += len(found)
    print(f"left out: {right} of {there} found, {more} that are not there, at {least}")


def main() -> None:
    arguments = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    arguments.add_argument("what", choices=APART)
    arguments.add_argument("--shards", type=Path, required=True)
    arguments.add_argument("--seconds", type=float, default=280.0)
    arguments.add_argument("--out", type=Path, required=True)
    options = arguments.parse_args()
    scenes = Scenes(options.shards, options.what, "cuda" if torch.cuda.is_available() else "cpu")
    network = train(scenes, APART[options.what], len(CLASSES_OF[options.what]), options.seconds)
    write(options.out, network.stored())
    for least in (0.3, 0.5, 0.7):
        left_out(network, scenes, least)


if __name__ == "__main__":
    main()
