"""Writes a net's averaged weights as 16-bit floats in the order of `src/sensor/learned`.

`python3 export.py NET.pt OUT.f16`"""
import sys

import numpy as np
import torch

state = torch.load(sys.argv[1], map_location="cpu")
levels = len(state["config"]["channels"])
names = ["head"]
for k in range(levels):
    for part in ("before", "after"):
        names += [f"{part}.{k}.{i}" for i in range(state["config"][part][k])]
    if k + 1 < levels:
        names += [f"down.{k}", f"up.{k}"]
names = [f"body.{name}" for name in [*names, "tail"]]
if state["config"].get("ways"):
    names.append("ways")
weights = [state["best"][f"{name}.weight"].numpy().ravel() for name in names]
np.concatenate(weights).astype("<f2").tofile(sys.argv[2])
