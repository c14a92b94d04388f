"""Scores nets on the protocol's pictures, which nothing here learns from."""
import os
import sys
from concurrent.futures import ProcessPoolExecutor

import numpy as np
import torch

import nets

HALO = 32


@torch.no_grad()
def run(net, task, mosaic, model):
    device = next(net.parameters()).device
    height, width = mosaic.shape
    extra = [(HALO, HALO + -v % 16) for v in mosaic.shape]
    padded = np.pad(mosaic, extra, mode="reflect")
    z = torch.from_numpy(padded.astype(np.float32))[None].to(device)
    planes = torch.stack([z[:, 0::2, 0::2], z[:, 0::2, 1::2], z[:, 1::2, 0::2], z[:, 1::2, 1::2]], 1)
    if task == "clean":
        x = planes.clamp(min=0).sqrt()
        y = nets.together(x, nets.tied(x, net(x, None)))
        light = y * y
    else:
        a, b = np.array(model["a"]), np.array(model["b"])
        lift = min(0.375 * a[1] + b[1] / max(a[1], 1e-9), 0.05)
        told = np.sqrt((0.1 * a + b) / (4 * (0.1 + lift)))
        x = (planes + lift).clamp(min=0).sqrt()
        y = nets.together(x, net(x, torch.tensor(told, dtype=torch.float32, device=device)[None]))
        light = y * y - lift
    return light[0, :, HALO : HALO + height, HALO : HALO + width].permute(1, 2, 0).double().cpu().numpy()


@torch.no_grad()
def judge(net, mosaic, model):
    """What a judge says of a mosaic, edges mirrored."""
    around = 64
    extra = [(around, around + -v % 16) for v in mosaic.shape]
    z = torch.from_numpy(np.pad(mosaic, extra, mode="reflect").astype(np.float32))[None]
    planes = torch.stack([z[:, 0::2, 0::2], z[:, 0::2, 1::2], z[:, 1::2, 0::2], z[:, 1::2, 1::2]], 1)
    a, b = np.array(model["a"]), np.array(model["b"])
    lift = min(0.375 * a[1] + b[1] / max(a[1], 1e-9), 0.05)
    told = np.sqrt((0.1 * a + b) / (4 * (0.1 + lift)))
    found = net((planes + lift).clamp(min=0).sqrt(), torch.tensor(told, dtype=torch.float32)[None])
    rows, columns = (slice(around // 2, around // 2 + v // 2) for v in mosaic.shape)
    said, counts = found[0, 0, rows, columns].double(), found[0, 1, rows, columns].clamp(-8, 8).double()
    return float((counts.exp() * said).sum() / counts.exp().sum())


def measure(item):
    out, truth = item
    import demosaic_protocol as p

    return p.figures(out, truth)


def all_of(jobs, folder):
    sys.path.insert(0, folder)
    os.environ["PYTHONPATH"] = os.path.abspath(folder)
    import demosaic_protocol as p
    from PIL import Image

    pictures = [(os.path.splitext(os.path.basename(f))[0], np.asarray(Image.open(f).convert("RGB"), float) / 255) for f in p.pictures_in(os.path.join(folder, "pictures"))]
    work, labels = [], []
    for job in jobs:
        if job.task == "judge":
            continue
        net = job.ready()
        for noise in [None] if job.task == "clean" else [4000, 1000, 250]:
            for name, truth in pictures:
                t = truth
                if noise:
                    y, x = (max(0, (v - 192) // 2) for v in t.shape[:2])
                    t = t[y : y + 192, x : x + 192]
                t = t[: t.shape[0] // 2 * 2, : t.shape[1] // 2 * 2]
                mosaic = p.camera(p.to_linear(t), name, noise, 3.0, 1)
                work.append((run(net, job.task, mosaic, p.noise_model(noise, 3.0)), t))
                labels.append((job.c["name"], noise, name))
    with ProcessPoolExecutor(min(16, os.cpu_count()), mp_context=__import__("multiprocessing").get_context("spawn")) as pool:
        results = list(pool.map(measure, work))
    groups = {}
    for (job, noise, name), f in zip(labels, results):
        groups.setdefault((job, noise), []).append((name, f))
    for (job, noise), rows in groups.items():
        mean = {k: np.mean([f[k] for _, f in rows]) for k in rows[0][1]}
        print(f"{job:14s} noise {noise}: PSNR {mean['psnr']:.2f} ({mean['psnr_r']:.2f} {mean['psnr_g']:.2f} {mean['psnr_b']:.2f}) SSIM {mean['ssim']:.4f} dE {mean['de_edge']:.3f} zipper {mean['zipper']:.2f}  " + " ".join(f"{n[:10]} {f['psnr']:.2f}" for n, f in rows), flush=True)
