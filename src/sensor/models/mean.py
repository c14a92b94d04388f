"""Mean of the averaged weights of nets that learned on from the same one. `python3 mean.py NET.pt... OUT.pt`

Their errors differ more than what they do (M. Wortsman et al., "Model soups", ICML 2022)."""
import sys

import torch

states = [torch.load(path, map_location="cpu") for path in sys.argv[1:-1]]
best = {k: sum(state["best"][k] for state in states) / len(states) for k in states[0]["best"]}
torch.save({"best": best, "config": states[0]["config"]}, sys.argv[-1])
