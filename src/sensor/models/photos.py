"""Photographs, made smaller and cut into squares: sharp, clean light to learn from."""
import os
from concurrent.futures import ThreadPoolExecutor

import numpy as np
import torch
import torch.nn.functional as F
from PIL import Image

Image.MAX_IMAGE_PIXELS = None


def squares(folder, side, device, most, seed):
    """(n, 3, side, side) square roots of light, the calmest two fifths left out."""
    g = torch.Generator().manual_seed(seed)
    out = []
    names = [os.path.join(folder, n) for n in sorted(os.listdir(folder))] if folder and os.path.isdir(folder) else []

    def read(name):
        return torch.from_numpy(np.array(Image.open(name).convert("RGB")))

    with ThreadPoolExecutor(8) as pool:
        for picture in pool.map(read, names):
            v = picture.to(device).permute(2, 0, 1)[None].float() / 255
            light = torch.where(v <= 0.04045, v / 12.92, ((v + 0.055) / 1.055) ** 2.4)
            for factor in (2, 2, 3, 4):
                if min(light.shape[2:]) < factor * (side + 8):
                    continue
                y, x = (int(torch.randint(0, 8 * factor, (1,), generator=g)) for _ in range(2))
                small = F.avg_pool2d(light[..., y:, x:], factor).sqrt()
                tiles = F.unfold(small, side, stride=side).view(3, side, side, -1).permute(3, 0, 1, 2)
                grey = tiles.mean(1)
                rough = (grey[:, 1:] - grey[:, :-1]).abs().mean((1, 2)) + (grey[:, :, 1:] - grey[:, :, :-1]).abs().mean((1, 2))
                out += [(float(r), t.half()) for r, t in zip(rough.cpu(), tiles)]
    out.sort(key=lambda pair: -pair[0])
    out = out[: min(most, int(len(out) * 0.6))]
    return torch.stack([t for _, t in out]) if out else torch.zeros(0, 3, side, side, device=device, dtype=torch.float16)
