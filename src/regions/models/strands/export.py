"""Writes a trained net as ONNX with half-float weights, and what onnxruntime gives on a drawn window.

    export.py NET.pt strands.onnx [GOLDEN_FOLDER]

Of the eight classes those that the program asks are kept: skin, hair, brows, worn. The difference to
PyTorch is printed (onnxruntime)."""
import sys

import numpy as np
import onnx
import torch
import torch.nn.functional as F
from onnx import TensorProto, helper, numpy_helper

from train import BROWS, HAIR, SKIN, WORN, Net

CELLS = 128
net = Net()
net.load_state_dict(torch.load(sys.argv[1], map_location="cpu"))
rows = [4 * k + i for k in (SKIN, HAIR, BROWS, WORN) for i in range(4)]
net.out.weight, net.out.bias = (torch.nn.Parameter(t[rows]) for t in (net.out.weight, net.out.bias))
nodes, stored = [], []


def node(kind, inputs, out, **how):
    nodes.append(helper.make_node(kind, inputs, [out], **how))
    return out


def half(name, value):
    stored.append(numpy_helper.from_array(value.astype(np.float16), name + ".half"))
    return node("Cast", [name + ".half"], name, to=TensorProto.FLOAT)


def conv(name, x, relu=True):
    layer = getattr(net, name)
    side, step = layer.kernel_size[0], layer.stride[0]
    with torch.no_grad():
        layer.weight.copy_(layer.weight.half().float())
        layer.bias.copy_(layer.bias.half().float())
    weights = [half(f"{name}.{part}", getattr(layer, part).detach().numpy()) for part in ("weight", "bias")]
    out = node("Conv", [x, *weights], name, kernel_shape=[side] * 2, strides=[step] * 2, pads=[side // 2] * 4)
    return node("Relu", [out], name + ".relu") if relu else out


def add(a, b, name):
    return node("Relu", [node("Add", [a, b], name)], name + ".relu")


def up(x, name):
    stored.append(numpy_helper.from_array(np.array([1, 1, 2, 2], np.float32), name + ".scales"))
    return node("Resize", [x, "", name + ".scales"], name, mode="linear", coordinate_transformation_mode="half_pixel")


a = conv("a1", "window")
b = conv("b1", a)
b = add(b, conv("b3", conv("b2", b), False), "b")
c = conv("c1", b)
c = add(c, conv("c3", conv("c2", c), False), "c")
b = add(b, up(conv("c4", c, False), "c.up"), "b.up")
b = add(b, conv("d1", b, False), "d")
a = add(a, up(conv("d2", b, False), "d.up"), "a.up")
conv("out", add(a, conv("e2", conv("e1", a), False), "e"), False)
values = lambda name, planes: helper.make_tensor_value_info(name, TensorProto.FLOAT, [1, planes, CELLS, CELLS])
graph = helper.make_graph(nodes, "strands", [values("window", 24)], [values("out", len(rows))], stored)
model = helper.make_model(graph, opset_imports=[helper.make_opsetid("", 17)], ir_version=8)
onnx.checker.check_model(model)
onnx.save(model, sys.argv[2])

generator = torch.Generator().manual_seed(3)
drawn = F.interpolate(torch.randn(1, 24, 17, 17, generator=generator), size=CELLS, mode="bicubic") * 0.3
drawn = drawn + 0.05 * torch.randn(1, 24, CELLS, CELLS, generator=generator)
drawn = ((drawn + 0.5).clamp(0, 1) * 255).round().byte()
kept, drawn = drawn[0].numpy(), drawn.float() / 255 - 0.5
with torch.no_grad():
    expected = net(drawn).numpy()
import onnxruntime

session = onnxruntime.InferenceSession(sys.argv[2], providers=["CPUExecutionProvider"])
found = session.run(None, {"window": drawn.numpy()})[0]
print("onnxruntime and PyTorch apart by", np.abs(found - expected).max(), "of", np.abs(expected).max())
if len(sys.argv) > 3:
    np.save(f"{sys.argv[3]}/strands.in.npy", kept)
    np.save(f"{sys.argv[3]}/strands.logits_every4.npy", found[:, :, ::4, ::4].astype(np.float32))
