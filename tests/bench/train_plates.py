"""Draws rows of VIN characters as glyphs, spoils them on the GPU and trains the plate reader's network, `capture/vision/plates.npz`.

    python -m tests.bench.train_plates glyphs --out glyphs.npz FOLDER...
    python -m tests.bench.train_plates train --glyphs glyphs.npz --seconds 90 --out src/hoodnote/capture/vision/plates.npz

`glyphs` needs Pillow and folders of typefaces, `train` torch and a GPU. Faces that a held-out style of `plate_render` is set in are left
out. It prints the digest that belongs into `vin_plates.py`. Connectionist temporal classification (Graves et al., ICML 2006).
"""

from __future__ import annotations

import argparse
import time
from pathlib import Path

import numpy as np

ALPHABET = "ABCDEFGHJKLMNPRSTUVWXYZ0123456789#"     # as in vin_plates.py; "#" for every other sign
SIGNS = ALPHABET[:-1] + "IOQ*:.-/"                  # that are drawn
SPACE = len(SIGNS)
CELL, CAP, WIDE = 48, 30, 56                        # px of a glyph's picture: its height, its capitals' height, its width
HELD_OUT_FACES = ("LiberationSansNarrow", "DejaVuSans-Bold.", "DejaVuSansCondensed", "LiberationSans-Bold.", "LiberationMono-Regular", "DejaVuSansMono.",
                  "DejaVuSerif.")
LATIN_PLAIN = ("Oblique", "Italic", "Math", "Symbol", "Dingbat", "Emoji", "Light", "Thin", "Hairline", "Extralight")
MOST, LONG = 26, 640                                # signs a row, px of a row before it is spoiled
HEIGHT, WIDTH = 32, 416                             # px of the strip that the network sees


def draw_glyphs(folders: list[Path], out: Path) -> None:
    from PIL import Image, ImageDraw, ImageFont

    pictures, widths = [], []
    for path in sorted(p for f in folders for p in f.rglob("*") if p.suffix.lower() in (".ttf", ".otf")):
        if any(n in path.name for n in HELD_OUT_FACES) or any(n.lower() in path.name.lower() for n in LATIN_PLAIN):
            continue
        try:
            size = 40
            top, bottom = (ImageFont.truetype(str(path), size).getbbox("H", anchor="ls")[i] for i in (1, 3))
            face = ImageFont.truetype(str(path), round(size * CAP / (bottom - top)))
            advances = [face.getlength(c) for c in SIGNS]
            if len({bytes(face.getmask(c)) for c in "ABC123"}) < 6 or max(advances) > WIDE:
                continue
        except (OSError, ZeroDivisionError):
            continue
        page = np.zeros((len(SIGNS), CELL, WIDE), np.uint8)
        for i, sign in enumerate(SIGNS):
            image = Image.new("L", (WIDE, CELL))
            ImageDraw.Draw(image).text((0, CELL - 9), sign, fill=255, font=face, anchor="ls")
            page[i] = np.asarray(image)
        pictures.append(page)
        widths.append(np.ceil(advances))
    np.savez_compressed(out, glyphs=np.stack(pictures), widths=np.stack(widths).astype(np.int16))
    print(len(pictures), "faces")


