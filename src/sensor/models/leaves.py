"""Dead leaves with textures: synthetic pictures to learn demosaicing from. No photograph is used.

Shapes cover each other, with radii by a power of -3, which gives pictures the statistics of natural
ones under change of scale (A. Lee, D. Mumford, J. Huang, "Occlusion models for natural images", IJCV
41, 2001); learning from such pictures serves real ones (R. Achddou, Y. Gousseau, S. Ladjal,
"Synthetic images as a regularity prior for image restoration neural networks", SSVM 2021). Leaves
carry stripes, checks, stitches, strands and grain, since those are what demosaicing fails on (M.
Gharbi, G. Chaurasia, S. Paris, F. Durand, "Deep joint demosaicking and denoising", SIGGRAPH Asia 2016).

Strands that are hair take their colour from what pigments leave of light on its way through them (E. d'Eon, G.
Francois, M. Hill, J. Letteri, J.-M. Aubry, "An energy-conserving hair reflectance model", Computer Graphics Forum
30, 2011): thick and dark ones are more saturated than light ones.
"""
import ctypes
import os

import numpy
import torch

LEAF = 32
# What a strand takes off red, green and blue light per unit of eumelanin and of pheomelanin.
PIGMENTS = [[0.419, 0.697, 1.37], [0.187, 0.4, 1.05]]
SOURCE = os.path.join(os.path.dirname(os.path.abspath(__file__)), "leaves.h")


