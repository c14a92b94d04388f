"""What PyTorch makes of a small mosaic with the shipped nets, for `tests/sensor_stage.rs`.

`python3 golden.py CLEAN.pt NOISY.pt JUDGE.pt FOLDER` writes learned_mosaic.npy, learned_clean.npy, learned_noisy.npy
and learned_judge.npy: RGGB, linear light, edges mirrored, the noise told as in the tests."""
import sys

import numpy as np
import torch

import nets
import train
from score import judge, run

side = 40
rng = np.random.default_rng(5)
y, x = np.mgrid[:side, :side]
mosaic = 0.3 + 0.2 * np.sin(0.9 * x + 0.4 * y) + 0.15 * (x > 17) + 0.05 * rng.random((side, side))
mosaic = np.where((x + y) % 2 == 1, mosaic, 0.7 * mosaic).astype(np.float32)
np.save(f"{sys.argv[4]}/learned_mosaic.npy", mosaic)
model = {"a": [2e-3, 1e-3, 1.5e-3], "b": [4e-5, 1e-5, 2.25e-5]}
for path, task in zip(sys.argv[1:4], ("clean", "noisy", "judge")):
    state = torch.load(path, map_location="cpu")
    c = state["config"]
    net = train.KINDS[task](*train.shape(c))
    # As shipped: 16-bit floats.
    net.load_state_dict({k: v.half().float() for k, v in state["best"].items()})
    if task == "judge":
        larger = {k: [4 * v for v in line] for k, line in model.items()}
        out = np.array([judge(net.eval(), mosaic, m) for m in (model, larger)])
    else:
        out = run(net.eval(), task, mosaic, model)
    np.save(f"{sys.argv[4]}/learned_{task}.npy", out.astype(np.float32))