def train(glyphs: Path, seconds: float, out: Path, batch: int) -> None:
    import torch
    from torch import nn
    from torch.nn import functional as F

    from tests.bench.training import learn, rate_at, store

    device = "cuda" if torch.cuda.is_available() else "cpu"
    stored = np.load(glyphs)
    pages = torch.from_numpy(stored["glyphs"]).to(device)
    widths = torch.from_numpy(stored["widths"].astype(np.int64)).to(device)
    label_of = torch.tensor([min(i, len(ALPHABET) - 1) for i in range(len(SIGNS))] + [-1], device=device)
    rng = np.random.default_rng(5)

    def rand(*shape, low=0.0, high=1.0):
        return torch.rand(*shape, device=device) * (high - low) + low

    def words(n: int) -> np.ndarray:
        """Signs of n rows, SPACE where there is none."""
        rows = np.full((n, MOST), SPACE, np.int64)
        for row in rows:
            body = list(rng.integers(0, 33, 17))
            figures = rng.random(17) < 0.35
            body = [int(rng.integers(23, 33)) if f else int(b) for f, b in zip(figures, body)]
            body[12:] = [int(v) for v in rng.integers(23, 33, 5)]
            if rng.random() < 0.2:
                body = body[int(rng.integers(0, 10)):]
            if rng.random() < 0.2:                       # in groups
                for at in sorted(rng.integers(2, max(3, len(body) - 2), int(rng.integers(1, 3))), reverse=True):
                    body.insert(int(at), SPACE)
            before, after = [], []
            kind = rng.random()
            if kind < 0.2:
                before, after = [SIGNS.index("*")], [SIGNS.index("*")]
            elif kind < 0.35:
                before = [SIGNS.index(c) for c in ("VIN:", "VIN", "V.I.N.", "NO.")[rng.integers(0, 4)]] + [SPACE] * int(rng.integers(0, 2))
            elif kind < 0.42:
                before, after = [SIGNS.index(c) for c in ".-"][: rng.integers(0, 3)], [SIGNS.index("-")][: rng.integers(0, 2)]
            line = (before + body + after)[:MOST]
            row[:len(line)] = line
        return rows

    def drawn(n: int):
        """Masks of rows, n x CELL x LONG, 0 to 1, the width that each takes up, and its labels."""
        signs = torch.from_numpy(words(n)).to(device)
        face = torch.randint(0, len(pages), (n, 1), device=device)
        own = widths[face, signs.clamp(max=SPACE - 1)]
        narrow = torch.where(signs == SPACE, (CAP * rand(n, 1, low=0.35, high=0.8)).long(), own)
        step = narrow + (CAP * rand(n, 1, low=-0.02, high=0.28)).long()
        fixed = rand(n, 1) < 0.25                         # stamped at one pitch
        pitch = own.float().amax(1, keepdim=True).long() + 1
        aside = torch.where(fixed, (pitch - own) // 2, 0)
        step = torch.where(fixed & (signs != SPACE), pitch, step)
        start = torch.cumsum(step, 1) - step + CAP
        last = torch.where(signs != SPACE, start + step, 0).amax(1)
        at = torch.arange(LONG, device=device).expand(n, LONG).contiguous()
        slot = (torch.searchsorted(start, at, right=True) - 1).clamp(min=0)
        inside = at - start.gather(1, slot) - aside.gather(1, slot)
        sign = signs.gather(1, slot)
        seen = (inside >= 0) & (inside < own.gather(1, slot)) & (sign != SPACE)
        flat = pages[face, sign.clamp(max=SPACE - 1), :, inside.clamp(0, WIDE - 1)]     # n x LONG x CELL
        mask = (flat.float() / 255 * seen[..., None]).transpose(1, 2)
        labels = label_of[signs]
        return mask, last, labels

    def blurred(x, sigma):
        """sigma: n, px of x."""
        reach = 5
        t = torch.arange(-reach, reach + 1, device=device).float()
        k = torch.exp(-t**2 / (2 * sigma[:, None] ** 2 + 1e-6))
        k = k / k.sum(1, keepdim=True)
        n = len(x)
        y = F.conv2d(F.pad(x[None], (0, 0, reach, reach), mode="replicate"), k[:, None, :, None], groups=n)
        return F.conv2d(F.pad(y, (reach, reach, 0, 0), mode="replicate"), k[:, None, None, :], groups=n)[0]

    def dotted(mask):
        n, h, w = mask.shape
        dots = float(rng.uniform(5.5, 9.5))               # a capital's height
        rows = round(h / CAP * dots)
        columns = round(w / CAP * dots * rng.uniform(0.85, 1.1))
        covered = (F.adaptive_avg_pool2d(mask[:, None], (rows, columns)) > float(rng.uniform(0.28, 0.45))).float()
        big = F.interpolate(covered, (h * 2, w * 2), mode="nearest")[:, 0]
        y, x = ((torch.arange(s * 2, device=device) + 0.5) / (s * 2) * c % 1 - 0.5 for s, c in ((h, rows), (w, columns)))
        near = (torch.hypot(y[:, None], x[None]) < float(rng.uniform(0.36, 0.52))).float()
        return F.avg_pool2d((big * near)[:, None], 2)[:, 0]

    def field(n, h, w, coarse):
        return F.interpolate(torch.randn(n, 1, *coarse, device=device), (h, w), mode="bicubic", align_corners=False)[:, 0]

    def batch_of(n: int):
        mask, last, labels = drawn(n)
        h, w = mask.shape[1:]
        parts = [slice(0, n // 2), slice(n // 2, n * 3 // 4), slice(n * 3 // 4, n)]         # printed, dotted, embossed
        mask[parts[1]] = dotted(mask[parts[1]])
        heavy = rand(n, 1, 1)
        mask = torch.where(heavy > 0.85, F.max_pool2d(mask[:, None], 3, 1, 1)[:, 0], mask)
        mask[: n // 2] = torch.where(heavy[: n // 2] < 0.08, -F.max_pool2d(-mask[: n // 2, None], (1, 3), 1, (0, 1))[:, 0], mask[: n // 2])
        ground = rand(n, 1, 1, low=15, high=245)
        ink = torch.where(rand(n, 1, 1) < 0.5, ground + rand(n, 1, 1, low=50, high=200), ground - rand(n, 1, 1, low=50, high=200)).clamp(0, 255)
        ink = torch.where((ink - ground).abs() < 40, 255 - ground, ink)
        flat = ground + (ink - ground) * mask
        raised = blurred(mask * 255, rand(n, low=0.8, high=1.6))
        down, along = torch.gradient(raised, dim=(1, 2))
        turn = rand(n, 1, 1, high=6.2832)
        pressed = ground + (down * torch.sin(turn) + along * torch.cos(turn)) * rand(n, 1, 1, low=2, high=6) + raised * rand(n, 1, 1, low=-0.15, high=0.2)
        flat[parts[2]] = pressed[parts[2]]
        flat = flat + torch.randn_like(flat) * rand(n, 1, 1, high=12)
        for _ in range(2):                                # rules of a table, a plate's edge
            place = torch.where(rand(n, 1, 1) < 0.5, rand(n, 1, 1, low=0, high=5), rand(n, 1, 1, low=43, high=50))
            row = torch.arange(h, device=device)[None, :, None]
            thick = rand(n, 1, 1, low=0.5, high=2)
            hit = ((row - place).abs() < thick) & (rand(n, 1, 1) < 0.2)
            flat = torch.where(hit, rand(n, 1, 1, high=255), flat)
        # the camera: a crop that is none too close, slanted and bent, with room at both ends
        room = (last + CAP).float()
        ends = rand(n, 2, low=-0.2, high=1.2) * CAP
        x0, x1 = CAP - ends[:, 0] - 3, room - CAP + ends[:, 1] + 3
        up = CELL - 9 - CAP
        y0, y1 = up - rand(n, low=0.12, high=0.5) * CAP, up + CAP + rand(n, low=0.12, high=0.5) * CAP
        aspect = rand(n, low=0.72, high=1.25)
        scale = HEIGHT / (y1 - y0)
        width = ((x1 - x0) * scale * aspect).clamp(64, WIDTH)
        gx = torch.arange(WIDTH, device=device)[None, None, :] / width[:, None, None]
        gy = torch.arange(HEIGHT, device=device)[None, :, None] / HEIGHT
        slant, tilt, bow = rand(n, 1, 1, low=-0.35, high=0.35), rand(n, 1, 1, low=-3.5, high=3.5), rand(n, 1, 1, low=-3, high=3)
        grow = rand(n, 1, 1, low=-0.15, high=0.15)
        px = x0[:, None, None] + (x1 - x0)[:, None, None] * gx + slant * (gy - 0.5) * CELL
        size = (y1 - y0)[:, None, None]
        py = y0[:, None, None] + size * (gy + grow * (gy - 0.5) * (gx - 0.5) * 2) + tilt * (gx - 0.5) * 2 + bow * (4 * gx * (1 - gx) - 0.5)
        grid = torch.stack((px / (w - 1) * 2 - 1, py / (h - 1) * 2 - 1), -1)
        soft = blurred(flat, (0.45 / scale).clamp(0.3, 1.5))
        strip = F.grid_sample(soft[:, None], grid, mode="bilinear", padding_mode="border", align_corners=True)[:, 0]
        # light, glare, smears, noise
        light = 1 + 0.25 * field(n, HEIGHT, WIDTH, (2, 6)) * rand(n, 1, 1)
        edge = torch.sigmoid((gx - rand(n, 1, 1, low=-0.5, high=1.5) + (gy - 0.5) * rand(n, 1, 1, low=-0.1, high=0.1)) * rand(n, 1, 1, low=8, high=120))
        light = light * (1 - rand(n, 1, 1, high=0.6) * edge * (rand(n, 1, 1) < 0.5))
        strip = strip * light.clamp(0.1, 2) * rand(n, 1, 1, low=0.3, high=1.0)
        spot = torch.hypot((gx - rand(n, 1, 1)) * width[:, None, None] / 1.6, (gy - rand(n, 1, 1)) * HEIGHT) / rand(n, 1, 1, low=8, high=60)
        strip = strip + 260 * torch.exp(-spot**2.4) * (rand(n, 1, 1) < 0.12) * rand(n, 1, 1)
        smear = (field(n, HEIGHT, WIDTH, (3, 12)) > 1.2).float() * (rand(n, 1, 1) < 0.25) * rand(n, 1, 1, high=0.6)
        strip = strip + (rand(n, 1, 1, low=40, high=150) - strip) * smear
        sigma = torch.where(rand(n) < 0.6, rand(n, low=0.3, high=0.8), rand(n, low=0.5, high=1.7))
        strip = blurred(strip, sigma)
        move = rand(n, 1, 1) < 0.15
        strip = torch.where(move, F.avg_pool2d(strip[:, None], (1, 3), 1, (0, 1))[:, 0], strip)
        strip = (strip.clamp(0, 255) + torch.randn_like(strip) * rand(n, 1, 1, high=1.0) ** 2 * 18).clamp(0, 255)
        valid = (torch.arange(WIDTH, device=device)[None, None, :] < width[:, None, None]).float()
        count = valid.sum((1, 2), keepdim=True) * HEIGHT
        mean = (strip * valid).sum((1, 2), keepdim=True) / count
        spread = (((strip - mean) * valid) ** 2).sum((1, 2), keepdim=True).div(count).sqrt()
        return ((strip - mean) / (spread + 3) * valid)[:, None], (width // 2).long(), labels

    network = _network(nn).to(device)
    mean = _network(nn).to(device)
    mean.load_state_dict(network.state_dict())
    print(sum(p.numel() for p in network.parameters()), "weights,", len(pages), "faces", device, flush=True)
    rate, begun, step, saved = 2.5e-3, time.time(), 0, 0.0
    optimizer = torch.optim.AdamW(network.parameters(), lr=rate, betas=(0.9, 0.98), weight_decay=0.02)
    while (done := (time.time() - begun) / seconds) < 1:
        for group in optimizer.param_groups:
            group["lr"] = rate_at(rate, step, done, warm=200)
        with torch.no_grad():
            x, frames, labels = batch_of(batch)
        with torch.autocast(device, dtype=torch.bfloat16, enabled=device == "cuda"):
            logits = network(x)
        logs = F.log_softmax(logits.float(), 1).permute(2, 0, 1)                             # frames x n x classes
        lengths = (labels >= 0).sum(1)
        flat = labels[labels >= 0] + 1
        loss = F.ctc_loss(logs, flat, frames.clamp(max=logs.shape[0]), lengths, zero_infinity=True, reduction="sum") / lengths.sum()
        step += 1
        learn(network, mean, optimizer, loss, step)
        if step % 200 == 0:
            print(f"{time.time() - begun:.0f} s, {step} steps, loss a sign {loss.item():.4f}", flush=True)
        if time.time() - begun - saved > 25:
            saved = time.time() - begun
            store(out, _stored(mean))
    print(step, "steps")
    store(out, _stored(mean))


def _stored(network) -> dict[str, np.ndarray]:
    return {name: value.cpu().numpy().astype(np.float16) for name, value in network.state_dict().items()}


def _network(nn):
    """(n, 1, 32, width) -> (n, classes, width / 2). Plain convolutions each with a bias, so that numpy can do the same."""
    class Row(nn.Module):
        def __init__(self, channels: int, inner: int, taps: int):
            super().__init__()
            self.c = nn.Conv1d(channels, channels, taps, padding=taps // 2, groups=channels)
            self.a, self.b = nn.Conv1d(channels, inner, 1), nn.Conv1d(inner, channels, 1)

        def forward(self, h):
            return h + self.b(nn.functional.relu(self.a(self.c(h))))

    class Network(nn.Module):
        def __init__(self):
            super().__init__()
            self.p = nn.ModuleList([
                nn.Conv2d(1, 24, 5, stride=2, padding=2), nn.Conv2d(24, 40, 3, stride=(2, 1), padding=1), nn.Conv2d(40, 40, 3, padding=1),
                nn.Conv2d(40, 64, 3, stride=(2, 1), padding=1), nn.Conv2d(64, 64, 3, padding=1), nn.Conv2d(64, 112, (4, 1))])
            self.rows = nn.ModuleList(Row(112, 224, 7) for _ in range(4))
            self.o = nn.Conv1d(112, len(ALPHABET) + 1, 1)

        def forward(self, x):
            h = x
            for i, layer in enumerate(self.p):
                y = nn.functional.relu(layer(h))
                h = h + y if i in (2, 4) else y
            h = h[:, :, 0]
            for row in self.rows:
                h = row(h)
            return self.o(h)

    return Network()


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    what = parser.add_subparsers(dest="what", required=True)
    glyphs = what.add_parser("glyphs")
    glyphs.add_argument("folders", nargs="+", type=Path)
    glyphs.add_argument("--out", type=Path, required=True)
    training = what.add_parser("train")
    training.add_argument("--glyphs", type=Path, required=True)
    training.add_argument("--seconds", type=float, default=90.0)
    training.add_argument("--batch", type=int, default=512)
    training.add_argument("--out", type=Path, required=True)
    options = parser.parse_args()
    if options.what == "glyphs":
        draw_glyphs(options.folders, options.out)
    else:
        train(options.glyphs, options.seconds, options.out, options.batch)


if __name__ == "__main__":
    main()