def scenes(n, count, side, device, generator, strands):
    """Bounds (n, count, 4), leaves (n, count, 32), frames (n, 4); the share `strands` is full of strands."""
    rand = lambda *s: torch.rand(*s, device=device, generator=generator)
    normal = lambda *s: torch.randn(*s, device=device, generator=generator)
    log_uniform = lambda low, high, *s: torch.exp(rand(*s) * (torch.log(torch.as_tensor(high)) - torch.log(torch.as_tensor(low))) + torch.log(torch.as_tensor(low)))
    pick = lambda weights, *s: torch.multinomial(torch.tensor(weights, device=device, dtype=torch.float), int(torch.Size(s).numel()), True, generator=generator).view(*s)
    leaves = torch.zeros(n, count, LEAF, device=device)

    # Radii: density r^-3 between r0 and r1, r0 chosen for each picture.
    r0 = log_uniform(2.0, 30.0, n, 1)
    r1 = side * 0.6
    p = rand(n, count)
    r = (r0**-2 - p * (r0**-2 - r1**-2)) ** -0.5
    x, y = ((rand(n, count) * 1.4 - 0.2) * side for _ in range(2))
    shape = pick([4, 3, 1.5, 2.5, 0.35, 0.4], n, count)
    # Some pictures are full of strands.
    hairy = rand(n, 1) < strands
    # Some of them at the rim of what hangs together, before a backdrop.
    rim = hairy & (rand(n, 1) < 0.35)
    full = torch.where(rim, 0.995, 0.3 + 0.68 * rand(n, 1))
    shape = torch.where(hairy & (rand(n, count) < full), 4, shape)
    x = torch.where(rim & (shape == 4), (0.2 * normal(n, 1) + 0.22 * normal(n, count) + 0.3) * side, x)
    aspect = log_uniform(1.0, 3.5, n, count)
    a, b = r * aspect.sqrt(), r / aspect.sqrt()
    long = (shape == 1) & (rand(n, count) < 0.1)  # bars
    a, b = torch.where(long, r * 2.5, a), torch.where(long, 0.4 + r * 0.06 * rand(n, count), b)
    strand = shape == 4
    a = torch.where(strand, (20 + 120 * rand(n, count)), a)
    finest = log_uniform(0.25, 1.2, n, 1)  # half the width of the finest strands of a picture
    b = torch.where(strand, finest * torch.exp(rand(n, count) * torch.log(2.2 / finest).clamp(max=1.6)), b)
    ring = shape == 5
    a, b = torch.where(ring, r, a), torch.where(ring, 0.5 + r * 0.25 * rand(n, count) ** 2, b)
    a = torch.where((shape == 3), r, a)
    bound = torch.where(strand, 1.6 * a + 4, torch.where(ring, a + 1, torch.where(shape == 3, a, (a * a + b * b).sqrt())))
    bound = torch.where(shape == 0, torch.maximum(a, b), bound)
    angle = 6.2831853 * rand(n, count)
    # Strands of a picture hang together.
    spread = 0.06 + 0.7 * rand(n, 1) ** 2
    turn = 6.2831853 * rand(n, 1) + 0.5 * normal(n, 1) * (x / side - 0.5) + 0.5 * normal(n, 1) * (y / side - 0.5)
    angle = torch.where(strand, turn + spread * normal(n, count), angle)
    level = rand(n, count) < 0.25  # upright and level things are common
    angle = torch.where(level & ~strand, (angle / 1.5707963).round() * 1.5707963 + 0.02 * normal(n, count), angle)
    bow = 0.05 + 0.35 * rand(n, 1)
    bend = torch.where(strand, bow * normal(n, count).clamp(-2, 2), torch.floor(2 + 6 * rand(n, count)))
    leaves[..., 3] = shape
    leaves[..., 4], leaves[..., 5] = angle.cos(), angle.sin()
    leaves[..., 6], leaves[..., 7], leaves[..., 8] = a, b, bend
    leaves[..., 9] = 6.28 * rand(n, count)

    # Colours: light varies more than hue, but for pictures of saturated things.
    style = pick([0.4, 0.4, 0.2], n, 1).unsqueeze(-1)
    hue = torch.tensor([0.08, 0.3, 0.8], device=device)[style]
    cast = 0.2 * normal(n, 1, 3)
    mean, spread = -1.9 + 0.6 * normal(n, 1, 1), 0.5 + 0.5 * rand(n, 1, 1)

    def colours():
        light = mean + spread * normal(n, count, 1)
        tint = cast + hue * normal(n, count, 3)
        tint = tint - tint.mean(-1, keepdim=True) * 0.8
        return torch.exp(light + tint).clamp(0.002, 1.1)

    first, second, third = colours(), colours(), colours()
    same = (rand(n, count, 1) < 0.75)  # shades of one colour
    shade = torch.exp(0.7 * normal(n, count, 1))
    second = torch.where(same, (first * shade).clamp(0.001, 1.1), second)
    same = (rand(n, count, 1) < 0.5)
    third = torch.where(same, (first / shade).clamp(0.001, 1.1), third)
    # Strands of a picture have few tones, each strand its own brightness.
    tones = torch.gather(first, 1, torch.randint(4, (n, count), device=device, generator=generator).unsqueeze(-1).expand(-1, -1, 3))
    # Mostly one hue, as hair and fur before a backdrop of another.
    hair = mean + 0.6 * normal(n, 1, 1) + 0.35 * normal(n, 1, 3) + 0.06 * normal(n, count, 3)
    tones = torch.where(rand(n, 1, 1) < 0.7, torch.exp(hair), tones)
    # Or by pigments; a little of the light comes back from the surface.
    pigments = torch.tensor(PIGMENTS, device=device)
    takes = log_uniform(0.08, 5.0, n, 1, 1) * pigments[0] + log_uniform(0.02, 1.5, n, 1, 1) * pigments[1]
    way = log_uniform(0.5, 2.0, n, 1, 1) * torch.exp((0.1 + 0.4 * rand(n, 1, 1)) * normal(n, count, 1))
    melanin = (torch.exp(-takes * way) + 0.08 * rand(n, 1, 1) * rand(n, count, 1) ** 2) * torch.exp(0.4 * normal(n, 1, 1) + 0.1 * normal(n, 1, 3))
    tones = torch.where(rand(n, 1, 1) < 0.5, melanin, tones)
    # Deeper ones are in the shade.
    depth = torch.arange(count, device=device).view(1, count, 1) / 400
    tones = tones * torch.exp(-1.5 * rand(n, 1, 1) ** 2 * depth.clamp(max=2))
    vary = 0.15 + 0.4 * rand(n, 1, 1)
    tones = (tones * torch.exp(vary * normal(n, count, 1))).clamp(0.001, 1.1)
    alike = (strand & hairy & (rand(n, 1) < 0.8)).unsqueeze(-1)
    first = torch.where(alike, tones, first)
    leaves[..., 10:13], leaves[..., 13:16], leaves[..., 26:29] = first, second, third

    kinds = torch.tensor([3.0, 1.0, 0.8, 0.5, 2.5, 1.6, 0.8, 0.3, 1.2, 1.0, 0.3, 0.4, 0.5, 0.7, 0.9, 0.4], device=device)
    # A picture has few kinds of texture.
    mine = kinds * torch.exp(1.5 * normal(n, 16))
    texture = torch.multinomial(mine, count, True, generator=generator)
    texture = torch.where(alike[..., 0], 0, texture)
    period = log_uniform(1.9, 24.0, n, count)
    other = period * log_uniform(0.5, 2.0, n, count)
    leaves[..., 16] = texture
    turn = 6.2831853 * rand(n, count)
    turn = torch.where(rand(n, count) < 0.35, (turn / 1.5707963).round() * 1.5707963 + 0.03 * normal(n, count), turn)
    leaves[..., 17], leaves[..., 18] = turn.cos(), turn.sin()
    # Strands: fine across, coarse along.
    other = torch.where(texture == 5, period * log_uniform(6.0, 30.0, n, count), other)
    f, g = 1 / period, 1 / other
    coarse = (texture == 4) | (texture == 9)
    f, g = torch.where(coarse, f * 0.5, f), torch.where(coarse, g * 0.5, g)
    grain = texture == 8
    f = torch.where(grain, log_uniform(0.3, 1.0, n, count), f)
    # Stitches, little squares: at least two pixels.
    knitted, print_ = texture == 14, texture == 15
    f = torch.where(knitted, 1 / log_uniform(4.0, 16.0, n, count), torch.where(print_, 1 / log_uniform(4.0, 20.0, n, count), f))
    g = torch.where(knitted, f * (0.8 + 0.8 * rand(n, count)), torch.where(print_, f * (0.5 + 0.3 * rand(n, count)), g))
    cells = (texture == 6) | (texture == 12) | (texture == 11) | (texture == 7)
    f, g = torch.where(cells, f.clamp(max=0.45), f), torch.where(cells, g.clamp(max=0.45), g)
    # A chirp reaches its finest at the rim: half its rate times twice the radius.
    chirp = texture == 10
    f = torch.where(chirp, 0.48 * rand(n, count) / r, f)
    g = torch.where(chirp, (rand(n, count) * 2 - 1), g)
    leaves[..., 19], leaves[..., 20] = f, g
    leaves[..., 21] = rand(n, count)
    amp = rand(n, count)
    amp = torch.where(texture == 2, 0.1 + 0.5 * amp, amp)
    amp = torch.where(texture == 4, 0.35 + 0.5 * amp, amp)
    amp = torch.where(grain, 0.02 + 0.5 * amp**2, amp)
    amp = torch.where(texture == 7, 0.2 + 0.8 * amp, amp)
    amp = torch.where(knitted, 0.25 + 0.6 * amp, amp)
    leaves[..., 22] = amp
    leaves[..., 29] = 0.5 * rand(n, 1) * rand(n, count)
    leaves[..., 30] = 1 + 3 * rand(n, 1)
    leaves[..., 31] = 0.6 * rand(n, 1)
    leaves[..., 23] = torch.floor(rand(n, count) * 1e6)
    leaves[..., 24:26] = (0.35 * normal(n, count, 2)) / bound.unsqueeze(-1).clamp(min=6)

    bounds = torch.zeros(n, count, 4, device=device)
    bounds[..., 0], bounds[..., 1], bounds[..., 2] = x, y, bound
    # What no leaf covers is the backdrop.
    leaves[:, -1, 3] = 6
    bounds[:, -1, :2], bounds[:, -1, 2] = side / 2, 1e6
    frames = torch.zeros(n, 4, device=device)
    wide = torch.where(rand(n) < 0.3, log_uniform(1.5, 4.0, n), 0.9 + 0.8 * rand(n))
    frames[:, 0] = wide
    frames[:, 1] = torch.where(rand(n) < 0.5, 0.12 * rand(n) ** 2, 0.0)
    frames[:, 2] = torch.floor(rand(n) * 1e6)
    return bounds, leaves, frames


_kernel = None


def paint(n, count, side, device, generator, strands):
    """n pictures, linear light: (n, 3, side, side)."""
    global _kernel
    bounds, leaves, frames = (t.contiguous() for t in scenes(n, count, side, device, generator, strands))
    out = torch.empty(n, 3, side, side, device=device)
    if out.is_cuda:
        import cupy

        if _kernel is None:
            _kernel = cupy.RawKernel(open(SOURCE).read(), "paint", options=("--use_fast_math", "-std=c++14"))
        threads = side * side * n
        torch.cuda.synchronize()
        _kernel(((threads + 127) // 128,), (128,), (bounds.data_ptr(), leaves.data_ptr(), frames.data_ptr(), out.data_ptr(), numpy.int32(side), numpy.int32(count), numpy.int32(n)))
        cupy.cuda.get_current_stream().synchronize()
    else:
        if _kernel is None:
            _kernel = ctypes.CDLL(os.environ.get("LEAVES", "./leaves.so"))
        p = lambda t: ctypes.c_void_p(t.data_ptr())
        _kernel.paint(p(bounds), p(leaves), p(frames), p(out), side, count, n)
    return out
